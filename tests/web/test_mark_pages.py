"""Markings, and emptying a charged capacitor: ambiguity shown, cautions in full, nothing written."""

from __future__ import annotations

import pytest
from django.test import Client

from tests.web.pages import get, text_of

pytestmark = pytest.mark.django_db


def test_empty_it_teaches_and_is_in_the_navigation(client: Client) -> None:
    html = get(client, "/mark/")
    assert "This page will hold every reading of a marking" in html
    assert 'href="/mark/?text=yellow%20violet%20red%20gold"' in html
    assert '<a href="/mark/"' in get(client, "/")


def test_equal_readings_are_said_to_be_equal(client: Client) -> None:
    page = text_of(get(client, "/mark/?text=104"))
    for words in (
        "stand equal: the marking alone does not decide",
        "100\u2009nF",
        "100\u2009kΩ",
        "less likely reading",
    ):
        assert words.replace("\u2009", " ") in page


def test_the_units_years_decide_a_date(client: Client) -> None:
    early = text_of(get(client, "/mark/?text=R5&kind=date&years=1983-1986"))
    late = text_of(get(client, "/mark/?text=R5&kind=date&years=2003"))
    assert early != late
    assert early.index("1983") < early.index("2003")


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("text=a?b?c?d", "3 unreadable characters found"),
        ("text=104&years=about+1983", "years 'about 1983' found"),
        ("text=104&years=1986-1983", "1986"),
        ("text=104&kind=valve", "kind 'valve' found"),
        ("text=" + "9" * 121, "121 characters found"),
    ],
)
def test_it_refuses_and_keeps_what_was_typed(client: Client, query: str, says: str) -> None:
    html = get(client, f"/mark/?{query}", 422)
    assert says in text_of(html)
    typed = query.split("&")[0].removeprefix("text=")
    assert f'id="text" name="text" maxlength="120" required autocomplete="off" autocapitalize="off" spellcheck="false" value="{typed}"' in html  # fmt: skip  # noqa: E501


def test_nothing_that_can_be_read(client: Client) -> None:
    assert "Nothing that can be read" in get(client, "/mark/?text=%25%25%25")


def test_bands_by_tapping(client: Client) -> None:
    bands = ""
    for colour in ("yellow", "violet", "red"):
        html = get(client, f"/mark/?bands={bands.replace(' ', '+')}&add={colour}")
        bands = f"{bands} {colour}".strip()
        assert f'name="bands" value="{bands}"' in html
    html = get(client, f"/mark/?bands={bands.replace(' ', '+')}&add=gold")
    assert "4.7 kΩ, ±5 %" in text_of(html)
    assert "Bands in the order given: yellow, violet, red, gold. First reading: 4.7" in html
    assert "read from the other end" in get(client, "/mark/?bands=brown+black+red+brown")
    assert 'name="bands" value="yellow violet"' in get(client, "/mark/?bands=yellow+violet+red&drop=1")
    assert 'name="bands" value=""' in get(client, "/mark/?bands=yellow&clear=1")
    assert 'name="bands" value="red red red red red red"' in get(client, "/mark/?bands=red+red+red+red+red+red&add=red")
    assert 'name="bands" value="red red"' in get(client, "/mark/?bands=red+nonsense+red")


def test_a_typed_row_of_bands_is_drawn(client: Client) -> None:
    assert 'class="bands"' in get(client, "/mark/?text=Yellow%2C+violet+red+%7C+gold")
    assert 'class="bands"' not in get(client, "/mark/?text=104K")


# ---------------------------------------------------------------- emptying


def test_cautions_stand_in_full_from_the_start(client: Client) -> None:
    page = text_of(get(client, "/capacitor/discharge/"))
    for words in ("Mains voltage kills", "Never short a large capacitor with a screwdriver", "A time worked out never"):
        assert words in page
    page = text_of(get(client, "/capacitor/discharge/?c=220u&v=30&low=1"))
    assert "Mains voltage kills" not in page
    assert "Charged capacitors" in page


def test_it_works_it_out(client: Client) -> None:
    page = text_of(get(client, "/capacitor/discharge/?c=220u&v=340&r=2k2&leaked=1"))
    for words in ("12.7", "can kill", "Other resistors", "Leaked electrolyte", "May come back by itself"):
        assert words in page


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("c=big&v=30", "Capacitance: 'big' found"),
        ("c=220u&v=", "Voltage: '' found"),
        ("c=220u&v=30&r=none", "Resistor: 'none' found"),
        ("c=220u&v=25000", "voltage 25000 V found; allowed: up to 1000 V"),
        ("c=220u&v=30&safe=90", "safe"),
    ],
)
def test_it_refuses_with_the_cautions_still_there(client: Client, query: str, says: str) -> None:
    html = get(client, f"/capacitor/discharge/?{query}", 422)
    assert says in text_of(html)
    assert "Picture tube" in html
    assert "Mains voltage kills" in html
    assert f'value="{query.split("&")[0].removeprefix("c=")}"' in html
