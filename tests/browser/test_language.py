"""Pages in German on a phone: nothing sticks out, and what scripts say is German."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from tests.browser.conftest import PHONE, Book, clean_environment, served

PAGES = (
    "/", "/types/", "/kinds/linear-regulator/", "/cautions/", "/jobs/4/", "/jobs/4/faults/", "/jobs/9/whitening/",
    "/jobs/6/proving/", "/jobs/3/money/", "/jobs/4/power-on/", "/jobs/9/one-way/?step=whiten", "/stores/BELT-70/",
    "/stores/BELT-70/?do=change", "/kits/batch/2/", "/orders/plan/2/", "/suppliers/1/", "/owners/1/",
    "/tools/adapter/?type=corrigan-duo&a_output=DC", "/tools/supply/of/larkmere-48/?aged_c=30&aged_esr=6",
)  # fmt: skip


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Book]:
    home = tmp_path_factory.mktemp("demo") / "book"
    with served(clean_environment(home), "demo", "--keep", str(home)) as made:
        yield made


@pytest.mark.browser
@pytest.mark.slow
def test_long_words_stay_on_a_phone(demo: Book, open_page: Callable[..., Any]) -> None:
    page = open_page(PHONE, base_url=demo.address, locale="de-DE")
    for address in PAGES:
        page.goto(address)
        assert page.evaluate("document.documentElement.lang") == "de", address
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"], address


@pytest.mark.browser
@pytest.mark.slow
def test_scripts_speak_german(demo: Book, open_page: Callable[..., Any]) -> None:
    page = open_page(base_url=demo.address, locale="de-DE")
    page.goto("/tools/supply/of/larkmere-48/?aged_c=30&aged_esr=6")
    page.get_by_role("button", name="Näher").first.click()
    page.get_by_role("button", name="Cursor", exact=True).first.click()
    handle = page.get_by_role("slider", name="Cursor 1").first
    handle.focus()
    handle.press("ArrowRight")
    assert "," in (handle.get_attribute("aria-valuetext") or "")
    assert "Von 1 bis 2" in page.locator(".plot-between").first.inner_text()
