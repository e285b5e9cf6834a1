"""Pages in German: every page answers in it, figures have the comma, what is written is as from English pages."""

from __future__ import annotations

import re
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings as current
from django.test import Client

import refettle.web
from refettle.book import store
from refettle.book.demo import fill
from refettle.book.models_stores import Part
from refettle.language import speaking, tr
from refettle.web.views import tool_whitening
from refettle.whitening.sun import read_place
from refettle.whitening.values import WhiteningError
from tests.web.pages import a_job, get, logged, text_of, walked
from tests.web.people import a_person, signed_in
from tests.web.whitening import marks, upload

pytestmark = pytest.mark.django_db
GERMAN = {"HTTP_ACCEPT_LANGUAGE": "de-AT,de;q=0.9,en;q=0.5"}
NUMBERS = re.compile(
    r'<(?:svg|rect|line|circle|image|path|polyline)\b[^>]*\s(?:x|y|width|height|r|cx|cy|x1|x2|points)="([^"]*)"'
)


@pytest.fixture
def german() -> Client:
    return Client(**GERMAN)


@pytest.mark.slow
def test_every_page_answers_in_german(german: Client) -> None:
    """The demo book, from page to page."""
    fill()
    names = set()
    for name, address, response in walked(german):
        names.add(name)
        html = response.content.decode()
        assert response["Content-Language"] == "de", address
        if "<html" in html:
            assert '<html lang="de">' in html, address
        for numbers in NUMBERS.findall(html):
            for each in numbers.split():
                assert re.fullmatch(r"[-\d.]+(%|mm)?(,[-\d.]+)?", each), f"{address}: {each}"
    assert len(names) > 40, sorted(names)


def test_figures_have_the_sign_of_the_language(german: Client) -> None:
    html = german.get("/capacitor/discharge/?c=4,7u&v=330&r=2.2k&safe=30").content.decode()
    assert "4,7\u2009µF" in html
    assert 'value="2.2k"' in html  # as it was typed
    assert "4.7\u2009µF" in Client().get("/capacitor/discharge/?c=4,7u&v=330&r=2.2k&safe=30").content.decode()


ENTRIES: list[tuple[str, dict[str, str]]] = [
    ("", {"action": "time", "minutes": "7,5", "what": "Looked"}),
    ("", {"action": "stage", "stage": "waiting", "waits_for": "a belt"}),
    ("", {"action": "access", "level": "open"}),
    ("money/", {"action": "values", "working": "120,50", "fee_percent": "12,5"}),
    ("money/", {"action": "outgoing", "what": "Belt", "amount": "3,20", "sort": "parts"}),
    ("board/", {"action": "note", "ref": "C1", "value": "100u 25V 85C", "side": "front", "minus": "left"}),
    (
        "board/",
        {
            "action": "reading",
            "ref": "C1",
            "part": "100u 25V 85C aluminium",
            "c": "41u",
            "c_at": "100",
            "esr": "2,5",
            "esr_at": "100000",
        },
    ),
    ("board/", {"action": "reading", "ref": "C1", "part": "100u 25V 85C aluminium", "seen": "domed"}),
    ("strip-down/", {"action": "off", "item": "lid screw", "what": "screw", "count": "4", "length_mm": "9,5"}),
]


def test_what_is_written_from_a_german_page_is_what_is_written_from_an_english_one(german: Client) -> None:
    english, other = a_job(), a_job()
    for page, form in ENTRIES:
        for client, job in ((Client(), english), (german, other)):
            response = client.post(f"/jobs/{job.number}/{page}", form)
            assert response.status_code == 302, text_of(response.content.decode())[:2000]
    assert logged(english) == logged(other)
    assert [e["minutes"] for e in logged(other) if e["kind"] == "time"] == [7.5]


def test_why_a_part_of_a_photo_was_not_read_is_kept_in_english(german: Client) -> None:
    job = a_job()
    there = german.post(f"/jobs/{job.number}/whitening/", {"action": "photo", "photo": upload()})["Location"]
    tiny = marks() | {"name_3": "knob", "points_3": "0.5,0.5 0.501,0.501"}
    shown = german.get(there, tiny)
    assert "zu wenige Bildpunkte" in text_of(shown.content.decode())
    assert german.post(there, tiny | {"note": "now"}).status_code == 302
    assert logged(job)[-1]["figures"]["knob"]["not_read"].startswith("too few pixels")


def test_what_is_refused_is_said_in_german(german: Client) -> None:
    job = a_job()
    html = german.post(f"/jobs/{job.number}/", {"action": "time", "minutes": "ages"}).content.decode()
    assert "gefunden; erlaubt:" in text_of(html)
    assert store.entries(job) == []


