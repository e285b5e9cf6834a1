"""The sound pages: what stands out, hum lines drawn, before and after, tape speed, test tones, refusals."""

from __future__ import annotations

from functools import cache
from io import BytesIO

import numpy as np
import pytest
import soundfile
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from tests.web.captures import RATE, rail_csv, recording, send, wav
from tests.web.pages import get, text_of

pytestmark = pytest.mark.django_db


@cache
def tape() -> bytes:
    t = np.arange(12 * RATE) / RATE
    hertz = 3150 * 1.01 * (1 + 0.002 * np.sin(2 * np.pi * 4 * t))
    return wav(0.3 * np.sin(2 * np.pi * np.cumsum(hertz) / RATE))


def test_the_form_says_how_to_record_and_carries_the_cautions(client: Client) -> None:
    html = get(client, "/tools/sound/")
    page = text_of(html)
    for words in ("How to record", "Mains voltage kills", "never to a loudspeaker", "hurts hearing", "will hold"):
        assert words in page
    assert 'href="/tools/tones-48000.wav"' in html
    assert 'href="/tools/sound/"' in get(client, "/tools/")


def test_hum_is_named_with_what_it_points_to_and_drawn(client: Client) -> None:
    html = get(client, send(client, "/tools/sound/", recording(0.02), "deck.wav", mains="50"))
    page = text_of(html).replace("\u2009", " ")
    for words in (
        "What stands out",
        "hum",
        "full-wave rectifier",
        "common practice, no source",
        "Every figure",
        "100 Hz",
    ):
        assert words in page
    assert 'aria-label="Noise and hum, left"' in html
    assert html.count('data-group="sound-spectrum"') == 2
    assert 'data-at="100.0' in html
    assert "Mains voltage kills" in html


def test_before_and_after(client: Client) -> None:
    response = client.post(
        "/tools/sound/",
        {
            "file": SimpleUploadedFile("after.wav", recording(0.0005)),
            "before": SimpleUploadedFile("before.wav", recording(0.02)),
            "mains": "50",
        },
    )
    html = get(client, response["Location"])
    page = text_of(html)
    assert "Against before.wav" in page
    assert "Beyond the uncertainty:" in page
    assert "better" in page
    assert 'data-trace="before"' in html


def test_a_tape_is_read_for_speed_and_flutter(client: Client) -> None:
    there = send(client, "/tools/sound/", tape(), "tape.wav", tape="3150")
    page = text_of(get(client, there))
    assert "How the speed wavers" in page
    assert "Wow and flutter ±0." in page
    assert "tape speed" in page.casefold()


def test_the_test_tones_are_a_file_to_save(client: Client) -> None:
    response = client.get("/tools/tones-44100.wav")
    assert response["Content-Disposition"] == 'attachment; filename="refettle-tones-44100.wav"'
    info = soundfile.info(BytesIO(response.content))
    assert (info.samplerate, info.channels, info.subtype) == (44_100, 2, "PCM_16")
    assert info.duration > 60
    assert client.get("/tools/tones-1000.wav").status_code == 404


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("mains=55", "mains: '55' found; allowed: 50 or 60"),
        ("tape=fast", "tape tone: 'fast' found"),
        ("tape=20", "tape tone: 20 Hz found"),
        ("quiet=2", "quiet stretch: '2' found; allowed: seconds from-to"),
        ("quiet=90-95", "quiet stretch: 90 to 95 s found"),
        ("usual=loud", "usual level: 'loud' found"),
        ("usual=40", "usual level: 40 dBFS found"),
        ("tones=yes", "test tones: no markers found"),
    ],
)
def test_a_wrong_wish_is_said_and_kept(client: Client, query: str, says: str) -> None:
    there = send(client, "/tools/sound/", recording(0.02), "deck.wav")
    html = get(client, f"{there}?{query}", 422)
    assert says in text_of(html)
    assert "Mains voltage kills" in html
    if "fast" in query:
        assert 'value="fast"' in html


@pytest.mark.parametrize("data", [b"RIFF\x00\x00", rail_csv(), b"\x00" * 300, wav(np.zeros(100))])
def test_files_that_are_no_recording(client: Client, data: bytes) -> None:
    assert "Not read." in get(client, send(client, "/tools/sound/", data, "x.wav"), 422)


def test_a_truncated_recording_is_read_and_said(client: Client) -> None:
    page = text_of(get(client, send(client, "/tools/sound/", recording(0.02)[: RATE * 4 * 6], "x.wav")))
    assert "truncated" in page.casefold()


def test_no_file_and_one_too_large(client: Client, settings: object) -> None:
    response = client.post("/tools/sound/", {"mains": "60"})
    assert response.status_code == 422
    assert '<option value="60" selected>' in response.content.decode()
    settings.REFETTLE_MAX_RECORDING_BYTES = 1000  # type: ignore[attr-defined]
    response = client.post("/tools/sound/", {"file": SimpleUploadedFile("a.wav", recording(0.02))})
    assert response.status_code == 422
    settings.REFETTLE_MAX_REQUEST_BYTES = 1000  # type: ignore[attr-defined]
    long = b"x" * 2000
    assert client.post("/tools/capture/", {"file": SimpleUploadedFile("a.csv", long)}).status_code == 413
    assert client.post("/tools/sound/", {"file": SimpleUploadedFile("a.wav", long)}).status_code == 422
