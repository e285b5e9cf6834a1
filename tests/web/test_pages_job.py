"""The job page, corrections, the log as a file, first power-on."""

from __future__ import annotations

import json
from io import BytesIO
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from refettle.book import store
from refettle.book.log import read_jsonl
from refettle.book.power import power_cautions
from refettle.knowledge.errors import KnowledgeError, Mistake
from tests.web.pages import CONSOLE, HANDHELD, HOME_COMPUTER, a_job, get, logged, text_of

pytestmark = pytest.mark.django_db


def test_it_works(client: Client) -> None:
    job = a_job(owner="Ines Vale", entries=[{"kind": "note", "text": "came in a box"}])
    page = text_of(get(client, f"/jobs/{job.number}/"))
    for words in ("Ines Vale", "came in a box", "Stands open", "No photo yet", "Next"):
        assert words in page


@pytest.mark.parametrize(
    ("form", "entry"),
    [
        ({"action": "note", "text": " two lines "}, {"kind": "note", "text": "two lines"}),
        (
            {"action": "time", "minutes": "12.5", "what": "waiting"},
            {"kind": "time", "minutes": 12.5, "what": "waiting"},
        ),
        ({"action": "gear", "gear": "meter", "outcome": "good"}, {"kind": "gear", "gear": "meter", "outcome": "good"}),
        ({"action": "access", "level": "open"}, {"kind": "access", "level": "open"}),
        (
            {"action": "stage", "stage": "waiting", "waits_for": "parts"},
            {"kind": "stage", "stage": "waiting", "waits_for": "parts"},
        ),
    ],
)
def test_it_writes(client: Client, form: dict[str, str], entry: dict[str, Any]) -> None:
    job = a_job()
    assert client.post(f"/jobs/{job.number}/", form).status_code == 302
    assert logged(job) == [entry]
    get(client, f"/jobs/{job.number}/")


@pytest.mark.parametrize(
    ("form", "says"),
    [
        ({"action": "note", "text": "  "}, "note text: '' found"),
        ({"action": "time", "minutes": "long", "what": "kept words"}, "Minutes: 'long' found"),
        ({"action": "time"}, "minutes: nothing found"),
        ({"action": "gear", "gear": "spoon", "outcome": "good"}, "'spoon' found; allowed:"),
        ({"action": "stage", "stage": "on the moon"}, "'on the moon' found; allowed:"),
        ({"action": "photo"}, "photo: no file found"),
        ({}, "action: '' found"),
    ],
)
def test_it_refuses(client: Client, form: dict[str, str], says: str) -> None:
    job = a_job()
    response = client.post(f"/jobs/{job.number}/", form)
    assert response.status_code == 422
    page = response.content.decode()
    assert says in text_of(page)
    assert logged(job) == []
    if "what" in form:
        assert 'value="kept words"' in page


def test_the_count_can_be_made_up_for(client: Client) -> None:
    job = a_job()
    page = get(client, f"/jobs/{job.number}/")
    assert "What came with it has not been counted" in page
    form = {"action": "count", "name-0": "pads", "accessory-0": "here", "name-1": "manual", "accessory-1": "missing"}
    client.post(f"/jobs/{job.number}/", form)
    assert logged(job) == [{"kind": "take-in", "accessories": {"pads": "here", "manual": "missing"}}]
    assert "has not been counted" not in get(client, f"/jobs/{job.number}/")


def test_photos_are_kept(client: Client) -> None:
    job = a_job()
    file = BytesIO()
    Image.new("RGB", (40, 30), "grey").save(file, "JPEG")
    photo = SimpleUploadedFile("a.jpg", file.getvalue())
    response = client.post(f"/jobs/{job.number}/", {"action": "photo", "photo": photo, "caption": "underside"})
    assert response.status_code == 302
    assert logged(job)[0]["caption"] == "underside"
    assert "underside" in get(client, f"/jobs/{job.number}/")


def test_what_is_no_photo_is_refused(client: Client) -> None:
    job = a_job()
    file = SimpleUploadedFile("a.jpg", b"just words")
    response = client.post(f"/jobs/{job.number}/", {"action": "photo", "photo": file})
    assert response.status_code == 422
    assert "The photo cannot be taken: found a text file" in text_of(response.content.decode())


