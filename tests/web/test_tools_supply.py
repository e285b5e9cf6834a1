"""The supply pages: of a type, from a form, from a file; aged, missing, at random; mistakes named with their line."""

from __future__ import annotations

import re

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from tests.web.pages import get, text_of

pytestmark = pytest.mark.django_db
FORM = {
    "action": "form", "name": "Bench amplifier", "feed": "transformer", "hertz": "60", "volts": "9", "amps": "1",
    "regulation": "0.2", "wiring": "bridge", "farad": "2200u", "cap_volts": "25", "rail_1": "logic rail",
    "rail_volts_1": "5", "rail_amps_1": "0.6", "serves_1": "logic", "heat_sink_1": "10", "fuse": "100m",
}  # fmt: skip
FILE = """\
supply: Small radio
transformer: {volts: 6.3, amps: 0.4}
rectifier: {wiring: half}
reservoir: {farad: 470u}
regulators:
  rail5: {volts: 5, load_amps: 0.4, serves: sound}
"""


def sent(client: Client, form: dict[str, object]) -> str:
    response = client.post("/tools/supply/", form)
    assert response.status_code == 302, text_of(response.content.decode())
    return str(response["Location"])


def plain(html: str) -> str:
    return text_of(html).replace("\u2009", " ")


def test_the_page_teaches_and_names_the_types_that_have_one(client: Client) -> None:
    html = get(client, "/tools/supply/")
    for words in ("will hold what the rail does", "Mains voltage kills", "measured by a qualified person only"):
        assert words in text_of(html)
    assert 'href="/tools/supply/of/larkmere-48/"' in html
    assert "tamsin" not in html
    assert 'href="/tools/supply/"' in get(client, "/tools/")


def test_the_supply_of_a_type(client: Client) -> None:
    html = get(client, "/tools/supply/of/larkmere-48/")
    page = plain(html)
    for words in (
        "Supply, Larkmere 48",
        "rail5",
        "207 V",
        "253 V",
        "without heat-sink: shuts down",
        "Every part at its",
    ):
        assert words in page
    assert html.count("plot-figure") == 3
    assert "Mains voltage kills" in html
    get(client, "/tools/supply/of/tamsin-walker/", 404)


def test_aged_parts_stand_beside_new_ones(client: Client) -> None:
    page = plain(get(client, "/tools/supply/of/larkmere-48/?aged_c=10&aged_esr=10&mains=215"))
    for words in ("Across the reservoir, aged parts", "Low, aged", "Something is bad", "logic restarts", "215 V"):
        assert words in page


def test_what_is_missing(client: Client) -> None:
    html = get(client, "/tools/supply/of/larkmere-48/?missing=heat-sink")
    assert "thermal shutdown expected" in html
    assert 'value="heat-sink" checked' in html


TOKEN = re.compile(r'<input type="hidden" name="csrfmiddlewaretoken"[^>]*>')


def test_variants_are_counted_and_drawn(client: Client) -> None:
    html = get(client, "/tools/supply/of/larkmere-48/?aged_c=30&aged_esr=6&variants=300&seed=4")
    page = plain(html)
    assert "Of 300 variants, rail5 drops out in" in page
    assert "Seed 4" in page
    assert html.count('class="pl-bar') > 40
    again = get(client, "/tools/supply/of/larkmere-48/?aged_c=30&aged_esr=6&variants=300&seed=4")
    assert TOKEN.sub("", again) == TOKEN.sub("", html)


def test_a_form_becomes_a_file_that_can_be_changed(client: Client) -> None:
    there = sent(client, FORM)
    html = get(client, there)
    page = plain(html)
    for words in ("Supply, Bench amplifier", "logic_rail", "supply: Bench amplifier", "transformer:", "hertz: 60"):
        assert words in page
    adapter = FORM | {"feed": "DC regulated", "volts": "9", "load_amps": "0.2", "mains_volts": "120"}
    assert "regulated: true" in plain(get(client, sent(client, adapter)))


def test_a_file_as_text_and_as_a_file(client: Client) -> None:
    page = plain(get(client, sent(client, {"action": "text", "text": FILE})))
    assert "Small radio" in page
    assert "hum" in page
    upload = SimpleUploadedFile("radio.yaml", FILE.encode())
    assert "Small radio" in get(client, sent(client, {"action": "text", "text": "", "file": upload}))


@pytest.mark.parametrize(
    ("form", "says"),
    [
        (FORM | {"farad": "big"}, "reservoir.farad"),
        ({k: v for k, v in FORM.items() if k != "farad"}, "reservoir: found nothing; allowed: 'farad'"),
        (FORM | {"volts": ""}, "transformer"),
        (FORM | {"rail_volts_1": "", "rail_amps_1": ""}, "at least one of regulators, loads"),
        ({"action": "text", "text": FILE.replace("470u", "lots")}, "the text:4"),
        ({"action": "text", "text": FILE + "nonsense: 1\n"}, "the text:7"),
        ({"action": "text", "text": "\t- : ["}, "the text"),
        ({"action": "text", "text": "x" * 300_000}, "Text: 300000 characters found"),
        ({"action": "text", "text": "", "file": SimpleUploadedFile("a.yaml", b"\xff\xfe\x00")}, "no UTF-8 text"),
        ({}, "the text"),
    ],
)
def test_mistakes_are_named_and_what_was_typed_is_kept(client: Client, form: dict[str, object], says: str) -> None:
    response = client.post("/tools/supply/", form)
    html = response.content.decode()
    assert response.status_code == 422
    assert says in text_of(html)
    assert "Mains voltage kills" in html
    if form.get("farad") == "big":
        assert 'value="big"' in html
        assert 'value="logic rail"' in html
    if "lots" in str(form.get("text")):
        assert "farad: lots" in html


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("aged_c=half", "capacitance left: 'half' found"),
        ("aged_c=0", "aged capacitance"),
        ("aged_esr=-1", "aged ESR"),
        ("mains=30", "mains"),
        ("missing=lid", "missing: found 'lid'; allowed: heat-sink, pad, paste, clip"),
        ("variants=some", "variants: found 'some'"),
        ("variants=5", "variants: found 5; allowed: 10 to"),
        ("variants=900000", "variants: found '900000'"),
    ],
)
def test_a_wrong_condition_is_said_and_kept(client: Client, query: str, says: str) -> None:
    html = get(client, f"/tools/supply/of/larkmere-48/?{query}", 422)
    assert says in text_of(html)
    assert "Mains voltage kills" in html
