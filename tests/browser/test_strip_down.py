"""A strip-down of twelve lines on a phone, back in reverse, one line left over: refused, then given a reason."""

from __future__ import annotations

import re
from collections.abc import Callable
from io import BytesIO
from typing import Any

import pytest
from PIL import Image

from tests.browser.conftest import DESK, PHONE, Book

pytestmark = pytest.mark.browser
Open = Callable[..., Any]
LINES: tuple[tuple[str, str, int, str], ...] = (
    ("screw", "screw of the lid, underside", 4, "12"),
    ("screw", "screw of the lid, rear", 2, "16"),
    ("cover", "upper shell", 1, ""),
    ("ribbon", "ribbon to the front seat", 1, ""),
    ("clip", "clip of the lamp", 2, ""),
    ("screw", "screw of the shield", 6, "6"),
    ("shield", "shield over the output", 1, ""),
    ("spring", "ground spring of the shield", 3, ""),
    ("screw", "screw of the heat-sink", 1, "10"),
    ("heat-sink part", "heat-sink", 1, ""),
    ("insulator", "mica sheet and bush", 2, ""),
    ("screw", "screw of the board", 5, "8"),
)


def take_off(page: Any, what: str, item: str, count: int, length: str) -> None:
    page.get_by_role("radio", name=what, exact=True).check()
    page.get_by_label("Its name").fill(item)
    page.get_by_label("Count", exact=True).fill(str(count))
    page.get_by_label("Length, mm").fill(length)
    page.get_by_role("button", name="It is off").click()
    page.get_by_text(f"Taken off: {count} × {item}").wait_for()


def checked(page: Any) -> list[str]:
    """What bars people, and what sticks out."""
    from axe_playwright_python.sync_playwright import Axe

    page.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true; })")
    found = [f"{v['id']}: {v['nodes'][0]['target']}" for v in Axe().run(page).response["violations"]]
    wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    page.evaluate("document.querySelectorAll('details').forEach(each => { each.open = false; })")
    return found + ([f"{wide} px stick out"] if wide > 0 else [])


def test_twelve_lines_off_and_back(book: Book, open_page: Open) -> None:
    number = book.job("corrigan-duo")
    page = open_page(PHONE)
    page.goto(f"/jobs/{number}/strip-down/")
    assert checked(page) == []
    file = BytesIO()
    Image.new("RGB", (64, 48), "grey").save(file, "JPEG")
    page.locator("#photo").set_input_files({"name": "a.jpg", "mimeType": "image/jpeg", "buffer": file.getvalue()})
    for line in LINES:
        take_off(page, *line)
    pieces = sum(count for _, _, count, _ in LINES)
    assert page.locator(".still-off").inner_text() == f"Still off: {pieces} pieces in 12 lines"
    assert "Place 12: 5 × screw of the board, 8" in page.locator(".tray-map desc").text_content()
    lengths = [float(x) for x in re.findall(r"(\d+) mm ", page.locator(".tray-screws desc").text_content())]
    assert lengths == sorted(lengths) == [6, 8, 10, 12, 16]
    shanks = [box.get_attribute("width") for box in page.locator(".tm-shank").all()]
    assert [float(width) for width in shanks] == lengths
    assert checked(page) == []

    page.get_by_role("link", name="Put back").click()
    first = page.locator("article.refit h3").first
    assert first.inner_text() == "5 × screw of the board"
    assert checked(page) == []
    for _, item, _, _ in reversed(LINES[1:]):
        assert item in first.inner_text()
        button = page.get_by_role("button", name=f"Back {item}").first
        assert button.bounding_box()["height"] >= 56
        button.click()
        page.get_by_text("Put back: ").wait_for()
        another = "item => document.querySelector('.refit h3').innerText.split(' × ')[1] !== item"
        page.wait_for_function(another, arg=item)
    assert page.locator("img.thumb").count() == 1

    # A knuckle on the wrong key is undone.
    page.keyboard.press("1")
    page.get_by_text("All back, nothing left over").wait_for()
    page.get_by_role("button", name="Take back").click()
    page.get_by_text("Still off: 4 pieces in 1 line").wait_for()
    page.get_by_label("How many of screw of the lid, underside").fill("3")
    page.get_by_role("button", name="Back screw of the lid, underside").click()
    page.get_by_text("Still off: 1 piece in 1 line").wait_for()
    assert "Usual losses" in page.locator("#main").inner_text()

    page.get_by_role("navigation", name="Job").get_by_role("link", name="Job and log").click()
    assert "1 × screw of the lid, underside" in page.locator(".out-bar").inner_text()
    page.locator("#stage-which").select_option("proving")
    page.get_by_role("button", name="Set the stage").click()
    page.get_by_role("alert").wait_for()
    assert "screw of the lid, underside: 1 of 4 still off" in page.get_by_role("alert").inner_text()
    assert checked(page) == []
    page.goto("/")
    assert "1 piece still off" in page.locator("main").inner_text()

    page.goto(f"/jobs/{number}/strip-down/?do=refit")
    page.get_by_text("Left off, because").click()
    page.get_by_label("Why screw of the lid, underside stays off").fill("thread torn out, owner told")
    page.get_by_role("button", name="Leave it off").click()
    page.get_by_text("All back but what was left off").wait_for()
    page.get_by_role("link", name="To the stage of the job").click()
    page.locator("#stage-which").select_option("proving")
    page.get_by_role("button", name="Set the stage").click()
    page.wait_for_url("**/#stage")
    assert page.locator("[role=alert], .out-bar").count() == 0