def test_one_bad_file_among_photos_is_named_and_the_good_ones_are_kept(client: Client) -> None:
    job = a_job()
    file = BytesIO()
    Image.new("RGB", (40, 30), "grey").save(file, "JPEG")
    both = [SimpleUploadedFile("good.jpg", file.getvalue()), SimpleUploadedFile("words.jpg", b"just words")]
    response = client.post(f"/jobs/{job.number}/", {"action": "photo", "photo": both}, follow=True)
    page = text_of(response.content.decode())
    assert "1 photo kept." in page
    assert "1 not kept. words.jpg: " in page
    assert [entry["kind"] for entry in logged(job)] == ["photo"]


def test_a_correction_stands_beside_the_entry(client: Client) -> None:
    job = a_job(entries=[{"kind": "check", "check": "picture", "outcome": "garbled"}])
    address = f"/jobs/{job.number}/log/1/"
    assert "What was found" in get(client, address)
    form = {"action": "replace", "f-outcome": "no picture", "why": "looked again", "back": "faults"}
    response = client.post(address, form)
    assert response.url == f"/jobs/{job.number}/faults/"  # type: ignore[attr-defined]
    assert logged(job)[1] == {
        "kind": "correction",
        "corrects": 1,
        "with": {"kind": "check", "check": "picture", "outcome": "no picture"},
        "why": "looked again",
    }
    page = get(client, f"/jobs/{job.number}/")
    assert "<s>Composite picture: garbled</s>" in page or "<s>" in page
    assert "corrected by entry 2" in page


def test_taking_back(client: Client) -> None:
    job = a_job(entries=[{"kind": "note", "text": "wrong job"}])
    client.post(f"/jobs/{job.number}/log/1/", {"action": "void"})
    assert logged(job)[1] == {"kind": "correction", "corrects": 1, "with": None}
    assert "Takes back entry 1" in get(client, f"/jobs/{job.number}/")


def test_a_bad_correction_keeps_what_was_typed(client: Client) -> None:
    job = a_job(entries=[{"kind": "time", "minutes": 5}])
    response = client.post(
        f"/jobs/{job.number}/log/1/", {"action": "replace", "f-minutes": "ages", "f-what": "thinking"}
    )
    page = response.content.decode()
    assert response.status_code == 422
    assert "Minutes: 'ages' found" in text_of(page)
    assert 'value="thinking"' in page


ENTRIES = [
    {"kind": "take-in", "said": "hums", "condition": {"case": "worn"}, "accessories": {"manual": "missing"}},
    {"kind": "complaint", "point": "picture", "outcome": "no picture"},
    {"kind": "saved", "what": "scores", "how": "nothing to save"},
    {"kind": "caution", "caution": "mains"},
    {"kind": "first-power", "adapter": {"plug": "matches"}, "rails_ohm": {"rail5": 150}, "limit_amps": 0.5},
    {"kind": "gear", "gear": "meter", "outcome": "good"},
    {"kind": "check", "check": "picture", "counts": {"good": 3, "garbled": 1}, "value": "4.9 V"},
    {"kind": "access", "level": "open"},
    {"kind": "note", "text": "n"},
    {"kind": "time", "minutes": 3},
    {"kind": "stage", "stage": "waiting", "waits_for": "parts"},
]


@pytest.mark.parametrize("n", range(1, len(ENTRIES) + 1))
def test_every_kind_of_entry_can_be_put_right(client: Client, n: int) -> None:
    job = a_job(entries=ENTRIES)
    page = get(client, f"/jobs/{job.number}/log/{n}/")
    import re

    form: dict[str, str] = {"action": "replace", "why": "tried"}
    form.update(re.findall(r'<input id="f-[a-z_]+" name="(f-[a-z_]+)" value="([^"]*)"', page))
    form.update(re.findall(r'<textarea id="f-[a-z_]+" name="(f-[a-z_]+)"[^>]*>([^<]*)', page))
    for name, options in re.findall(r'<select id="f-[a-z_]+" name="(f-[a-z_]+)">(.*?)</select>', page, re.S):
        form[name] = (re.findall(r'value="([^"]*)" selected', options) or [""])[0]
    assert client.post(f"/jobs/{job.number}/log/{n}/", form).status_code == 302
    assert logged(job)[-1]["with"] == logged(job)[n - 1]


def test_no_such_entry(client: Client) -> None:
    job = a_job(entries=[{"kind": "note", "text": "n"}])
    client.post(f"/jobs/{job.number}/log/1/", {"action": "void"})
    assert "has no entry 9" in text_of(get(client, f"/jobs/{job.number}/log/9/", 404))
    assert "is a correction" in text_of(get(client, f"/jobs/{job.number}/log/2/", 404))


