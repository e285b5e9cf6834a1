"""Listings and stories: nothing claimed that was not shown, nobody named, hostile words that stay words."""

from __future__ import annotations

import csv
import io
import re
import tracemalloc
import zipfile
from datetime import UTC, date
from functools import cache
from pathlib import Path
from typing import IO, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.book.listing import Listing, ListingError, claims, listing
from refettle.book.models import Job, Owner, TypeVersion, Unit
from refettle.book.personal import words_of
from refettle.book.replay import replay
from refettle.book.story import PIECE, Scene, Story, _clock, captions, markdown, packed, shot_list, story
from refettle.book.turning import turning_points
from refettle.knowledge.compile import CompiledType, compile_type
from refettle.knowledge.loading import load_shipped_type
from tests.book.finished import finished_log
from tests.book.logs import Entry, entry

SHA = "ab" * 32
HOSTILE = "# Title\n\n--> 00:00 <b>&amp;</b> [x](javascript:1) `code` =1+1 \u202e\x07 ![y](z) | a"


@cache
def the_console() -> CompiledType:
    return compile_type(load_shipped_type("corrigan-duo"))


@pytest.fixture(scope="module")
def console() -> CompiledType:
    return the_console()


@pytest.fixture(scope="module")
def radio() -> CompiledType:
    return compile_type(load_shipped_type("wexcombe-table"))


def log_of(*told: dict[str, Any]) -> list[Entry]:
    return [entry(n, e["kind"], n / 60, **{k: v for k, v in e.items() if k != "kind"}) for n, e in enumerate(told, 1)]


def a_job(compiled: CompiledType, owner: str = "", serial: str = "SN-48213") -> Job:
    """Not in any database."""
    kind = Owner.Kind.CUSTOMER if owner else Owner.Kind.OWN_STOCK
    version = TypeVersion(name=compiled.loaded.name)
    unit = Unit(
        type_version=version, serial=serial, label="Box three", owner=Owner(name=owner or "Own stock", kind=kind)
    )
    return Job(number=7, unit=unit)


def listed(compiled: CompiledType, log: list[Entry], owner: str = "", serial: str = "SN-48213") -> Listing:
    job = a_job(compiled, owner, serial)
    words = words_of(owner, "", serial, log)
    return listing(job, replay(compiled, log), log, date(2031, 5, 1), words)


def told(compiled: CompiledType, log: list[Entry], owner: str = "", contact: str = "", there: bool = True) -> Story:
    return story(
        replay(compiled, log),
        7,
        words_of(owner, contact, "SN-48213", log),
        lambda kind, data: (kind, "; ".join(str(v) for k, v in data.items() if k not in ("kind", "note", "photo"))),
        {f"{n:064x}": "jpg" for n in range(300)} | {SHA: "png"} if there else {},
        UTC,
        customer=bool(owner),
    )


# ---------------------------------------------------------------- listing


def test_an_empty_job_is_offered_as_not_tested(console: CompiledType) -> None:
    made = listed(console, [])
    assert made.title == "Corrigan Duo"
    assert made.under == "Corrigan Playthings, made 1987 to 1991"
    sections = {each.heading: each.lines for each in made.sections}
    assert sections["How it stands"] == ("It was not proven in any way. It is offered as not tested.",)
    assert "What works, and how it was shown" not in sections
    assert any(line.startswith("Cartridge starts (front seat cold") for line in sections["Not tested"])
    assert sections["What was done"] == ("No repair is recorded.",)
    assert sections["The adapter it needs"][:5] == (
        "Output: AC", "Volts: 9 V", "Amps: at least 1.2 A", "Polarity: not polarised", "Plug: 5.5 x 2.5 mm barrel",
    )  # fmt: skip
    assert sections["Warranty"] == ("None is promised. The law may give more.",)
    assert "SN-48213" not in made.text
    assert "Box three" not in made.text


