"""Pages where customary units are at home: figures in sentences have theirs behind them, and nothing else changes."""

from __future__ import annotations

import re
from html import unescape
from typing import Any
from urllib.parse import urlencode

import pytest
import texts
from django.test import Client

from refettle.book import store
from refettle.book.demo import fill
from refettle.units import with_customary
from tests.web.pages import a_job, get, logged, text_of, walked
from tests.web.test_language import ENTRIES, NUMBERS
from tests.web.whitening import GATES

pytestmark = pytest.mark.django_db
BRACKET = re.compile(r" \([^()]*[\d][ \u2009\u202f](?:°F|in|ft|oz|lb|fl oz|gal)\)")
BATH = "/tools/bath/?" + urlencode(
    {"stock": "12 %", "target": "6", "volume": "8 L", "parts": "2.1 kg", "warm": "35", "tub": "12 L", "gate": GATES},
    doseq=True,
)


@pytest.fixture
def american() -> Client:
    return Client(HTTP_ACCEPT_LANGUAGE="en-US,en;q=0.9")


def test_cautions_say_both(american: Client) -> None:
    text = text_of(get(american, "/cautions/"))
    assert "The iron runs at 330 to 370 °C (626 to 698 °F)." in text
    assert "is kept below 40 °C (104 °F) by a thermometer" in text  # a bath of peroxide
    assert "°F" not in get(Client(HTTP_ACCEPT_LANGUAGE="en-GB"), "/cautions/")


def test_steps_say_both(american: Client) -> None:
    text = text_of(get(american, "/kinds/edge-connector/"))
    assert "at about 350 °C (662 °F) with a little fresh solder" in text
    assert "by 0.2 to 0.3 mm (0.008 to 0.012 in), no more" in text


def test_the_bath_says_both(american: Client) -> None:
    html = get(american, BATH)
    text = text_of(html)
    assert re.search(r"Water first: \d\.\d{3} kg \(\d\.\d+ lb\), distilled", text)
    assert "t 35 °C (95 °F) everything goes" in text
    assert not re.search(r'value="[^"]*(?:°F|\bin\)|lb\)|oz\))', html)


def test_german_has_its_comma(settings: Any) -> None:
    settings.REFETTLE_UNITS = "us"
    text = text_of(get(Client(HTTP_ACCEPT_LANGUAGE="de"), "/kinds/edge-connector/"))
    assert "um 0,2 bis 0,3 mm (0,008 bis 0,012 in) anheben" in text
    assert "bei etwa 350 °C (662 °F)" in text


@pytest.mark.parametrize("language", ["en-US", "de-US"])
def test_what_somebody_typed_stays(language: str) -> None:
    job = a_job(entries=[{"kind": "note", "text": "Hole 5 mm, iron at 350 °C"}])
    assert "Hole 5 mm, iron at 350 °C<" in get(Client(HTTP_ACCEPT_LANGUAGE=language), f"/jobs/{job.number}/")


def test_what_is_written_is_the_same(american: Client) -> None:
    metric, other = a_job(), a_job()
    for page, form in ENTRIES:
        for client, job in ((Client(), metric), (american, other)):
            assert client.post(f"/jobs/{job.number}/{page}", form).status_code == 302
    assert logged(metric) == logged(other)


@pytest.mark.slow
def test_every_page_says_the_same_but_for_the_brackets(american: Client) -> None:
    """The demo book, from page to page: no figure of a form, a drawing or a link changes."""
    fill()
    both = 0
    for _, address, response in walked(american):
        html = response.content.decode()
        for numbers in NUMBERS.findall(html):
            assert "(" not in numbers, address
        for value in re.findall(r'<(?:input|option)\b[^>]* value="([^"]*)"', html):
            assert not BRACKET.search(value), f"{address}: {value}"
        both += bool(BRACKET.search(html))
    assert both > 10


@pytest.mark.parametrize(
    "address", ["/cautions/", "/kinds/joints/", "/kinds/edge-connector/", BATH, "/types/larkmere-48/"]
)
def test_without_the_brackets_it_is_the_metric_page(american: Client, address: str) -> None:
    store.get_or_create_owner("")
    assert BRACKET.sub("", text_of(get(american, address))) == text_of(get(Client(), address))


def test_templates_hold_no_metric_figures_of_their_own() -> None:
    """What is translated in a template gets no customary figure: `figure` with `beside` makes one."""
    for text in texts.collected()["pages"]:
        for words in (text.one, text.many):
            said = unescape(re.sub(r"%\(\w+\)s", "7", words))
            assert with_customary(said) == said, words