def test_the_log_as_a_file(client: Client) -> None:
    job = a_job(entries=ENTRIES)
    response = client.get(f"/jobs/{job.number}/log.jsonl")
    text = response.content.decode()
    assert read_jsonl(text) == store.entries(job)
    assert json.loads(text.splitlines()[0])["said"] == "hums"


def test_a_type_that_no_longer_fits_bars_no_writing(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    job = a_job(entries=ENTRIES)
    mistake = Mistake("corrigan-duo.yaml", 7, "blocks", "'gone'", "a block kind")

    def fail(*_: object) -> None:
        raise KnowledgeError([mistake])

    monkeypatch.setattr(store, "compiled_type", fail)
    page = text_of(get(client, f"/jobs/{job.number}/"))
    assert "The log no longer fits the unit type" in page
    assert "corrigan-duo.yaml:7" in page
    assert client.post(f"/jobs/{job.number}/", {"action": "note", "text": "still here"}).status_code == 302
    assert logged(job)[-1] == {"kind": "note", "text": "still here"}
    assert "corrigan-duo.yaml:7" in text_of(get(client, f"/jobs/{job.number}/faults/", 404))
    get(client, f"/jobs/{job.number}/log/7/")
    assert "Put the log right" in get(client, f"/jobs/{job.number}/next/")


# ---------------------------------------------------------------- first power-on


def power_form(job_slug: str) -> dict[str, str]:
    from refettle.knowledge.loading import load_shipped_type

    unit = load_shipped_type(job_slug).unit_type
    form = {"action": "measure", "limit_amps": "0.5"}
    if unit.adapter:
        form |= {f"adapter-{fact}": "matches" for fact in ("output", "volts", "amps", "polarity", "plug")}
    return form | {f"rail-{key}": str(rail.to_ground_ohm or 500) for key, rail in unit.power_on.rails.items()}


@pytest.mark.parametrize("slug", [CONSOLE, HANDHELD, HOME_COMPUTER])
def test_the_power_gate_opens(client: Client, slug: str) -> None:
    job = a_job(slug)
    address = f"/jobs/{job.number}/power-on/"
    assert "A unit of unknown history" in get(client, address)
    assert client.post(address, power_form(slug)).status_code == 302
    page = text_of(get(client, address))
    assert "Still to read: First switch-on" in page
    assert "The gate is open" not in page
    for caution in power_cautions(store.job_state(job).compiled):
        client.post(address, {"action": "caution", "caution": caution})
    assert "The gate is open" in get(client, address)
    assert "first-power" in store.job_state(job).gates_open


def test_the_power_gate_says_what_keeps_it_shut(client: Client) -> None:
    job = a_job(CONSOLE)
    address = f"/jobs/{job.number}/power-on/"
    form = power_form(CONSOLE) | {"adapter-polarity": "does not match", "limit_amps": ""}
    client.post(address, form)
    page = text_of(get(client, address))
    assert "polarity does not match" in page
    assert "No current limit is set" in page
    assert "first-power" not in store.job_state(job).gates_open


def test_the_power_page_takes_kilohm(client: Client) -> None:
    job = a_job(CONSOLE)
    form = power_form(CONSOLE)
    rail = next(k for k in form if k.startswith("rail-"))
    client.post(f"/jobs/{job.number}/power-on/", form | {rail: "1,5", f"{rail}-unit": "k"})
    assert logged(job)[0]["rails_ohm"][rail.removeprefix("rail-")] == 1500


def test_the_power_page_takes_a_prefix_in_the_figure(client: Client) -> None:
    job = a_job(CONSOLE)
    form = power_form(CONSOLE)
    rail = next(k for k in form if k.startswith("rail-"))
    client.post(f"/jobs/{job.number}/power-on/", form | {rail: "1k5"})
    assert logged(job)[0]["rails_ohm"][rail.removeprefix("rail-")] == 1500
    response = client.post(f"/jobs/{job.number}/power-on/", form | {rail: "1k5", f"{rail}-unit": "k"})
    assert "allowed: the unit once" in text_of(response.content.decode())


def test_the_power_page_keeps_what_was_typed(client: Client) -> None:
    job = a_job(CONSOLE)
    form = power_form(CONSOLE)
    rail = next(k for k in form if k.startswith("rail-"))
    response = client.post(f"/jobs/{job.number}/power-on/", form | {rail: "lots", "limiter": "a bulb"})
    page = response.content.decode()
    assert response.status_code == 422
    assert "to ground: 'lots' found" in text_of(page)
    assert 'value="lots"' in page
    assert 'value="a bulb"' in page
    assert logged(job) == []
