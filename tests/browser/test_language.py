"""Pages in German: no text of ours is left in English, nothing sticks out on a phone, scripts speak it too."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from tests.browser.conftest import PHONE, Book, clean_environment, served
from tests.browser.hands import advised
from tests.browser.looks import prepare, unmarked
from tests.browser.test_every_page import MORE
from tests.browser.walk import AT_THE_BENCH, GIVEN, JOBS, STOCK, TOOLS, Stop

PAGES = (
    "/", "/types/", "/kinds/linear-regulator/", "/cautions/", "/jobs/4/", "/jobs/4/faults/", "/jobs/9/whitening/",
    "/jobs/6/proving/", "/jobs/3/money/", "/jobs/4/power-on/", "/jobs/9/one-way/?step=whiten", "/stores/BELT-70/",
    "/stores/BELT-70/?do=change", "/kits/batch/2/", "/orders/plan/2/", "/suppliers/1/", "/owners/1/",
    "/tools/adapter/?type=corrigan-duo&a_output=DC", "/tools/supply/of/larkmere-48/?aged_c=30&aged_esr=6",
)  # fmt: skip


EXCHANGED = {"/jobs/4/faults/?step=picture"}
"""Where a form exchanges a part of the page: around it stays the English one that the form was on."""


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Book]:
    home = tmp_path_factory.mktemp("demo") / "book"
    environment = clean_environment(home)
    with served(environment, "demo", "--keep", str(home)) as made:
        subprocess.run([sys.executable, "-c", MORE], env=environment, check=True, capture_output=True)
        made.run("job", "pack", "3", str(home.parent / "job.zip"))
        GIVEN["packed"] = (home.parent / "job.zip").read_bytes()
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


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.parametrize("stops", [AT_THE_BENCH, JOBS, TOOLS, STOCK], ids=["bench", "jobs", "tools", "stock"])
def test_no_english_of_ours_is_left_on_a_german_page(
    demo: Book, open_page: Callable[..., Any], stops: tuple[Stop, ...]
) -> None:
    """Forms are filled in on the English page, whose names walk.py knows, and answered in German."""
    page = open_page(base_url=demo.address)
    prepare(page)
    found = []
    for stop in stops:
        page.set_extra_http_headers({"Accept-Language": "en" if stop.do else "de"})
        page.goto(stop.address)
        advised(page)
        if stop.do:
            page.set_extra_http_headers({"Accept-Language": "de"})
            stop.do(page)
        if page.evaluate("document.documentElement.lang") != "de" and stop.address not in EXCHANGED:
            found.append(f"{stop.address}: not in German")
        found.extend(f"{stop.address}: {each}" for each in unmarked(page))
    assert found == []
