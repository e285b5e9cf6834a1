"""Whitening on a phone: take a photo, mark it, read it, into the tub, the next photo, what is left; by keyboard too."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from tests.browser.conftest import PHONE, Book
from tests.browser.test_strip_down import checked
from tests.web.whitening import marks, photo_bytes

pytestmark = pytest.mark.browser
Open = Callable[..., Any]


def take(page: Any, data: bytes) -> None:
    page.get_by_label("Photo", exact=True).set_input_files({"name": "p.jpg", "mimeType": "image/jpeg", "buffer": data})
    page.get_by_label("How it is taken").select_option("rig")
    page.get_by_role("button", name="Read the photo").click()


def tap_corners(page: Any, row: int) -> None:
    """Tap the corners of one mark where they lie."""
    frame = page.locator("[data-mark-frame]")
    page.locator("[data-mark-row]").nth(row).get_by_role("button", name="Mark").click()
    frame.scroll_into_view_if_needed()
    box = page.locator("[data-mark-lines]").bounding_box()
    for pair in marks()[f"points_{row + 1}"].split():
        x, y = map(float, pair.split(","))
        frame.click(position={"x": x * box["width"], "y": y * box["height"]})


def test_take_mark_read_plot_foretell(book: Book, open_page: Open) -> None:
    number = book.job("corrigan-duo", "caution|caution=peroxide", "caution|caution=uv")
    page = open_page(PHONE, has_touch=True)
    page.goto(f"/jobs/{number}/whitening/")
    take(page, photo_bytes())
    page.get_by_text("Mark the parts on the photo").wait_for()
    assert checked(page) == []
    tap_corners(page, 0)
    tap_corners(page, 1)
    page.locator("#name_2").fill("lid")
    page.get_by_role("button", name="Read it").click()
    page.get_by_role("button", name="Keep this reading").wait_for()
    assert page.locator(".yellow-map img").evaluate("each => each.decode().then(() => each.naturalWidth)") > 100
    assert checked(page) == []
    page.get_by_role("button", name="Keep this reading").click()
    page.get_by_role("heading", name="lid", exact=True).wait_for()

    page.get_by_text("Without a go-ahead, because").click()
    page.get_by_label("Why without").fill("A shell from the scrap box")
    page.get_by_label("Name of the batch").fill("Saturday tub")
    page.get_by_label("Strength, % w/w").fill("6")
    page.get_by_label("Litres").fill("8")
    page.get_by_role("button", name="They are in").click()
    page.get_by_role("button", name="Turned and stirred").click()
    page.get_by_text("Written last").wait_for()
    assert "Turn and stir: in 1" in page.locator(".batch").inner_text()
    page.get_by_role("button", name="Out to look").click()
    take(page, photo_bytes(18.0, 2, 6.0))
    page.get_by_text("Marks carried").wait_for()
    left = page.locator(".yellow-left").inner_text()
    assert 38 <= int(re.search(r"(\d+)", left)[1]) <= 50, left
    page.get_by_role("button", name="Keep this reading").click()
    page.locator(".part .yellow-left").wait_for()
    page.locator("summary", has_text="Its photos").click()
    page.get_by_role("link", name=re.compile(r"entry \d+$")).last.click()
    page.locator(".yellow-pair img").last.wait_for()
    assert checked(page) == []


def test_marking_by_keyboard(open_page: Open) -> None:
    page = open_page(PHONE)
    page.goto("/tools/yellow/")
    page.get_by_label("Photo", exact=True).set_input_files(
        {"name": "p.jpg", "mimeType": "image/jpeg", "buffer": photo_bytes()}
    )
    page.get_by_role("button", name="Take the photo").click()
    frame = page.locator("[data-mark-frame]")
    frame.focus()
    for keys in (("ArrowLeft",), ("ArrowUp", "ArrowUp"), ("Shift+ArrowRight",)):
        for key in keys:
            page.keyboard.press(key)
        page.keyboard.press("Enter")
    assert page.locator("#points_1").input_value() == "0.4900,0.5000 0.4900,0.4800 0.5400,0.4800"
    page.keyboard.press("Backspace")
    assert page.locator("#points_1").input_value() == "0.4900,0.5000 0.4900,0.4800"
    page.get_by_role("button", name="Anew").first.click()
    assert page.locator("#points_1").input_value() == ""


def test_the_tools_on_a_phone(open_page: Open) -> None:
    page = open_page(PHONE)
    page.goto("/tools/bath/")
    for label, text in (("Stock, as its label says", "12 %"), ("Bath, % w/w", "6"), ("Up to the mark", "10 L")):
        page.get_by_label(label).fill(text)
    page.get_by_role("button", name="What to weigh").click()
    page.get_by_role("alert").wait_for()
    for box in page.locator("input[name=gate]").all():
        box.check()
    page.get_by_role("button", name="What to weigh").click()
    page.get_by_role("heading", name=re.compile("Water first: 5.0")).wait_for()
    assert checked(page) == []
