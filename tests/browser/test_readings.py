"""Readings on a phone: captures, ripple, supplies, adapters, recordings; plots by tap, keyboard, and without script."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from tests.browser.conftest import PHONE, Book
from tests.browser.test_strip_down import checked
from tests.web.captures import rail_csv, recording, supply_csv

pytestmark = pytest.mark.browser
Open = Callable[..., Any]


def send(page: Any, address: str, data: bytes, name: str, *, field: str = "#file", button: str) -> None:
    page.goto(address)
    page.locator(field).set_input_files({"name": name, "mimeType": "application/octet-stream", "buffer": data})
    page.get_by_role("button", name=button, exact=True).click()
    page.locator("svg[data-started]").first.wait_for()


def ticks(page: Any, nth: int = 0) -> list[str]:
    found: list[str] = page.locator("svg[data-plot]").nth(nth).locator("[data-ticks=x] text").all_text_contents()
    return found


def shown(page: Any) -> tuple[float, float]:
    """[ms] The stretch that the first plot says it shows."""
    low, high = re.findall(r"[\d.]+", page.locator(".plot-shown").first.inner_text())[:2]
    return float(low), float(high)


def test_a_capture_is_measured_with_cursors(book: Book, open_page: Open) -> None:
    page = open_page(PHONE, has_touch=True)
    send(page, "/tools/capture/", rail_csv(), "rail.csv", button="Look at it")
    assert checked(page) == []
    assert page.get_by_role("button", name="Wider").is_disabled()
    whole = ticks(page)
    page.get_by_role("button", name="Closer").click()
    page.get_by_role("button", name="Closer").click()
    assert shown(page) == pytest.approx((37.5, 62.5), abs=0.05)
    assert ticks(page) != whole
    page.get_by_role("button", name="To the right").click()
    assert shown(page) == pytest.approx((50, 75), abs=0.05)

    page.get_by_role("button", name="Cursors").click()
    one, two = page.get_by_role("slider", name="Cursor 1"), page.get_by_role("slider", name="Cursor 2")
    assert one.evaluate("each => each === document.activeElement")
    before = float(one.get_attribute("aria-valuenow"))
    page.keyboard.press("ArrowRight")
    after = float(one.get_attribute("aria-valuenow"))
    assert 0 < after - before < 0.001
    page.keyboard.press("Shift+ArrowRight")
    assert float(one.get_attribute("aria-valuenow")) - after == pytest.approx(40e-6, rel=0.1)
    one.press("Home")
    two.press("Home")
    for _ in range(4):  # 4 x 10 x 1/200 of 25 ms
        two.press("PageUp")
    told = page.locator(".plot-between").inner_text()
    apart, hertz = re.search(r"From 1 to 2: ([\d.]+)\u202fms, 1/t = ([\d.]+)\u202fHz", told).groups()
    assert float(apart) == pytest.approx(5, abs=0.1)
    assert float(hertz) == pytest.approx(1e3 / float(apart), rel=1e-3)
    text = two.get_attribute("aria-valuetext")
    volts = float(re.search(r"([\d.]+)\u202fV", text)[1])
    assert 14 <= volts <= 15.2
    assert checked(page) == []
    sizes = [b.bounding_box()["height"] for b in page.locator(".plot-controls button, .plot-cursor-row button").all()]
    assert min(sizes) >= 56
    # A tap on the plot takes the cursor there that was moved last.
    box = page.locator(".pl-bed").bounding_box()
    page.touchscreen.tap(box["x"] + 0.8 * box["width"], box["y"] + 60)
    assert float(two.get_attribute("aria-valuenow")) == pytest.approx(0.05 + 0.8 * 0.025, abs=3e-4)
    page.keyboard.press("0")
    assert page.locator(".plot-shown").inner_text() == ""
    assert ticks(page) == whole
    page.get_by_role("button", name="Cursors").click()
    assert page.get_by_role("slider").count() == 0


def test_the_wheel_goes_closer_once_the_plot_is_taken_up(book: Book, open_page: Open) -> None:
    page = open_page()
    send(page, "/tools/capture/", rail_csv(), "rail.csv", button="Look at it")
    box = page.locator(".pl-bed").bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 50)
    assert re.match(r"(49\.9|50\.0)\d\u202fms: 1[45]\.\d+\u202fV", page.locator(".plot-read").inner_text())
    page.mouse.wheel(0, -300)
    assert page.locator(".plot-shown").inner_text() == ""
    page.evaluate("window.scrollTo(0, 0)")
    page.get_by_role("button", name="Closer").focus()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 50)
    page.mouse.wheel(0, -600)
    page.wait_for_function("document.querySelector('.plot-shown').textContent !== ''")


def test_ripple_is_read_on_a_phone(book: Book, open_page: Open) -> None:
    page = open_page(PHONE)
    page.goto("/tools/ripple/")
    page.get_by_role("radio", name="50").check()
    page.get_by_label("Load current").fill("0.6")
    page.get_by_label("Printed on the capacitor").fill("4700u 25V")
    file = {"name": "rail.csv", "mimeType": "text/csv", "buffer": supply_csv()}
    page.locator("#file").set_input_files(file)
    page.get_by_role("button", name="Read it").click()
    page.get_by_role("heading", name="Bad", exact=True).wait_for()
    assert checked(page) == []
    # What is left over is looked at closer together with the fit.
    page.get_by_role("button", name="Closer").first.click()
    assert ticks(page, 0) == ticks(page, 1)
    assert page.get_by_label("Printed on the capacitor").input_value() == "4700u 25V"


def test_a_recording_on_a_phone(book: Book, open_page: Open) -> None:
    page = open_page(PHONE)
    send(page, "/tools/sound/", recording(0.02), "deck.wav", button="Listen to it")
    assert checked(page) == []
    spectrum = page.locator("svg[aria-label='Noise and hum, left']")
    figure = page.locator("figure").filter(has=spectrum)
    figure.get_by_role("button", name="Cursors").click()
    figure.get_by_role("slider", name="Cursor 1").press("Home")
    figure.get_by_role("slider", name="Cursor 2").press("End")
    assert "ratio" in figure.locator(".plot-between").inner_text()
    mark = spectrum.locator("line[data-at]").first
    assert mark.get_attribute("display") != "none"
    for _ in range(6):
        figure.get_by_role("button", name="Closer").click()
    assert mark.get_attribute("display") == "none"


def test_a_supply_and_an_adapter_on_a_phone(book: Book, open_page: Open) -> None:
    page = open_page(PHONE)
    page.goto("/tools/supply/")
    page.get_by_role("link", name="Larkmere 48").click()
    page.get_by_label("Reservoir aged: part left, %").fill("10")
    page.get_by_label("and times its ESR").fill("10")
    page.get_by_label("Variants at random").fill("200")
    page.get_by_label("heat-sink").check()
    page.get_by_role("button", name="Work it out").click()
    page.get_by_role("heading", name="Something is bad").wait_for()
    page.get_by_text("Of 200 variants").wait_for()
    assert checked(page) == []

    page.goto("/tools/adapter/")
    page.get_by_label("What the unit wants, from its type").select_option("corrigan-duo")
    page.get_by_role("button", name="Take it").click()
    page.get_by_label("AC or DC, by its label").select_option("DC")
    page.get_by_role("button", name="Check it").click()
    page.get_by_role("heading", name="Not safe for this unit").wait_for()
    assert checked(page) == []


def test_without_script_the_picture_and_its_figures_remain(book: Book, open_page: Open) -> None:
    page = open_page(PHONE, java_script_enabled=False)
    page.goto("/tools/capture/")
    file = {"name": "rail.csv", "mimeType": "text/csv", "buffer": rail_csv()}
    page.locator("#file").set_input_files(file)
    page.get_by_role("button", name="Look at it").click()
    assert page.locator("svg[data-plot] polyline").count() == 1
    assert page.locator(".plot-controls").count() == 0
    assert page.get_by_role("row", name=re.compile("CH1")).count() == 1
    box = page.locator("svg[data-plot]").bounding_box()
    assert box["width"] <= PHONE["width"]


def test_two_fingers_go_closer_and_one_moves_along(book: Book, open_page: Open) -> None:
    page = open_page(PHONE, has_touch=True)
    send(page, "/tools/capture/", rail_csv(), "rail.csv", button="Look at it")
    page.locator(".pl-bed").scroll_into_view_if_needed()
    box = page.locator(".pl-bed").bounding_box()
    hand = page.context.new_cdp_session(page)
    middle, y = box["x"] + box["width"] / 2, box["y"] + 80

    def touch(kind: str, *xs: float) -> None:
        points = [{"x": x, "y": y, "id": n} for n, x in enumerate(xs)]
        hand.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    touch("touchStart", middle - 30, middle + 30)
    for reach in (40, 60, 90):
        touch("touchMove", middle - reach, middle + reach)
    touch("touchEnd")
    low, high = shown(page)
    assert 20 < high - low < 60
    assert (low + high) / 2 == pytest.approx(50, abs=6)
    touch("touchStart", middle)
    for step in (20, 40, 60):
        touch("touchMove", middle - step)
    touch("touchEnd")
    moved = shown(page)
    assert moved[1] - moved[0] == pytest.approx(high - low, abs=0.1)
    assert moved[0] > low + 3
