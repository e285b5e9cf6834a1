"""A batch of kits made at phone width: one value at a time, a wrong count and a wrong bag stopped, both checks."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.browser.conftest import DESK, PHONE, Book
from tests.browser.test_replacing import _axe

pytestmark = pytest.mark.browser
Open = Callable[..., Any]
LIST = "C1, C4: 100u 25V 105C aluminium\nC7: 10u 50V 105C aluminium +1\nC9: 1u 63V film\n"


@pytest.fixture(scope="module")
def kit(book: Book, tmp_path_factory: pytest.TempPathFactory) -> int:
    parts = (("EK100", "100u 25V 105C", "aluminium", "0.6"), ("EK10", "10u 50V 105C", "aluminium", "0.3"))
    for code, value, kind, gram in (*parts, ("FK1", "1u 63V", "film", "0.4")):
        words = ("--code", code, "--value", value, "--kind", kind, "--gram", gram, "--count", "40", "--price", "0.10")
        book.run("stores", "add", f"capacitor {code}", *words)
    file = Path(tmp_path_factory.mktemp("list")) / "list.txt"
    file.write_text(LIST, encoding="utf-8")
    words = ("--type", "larkmere-48", "--revision", "B", "--name", "Kit for the test", "--file", str(file), "--yes")
    return int(json.loads(book.run("kit", "new", *words, "--json"))["written"])


def fits(page: Any) -> None:
    """Nothing sticks out, nothing bars anyone, what is tapped is large."""
    assert page.evaluate("document.documentElement.scrollWidth - window.innerWidth") <= 0
    small = page.locator("main .card button, main .card input:not([type=hidden])").evaluate_all(
        "all => all.map(e => e.getBoundingClientRect()).filter(b => b.height && b.height < 43.5).length"
    )
    assert small == 0
    assert page.locator("button.wide-button").first.bounding_box()["height"] >= 55.5
    assert _axe(page) == []


def test_a_batch_on_the_phone(book: Book, open_page: Open, kit: int) -> None:
    page = open_page(PHONE)
    page.goto(f"/kits/{kit}/")
    page.locator("#count").fill("3")
    page.get_by_role("button", name="Begin, and promise it the parts").click()
    page.get_by_text("0 of 3 values in the bags").wait_for()
    batch = page.url.rstrip("/").rsplit("/", 1)[-1]
    for line, pieces in enumerate((6, 6, 3), start=1):
        fits(page)
        if line == 2:  # one is in the wrong bag, or dropped
            page.locator("#counted").fill(str(pieces - 1))
            page.get_by_role("button", name="Counted, the line is full").click()
            assert "Written as a mistake" in page.get_by_role("alert").inner_text()
            assert _axe(page) == []
        page.locator("#counted").fill(str(pieces))
        page.evaluate("document.activeElement.blur()")
        with page.expect_navigation():
            page.keyboard.press("1")
    assert page.locator("h2.part-now").inner_text() == f"K{batch}-1"
    page.get_by_role("link", name="Scan its bags").click()
    fits(page)
    codes = page.locator("#codes")
    codes.fill(f"B{batch}-1 B{batch}-1 B{batch}-3")  # a bag twice, one missing
    page.get_by_role("button", name="These bags are in it").click()
    said = page.get_by_role("alert").inner_text()
    assert f"missing: B{batch}-2" in said
    assert codes.input_value().startswith("B")
    for number in (1, 2, 3):
        codes.fill(f"b{batch}-1\nb{batch}-2\nb{batch}-3")
        page.get_by_role("button", name="These bags are in it").click()
        page.get_by_text(f"K{batch}-{number} is ready.").wait_for()
    page.get_by_role("heading", name="All 3 are ready").wait_for()
    facts = json.loads(book.run("kit", "batch", batch, "--json"))
    assert (facts["state"], facts["mistakes"], len(facts["ready"])) == ("done", 2, 3)


@pytest.mark.parametrize(("size", "scheme"), [(DESK, "light"), (DESK, "dark"), (PHONE, "light"), (PHONE, "dark")])
def test_every_page_of_kits(book: Book, open_page: Open, kit: int, size: dict[str, int], scheme: str) -> None:
    facts = json.loads(book.run("kit", "batch", str(kit), "--begin", "1", "--json"))
    batch = facts["batch"]
    for line in facts["lines"]:
        pieces = {1: "2", 2: "2", 3: "1"}[line["line"]]
        book.run("kit", "batch", str(batch), "--fill", str(line["line"]), "--counted", pieces)
    checking = f"/kits/batch/{batch}/"
    page = open_page(size, color_scheme=scheme)
    found: list[str] = []

    def look(address: str) -> None:
        page.goto(address)
        page.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true; })")
        wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        found.extend([f"{address}: {wide} px stick out"] if wide > 0 else [])
        found.extend(f"{address}: {each}" for each in _axe(page))

    for address in (f"{checking}?by=weight", f"{checking}?by=codes"):
        look(address)
    book.run("kit", "check", str(batch), "1", "--codes", f"B{batch}-1 B{batch}-2 B{batch}-3")
    lot = json.loads(book.run("kit", "trace", f"K{batch}-1", "--json"))["parts"][0]["lot_number"]
    of_version = ("", "sheet/", f"sheet/?kit=K{batch}-1")
    for address in (
        "/kits/",
        "/kits/new/",
        f"/kits/new/?from={kit}",
        *(f"/kits/{kit}/{more}" for more in of_version),
        checking,
        f"{checking}labels/",
        f"{checking}labels/?what=bags",
        f"/kits/find/K{batch}-1/",
        f"/kits/lot/{lot}/",
    ):
        look(address)
    assert found == []
