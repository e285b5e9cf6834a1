"""One test for each flow a restorer goes through."""

from __future__ import annotations

from collections.abc import Callable
from io import BytesIO
from typing import Any

import pytest
from PIL import Image

from tests.browser.conftest import PHONE, Book
from tests.browser.test_whole_job import power_on

pytestmark = pytest.mark.browser
Open = Callable[..., Any]

STEP = "document.querySelector('.step h2')"
"""Not there while it is being worked out."""


def _open_gates(book: Book, number: int) -> None:
    """Pass every gate of a console's checks from the command line."""
    from refettle.knowledge.loading import load_shipped_type

    unit = load_shipped_type("corrigan-duo").unit_type
    rails = [f"rails_ohm.{rail}=5000" for rail in unit.power_on.rails]
    facts = [f"adapter.{fact}=matches" for fact in ("output", "volts", "amps", "polarity", "plug")]
    book.run("job", "log", str(number), "caution", "caution=first-power")
    book.run("job", "log", str(number), "first-power", *facts, *rails, "limit_amps=0.5")


def test_take_in_to_first_step(book: Book, open_page: Open) -> None:
    page = open_page(PHONE)
    page.goto("/")
    page.get_by_role("link", name="Take in a unit").click()
    page.get_by_text("Corrigan Duo").click()
    page.get_by_role("button", name="On to its form").click()
    page.get_by_label("In their words").fill("No picture since Easter")
    page.get_by_label("Name", exact=True).fill("Ines Vale")
    page.locator("select[name=complaint-picture]").select_option("no picture")
    page.get_by_role("button", name="Open the job").click()
    page.wait_for_url("**/jobs/*/")
    assert "No picture since Easter" in page.text_content("main")

    file = BytesIO()
    Image.new("RGB", (64, 48), "grey").save(file, "JPEG")
    page.locator("#photo").set_input_files({"name": "a.jpg", "mimeType": "image/jpeg", "buffer": file.getvalue()})
    page.get_by_role("button", name="Keep photos").click()
    page.get_by_text("1 photo kept.").wait_for()
    assert page.locator(".photos img").evaluate("image => image.decode().then(() => image.naturalWidth)") > 0

    power_on(page)
    page.get_by_role("link", name="Back to fault finding").click()
    page.locator(".step h2").wait_for()


def test_tap_an_outcome_and_take_it_back(book: Book, open_page: Open) -> None:
    number = book.job("corrigan-duo", "check|check=picture|outcome=no picture")
    _open_gates(book, number)
    page = open_page(PHONE)
    page.goto(f"/jobs/{number}/faults/")
    page.locator(".step h2").wait_for()
    while page.get_by_role("button", name="Read, and I keep to it").count():
        before = page.get_by_role("button", name="Read, and I keep to it").count()
        page.get_by_role("button", name="Read, and I keep to it").first.click()
        page.wait_for_function("n => document.querySelectorAll('.gates form button').length < n", arg=before)
    first = page.locator(".step h2").inner_text()
    box = page.locator("button.outcome, .log-step button.big").first.bounding_box()
    assert box["height"] >= 56
    page.keyboard.press("1")
    page.get_by_text("Written last").wait_for()
    page.wait_for_function(f"was => {STEP} && {STEP}.innerText !== was", arg=first)
    assert page.evaluate("window.scrollY") == 0
    page.get_by_role("button", name="Take back").click()
    page.wait_for_function(f"was => {STEP} && {STEP}.innerText === was", arg=first)
    page.goto(f"/jobs/{number}/")
    assert page.locator(".log s").count() == 1


def test_keys_do_not_reach_a_barred_step(book: Book, open_page: Open) -> None:
    number = book.job("larkmere-48", "check|check=picture|outcome=garbled")
    page = open_page()
    page.goto(f"/jobs/{number}/faults/")
    before = page.locator(".last").inner_text()
    assert "garbled" in before
    page.keyboard.press("1")
    page.wait_for_timeout(500)
    assert page.locator(".last").inner_text() == before


def test_a_mistake_keeps_what_was_typed(book: Book, open_page: Open) -> None:
    number = book.job("corrigan-duo", "check|check=picture|outcome=no picture")
    _open_gates(book, number)
    page = open_page()
    page.goto(f"/jobs/{number}/faults/?step=sound")
    page.get_by_text("Value, note, minutes, several trials").click()
    page.get_by_label("Minutes taken").fill("ages")
    page.get_by_label("Note").fill("a long note")
    page.locator("button.outcome").first.click()
    page.get_by_role("alert").wait_for()
    assert "Minutes: 'ages' found" in page.get_by_role("alert").inner_text()
    assert page.get_by_label("Note").input_value() == "a long note"


def test_correcting(book: Book, open_page: Open) -> None:
    number = book.job("corrigan-duo", "check|check=picture|outcome=no picture")
    page = open_page()
    page.goto(f"/jobs/{number}/faults/")
    page.get_by_role("link", name="Correct entry").click()
    page.get_by_label("What was found").select_option("garbled")
    page.get_by_role("button", name="Write the correction").click()
    page.wait_for_url("**/faults/")
    page.locator("table", has_text="garbled").last.wait_for()


def test_it_works_without_scripts(book: Book, open_page: Open) -> None:
    number = book.job("corrigan-duo", "check|check=picture|outcome=no picture")
    _open_gates(book, number)
    page = open_page(PHONE, java_script_enabled=False)
    page.goto("/")
    page.goto(f"/jobs/{number}/faults/?step=sound")
    page.locator("button.outcome").first.click()
    page.wait_for_url("**/faults/")
    while (waiting := page.get_by_role("link", name="See how far it is")).count():  # a busy machine works it out
        waiting.click()
    assert "Written last" in page.text_content("main")


def test_the_bench_fills_its_rows(book: Book, open_page: Open) -> None:
    number = book.job("corrigan-duo")
    page = open_page()
    page.goto("/")
    page.locator(f"td[data-label=Next] a[href='/jobs/{number}/faults/']:not(:text('Fault finding'))").wait_for()
    page.get_by_role("button", name="Unit").click()
    assert page.locator("th[aria-sort=ascending]").count() == 1


def test_pages_print(book: Book, open_page: Open) -> None:
    number = book.job("larkmere-48", "check|check=picture|outcome=garbled")
    page = open_page()
    for address in (f"/jobs/{number}/", f"/jobs/{number}/faults/", "/types/larkmere-48/"):
        page.goto(address)
        page.emulate_media(media="print")
        assert page.locator(".print-head svg").is_visible()
        assert not page.locator(".top").is_visible()
        assert page.pdf(format="A4").startswith(b"%PDF")
        page.emulate_media(media="screen")
