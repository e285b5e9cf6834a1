"""The stores on a phone: a drawer counted on the number pad, stopped and gone on with; labels as they are printed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import pytest

from tests.browser.conftest import DESK, PHONE, Book
from tests.support.qr import read_qr

pytestmark = pytest.mark.browser
Open = Callable[..., Any]
DRAWER = "drawer of the stocktake"


@pytest.fixture(scope="module")
def drawer(book: Book) -> None:
    for code, value, count in (("ST-1", "4u7 50v", "12"), ("ST-2", "47k", "237"), ("ST-3", "100n 63v", "5")):
        book.run("stores", "add", "a part to count", "--code", code, "--value", value, "--place", DRAWER)
        book.run("stores", "receive", code, count)


def tap(page: Any, number: str) -> None:
    for digit in number:
        page.get_by_role("button", name=digit, exact=True).click()


def counted(page: Any) -> None:
    page.get_by_role("button", name="Counted", exact=True).click()


def test_a_drawer_is_counted_with_a_thumb(drawer: None, open_page: Open) -> None:
    page = open_page(PHONE, has_touch=True)
    page.goto("/stores/count/")
    page.get_by_role("link", name=DRAWER).click()
    page.get_by_role("heading", name="ST-1").wait_for()
    for button in page.locator("[data-pad]").all():
        box = button.bounding_box()
        assert min(box["width"], box["height"]) >= 56
    last = page.get_by_role("button", name="Counted", exact=True).bounding_box()
    assert last["y"] + last["height"] <= PHONE["height"]  # all of it without scrolling
    assert page.evaluate("document.querySelector('[data-counted]').inputMode") == "none"
    tap(page, "129")
    page.get_by_role("button", name="Back", exact=True).click()
    assert page.locator("[data-counted]").input_value() == "12"
    counted(page)
    page.get_by_role("heading", name="ST-2").wait_for()
    tap(page, "100")
    counted(page)
    page.get_by_text("count once more").wait_for()
    assert "237" not in page.content()

    # stopped here; on another day's afternoon the drawer goes on where it was
    again = open_page(PHONE)
    again.goto("/stores/count/")
    again.get_by_role("link", name=DRAWER).click()
    again.get_by_role("heading", name="ST-2").wait_for()
    assert "1 of 3 counted" in again.content()
    tap(again, "230")
    counted(again)
    again.get_by_role("heading", name="7 fewer than the ledger says").wait_for()
    again.get_by_role("button", name="It is 230: write it").click()
    again.get_by_role("heading", name="ST-3").wait_for()
    again.keyboard.type("5")
    again.keyboard.press("Enter")
    again.get_by_role("heading", name=f"{DRAWER} is counted").wait_for()


def test_labels_on_the_screen_are_whole_and_read_back(drawer: None, book: Book, open_page: Open) -> None:
    page = open_page(DESK, device_scale_factor=4)
    page.goto("/stores/labels/?part=ST-1&part=ST-2&outlines=1&start=2&layout=A4, 3 by 8")
    over = page.evaluate(
        """() => [...document.querySelectorAll('.label-sheet')].flatMap(sheet => {
            const cells = [...sheet.querySelectorAll('rect[stroke]')].map(each => each.getBBox());
            return [...sheet.querySelectorAll('text')].map(text => text.getBBox()).filter(box => !cells.some(cell =>
                box.x >= cell.x && box.y >= cell.y - 0.1 && box.x + box.width <= cell.x + cell.width &&
                box.y + box.height <= cell.y + cell.height + 0.1)).map(box => box.x);
        })"""
    )
    assert over == []
    found = []
    for code in page.locator(".label-qr").all():
        code.scroll_into_view_if_needed()
        shot = np.frombuffer(page.screenshot(clip=code.bounding_box()), np.uint8)
        found.append(read_qr(cv2.imdecode(shot, cv2.IMREAD_GRAYSCALE)))
    assert found == [f"{book.address}/stores/ST-1/", f"{book.address}/stores/ST-2/"]
