"""A job without a mouse: every flow of a bench by keys alone, from take-in to handing over."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from tests.browser.conftest import Book
from tests.browser.hands import Hands, advised
from tests.browser.test_whole_job import CURE, SEEN, STEPS
from tests.web.whitening import marks, photo_bytes

pytestmark = [pytest.mark.browser, pytest.mark.slow]
Open = Callable[..., Any]
READ = "^Read, and I keep to it"


def focus(page: Any) -> str:
    said: str = page.evaluate("document.activeElement.textContent.replace(/\\s+/g, ' ').trim()")
    return said


def test_the_way_past_the_navigation(open_page: Open) -> None:
    page = open_page()
    page.goto("/help/")
    hands = Hands(page)
    hands.press("Tab")
    assert focus(page) == "To the page"
    hands.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    hands.press("Tab")
    assert page.evaluate("document.activeElement.closest('main') !== null")


def test_take_in_power_on_and_fault_finding(book: Book, open_page: Open) -> None:
    page = open_page()
    page.goto("/")
    hands = Hands(page)
    hands.go("^Take in a unit")
    hands.to(name="type")
    hands.press("Space")
    while not page.locator("input[name=type]:focus + label").inner_text().startswith("Corrigan Duo"):
        hands.press("ArrowDown")
    hands.go("^On to its form")
    hands.fill("Starts over and over since it was in the attic", "^In their words")
    hands.choose("starts over", name="complaint-picture")
    hands.fill("CD-4471", name="serial")
    hands.fill("Ines Vale", name="owner-name")
    hands.go("^Open the job")

    hands.go("^First power-on")
    for fact in ("output", "volts", "amps", "polarity", "plug"):
        hands.to(name=f"adapter-{fact}")
        hands.press("Space")
    for rail in page.locator("input[name^=rail-]").evaluate_all("all => all.map(each => each.name)"):
        hands.fill("5000", name=rail)
    hands.fill("0.5", name="limit_amps")
    hands.go("^Write it down")
    hands.go(READ)
    page.get_by_text("The gate is open.").wait_for()
    hands.go("^Back to fault finding")

    taken: list[str] = []
    for _ in range(STEPS):
        advised(page)
        while (barred := page.get_by_role("button", name="Read, and I keep to it")).count():
            before = barred.count()
            hands.open(READ)
            page.wait_for_function("n => document.querySelectorAll('.gates form button').length < n", arg=before)
        if "It works, as far as was looked at" in page.locator("main").inner_text():
            break
        form = page.locator("form.log-step:visible").first
        hidden = {x.get_attribute("name"): x.get_attribute("value") for x in form.locator("input[type=hidden]").all()}
        outcome = "good" if CURE in taken else SEEN.get(hidden["step"], "good")
        if hidden["action"] == "check":
            hands.to(name="outcome", value=outcome)
        else:
            hands.to("^1?Done$")
        hands.press("Enter")
        page.wait_for_function(
            "was => { const t = document.querySelector('.log-step input[name=token]'); return !t || t.value !== was; }",
            arg=hidden["token"],
        )
        page.wait_for_function("() => document.activeElement.matches('#main [data-start], #main h1')")
        taken.append(hidden["step"])
    assert CURE in taken
    assert "It works, as far as was looked at" in page.locator("main").inner_text()


def test_a_capacitor_out_and_another_in(book: Book, open_page: Open) -> None:
    number = book.job("corrigan-duo")
    page = open_page()
    page.goto(f"/jobs/{number}/board/")
    hands = Hands(page)
    hands.fill("C3", name="ref")
    hands.fill("470u 25V 85C", name="value")
    hands.to(name="minus")
    hands.press("Space")
    hands.go("^Note it")
    hands.go("^Replacing")
    while page.get_by_role("button", name="Read, and I keep to it").count():
        hands.go(READ)
    assert page.locator("h2.part-now").inner_text() == "C3"
    ways = page.locator("fieldset[data-way]").count()
    hands.to(name="value")
    hands.press("Tab")
    for _ in range(ways):
        hands.press("ArrowUp")
    assert "C3 is out" in focus(page)
    with page.expect_navigation():
        hands.press("Enter")
    assert page.locator(".out-now strong").inner_text() == "C3 is out"
    hands.fill("470u 25V 105C", name="new")
    page.locator("#verdict").get_by_text(re.compile("\\w")).first.wait_for()
    hands.to(name="minus")
    hands.press("ArrowUp")
    with page.expect_navigation():
        hands.press("Enter")
    page.get_by_text("1 of 1 done").wait_for()


def test_a_shell_is_whitened(book: Book, open_page: Open) -> None:
    number = book.job("corrigan-duo", "caution|caution=peroxide", "caution|caution=uv")
    page = open_page()
    page.goto(f"/jobs/{number}/")
    hands = Hands(page)
    hands.go("^Whitening")
    hands.hand_in({"name": "p.jpg", "mimeType": "image/jpeg", "buffer": photo_bytes()}, name="photo")
    hands.to(name="taken")
    while page.locator("[name=taken]").input_value() != "rig":
        hands.press("ArrowDown")
    hands.go("^Read the photo")
    for row in (1, 2):
        if row == 2:
            hands.fill("lid", name="name_2")
            page.keyboard.press("Shift+Tab")
        for _ in range(60):  # back to the photo, whatever lies between
            if page.evaluate("document.activeElement.matches('[data-mark-frame]')"):
                break
            hands.press("Shift+Tab" if row == 2 else "Tab")
        _corners(hands, marks()[f"points_{row}"])
    hands.go("^Read it$")
    hands.go("^Keep this reading")
    page.get_by_role("heading", name="lid", exact=True).wait_for()

    hands.fill("Saturday tub", name="batch")
    hands.fill("6", name="percent")
    hands.fill("8", name="litres")
    hands.open("^Without a go-ahead")
    hands.fill("A shell from the scrap box", "^Why without")
    hands.go("^They are in")
    hands.go("^Turned and stirred")
    page.get_by_text("Written last").wait_for()


def _corners(hands: Hands, points: str) -> None:
    """Move the cross from corner to corner with the arrows, Enter at each."""
    for pair in points.split():
        for axis, (less, more) in enumerate((("ArrowLeft", "ArrowRight"), ("ArrowUp", "ArrowDown"))):
            for _ in range(100):
                at = hands.page.locator(".mark-cross").evaluate(
                    "(each, n) => parseFloat(n ? each.style.top : each.style.left) / 100", axis
                )
                away = float(pair.split(",")[axis]) - at
                if abs(away) < 0.0051:
                    break
                key = more if away > 0 else less
                hands.press(f"Shift+{key}" if abs(away) > 0.05 else key)
        hands.press("Enter")


def test_proving_quote_and_handing_over(book: Book, open_page: Open) -> None:
    number = book.job("corrigan-duo", "check|check=picture|outcome=good")
    page = open_page()
    page.goto(f"/jobs/{number}/")
    hands = Hands(page)
    hands.go("^Proving")
    wanted = int(re.search(r"of (\d+) wanted", page.locator(".tally").inner_text()).group(1))
    for done in range(1, wanted + 1):
        hands.to("^1?Good$")
        hands.press("Enter")
        page.get_by_text(re.compile(rf"^{done} good")).wait_for()
    assert page.locator(".proof-pass").count() == 1

    hands.go("^Money and time")
    hands.open("quote$")
    hands.to(name="scope-0")
    hands.press("Space")
    hands.go("^Work out the figures")
    for field, amount in (("p50", "40"), ("p90", "70"), ("ceiling", "80")):
        hands.fill(amount, name=field)
    hands.go("^Write the quote")
    page.get_by_role("link", name="The sheet to sign").wait_for()

    hands.go("^Handover")
    hands.to("^Handed over")
    hands.press("Enter")
    page.get_by_role("alert").wait_for()
    page.wait_for_function("() => document.activeElement.matches('[role=alert]')")
    hands.fill("Agreed with the owner by telephone", name="why")
    hands.go("^Handed over")
    page.get_by_text("The job is closed").wait_for()


def test_single_keys_can_be_turned_off(book: Book, open_page: Open) -> None:
    number = book.job("corrigan-duo", "check|check=picture|outcome=good")
    page = open_page()
    page.goto("/help/")
    hands = Hands(page)
    hands.to("^Single keys act")
    hands.press("Space")
    page.goto(f"/jobs/{number}/proving/")
    before = page.locator(".tally").inner_text()
    hands.press("1", "u")
    page.wait_for_timeout(500)
    assert page.locator(".tally").inner_text() == before
    page.goto("/help/")
    assert not page.locator("#single-keys").is_checked()
    hands.to("^Single keys act")
    hands.press("Space")
    page.goto(f"/jobs/{number}/proving/")
    hands.press("1")
    page.get_by_text(re.compile("^1 good")).wait_for()


def test_what_is_refused_is_tied_to_its_field(book: Book, open_page: Open) -> None:
    number = book.job("corrigan-duo")
    page = open_page()
    page.goto(f"/jobs/{number}/")
    page.locator("form:has(input[value=time]) input[name=minutes]").fill("ages")
    page.get_by_role("button", name="Add time").click()
    page.get_by_role("alert").wait_for()
    page.wait_for_function("() => document.activeElement.matches('[role=alert]')")
    field = page.locator("input[aria-invalid=true]")
    assert field.get_attribute("name") == "minutes"
    assert field.input_value() == "ages"
    assert page.locator("#" + field.get_attribute("aria-describedby")).inner_text().count("ages") == 1
    assert field.is_visible()
