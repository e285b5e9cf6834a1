"""Forty replacements on the phone, one for one; a reversal and a mix-up on the way are stopped."""

from __future__ import annotations

import re
from collections.abc import Callable
from io import BytesIO
from typing import Any

import pytest
from PIL import Image

from tests.browser.conftest import PHONE, Book
from tests.web.board_lists import parts_list

pytestmark = pytest.mark.browser
Open = Callable[..., Any]
KEYS = {"up": "ArrowUp", "down": "ArrowDown", "left": "ArrowLeft", "right": "ArrowRight"}
OTHER = {"up": "down", "down": "up", "left": "right", "right": "left"}


def _axe(page: Any) -> list[str]:
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    return [f"{v['id']}: {v['nodes'][0]['target']} {v['nodes'][0]['failureSummary'][:200]}" for v in found]


def _upload(page: Any, number: int) -> None:
    page.goto(f"/jobs/{number}/board/")
    file = {"name": "forty.csv", "mimeType": "text/csv", "buffer": parts_list(40)}
    page.locator("#layout").set_input_files(file)
    page.get_by_role("button", name="Keep it").click()
    page.get_by_text("Kept: 40 parts, 40 electrolytics.").wait_for()


def _says(page: Any) -> str:
    """Where the minus lies by the file, as the page says it."""
    told = page.locator("fieldset", has_text="By net").locator("strong").inner_text()
    found = re.search(r"up|down|left|right", told.split(",")[1])
    assert found is not None
    return found.group()


def _press(page: Any, key: str) -> None:
    """Press a key that sends a form, and wait for the page it leads to."""
    with page.expect_navigation():
        page.keyboard.press(key)


def _rest(page: Any) -> None:
    """Away from any field, so that keys are heard."""
    page.evaluate("document.activeElement.blur()")


@pytest.mark.slow
def test_forty_replacements(book: Book, open_page: Open) -> None:
    number = book.job("larkmere-48")
    page = open_page(PHONE)
    _upload(page, number)
    assert _axe(page) == []
    page.get_by_role("link", name="Replace, one for one").click()
    while page.get_by_role("button", name="Read, and I keep to it").count():
        page.get_by_role("button", name="Read, and I keep to it").first.click()
        page.wait_for_load_state()

    done, tests, stopped = 0, 0, []
    while done < 40:
        if page.get_by_role("heading", name="Test the unit now").count():
            tests += 1
            if tests == 1:
                assert _axe(page) == []
            _press(page, "2")
            continue
        ref = page.locator("h2.part-now").inner_text()
        lies, value = _says(page), page.locator("#value").input_value()
        if done == 0:
            assert _axe(page) == []
            assert page.evaluate("document.documentElement.scrollWidth - window.innerWidth") <= 0
            small = page.locator(".direction label, button.big").evaluate_all(
                "all => all.map(e => e.getBoundingClientRect()).filter(b => b.height < 55.5 || b.width < 55.5).length"
            )
            assert small == 0
        if done == 4:  # fitted the other way round than the nets say: the three do not agree
            for way in (OTHER[lies], lies, lies):
                page.keyboard.press(KEYS[way])
            _press(page, "1")
            assert "three that do not agree" in page.get_by_role("alert").inner_text()
            stopped.append("three signs")
            page.goto(f"/jobs/{number}/replace/?ref={ref}&on=1")
        for _ in range(3):
            page.keyboard.press(KEYS[lies])
        _press(page, "1")
        assert page.locator(".out-now strong").inner_text() == f"{ref} is out"

        if done == 7:  # a reversal
            page.fill("#new", value)
            _rest(page)
            page.keyboard.press(KEYS[OTHER[lies]])
            _press(page, "1")
            assert "Reversed, it can burst" in page.get_by_role("alert").inner_text()
            assert page.locator(".out-now strong").inner_text() == f"{ref} is out"
            stopped.append("reversal")
        if done == 11:  # a mix-up: the value of its neighbour
            page.fill("#new", "10u 16V" if not value.startswith("10µ") else "470u 25V")
            page.locator("#verdict .warn").wait_for()
            assert "refused" in page.locator("#verdict").inner_text().lower()
            assert _axe(page) == []
            _rest(page)
            page.keyboard.press(KEYS[lies])
            _press(page, "1")
            assert "came out" in page.get_by_role("alert").inner_text()
            stopped.append("mix-up")
            page.goto(f"/jobs/{number}/faults/")
            assert f"{ref} " in page.get_by_label("Out of the unit now").inner_text()
            page.get_by_role("link", name="Put the new one in").click()
        if done == 15:  # taken back, and out again
            _press(page, "9")
            page.goto(f"/jobs/{number}/replace/?ref={ref}")
            for _ in range(3):
                page.keyboard.press(KEYS[lies])
            _press(page, "1")
        page.fill("#new", value)
        _rest(page)
        page.keyboard.press(KEYS[lies])
        _press(page, "1")
        done += 1
        assert f"{done} of 40 done" in page.locator(".progress").inner_text()
    page.get_by_role("heading", name="Test the unit now").wait_for()
    _press(page, "2")
    page.get_by_role("heading", name="All 40 are done").wait_for()
    assert stopped == ["three signs", "reversal", "mix-up"]
    assert tests >= 2
    page.goto(f"/jobs/{number}/board/")
    assert page.locator("td .state", has_text="replaced").count() == 40


def test_marking_on_a_photo(book: Book, open_page: Open) -> None:
    number = book.job("corrigan-duo", "caution|caution=charged-capacitor")
    page = open_page(PHONE)
    page.goto(f"/jobs/{number}/")
    file = BytesIO()
    Image.new("RGB", (800, 600), "#667755").save(file, "JPEG")
    page.locator("#photo").set_input_files({"name": "a.jpg", "mimeType": "image/jpeg", "buffer": file.getvalue()})
    page.get_by_role("button", name="Keep photos").click()
    page.get_by_text("1 photo kept.").wait_for()
    page.goto(f"/jobs/{number}/board/")
    page.get_by_role("link", name="mark capacitors on it").click()
    photo = page.locator("svg[data-tap]")
    photo.scroll_into_view_if_needed()
    box = photo.bounding_box()
    photo.click(position={"x": box["width"] / 4, "y": box["height"] / 2})
    assert abs(float(page.locator("#left").input_value()) - 25) < 1
    assert abs(float(page.locator("#top").input_value()) - 50) < 1
    page.get_by_label("Part, as printed on the board").fill("C3")
    page.get_by_label("Value, as printed on it").fill("470u 25V 85C")
    page.get_by_role("radio", name="left").check()
    assert _axe(page) == []
    page.get_by_role("button", name="Note it").click()
    page.wait_for_load_state()
    page.goto(f"/jobs/{number}/replace/")
    assert page.locator(".on-photo .mark-name").first.text_content().startswith("C3")
    assert _axe(page) == []
    page.goto(f"/jobs/{number}/board/?ref=C3")
    assert _axe(page) == []
