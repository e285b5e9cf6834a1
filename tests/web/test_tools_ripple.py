"""The ripple pages: what the capture tells, what it does not, the fit drawn, refusals with what was typed kept."""

from __future__ import annotations

import pytest
from django.test import Client

from tests.web.captures import rail_csv, recording, send, supply_csv
from tests.web.pages import get, text_of

pytestmark = pytest.mark.django_db


def test_the_form_says_how_to_capture_and_carries_the_cautions(client: Client) -> None:
    page = text_of(get(client, "/tools/ripple/"))
    for words in ("Five periods of the mains", "only on the secondary side", "Mains voltage kills", "will hold"):
        assert words in page
    assert 'href="/tools/ripple/"' in get(client, "/tools/")


def test_an_aged_reservoir_is_read_with_its_intervals_and_its_fit(client: Client) -> None:
    there = send(
        client, "/tools/ripple/", supply_csv(), mains="50", load="0.6", nominal="4700u 25V", rectifier="bridge"
    )
    html = get(client, there)
    page = text_of(html).replace("\u2009", " ")
    assert '<h2 id="ripple-says" data-start>Bad</h2>' in html
    for words in (
        "Capacitance at work",
        "ESR at work",
        "Full wave",
        "Ripple, peak to peak",
        "Lowest point of the rail",
    ):
        assert words in page
    assert 'data-trace="worked out"' in html
    assert html.count('data-group="ripple"') == 2
    assert "Mains voltage kills" in html
    assert 'name="nominal" maxlength="100" autocomplete="off" value="4700u 25V"' in html


def test_without_the_load_it_says_what_is_missing(client: Client) -> None:
    page = text_of(get(client, send(client, "/tools/ripple/", supply_csv(), mains="50")))
    assert "the load current is not known" in page
    assert "What it does not tell" in page
    assert "a meter in the rail's lead" in page


def test_a_dead_diode(client: Client) -> None:
    there = send(client, "/tools/ripple/", supply_csv(dead=True), mains="50", load="0.6", rectifier="bridge")
    assert "A diode is dead" in text_of(get(client, there))


def test_a_capture_goes_on_to_the_ripple_page_with_its_corrections(client: Client) -> None:
    there = send(client, "/tools/capture/", supply_csv(), coupling="dc")
    html = get(client, there)
    link = there.replace("/capture/", "/ripple/")
    assert f'href="{link}"' in html
    html = get(client, link)
    assert "Say which mains it was taken on" in html
    assert '<option value="dc" selected>' in html
    assert "Bad" in get(client, f"{link}&mains=50&load=600m&nominal=4700u+25V&probe_1=1")


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("mains=55", "mains: '55' found; allowed: 50 or 60"),
        ("mains=50&load=much", "load: 'much' found"),
        ("mains=50&load=900", "load 900 A found"),
        ("mains=50&nominal=big", "printed on the capacitor: 'big'"),
        ("mains=50&rectifier=none", "rectifier: 'none' found; allowed: half, full, bridge"),
        ("mains=60&load=0.6", "60"),
        ("mains=50&channel=7", "channel: '7' found"),
        ("mains=50&nominal=100n+film", "film"),
    ],
)
def test_a_wrong_figure_is_said_and_kept(client: Client, query: str, says: str) -> None:
    there = send(client, "/tools/ripple/", supply_csv())
    html = get(client, f"{there}?{query}", 422)
    assert says in text_of(html)
    assert "Mains voltage kills" in html
    if "load=much" in query:
        assert 'value="much"' in html


def test_what_is_no_ripple_is_refused(client: Client) -> None:
    flat = rail_csv(swing=0.0)
    html = get(client, send(client, "/tools/ripple/", flat, mains="50"), 422)
    assert "Not read." in html


def test_a_sound_card_without_its_full_scale_is_no_rail(client: Client) -> None:
    there = send(client, "/tools/ripple/", recording(0.1), name="card.wav", mains="50", load="0.6")
    assert "so give the full scale in volts" in text_of(get(client, there, 422))