# ---------------------------------------------------------------- choosing


def choose(client: Client, language: str, **more: Any) -> Any:
    return client.post("/language/", {"language": language, "next": "/help/"}, **more)


def test_the_choice_at_the_foot_goes_before_what_the_browser_asks_for(german: Client) -> None:
    response = choose(german, "en")
    assert (response.status_code, response["Location"]) == (302, "/help/")
    assert '<html lang="en">' in get(german, "/help/")


def test_the_bench_says_what_its_pages_are_in(settings: Any) -> None:
    settings.REFETTLE_LANGUAGE = "de"
    assert '<html lang="de">' in get(Client(HTTP_ACCEPT_LANGUAGE="en"), "/help/")


@pytest.mark.parametrize("language", ["xx", "", "xx-de; drop", "../../etc", "d" * 500])
def test_a_language_that_there_is_not_leaves_the_page_as_it_is(language: str) -> None:
    client = Client(HTTP_ACCEPT_LANGUAGE="tlh")
    choose(client, language)
    assert '<html lang="en">' in get(client, "/help/")
    client.cookies[current.LANGUAGE_COOKIE_NAME] = language
    assert '<html lang="en">' in get(client, "/help/")


def test_who_only_reads_and_who_is_not_signed_in_choose_too(settings: Any) -> None:
    settings.REFETTLE_SIGN_IN = True
    reader = signed_in("Ida", "read only")
    assert choose(reader, "de").status_code == 302
    assert '<html lang="de">' in get(reader, "/")
    stranger = Client()
    assert choose(stranger, "de").status_code == 302
    page = get(stranger, "/sign-in/")
    assert '<html lang="de">' in page
    with speaking("de"):
        assert tr("Sign in") in page


def test_the_choice_leads_to_no_other_site() -> None:
    client = Client()
    response = client.post("/language/", {"language": "de", "next": "https://elsewhere.example/"})
    assert "elsewhere" not in response["Location"]


def test_a_refusal_for_who_only_reads_is_said_in_german(settings: Any) -> None:
    settings.REFETTLE_SIGN_IN = True
    client = Client(**GERMAN)
    client.force_login(a_person("Ida", "read only"))
    job = a_job()
    response = client.post(f"/jobs/{job.number}/", {"action": "note", "text": "x"})
    assert response.status_code == 403
    assert "Ida darf in diesem Buch lesen, nicht schreiben." in text_of(response.content.decode())


def test_texts_for_translation_hold_names_alone() -> None:
    """A filter within `blocktranslate` shows nothing at all; it belongs behind `with`."""
    block = re.compile(r"{% blocktranslate.*?%}(.*?){% endblocktranslate %}", re.S)
    for path in Path(refettle.web.__file__).parent.rglob("templates/**/*.html"):
        for body in block.findall(path.read_text()):
            for name in re.findall(r"{{ *(.*?) *}}", body):
                assert re.fullmatch(r"\w+", name), f"{path.name}: {name}"


# ---------------------------------------------------------------- what is typed


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("4.1 3.8", [4.1, 3.8]), ("4,1 3,8", [4.1, 3.8]), ("4.1,3.8", [4.1, 3.8]), ("4, 3, 2", [4.0, 3.0, 2.0]),
     ("4,3,2", [4.0, 3.0, 2.0]), ("4,1; 3,8", [4.1, 3.8]), ("41", [41.0])],
)  # fmt: skip
def test_readings_with_either_decimal_sign(typed: str, meant: list[float]) -> None:
    assert tool_whitening._readings(typed) == meant


def test_a_comma_that_may_be_either_is_asked_about() -> None:
    with pytest.raises(WhiteningError, match=r"write 4\.1 or 4 1"):
        tool_whitening._readings("4,1")


@pytest.mark.parametrize("typed", ["48.9,2.35", "48.9 2.35", "48,9; 2,35", "48,9 2,35"])
def test_a_place_with_either_decimal_sign(typed: str) -> None:
    where = read_place(typed)
    assert (where.latitude, where.longitude) == (48.9, 2.35)


@pytest.mark.parametrize(("typed", "grams"), [("0,25", 0.25), ("0.25", 0.25)])
def test_a_new_part_with_either_decimal_sign(german: Client, typed: str, grams: float) -> None:
    form = {"name": "Belt", "code": "BELT-1", "gram": typed, "diameter_mm": "7,5", "count": "2", "price": "1,20"}
    response = german.post("/stores/new/", form)
    assert response.status_code == 302, text_of(response.content.decode())[:1500]
    part = Part.objects.get(code="BELT-1")
    assert (part.gram, part.diameter_mm) == (grams, 7.5)
    assert part.lots.get().price == Decimal("1.20")