def test_what_was_shown_is_said_as_it_was_shown(console: CompiledType) -> None:
    row = "Every button of the first controller"
    made = listed(
        console,
        log_of(
            {"kind": "take-in", "accessories": {"AC adapter": "here", "RF lead": "missing"},
             "condition": {"Case": "worn"}},
            {"kind": "repair", "repair": "slot.clean-slot"},
            {"kind": "trial", "row": row, "condition": "cold", "good": 10},
            {"kind": "trial", "row": "Reset restarts once, lamp steady afterwards", "condition": "cold", "bad": 1},
            {"kind": "cell", "row": "RF picture clear on the marked channel", "condition": "cold", "said": "not tested",
             "why": "No aerial display, owner moved house."},
            {"kind": "warranty", "days": 60, "covers": "the work done", "note": "aged parts"},
        ),
    )  # fmt: skip
    sections = {each.heading: each.lines for each in made.sections}
    assert [line for line in sections["What works, and how it was shown"] if line.startswith(row)]
    assert any("Reset restarts once" in line for line in sections["What fails"])
    assert "It has a fault. For repair, or for parts." in sections["How it stands"]
    assert (
        "RF picture clear on the marked channel, cold: not tested: No aerial display, owner moved house."
        in sections["Not tested"]
    )
    assert "AC adapter" in sections["With it"]
    assert {"Case: worn at take-in, and nothing said since", "RF lead: missing"} <= set(
        sections["Known wear, and what is missing"]
    )
    assert sections["Warranty"] == ("60 days, the work done.", "Not: aged parts.", "The law may give more.")


def test_claims_in_notes_are_left_out_and_told(console: CompiledType) -> None:
    made = listed(
        console,
        log_of(
            {"kind": "take-in", "condition": {"Case, works perfectly": "worn"}},
            {"kind": "repair", "repair": "slot.clean-slot", "note": "Fully tested, works like new."},
            {"kind": "cell", "row": "Runs without a fault", "condition": "at the bench", "said": "not tested",
             "why": "it works anyway"},
            {"kind": "warranty", "days": 30, "covers": "a reliable, tested unit"},
        ),
    )  # fmt: skip
    assert not re.search("like new|anyway|reliable|perfectly", made.text)
    assert len(made.left_out) == 4
    assert any("note of entry 2" in each and "“Fully”" in each for each in made.left_out)
    assert "- Runs without a fault, at the bench: not tested\n" in made.text


@pytest.mark.parametrize(
    "text",
    ["not tested", "It does not work", "never worked", "untested", "no lead", "workshop", "it isn't working",
     "nicht geprüft", "Bild geht nicht", "läuft noch nicht", "funktioniert nicht", "ungeprüft", "nie ganz erprobt"],
)  # fmt: skip
def test_no_claim(text: str) -> None:
    assert claims(text) == ""


@pytest.mark.parametrize(
    "text",
    ["tested", "It WORKS", "no problem, works", "without a doubt perfect", "not only works but shines", "100 % ok",
     "Geht einwandfrei", "voll funktionsfähig", "ist geprüft", "läuft nicht nur", "alles in Ordnung", "wie neu"],
)  # fmt: skip
def test_a_claim(text: str) -> None:
    assert claims(text) != ""


WORDS = st.sampled_from(
    ["works", "tested", "perfect", "fully", "not", "worn", "clean", "the", "lid", "no", ",", "runs"]
)


@settings(max_examples=40, deadline=None)
@given(st.lists(WORDS, max_size=8), st.lists(WORDS, max_size=8))
def test_nothing_that_was_not_shown_is_claimed(one: list[str], other: list[str]) -> None:
    """Whatever the notes say: no trial was made, so that no line of the listing claims anything."""
    console = the_console()
    made = listed(
        console,
        log_of(
            {"kind": "take-in", "condition": {" ".join(["Case", *one])[:200]: "worn"},
             "accessories": {" ".join(["lead", *other])[:200]: "here"}},
            {"kind": "repair", "repair": "slot.clean-slot", "note": " ".join(one)},
            {"kind": "warranty", "days": 30, "covers": " ".join(["all", *other])},
        ),
    )  # fmt: skip
    type_words = {each.name for each in console.loaded.unit_type.acceptance}
    for section in made.sections:
        for line in section.lines:
            if not any(line.startswith(name) for name in type_words) and section.heading != "Take care":
                assert claims(line) == "", line


