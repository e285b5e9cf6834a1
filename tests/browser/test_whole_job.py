"""One whole job on a phone: take-in, first power-on, faults found as advised, a repair, proving, the report as PDF.

The unit behind it is made up: the pins of its cartridge slot are dull, and clean contacts put everything right.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from tests.browser.conftest import PHONE, Book
from tests.browser.hands import advised
from tests.browser.test_strip_down import checked

pytestmark = pytest.mark.browser
Open = Callable[..., Any]

SEEN = {
    "picture": "starts over and over",
    "rf_picture": "starts over and over",
    "lamp_lit": "blinks",
    "slot.look-contacts": "dull or furred",
}
"""What a look shows as long as the contacts are dull; every other look is good."""
CURE = "clean-both-seats"
STEPS = 30
"""More than the advice may take."""


def photo(colour: str) -> dict[str, Any]:
    file = BytesIO()
    Image.new("RGB", (1200, 900), colour).save(file, "JPEG")
    return {"name": f"{colour}.jpg", "mimeType": "image/jpeg", "buffer": file.getvalue()}


def take_in(page: Any) -> int:
    page.goto("/")
    page.get_by_role("link", name="Take in a unit").click()
    page.get_by_text("Corrigan Duo").click()
    page.get_by_role("button", name="On to its form").click()
    page.get_by_label("In their words").fill("Starts over and over since it was in the attic")
    page.get_by_label("Name", exact=True).fill("Ines Vale")
    page.get_by_label("Serial").fill("CD-4471")
    page.locator("select[name=complaint-picture]").select_option("starts over and over")
    page.get_by_role("button", name="Open the job").click()
    page.wait_for_url("**/jobs/*/")
    return int(page.url.rstrip("/").rsplit("/", 1)[1])


def keep_photo(page: Any, number: int, colour: str, caption: str) -> None:
    page.goto(f"/jobs/{number}/")
    page.get_by_label("What it shows").fill(caption)
    page.locator("#photo").set_input_files(photo(colour))
    page.get_by_role("button", name="Keep photos").click()
    page.get_by_text("1 photo kept.").wait_for()


def power_on(page: Any) -> None:
    page.get_by_role("navigation", name="Job").get_by_role("link", name="First power-on").click()
    for fact in page.locator("input[value=matches]").all():
        fact.check()
    for rail in page.locator("input[name^=rail-]").all():
        rail.fill("5000")
    page.get_by_label("Limit, in ampere").fill("0.5")
    page.get_by_role("button", name="Write it down").click()
    page.get_by_text("Still to read: First switch-on.").wait_for()
    page.get_by_role("button", name="Read, and I keep to it").first.click()
    page.get_by_text("The gate is open.").wait_for()


def follow(page: Any, number: int) -> list[str]:
    """Do what the page says until it says that it works; the steps taken."""
    taken: list[str] = []
    page.goto(f"/jobs/{number}/faults/")
    for _ in range(STEPS):
        advised(page)
        while (barred := page.get_by_role("button", name="Read, and I keep to it")).count():
            before = barred.count()
            barred.first.click()
            page.wait_for_function("n => document.querySelectorAll('.gates form button').length < n", arg=before)
        if "It works, as far as was looked at" in page.locator("main").inner_text():
            return taken
        form = page.locator("form.log-step:visible").first
        hidden = {x.get_attribute("name"): x.get_attribute("value") for x in form.locator("input[type=hidden]").all()}
        step, fixed = hidden["step"], CURE in taken
        if hidden["action"] == "check":
            outcome = "good" if fixed else SEEN.get(step, "good")
            page.locator(f"button.outcome[value='{outcome}']:visible").click()
        else:
            form.locator("button.big").first.click()
        token = hidden["token"]
        page.wait_for_function(
            "was => { const t = document.querySelector('.log-step input[name=token]'); return !t || t.value !== was; }",
            arg=token,
        )
        taken.append(step)
    raise AssertionError(f"not done after {STEPS} steps: {taken}")


def prove(page: Any, number: int) -> None:
    """The first seat cold, ten good ones; the second not tested."""
    page.goto(f"/jobs/{number}/proving/?at=1-1")
    wanted = int(re.search(r"of (\d+) wanted", page.locator(".tally").inner_text()).group(1))
    for done in range(1, wanted + 1):
        page.keyboard.press("1")
        page.get_by_text(re.compile(rf"^{done} good")).wait_for()
    page.goto(f"/jobs/{number}/proving/?at=1-3")
    page.get_by_text("Not tested, not present").click()
    page.get_by_label("Why, word for word").fill("No pack for the rear seat was at hand")
    page.get_by_role("button", name="Not tested", exact=True).click()
    page.get_by_text("No pack for the rear seat was at hand").first.wait_for()


def test_a_whole_job_from_take_in_to_the_report(book: Book, open_page: Open, tmp_path: Path) -> None:
    page = open_page(PHONE, accept_downloads=True)
    number = take_in(page)
    keep_photo(page, number, "tan", "front")
    power_on(page)
    taken = follow(page, number)
    assert CURE in taken
    assert not {"slot.new", "slot.resolder"} & set(taken)
    keep_photo(page, number, "beige", "front")
    prove(page, number)

    page.get_by_role("navigation", name="Job").get_by_role("link", name="Handover").click()
    page.wait_for_url("**/handover/")
    advised(page)
    said = page.locator("main").inner_text()
    assert "No pack for the rear seat was at hand" in said
    assert "Clean both seats and the cartridges" in said
    assert checked(page) == []
    with page.expect_download() as download:
        page.get_by_role("link", name="PDF, A4").click()
    report = tmp_path / "report.pdf"
    download.value.save_as(report)
    assert report.read_bytes().startswith(b"%PDF")
    if shutil.which("pdftotext"):
        text = subprocess.run(["pdftotext", str(report), "-"], capture_output=True, text=True).stdout
        words = " ".join(text.split())
        assert "Ines Vale" in words
        assert "No pack for the rear seat was at hand" in words
        assert text.count("\f") == 1

    page.get_by_role("button", name="Handed over").click()
    page.get_by_role("alert").wait_for()
    assert "proving not done" in page.get_by_role("alert").inner_text()
    page.get_by_label("Why it is handed over").fill("Agreed with the owner by telephone")
    page.get_by_role("button", name="Handed over").click()
    page.get_by_text("The job is closed").wait_for()

    page.goto(f"/jobs/{number}/handover/?publishable=1")
    advised(page)
    published = page.locator("article.handover").inner_text()
    assert "Clean both seats and the cartridges" in published
    assert "Ines Vale" not in published
    assert "CD-4471" not in published
