"""Two people and a phone in one bench book: signing in, what the other wrote, and every page about people."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

import pyotp
import pytest

from tests.browser.conftest import PHONE, Book, clean_environment, served
from tests.browser.looks import looked_at, prepare

pytestmark = [pytest.mark.browser, pytest.mark.slow]

Open = Callable[..., Any]
WORD = "a quiet bench 44"


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Book]:
    """A book of its own, where everybody signs in."""
    environment = clean_environment(tmp_path_factory.mktemp("book"))
    for name, role in (("Ada Quill", "owner"), ("Bo Marten", "bench"), ("Ida Fenn", "read-only")):
        words = [sys.executable, "-m", "refettle.cli.main", "people", "add", name, "--role", role]
        subprocess.run(words, env=environment, input=WORD, text=True, check=True, capture_output=True)
    # Names by which others call it; a phone of these tests comes by the loopback address all the same.
    environment |= {"REFETTLE_SIGN_IN": "yes", "REFETTLE_HOSTS": "bench.example", "REFETTLE_PROXY": "127.0.0.1"}
    with served(environment) as made:
        yield made


@pytest.fixture(scope="module")
def job(book: Book) -> int:
    return book.job("larkmere-48", "complaint|point=picture|outcome=no picture")


def enter(page: Any, name: str, after: str = "/") -> Any:
    page.goto(after)
    page.fill("#name", name)
    page.fill("#password", WORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_selector(".me")
    return page


def test_two_in_one_job(book: Book, open_page: Open, job: int) -> None:
    here = f"/jobs/{job}/"
    ada = enter(open_page(PHONE), "Ada Quill", here)
    bo = enter(open_page(), "Bo Marten", here)
    assert ada.url.endswith(here)
    ada.fill("#caption", "half a caption")
    where = "document.querySelector('#caption').getBoundingClientRect().top + scrollY"
    before = -1.0
    while (now := ada.evaluate(where)) != before:  # the next step comes a little later
        before = now
        ada.wait_for_timeout(3000)
    bo.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true; })")
    bo.fill("textarea[name=text]", "the lead is bent")
    bo.locator("form:has(textarea[name=text]) button").first.click()
    bar = ada.locator("#since")
    bar.get_by_text("Bo Marten wrote 1 entry").wait_for()
    assert ada.input_value("#caption") == "half a caption"
    assert ada.evaluate(where) == before  # nothing moves under a finger
    asked: list[str] = []
    ada.once("dialog", lambda dialog: (asked.append(dialog.message), dialog.dismiss()))
    bar.get_by_text("Show").click()
    assert asked == ["What you typed on this page and did not send is lost. Show the new entries?"]
    assert ada.input_value("#caption") == "half a caption"
    ada.fill("#caption", "")
    bar.get_by_text("Show").click()
    ada.get_by_text("the lead is bent").wait_for()
    assert "Bo Marten" in ada.locator("#log").inner_text() + ada.locator("main").inner_text()
    assert not ada.locator("#since li").count()


def test_a_phone_comes_in_by_the_link(open_page: Open) -> None:
    desk = enter(open_page(), "Ada Quill", "/phone/")
    desk.get_by_role("button", name="without typing").click()
    link = desk.locator("figcaption p").text_content() or ""
    found = re.fullmatch(r"http://bench\.example(/join/[\w-]+/)", link.strip())
    assert found, link
    phone = open_page(PHONE)
    phone.goto(found[1])
    phone.get_by_role("button", name="Sign in as Ada Quill").click()
    phone.wait_for_selector(".me")
    phone.goto("/me/")
    phone.get_by_role("button", name="Sign out everywhere").click()
    desk.goto("/me/")
    assert "/sign-in/?next=%2Fme%2F" in desk.url


def test_every_page_about_people(book: Book, open_page: Open, job: int) -> None:
    found: list[str] = []

    def look(name: str) -> None:
        found.extend(f"{name}: {each}" for each in looked_at(page))

    page = open_page()
    prepare(page)
    page.goto("/sign-in/")
    page.fill("#name", "Ada Quill")
    page.fill("#password", "another word 1")
    page.get_by_role("button", name="Sign in").click()
    page.get_by_text("Name or password is wrong").wait_for()
    look("sign-in")
    enter(page, "Ada Quill")
    for address in ("/me/", "/people/", "/people/2/", "/phone/"):
        page.goto(address)
        look(address)
    page.get_by_role("button", name="without typing").click()
    look("link")
    link = (page.locator("figcaption p").text_content() or "").strip().removeprefix("http://bench.example")
    page.goto(f"/jobs/{job}/proving/")
    book.run("job", "log", str(job), "note", "text=seen from the next room", "--who", "Bo Marten")
    page.get_by_text("Bo Marten wrote").wait_for()
    look("bar")
    page.goto(link)
    look("join")
    page.goto(f"/join/{'x' * 43}/")
    look("used up")
    assert found == []


@pytest.mark.parametrize("small", [False, True], ids=["desk", "phone"])
def test_a_second_factor(book: Book, open_page: Open, small: bool) -> None:
    """Switched on with an app, signed in by its code and by one on paper, switched off; every page of it looked at."""
    name, found = ("Cy Alder", "Dee Rowan")[small], list[str]()
    add = [sys.executable, "-m", "refettle.cli.main", "people", "add", name]
    subprocess.run(add, env=book.environment, input=WORD, text=True, check=True, capture_output=True)
    page = open_page(PHONE) if small else open_page()
    prepare(page)

    def look(where: str) -> None:
        found.extend(f"{where}: {each}" for each in looked_at(page))

    enter(page, name)
    page.goto("/me/")
    page.get_by_role("link", name="Switch it on").click()
    look("off")
    page.fill("#password", WORD)
    page.get_by_role("button", name="Go on").click()
    look("picture")
    page.get_by_text("The same in letters").click()
    app = pyotp.TOTP((page.locator("figcaption code").text_content() or "").replace(" ", ""))
    page.fill("#code", "12345")
    page.get_by_role("button", name="Switch it on").click()
    page.get_by_text("By the book's clock it is").wait_for()
    look("wrong")
    page.fill("#code", app.now())
    page.get_by_role("button", name="Switch it on").click()
    codes = page.locator(".codes code").all_text_contents()
    assert len(codes) == 8
    look("codes on paper")
    page.get_by_role("link", name="I have them").click()
    look("on")
    ada = enter(open_page(PHONE) if small else open_page(), "Ada Quill", "/people/")
    prepare(ada)
    ada.get_by_role("link", name=name).click()
    ada.get_by_role("button", name="Take it away").wait_for()
    found.extend(f"to an owner of the book: {each}" for each in looked_at(ada))

    page.goto("/me/")
    page.get_by_role("button", name="Sign out here").click()
    page.fill("#name", name)
    page.fill("#password", WORD)
    page.get_by_role("button", name="Sign in").click()
    look("asked for the code")
    page.fill("#code", "12345")
    page.keyboard.press("Enter")
    page.get_by_text("By the book's clock it is").wait_for()
    look("asked again")
    page.fill("#code", app.at(int(time.time()) + 30))  # the one before was used to switch it on
    page.keyboard.press("Enter")
    page.wait_for_selector(".me")

    page.goto("/me/second/")
    page.fill("#password", WORD)
    page.get_by_text("The app is lost").click()
    page.fill("#paper", codes[0])
    page.get_by_role("button", name="Switch it off").click()
    page.get_by_text("You sign in by the password alone now").wait_for()
    assert found == []


def test_who_only_reads(book: Book, open_page: Open, job: int) -> None:
    page = open_page()
    prepare(page)
    enter(page, "Ida Fenn", f"/jobs/{job}/")
    found = [f"reading: {each}" for each in looked_at(page)]
    page.fill("textarea[name=text]", "a word")
    page.locator("form:has(textarea[name=text]) button").first.click()
    page.get_by_role("heading", name="Not written").wait_for()
    found += [f"refused: {each}" for each in looked_at(page)]
    assert found == []


def test_a_password_may_be_pasted(open_page: Open) -> None:
    """WCAG 2.2, 3.3.8: nothing is to be remembered or copied out by hand."""
    page = open_page()
    page.goto("/sign-in/")
    page.fill("#name", WORD)
    page.locator("#name").press("Control+a")
    page.locator("#name").press("Control+c")
    page.locator("#password").focus()
    page.keyboard.press("Control+v")
    assert page.input_value("#password") == WORD
    assert page.get_attribute("#name", "autocomplete") == "username"
    assert page.get_attribute("#password", "autocomplete") == "current-password"


def test_a_password_can_be_looked_at_while_it_is_typed(open_page: Open) -> None:
    page = open_page(PHONE)
    page.goto("/sign-in/")
    field, button = page.locator("#password"), page.get_by_role("button", name="Show what I type")
    field.fill("a lamp")
    assert field.get_attribute("type") == "password"
    button.click()
    assert (field.get_attribute("type"), field.input_value()) == ("text", "a lamp")
    page.get_by_role("button", name="Cover it").click()
    assert field.get_attribute("type") == "password"
    button.click()
    page.fill("#name", "Ada Quill")
    page.fill("#password", WORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_selector(".me")
    page.goto("/me/")
    assert page.get_by_role("button", name="Show what I type").count() == 3


def test_after_signing_out_going_back_shows_nothing(open_page: Open, job: int) -> None:
    page = enter(open_page(), "Bo Marten", f"/jobs/{job}/")
    page.wait_for_selector("h1")
    page.goto("/me/")
    page.get_by_role("button", name="Sign out here").click()
    page.wait_for_selector("#password")
    page.go_back()
    page.wait_for_selector("#password")
    page.goto(f"/jobs/{job}/")
    assert "Sign in" in page.title()