def test_names_and_serials_stay_in_the_book(radio: CompiledType) -> None:
    note = "Serial WX 1234-77 noted by Mara Lindqvist"
    log = log_of({"kind": "repair", "repair": radio.model.repairs[0].id, "note": note})
    log[0]["who"] = "Mara Lindqvist"
    made = listed(radio, log, serial="WX1234-77")
    assert not re.search("Mara|Lindqvist|1234", made.text)
    assert "Do not connect it to the mains before somebody qualified has looked at it." in made.text
    assert "Take care" in made.text


def test_a_customers_unit_and_one_parted_out_are_refused(console: CompiledType) -> None:
    with pytest.raises(ListingError, match="job 7: a customer's unit found; allowed: own stock"):
        listed(console, [], owner="Ines Aldane")
    with pytest.raises(ListingError, match="parted out found; allowed: one that is still whole"):
        listed(console, log_of({"kind": "stage", "stage": "parted out", "why": "not worth it"}))


# ---------------------------------------------------------------- story


def test_a_story_in_the_order_of_time(console: CompiledType) -> None:
    made = told(
        console,
        log_of(
            {"kind": "take-in", "said": "Dead since June"},
            {"kind": "photo", "photo": f"{1:064x}", "caption": "As it came"},
            {"kind": "quote", "p50": "60", "p90": "90", "ceiling": "95", "currency": "EUR", "scope": {"make work": ""},
             "valid_until": "2031-06-01"},
            {"kind": "note", "text": "Ines Aldane, 0100 555 017, says hello; SN 48213"},
            {"kind": "photo", "photo": f"{1:064x}", "caption": "the same again"},
            {"kind": "photo", "photo": f"{2:064x}"},
        ),
        "Ines Aldane", "0100 555 017",
    )  # fmt: skip
    assert [(s.title, s.photo) for s in made.scenes] == [
        ("take-in", ""), ("Photo", "photos/001.jpg"), ("note", ""), ("Photo", "photos/002.jpg"),
    ]  # fmt: skip
    whole = markdown(made) + shot_list(made) + captions(made)
    assert not re.search("Ines|Aldane|555|48213|EUR", whole)
    assert "owner has agreed" in made.warnings[0]
    assert len(told(console, []).warnings) == 1
    assert "Nothing is written in the log yet." in markdown(told(console, []))
    rows = list(csv.DictReader(io.StringIO(shot_list(made))))
    assert [row["file"] for row in rows] == ["photos/001.jpg", "photos/002.jpg"]
    assert [row["minutes"] for row in rows] == ["1", "5"]
    assert "Dead since June" in rows[0]["before_it"]


def test_hostile_words_stay_words(console: CompiledType) -> None:
    log = log_of(
        {"kind": "note", "text": HOSTILE},
        {"kind": "photo", "photo": SHA, "caption": HOSTILE},
        {"kind": "photo", "photo": f"{3:064x}", "caption": "=HYPERLINK(1)"},
    )
    made = told(console, log)
    text = markdown(made)
    assert text.count("\n# ") == 0
    assert "<b>" not in text.replace("\\<b\\>", "")
    assert "](javascript" not in text.replace("\\](javascript", "")
    assert not re.search("[\u202e\x07]", text + shot_list(made) + captions(made))
    cells = [cell for row in csv.reader(io.StringIO(shot_list(made))) for cell in row]
    assert "'=HYPERLINK(1)" in cells
    assert not any(cell.startswith(("=", "+", "@")) for cell in cells)
    # WebVTT: a cue's words hold no '-->' and no empty line, and only two cues come of two photos.
    blocks = captions(made).strip().split("\n\n")
    assert len(blocks) == 3
    assert all(block.count("-->") == 1 for block in blocks[1:])
    job = listed(console, log_of({"kind": "repair", "repair": "slot.clean-slot", "note": HOSTILE}))
    assert not re.search("[\u202e\x07]", job.text)
    assert "# Title --> 00:00 <b>" in job.text  # plain text, on one line


