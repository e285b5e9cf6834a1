"""Every page, at the desk and on the phone, in light and dark: nothing sticks out, nothing bars anyone."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.browser.conftest import DESK, PHONE, Book

pytestmark = pytest.mark.browser

PAGES = (
    "/",
    "/closed/",
    "/take-in/",
    "/take-in/piper-pocket/",
    "/jobs/{0}/",
    "/jobs/{0}/faults/",
    "/jobs/{0}/faults/?step=rail5.replace",
    "/jobs/{0}/power-on/",
    "/jobs/{0}/board/?ref=C1",
    "/jobs/{0}/replace/",
    "/jobs/{1}/replace/",
    "/jobs/{0}/log/1/",
    "/jobs/{0}/proving/",
    "/jobs/{1}/proving/?at=9-1",
    "/jobs/{0}/handover/",
    "/jobs/{1}/handover/full/?publishable=1",
    "/jobs/{0}/one-way/",
    "/jobs/{0}/money/",
    "/jobs/{1}/money/?work=1&scope-0=1&scope-2=1",
    "/jobs/{0}/one-way/?step=whiten",
    "/jobs/{0}/publish/",
    "/jobs/{1}/one-way/?step=discard-originals",
    "/jobs/{1}/power-on/",
    "/jobs/{1}/faults/?step=sound",
    "/types/",
    "/types/larkmere-48/",
    "/kinds/",
    "/kinds/linear-regulator/",
    "/cautions/",
    "/help/",
    "/tools/",
    "/tools/capture/",
    "/tools/ripple/",
    "/tools/supply/",
    "/tools/supply/of/larkmere-48/?aged_c=10&aged_esr=10&variants=50",
    "/tools/adapter/?type=corrigan-duo&a_output=DC",
    "/tools/sound/",
    "/tools/bath/?stock=12+%25&target=6&volume=10L&gate=hidden-spot",
    "/tools/sun/?place=48.9,2.35&date=2031-06-21&dose=100&zone=UTC",
    "/tools/lamp/?nm=395&hours=6&readings=4.1+3.8",
    "/tools/card/",
    "/tools/yellow/",
    "/jobs/{0}/whitening/",
    "/suppliers/",
    "/suppliers/1/",
    "/suppliers/1/import/",
    "/suppliers/1/parts/",
    "/suppliers/1/lists/2/",
    "/suppliers/1/number/?sku=A-1",
    "/stores/",
    "/stores/?q=4u7+50v",
    "/stores/E-4U7/",
    "/stores/E-4U7/?do=change",
    "/stores/E-4U7/?do=scrap",
    "/stores/new/",
    "/stores/receive/?q=4u7",
    "/stores/receive/?part=E-4U7",
    "/stores/count/",
    "/stores/count/?place=the+every+drawer",
    "/stores/labels/?part=E-4U7",
    "/stores/reorder/",
    "/stores/look-again/",
    "/kits/",
    "/kits/new/",
    "/orders/",
    "/orders/plan/",
    "/owners/",
    "/owners/1/",
    "/owners/1/erase/",
    "/experience/",
    "/experience/advice/",
    "/nothing/",
)


@pytest.fixture(scope="module")
def jobs(book: Book, tmp_path_factory: pytest.TempPathFactory) -> tuple[int, int]:
    for price in ("0,25", "0,30"):  # two lists of a supplier, so that there is a change to draw
        prices = tmp_path_factory.mktemp("prices") / "list.csv"
        prices.write_text(f"Part no;Description;1+;100+\nA-1;Fuse 2 A;{price};0,19\nA-2;Belt;call;\n", encoding="utf-8")
        book.run("prices", "import", "Tarn", str(prices), "--add")
    first = book.job(
        "larkmere-48",
        "complaint|point=picture|outcome=no picture",
        "check|check=picture|outcome=garbled",
        "caution|caution=mains",
        "capacitor|ref=C1|value=2200u 25V 85C|minus=left",
    )
    second = book.job("corrigan-duo", "check|check=picture|outcome=no picture")
    part = ("E-4U7", "--value", "4u7 50v", "--kind", "aluminium", "--place", "the every drawer", "--reorder-at", "9")
    book.run("stores", "add", "low electrolytic", "--code", *part)
    book.run("stores", "receive", "E-4U7", "8", "--since", "2020-03-01")
    book.run("stores", "quarantine", "E-4U7", "2", "--why", "wet seals")
    book.run("stores", "take", "E-4U7", "1", "--job", str(second))
    book.run("stores", "reserve", "E-4U7", "3", "--job", str(second))
    return first, second


@pytest.mark.parametrize(("size", "scheme"), [(DESK, "light"), (DESK, "dark"), (PHONE, "light"), (PHONE, "dark")])
def test_every_page(jobs: tuple[int, int], open_page: Callable[..., Any], size: dict[str, int], scheme: str) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page = open_page(size, color_scheme=scheme)
    found: list[str] = []
    for address in PAGES:
        page.goto(address.format(*jobs))
        page.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true; })")
        wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        if wide > 0:
            found.append(f"{address}: {wide} px stick out")
        for violation in Axe().run(page).response["violations"]:
            where = violation["nodes"][0]
            found.append(f"{address}: {violation['id']}: {where['target']} {where['failureSummary'][:200]}")
    assert found == []