def test_the_stage_goes_on_with_its_own_reason(book: Book, open_page: Open) -> None:
    number = book.job("corrigan-duo", "off|item=lid|what=cover")
    page = open_page(PHONE)
    page.goto(f"/jobs/{number}/")
    page.locator("#stage-which").select_option("proving")
    page.get_by_role("button", name="Set the stage").click()
    page.get_by_role("alert").wait_for()
    assert page.locator("#stage-which").input_value() == "proving"
    page.get_by_label("Why it goes on").fill("lid stays off for the soak")
    page.get_by_role("button", name="Set the stage").click()
    page.wait_for_url("**/#stage")
    assert "lid stays off for the soak" in page.locator("#log").inner_text()


@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "light"), (DESK, "dark")])
def test_the_other_pages(book: Book, open_page: Open, size: dict[str, int], scheme: str) -> None:
    number = book.job("larkmere-48", "off|item=lid screw|what=screw|count=4|length_mm=12|tray=1")
    page = open_page(size, color_scheme=scheme)
    for address in (
        f"/jobs/{number}/strip-down/",
        f"/jobs/{number}/strip-down/?do=refit",
        "/mark/",
        "/mark/?text=104K",
        "/mark/?bands=yellow+violet+red&add=gold",
        "/capacitor/discharge/?c=220u&v=325",
    ):
        page.goto(address)
        assert checked(page) == [], address


def test_tapping_bands(book: Book, open_page: Open) -> None:
    page = open_page(PHONE)
    page.goto("/mark/")
    for place, colour in enumerate(("yellow", "violet", "red", "gold"), start=1):
        page.get_by_role("button", name=colour, exact=True).click()
        page.wait_for_function("n => document.querySelectorAll('.bands .rb-name').length === n", arg=place)
    assert "4.7" in page.locator(".bands-drawn").inner_text()
    page.get_by_role("button", name="Last band off").click()
    page.wait_for_function("n => document.querySelectorAll('.bands .rb-name').length === n", arg=3)


def test_the_tray_prints(book: Book, open_page: Open) -> None:
    number = book.job("corrigan-duo", "off|item=lid screw|what=screw|count=4|length_mm=12|tray=1")
    page = open_page()
    page.goto(f"/jobs/{number}/strip-down/")
    page.emulate_media(media="print")
    for shown in (".tray-map", ".tray-screws", ".print-head svg", "table"):
        assert page.locator(shown).first.is_visible()
    assert not page.locator(".off-form").is_visible()
    shank = page.locator(".tm-shank").bounding_box()["width"]
    assert shank == pytest.approx(12 / 25.4 * 96, abs=2.5)
    assert page.pdf(format="A4").startswith(b"%PDF")