@given(st.floats(0.0, 80_000.0))
def test_clock_of_captions(seconds: float) -> None:
    """hh:mm:ss.ttt of WebVTT, back to seconds."""
    hours, minutes, rest = _clock(seconds).split(":")
    assert re.fullmatch(r"\d\d\.\d\d\d", rest)
    assert int(hours) * 3600 + int(minutes) * 60 + float(rest) == pytest.approx(seconds, abs=0.0006)


def test_photos_that_are_missing_are_told(console: CompiledType) -> None:
    made = told(console, log_of({"kind": "photo", "photo": SHA}), there=False)
    assert made.missing == (1,)
    assert not made.shots
    assert "entries 1." in made.warnings[-1]


def test_the_archive_holds_no_photo_in_memory(console: CompiledType, tmp_path: Path) -> None:
    size, photos = 3_000_000, 200
    log = log_of(*({"kind": "photo", "photo": f"{n:064x}", "caption": f"shot {n}"} for n in range(photos)))
    made = told(console, log)
    assert len(made.shots) == photos
    kept = tmp_path / "photo"
    kept.write_bytes(bytes(range(256)) * (size // 256))

    def opened(sha256: str) -> IO[bytes]:
        if sha256 == f"{5:064x}":
            raise FileNotFoundError
        return kept.open("rb")

    tracemalloc.start()
    written, most = 0, 0
    path = tmp_path / "story.zip"
    with path.open("wb") as file:
        for piece in packed(made, opened):
            most = max(most, len(piece))
            written += file.write(piece)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert written > (photos - 1) * (size - 256)
    assert most < 2 * PIECE
    assert peak < 10_000_000
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None
        names = archive.namelist()
        assert names[:4] == [f"job-7-story/{n}" for n in ("story.md", "shots.csv", "captions.vtt", "photos/001.jpg")]
        assert len(names) == 3 + photos - 1
        assert archive.read("job-7-story/photos/200.jpg") == kept.read_bytes()


# ---------------------------------------------------------------- turning points


def test_the_check_that_decided_and_the_repair_that_cured(console: CompiledType) -> None:
    """A simulated unit with one bad block, repaired by the advice: the last turn before the end is its repair."""
    log, at_fault = finished_log(console, 1)
    assert at_fault == {"ram"}
    turns = turning_points(replay(console, log))
    repair = next(e["n"] for e in log if e["kind"] == "repair")
    assert turns[repair] == "All that failed was seen good after this."
    decided = next(n for n, words in turns.items() if words.startswith("This decided"))
    assert decided < repair
    assert "Work and picture memory" in turns[decided]
    assert turns == {n: turns[n] for n in (decided, repair)}


def test_a_repair_that_did_not_cure(console: CompiledType) -> None:
    log = log_of(
        {"kind": "check", "check": "picture", "outcome": "no picture"},
        {"kind": "repair", "repair": "slot.clean-slot"},
        {"kind": "check", "check": "picture", "outcome": "no picture"},
    )
    assert turning_points(replay(console, log))[2] == "It still failed after this."
    assert turning_points(replay(console, [])) == {}


def test_shots_and_turns_of_a_story() -> None:
    from datetime import datetime

    at = datetime(2031, 3, 2, 10, tzinfo=UTC)
    scenes = (Scene(1, at, "Check", "x", turning="This decided."), Scene(2, at, "Photo", "", photo="photos/001.jpg"))
    made = Story(1, "Type", scenes, ())
    assert "00:00:00.000 --> 00:00:10.000\nThis decided." in captions(made)
