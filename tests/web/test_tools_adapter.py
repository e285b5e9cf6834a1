"""The adapter page: fact by fact, what is missing, the unit's wishes from its type, refusals that keep the form."""

from __future__ import annotations

import pytest
from django.test import Client

from tests.web.pages import get, text_of

pytestmark = pytest.mark.django_db
UNIT = "output=DC&volt=9&ampere=1&polarity=centre+negative&plug=5.5+x+2.1+mm+barrel&wall=230"
GOOD = (
    "a_output=DC&a_volt=9&a_ampere=1.2&a_polarity=centre+negative&a_plug=5.5+x+2.1+mm+barrel&a_loaded=9.1"
    "&a_unloaded=9.2&a_regulated=yes&a_mains=100-240"
)


def test_empty_it_teaches_with_its_cautions(client: Client) -> None:
    page = text_of(get(client, "/tools/adapter/"))
    for words in ("will hold a verdict", "Mains voltage kills", "First switch-on"):
        assert words in page
    assert 'href="/tools/adapter/"' in get(client, "/tools/")


@pytest.mark.parametrize(
    ("query", "says"),
    [
        (GOOD, "Safe for this unit"),
        (GOOD.replace("a_output=DC", "a_output=AC"), "Not safe for this unit"),
        (GOOD.replace("a_polarity=centre+negative", "a_polarity=centre+positive"), "capacitors burst and chips die"),
        (GOOD.replace("a_loaded=9.1&", ""), "Not known yet"),
        (GOOD.replace("a_ampere=1.2", "a_ampere=0.3"), "with a risk of fire"),
        (GOOD.replace("a_mains=100-240", "a_mains=120"), "it burns"),
    ],
)
def test_verdicts(client: Client, query: str, says: str) -> None:
    html = get(client, f"/tools/adapter/?{UNIT}&{query}")
    assert says in text_of(html)
    assert "Mains voltage kills" in html
    assert 'name="volt" maxlength="40" autocomplete="off" value="9"' in html


def test_what_the_unit_wants_comes_from_its_type(client: Client) -> None:
    html = get(client, "/tools/adapter/?type=corrigan-duo")
    assert 'value="5.5 x 2.5 mm barrel"' in html
    assert '<option value="AC" selected>AC</option>' in html
    assert 'name="most_open" maxlength="40" autocomplete="off" value=""' not in html
    assert 'href="/tools/adapter/?type=corrigan-duo"' in get(client, "/types/corrigan-duo/")
    assert 'href="/tools/supply/of/corrigan-duo/"' in get(client, "/types/corrigan-duo/")
    page = text_of(get(client, "/tools/adapter/?type=corrigan-duo&a_output=DC&a_volt=9"))
    assert "Not safe for this unit: Corrigan Duo" in page
    get(client, "/tools/adapter/?type=none-such", 404)


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("volt=9", "the unit wants AC or DC: nothing found"),
        (f"{UNIT}&a_volt=nine", "volts on the adapter’s label: 'nine' found"),
        (f"{UNIT}&a_output=both", "AC or DC of the adapter: 'both' found; allowed: AC, DC"),
        (f"{UNIT}&a_polarity=sideways", "polarity of the adapter"),
        (f"{UNIT}&a_mains=1-2-3", "mains on the adapter’s label"),
        (f"{UNIT}&a_ampere=0", "amps"),
        (UNIT.replace("volt=9", "volt=9000") + "&a_volt=9", "needed volts"),
    ],
)
def test_it_refuses_and_keeps_what_was_typed(client: Client, query: str, says: str) -> None:
    html = get(client, f"/tools/adapter/?{query}", 422)
    assert says in text_of(html)
    assert "Mains voltage kills" in html
    if "nine" in query:
        assert 'value="nine"' in html


def test_an_adapter_that_holds_its_volts_but_starves_the_rail(client: Client) -> None:
    low = "a_output=AC&a_volt=9&a_ampere=1.2&a_loaded=7.2&a_unloaded=8.2"
    page = text_of(get(client, f"/tools/adapter/?type=corrigan-duo&{low}"))
    assert "worked out at" in page
    assert "Not safe for this unit" in page
