"""Proving on a phone: one tap, one trial; keys; a bad one taken back; a soak over a restart of the page."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from tests.browser.conftest import DESK, PHONE, Book
from tests.browser.test_strip_down import checked

pytestmark = pytest.mark.browser
Open = Callable[..., Any]


def test_one_tap_is_one_trial(book: Book, open_page: Open) -> None:
    number = book.job(
        "corrigan-duo",
        "check|check=picture|counts.good=5|counts.no picture=5",
        "repair|repair=clean-both-seats",
    )
    page = open_page(PHONE)
    page.goto(f"/jobs/{number}/proving/")
    assert checked(page) == []
    good = page.get_by_role("button", name="Good", exact=True)
    assert good.bounding_box()["height"] >= 56
    assert good.bounding_box()["y"] + good.bounding_box()["height"] < PHONE["height"]
    assert page.locator(".tally").inner_text() == "0 good of 10 wanted: 10 more"
    good.click()
    page.get_by_text("1 good of 10 wanted: 9 more").wait_for()
    page.keyboard.press("1")
    page.get_by_text("2 good of 10 wanted: 8 more").wait_for()
    page.keyboard.press("2")
    page.get_by_text("It fails.").wait_for()
    assert checked(page) == []
    page.keyboard.press("u")
    page.get_by_text("2 good of 10 wanted: 8 more").wait_for()
    for done in range(3, 11):
        page.keyboard.press("1")
        page.get_by_text(re.compile(rf"^{done} good")).wait_for()
    assert "failure rate below" in page.locator("#cell-card").inner_text()
    assert page.locator(".proof-pass").count() == 1
    page.keyboard.press("ArrowRight")
    page.wait_for_url("**at=1-2")
    page.keyboard.press("ArrowLeft")
    page.wait_for_url("**at=1-1")
    page.get_by_role("link", name=re.compile("^Next open")).click()
    page.wait_for_url("**at=1-2")

    page.goto(f"/jobs/{number}/proving/?at=9-1")
    page.get_by_role("button", name="Begin the soak").click()
    left = page.locator(".soak-left")
    left.wait_for()
    page.reload()
    page.wait_for_function("() => document.querySelector('.soak-left').textContent.startsWith('0:59:')")
    assert checked(page) == []
    page.goto("/")
    assert re.search(r"soak until \d\d:\d\d", page.locator("main").inner_text())


@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "dark"), (DESK, "light")])
def test_a_mains_unit(book: Book, open_page: Open, size: dict[str, int], scheme: str) -> None:
    number = book.job("larkmere-48", "caution|caution=mains", "caution|caution=charged-capacitor")
    page = open_page(size, color_scheme=scheme)
    for at in ("1-1", "13-1", "15-1"):
        page.goto(f"/jobs/{number}/proving/?at={at}")
        assert checked(page) == [], at
    page.emulate_media(media="print")
    assert not page.locator("#cell-card").is_visible()
    assert page.locator(".print-head svg").is_visible()
