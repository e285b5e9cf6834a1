"""The capture pages: what was understood, corrections in the address, the plot with its figures, refusals."""

from __future__ import annotations

import re

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from refettle.web import shelf
from refettle.web.views import tool_capture
from tests.web.captures import rail_csv, send
from tests.web.pages import get, text_of

pytestmark = pytest.mark.django_db


def test_the_tools_are_in_the_navigation(client: Client) -> None:
    assert '<a href="/tools/"' in get(client, "/")
    html = get(client, "/tools/")
    assert 'href="/tools/capture/"' in html
    assert 'href="/mark/"' in html


def test_cautions_stand_beside_the_form(client: Client) -> None:
    page = text_of(get(client, "/tools/capture/"))
    for words in ("Mains voltage kills", "Charged capacitors", "measured by a qualified person only", "will hold"):
        assert words in page


def test_what_was_understood_is_shown_with_plot_and_figures(client: Client) -> None:
    there = send(client, "/tools/capture/", rail_csv())
    html = get(client, there)
    page = text_of(html).replace("\u2009", " ")
    for words in ("What was understood", "CH1", "14 V", "15.2 V", "2500 samples, 40 µs apart", "Mains voltage kills"):
        assert words in page
    assert re.search(r'<svg[^>]* class="plot [^>]* data-plot="1"', html)
    assert "CH1 lies between 14\u2009V and 15.2\u2009V" in html


def test_corrections_stand_in_the_address_and_are_kept_in_the_form(client: Client) -> None:
    there = send(client, "/tools/capture/", rail_csv(), expect="140", coupling="dc")
    assert there.endswith("?coupling=dc&expect=140") or there.endswith("?expect=140&coupling=dc")
    assert "Look at this first" in get(client, there)
    html = get(client, f"{there}&probe_1=10&interval=1ms")
    page = text_of(html).replace("\u2009", " ")
    assert "152 V" in page
    assert "1 ms apart" in page
    assert 'name="probe_1" inputmode="decimal" maxlength="20" autocomplete="off" value="10"' in html
    assert 'name="interval" maxlength="40" autocomplete="off" value="1ms"' in html


def test_two_channels_far_apart_have_an_axis_each_and_four_stand_below_each_other(client: Client) -> None:
    two = get(client, send(client, "/tools/capture/", rail_csv(channels=2)))
    assert two.count('data-plot="1"') == 1
    assert 'data-right="' in two
    four = get(client, send(client, "/tools/capture/", rail_csv(channels=4)))
    assert four.count('data-plot="1"') == 4
    assert four.count('data-group="capture"') == 4


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("probe_1=ten", "probe of channel 1: 'ten' found"),
        ("skip=-1", "lines to skip: '-1' found"),
        ("rows=5", "rows: '5' found"),
        ("separator=dash", "separator: 'dash' found; allowed: comma"),
        ("interval=0", "interval"),
        ("time_unit=weeks", "weeks"),
        ("unit_1=stone", "stone"),
    ],
)
def test_a_wrong_correction_is_said_and_kept(client: Client, query: str, says: str) -> None:
    there = send(client, "/tools/capture/", rail_csv())
    html = get(client, f"{there}?{query}", 422)
    assert says in text_of(html)
    assert "Mains voltage kills" in html
    name, _, value = query.partition("=")
    assert f'name="{name}"' in html
    if not value.isalpha():
        assert f'value="{value}"' in html


def test_what_cannot_be_read_can_be_corrected(client: Client) -> None:
    there = send(client, "/tools/capture/", b"14.1\n14.2\n14.3\n14.2\n", "values.txt")
    html = get(client, there, 422)
    assert "Correct what was understood" in html
    assert "CH1" in get(client, f"{there}?interval=1ms")


@pytest.mark.parametrize("data", [b"%PDF-1.4 nonsense", b"\x00\x01\x02" * 50, b"no numbers at all\n"])
def test_files_that_are_none(client: Client, data: bytes) -> None:
    assert "Not read." in get(client, send(client, "/tools/capture/", data, "x.csv"), 422)


def test_no_file_an_empty_one_and_one_too_large(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    response = client.post("/tools/capture/", {"expect": "14"})
    assert response.status_code == 422
    assert "no file found" in response.content.decode()
    assert 'value="14"' in response.content.decode()
    response = client.post("/tools/capture/", {"file": SimpleUploadedFile("a.csv", b"")})
    assert "an empty file found" in response.content.decode()
    monkeypatch.setattr(tool_capture, "MOST_BYTES", 1000)
    response = client.post("/tools/capture/", {"file": SimpleUploadedFile("a.csv", b"1,2\n" * 400)})
    assert response.status_code == 422
    assert "0 MB found; allowed: a file of 1 byte" in response.content.decode()


def test_a_file_that_made_room_for_others_is_said_to_be_gone(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shelf, "MOST_FILES", 2)
    first = send(client, "/tools/capture/", rail_csv())
    for _ in range(2):
        last = send(client, "/tools/capture/", rail_csv())
    assert "The file is no longer here" in get(client, first, 404)
    get(client, last)


def test_names_of_files_and_channels_cannot_do_harm(client: Client) -> None:
    data = rail_csv().replace(b"CH1", b"<script>alert(1)</script>")
    html = get(client, send(client, "/tools/capture/", data, '<b>"x".csv'))
    assert "<script>alert" not in html
    assert "<b>" not in html


def test_a_stretch_is_drawn_with_every_sample(client: Client) -> None:
    rows = "\n".join(f"{n * 1e-6:.6f},{n % 7}" for n in range(20_000))
    there = send(client, "/tools/capture/", b"Time (s),CH1 (V)\n" + rows.encode())
    html = get(client, there)
    assert f'data-fine="{there}"' in html
    html = get(client, f"{there}?from=2ms&to=3ms")
    assert re.search(r'data-x="0.002 0.003 s"', html)
    drawn = re.search(r'points="([^"]+)"', html)
    assert drawn is not None
    assert 1000 <= len(drawn[1].split()) <= 1003
    assert 'value="2ms"' in html
    for query, says in (
        ("from=5ms&to=2ms", "stretch: 5 ms to 2 ms found"),
        ("from=1", "within 0 s to 20 ms"),
        ("to=x", "to: 'x'"),
    ):
        assert says in text_of(get(client, f"{there}?{query}", 422)).replace("\u2009", " ")
