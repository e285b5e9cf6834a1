"""Log entries as lines of text: nothing is lost on the way, what cannot be is named, corrections apply."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from refettle.book.log import (
    ENTRY_KINDS,
    FOR_GOOD,
    MAX_LINE,
    LogError,
    check_correction,
    check_entry,
    effective,
    read_jsonl,
    write_jsonl,
)
from tests.book.logs import entry

# ---------------------------------------------------------------- every kind, there and back

letters = st.characters(exclude_categories=["Cs"], exclude_characters="\0")  # what every database keeps
short = st.text(letters, min_size=1, max_size=30)
text = st.text(letters, max_size=60)
told = st.text(letters, min_size=3, max_size=60).map(str.strip).filter(lambda words: len(words) >= 3)
minutes = st.floats(0, 100_000) | st.integers(0, 100_000).map(float)
outcomes = st.dictionaries(short, st.integers(0, 100_000), max_size=3)


def fields(needed: dict[str, Any], optional: dict[str, Any] | None = None) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries(needed, optional=optional or {})


def one_result() -> st.SearchStrategy[dict[str, Any]]:
    counted = outcomes.filter(lambda found: any(found.values()))
    graded = st.dictionaries(short, st.floats(0, 1e300), max_size=3).filter(lambda found: any(found.values()))
    return st.one_of(fields({"outcome": short}), fields({"counts": counted}), fields({"likelihood": graded}))


def both(*parts: st.SearchStrategy[dict[str, Any]]) -> st.SearchStrategy[dict[str, Any]]:
    return st.tuples(*parts).map(lambda found: {key: value for part in found for key, value in part.items()})


def chosen(*words: str) -> st.SearchStrategy[str]:
    return st.sampled_from(words)


digest = st.text("0123456789abcdef", min_size=64, max_size=64)
minus = chosen("up", "down", "left", "right", "not polarised")
share = st.floats(0, 1)
count = st.integers(1, 500)
part = st.text("ABCu0123456789-", min_size=1, max_size=20)
refs = st.lists(short, max_size=4)
how = chosen("read out twice, both the same", "owner waives in writing", "nothing to save")
amount = st.integers(0, 10**9).map(lambda cents: f"{cents / 100:.2f}")
currency = chosen("EUR", "NOK")
day = st.dates().map(lambda found: found.isoformat())
CONTENT: dict[str, st.SearchStrategy[dict[str, Any]]] = {
    "take-in": fields(
        {},
        {
            "said": text,
            "condition": st.dictionaries(short, chosen("sound", "worn", "damaged", "missing"), max_size=2),
            "accessories": st.dictionaries(short, chosen("here", "missing", "not looked at"), max_size=2),
            "rattle": chosen("none", "rattles", "not tried"),
            "smell": text,
            "note": text,
        },
    ),
    "complaint": fields({"point": short, "outcome": short}),
    "saved": fields({"what": short, "how": how}, {"note": text}),
    "caution": fields({"caution": short}),
    "first-power": fields(
        {},
        {
            "adapter": st.dictionaries(
                chosen("output", "volts", "amps", "polarity", "plug"), chosen("matches", "does not match")
            ),
            "rails_ohm": st.dictionaries(short, st.floats(0, 1e9), max_size=3),
            "limit_amps": st.none() | st.floats(0, 100, exclude_min=True),
            "limiter": text,
            "note": text,
        },
    ),
    "proof": fields({"repair": short, "text": told}),
    "consent": fields({"repair": short, "text": told}),
    "gear": fields({"gear": short, "outcome": chosen("good", "bad")}, {"note": text}),
    "check": both(
        fields({"check": short}, {"value": text, "run": chosen("same", "new"), "minutes": minutes, "note": text}),
        one_result(),
    ),
    "reading": fields(
        {"method": chosen("ripple", "sound"), "place": short, "file": digest, "name": short, "version": short},
        {
            "options": st.dictionaries(short, text, max_size=2),
            "figures": st.dictionaries(short, text, max_size=2),
            "decides": st.dictionaries(
                short, st.dictionaries(short, st.floats(0.001, 1e300), min_size=1, max_size=2), max_size=2
            ),
            "run": chosen("same", "new"),
            "minutes": minutes,
            "note": text,
        },
    ),
    "repair": fields({"repair": short}, {"parts": st.floats(0, 1e9), "minutes": minutes, "note": text}),
    "access": fields({"level": chosen("closed", "open", "board")}),
    "note": fields({"text": st.text(letters, min_size=1, max_size=60)}),
    "photo": fields({"photo": digest}, {"caption": text}),
    "time": fields({"minutes": st.floats(0, 100_000, exclude_min=True)}, {"what": text}),
    "stage": fields(
        {"stage": chosen("take-in", "waiting", "proving", "handed over")}, {"waits_for": text, "why": text}
    ),
    "board": fields({"file": digest, "name": short}, {"netlist": digest}),
    "capacitor": fields(
        {"ref": short, "value": short},
        {"side": chosen("front", "back"), "minus": minus, "photo": digest, "x": share, "y": share, "note": text},
    ),
    "part-out": fields(
        {"ref": short, "value": short, "fitted": minus, "printed": minus, "by_net": minus},
        {"resolved": text, "minus": minus, "others_out": text, "note": text},
    ),
    "part-in": fields(
        {"ref": short, "value": short, "minus": minus}, {"why": text, "price": st.floats(0, 1e6), "note": text}
    ),
    "part-wanted": fields(
        {"what": short}, {"count": count, "refs": refs, "by": day, "part": part, "repair": short, "why": text}
    ),
    "part-taken": fields(
        {"part": part, "lot": st.integers(1, 10**6), "count": count},
        {"refs": refs, "wanted": st.integers(1, 10**6), "repair": short, "note": text},
    ),
    "part-returned": fields(
        {"taken": st.integers(1, 10**6), "count": count, "why": told}, {"into": chosen("stock", "quarantine")}
    ),
    "part-let-go": fields({"wanted": st.integers(1, 10**6), "why": told}),
    "kit-used": fields({"kit": part}, {"refs": refs, "price": st.floats(0, 1e6), "repair": short, "note": text}),
    "trial": fields(
        {"row": short, "condition": short},
        {"note": text, "bad": st.integers(0, 10_000), "good": st.integers(1, 10_000)},
    ).filter(lambda found: found.get("good", 0) + found.get("bad", 0) > 0),
    "cell": fields(
        {"row": short, "condition": short, "said": chosen("not tested", "not present", "not applicable"), "why": told}
    ),
    "want": fields({"row": short, "condition": short, "trials": st.integers(1, 10_000), "why": told}),
    "soak": fields({"row": short, "condition": short}, {"note": text}).flatmap(
        lambda found: st.one_of(
            st.floats(0.1, 100_000).map(lambda m: found | {"what": "started", "minutes": m}),
            chosen("good", "bad").map(lambda o: found | {"what": "ended", "outcome": o}),
        )
    ),
    "came-over": fields(
        {
            "bench": st.text("0123456789abcdef", min_size=8, max_size=64),
            "job": st.integers(1, 10**6),
            "entries": st.integers(0, 100_000),
            "log": st.text("0123456789abcdef", min_size=64, max_size=64),
        },
        {"owner": chosen("as there", "left out"), "note": text},
    ),
    "experience": fields(
        {"factors": st.dictionaries(short, st.floats(0.001, 1000), max_size=3), "jobs": st.integers(0, 100_000_000)}
    ),
    "safety": st.one_of(
        fields({"what": st.just("referred"), "by": told}, {"note": text}),
        fields(
            {
                "what": st.just("tested"),
                "by": told,
                "measured": st.dictionaries(short, text, min_size=1, max_size=2),
                "instrument": told,
                "result": chosen("passed", "failed"),
            },
            {"note": text},
        ),
    ),
    "off": fields(
        {"item": short, "what": chosen("screw", "clip", "shield", "other")},
        {
            "count": count,
            "length_mm": st.floats(0, 500, exclude_min=True),
            "drive": text,
            "tray": text,
            "place": text,
            "photo": digest,
            "note": text,
        },
    ),
    "back": fields({"item": short}, {"count": count, "note": text}),
    "left-off": fields({"item": short, "why": told}),
    "go-ahead": fields(
        {"step": short, "what": told},
        {
            "shown": st.dictionaries(short, told, max_size=2),
            "photos": st.dictionaries(short, digest, max_size=2),
            "consent": text,
            "note": text,
        },
    ),
    "one-way": both(
        fields({"step": short, "what": told}, {"note": text}),
        st.one_of(fields({"go_ahead": st.integers(1, 10**6)}), fields({"without": told})),
    ),
}
figure = fields({}, {"yi": st.floats(-300, 500), "above": st.floats(-300, 500), "remaining": st.floats(-10, 10)})
point = st.lists(st.floats(0, 1), min_size=2, max_size=2)
CONTENT |= {
    "yellow": short.flatmap(
        lambda part: fields(
            {
                "photo": digest,
                "regions": st.fixed_dictionaries({part: st.lists(point, min_size=3, max_size=5)}),
                "figures": st.fixed_dictionaries({part: figure}),
                "version": short,
            },
            {"frame": chosen("card", "photo"), "taken": chosen("phone", "rig", "locked"), "note": text},
        )
    ),
    "bath-in": both(
        fields(
            {"batch": short, "parts": st.lists(short, min_size=1, max_size=3, unique=True)},
            {
                "lamp": text,
                "mw_cm2": st.floats(0, 1000, exclude_min=True),
                "turn_every": st.floats(1, 100_000),
                "gates": st.lists(short, max_size=3),
                "note": text,
            },
        ),
        st.one_of(fields({"go_ahead": st.integers(1, 10**6)}), fields({"without": told})),
        st.one_of(
            fields({"percent": st.floats(0.1, 100), "litres": st.floats(0.1, 500)}),
            fields({"method": st.just("cream"), "percent": st.floats(0.1, 100)}),
            fields({"method": chosen("light only", "sun")}),
        ),
    ),
    "turned": fields({"batch": short}, {"note": text}),
    "bath-out": fields(
        {"batch": short},
        {"parts": st.lists(short, max_size=3), "why": chosen("to look", "done", "given up"), "note": text},
    ),
    "timer": st.one_of(
        fields({"do": chosen("start")}, {"what": text}),
        fields({"do": chosen("stop")}, {"what": text, "minutes": minutes}),
    ),
    "outgoing": fields(
        {"what": short, "amount": amount, "currency": currency},
        {"sort": chosen("parts", "post", "fee", "other"), "note": text},
    ),
    "quote": both(
        st.lists(st.integers(0, 10**8), min_size=3, max_size=3).map(
            lambda found: {k: f"{v / 100:.2f}" for k, v in zip(("p50", "p90", "ceiling"), sorted(found), strict=True)}
        ),
        fields(
            {
                "currency": currency,
                "scope": st.dictionaries(chosen("make safe", "make work", "cosmetic"), text, min_size=1),
                "valid_until": day,
            },
            {"options": st.dictionaries(short, text, max_size=2), "note": text},
        ),
    ),
    "answer": fields(
        {"answer": chosen("accepts", "declines", "asks"), "words": told, "quote": st.integers(1, 10**6)},
        {"ceiling": amount, "to": chosen("quote", "parting out")},
    ),
    "values": fields(
        {"currency": currency},
        {
            **dict.fromkeys(("bought", "working", "as_is", "for_parts", "sold", "post"), amount),
            "fee_percent": st.floats(0, 100),
        },
    ),
    "warranty": fields({"days": st.integers(1, 3650), "covers": told}, {"starts": day, "note": text}),
    "returned": fields({"why": told}, {"job": st.integers(1, 10**6)}),
}
offsets = st.integers(-14 * 60, 14 * 60).map(lambda m: timezone(timedelta(minutes=m)))
times = st.datetimes(datetime(1990, 1, 1), datetime(2090, 1, 1), timezones=offsets)


@st.composite
def logs(draw: st.DrawFn, kind: str) -> list[dict[str, Any]]:
    """Entries of one kind, numbers with gaps, then corrections of some by others."""
    out: list[dict[str, Any]] = []
    n = 0
    for _ in range(draw(st.integers(1, 3))):
        n += draw(st.integers(1, 4))
        head = {"n": n, "at": draw(times).isoformat(), "who": draw(text)}
        out.append({**head, "kind": kind, **draw(CONTENT[kind])})
    targets = [e["n"] for e in out if kind not in FOR_GOOD] or [0]
    for target in draw(st.lists(st.sampled_from(targets), max_size=2 if targets != [0] else 0)):
        n += 1
        new = draw(st.sampled_from(sorted(set(CONTENT) - set(FOR_GOOD))))
        replacement = draw(st.none() | CONTENT[new].map(lambda found, new=new: {"kind": new, **found}))  # type: ignore[misc]
        head = {"n": n, "at": draw(times).isoformat(), "who": draw(text), "kind": "correction"}
        out.append({**head, "corrects": target, "with": replacement, "why": draw(text)})
    return out


def same(written: dict[str, Any], read: dict[str, Any]) -> bool:
    """Whether all that was written is there; what is not there was the default."""
    model = ENTRY_KINDS[written["kind"]]
    for key, value in written.items():
        if key == "with" and value is not None:
            if not same(value, read[key]):
                return False
        elif key in read:
            if read[key] != value:
                return False
        elif model.model_fields[key].default != value:
            return False
    return True


def test_every_kind_is_tried() -> None:
    assert {*CONTENT, "correction"} == set(ENTRY_KINDS)


@pytest.mark.parametrize("kind", sorted(CONTENT))
@given(data=st.data())
@settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
def test_there_and_back(kind: str, data: st.DataObject) -> None:
    written = data.draw(logs(kind))
    read = read_jsonl(write_jsonl(written))
    assert len(read) == len(written)
    assert all(same(a, b) for a, b in zip(written, read, strict=True))
    assert read_jsonl(write_jsonl(read)) == read  # once read, the same for ever
    assert [e.n for e in effective(read)] == [e["n"] for e in read if e["kind"] != "correction"]


def test_what_is_left_out_is_filled_in() -> None:
    read = read_jsonl('\n{"kind": "note", "text": "a"}\n\r\n{"kind": "note", "text": "b\\u2028c", "n": 5}\n')
    assert [(e["n"], e["who"], e["at"]) for e in read] == [
        (1, "", "1970-01-01T00:00:00+00:00"),
        (5, "", "1970-01-01T00:00:00+00:00"),
    ]
    assert read_jsonl(write_jsonl(read)) == read
    assert read_jsonl("") == []
    naive = read_jsonl('{"kind": "note", "text": "a", "at": "2031-03-02T10:00:00"}')
    assert naive[0]["at"] == "2031-03-02T10:00:00+00:00"


# ---------------------------------------------------------------- lines that cannot be

NOTE = '{"kind": "note", "text": "a"}\n'


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('{"kind": "note", "text": "abc', r"no JSON object \(the line looks cut off\)"),
        ('{"kind": "check", "check": "picture", "counts": {"good": 3', "looks cut off"),
        ("hum", "no JSON object: "),
        ('["note"]', "list found; allowed: an object"),
        ('{"text": "a"}', "kind None found; allowed: take-in, complaint, "),
        ('{"kind": "Note", "text": "a"}', "kind 'Note' found; allowed: take-in, "),
        ('{"kind": ["note"]}', "allowed: take-in, "),
        ('{"kind": "note"}', "note text: nothing found"),
        ('{"kind": "note", "text": "a", "txet": 1}', "the unknown field 'txet' found; allowed: one of text"),
        ('{"kind": "time", "minutes": NaN}', "NaN is no number here"),
        ('{"kind": "time", "minutes": Infinity}', "Infinity is no number here"),
        ('{"kind": "time", "minutes": 1e999}', "time minutes: inf found; allowed: a finite number"),
        ('{"kind": "time", "minutes": true}', "time minutes: True found; allowed: a finite number"),
        ('{"kind": "time", "minutes": 0}', "time minutes: 0 found; allowed: above 0"),
        ('{"kind": "repair", "repair": "a", "parts": -1}', "repair parts: -1 found; allowed: at least"),
        ('{"kind": "check", "check": "a"}', "exactly one of outcome, counts, likelihood"),
        ('{"kind": "check", "check": "a", "outcome": "b", "counts": {"b": 1}}', "exactly one of"),
        ('{"kind": "check", "check": "a", "counts": {"b": 0}}', "at least one trial"),
        ('{"kind": "check", "check": "a", "counts": {"b": 1.5}}', r"check counts\.b: 1\.5 found"),
        ('{"kind": "check", "check": "a", "counts": {"b": -1}}', r"check counts\.b: -1 found"),
        ('{"kind": "check", "check": "a", "likelihood": {"b": 0}}', "at least one value above 0"),
        ('{"kind": "check", "check": "a", "likelihood": {"b": 1e999}}', "a finite number"),
        ('{"kind": "first-power", "adapter": {"colour": "matches"}}', "'output', 'volts', 'amps', "),
        ('{"kind": "first-power", "rails_ohm": {"r": -1}}', r"rails_ohm\.r: -1 found; allowed: at least"),
        ('{"kind": "photo", "photo": "holiday.jpg"}', "photo photo: 'holiday.jpg' found"),
        ('{"kind": "proof", "repair": "a", "text": "ok"}', "proof text: 'ok' found; allowed: .*at least 3"),
        ('{"kind": "note", "text": "\\ud800"}', "note text: .* found"),
        ('{"n": 1, "kind": "note", "text": "a"}', "n: 1 found after 1; allowed: rising numbers"),
        ('{"n": 0, "kind": "note", "text": "a"}', "n: 0 found; allowed: a whole number from 1"),
        ('{"n": true, "kind": "note", "text": "a"}', "n: True found"),
        ('{"n": 2.0, "kind": "note", "text": "a"}', r"n: 2\.0 found"),
        ('{"at": "yesterday", "kind": "note", "text": "a"}', "at: 'yesterday' found; allowed: a time such as"),
        ('{"at": null, "kind": "note", "text": "a"}', "at: None found"),
        ('{"who": 7, "kind": "note", "text": "a"}', "who: no name found"),
        ('{"kind": "correction", "corrects": 0}', "correction corrects: 0 found"),
        ('{"kind": "correction", "corrects": 2}', "corrects: 2 found; allowed: the number of an earlier entry"),
        ('{"kind": "correction", "corrects": 9}', "corrects: 9 found; allowed: the number of an earlier entry"),
        ('{"kind": "correction", "corrects": 1, "with": {"kind": "note"}}', "note text: nothing found"),
        ('{"kind": "correction", "corrects": 1, "with": {"kind": "note", "text": "b", "n": 4}}', "unknown field 'n'"),
        (
            '{"kind": "correction", "corrects": 1, "with": {"kind": "correction", "corrects": 1}}',
            "a correction with a correction found",
        ),
        ("[" * 60_000, "no JSON object"),
        ('{"a":' * 30_000, "looks cut off"),
        ('{"kind": "note", "text": "' + "a" * MAX_LINE + '"}', r"200,028 characters found; allowed: at most 200,000"),
    ],
)
def test_a_bad_line_is_named(line: str, says: str) -> None:
    with pytest.raises(LogError, match=rf"^line 2: .*{says}") as caught:
        read_jsonl(NOTE + line + "\n" + NOTE)
    assert caught.value.line == 2 or str(caught.value).startswith("line 2: ")


def test_an_entry_that_is_no_object() -> None:
    with pytest.raises(LogError, match="list found; allowed: an object with 'kind'"):
        check_entry([1])  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "line",
    [
        '{"kind": "repair", "repair": "a", "parts": "inf"}',
        '{"kind": "check", "check": "a", "likelihood": {"good": "1e999"}}',
    ],
)
def test_a_number_without_end_written_as_a_word(line: str) -> None:
    with pytest.raises(LogError, match="a finite number"):
        read_jsonl(line)


def test_a_doubled_field_is_not_dropped_in_silence() -> None:
    with pytest.raises(LogError, match="text"):
        read_jsonl('{"kind": "note", "text": "a", "text": "b"}')


def test_half_a_letter_in_a_name() -> None:
    with pytest.raises(LogError, match="who"):
        read_jsonl('{"kind": "note", "text": "a", "who": "\\ud800"}')


@pytest.mark.parametrize("kind", ["proof", "consent"])
def test_blanks_are_no_proof_and_no_consent(kind: str) -> None:
    with pytest.raises(LogError, match="text"):
        read_jsonl(json.dumps({"kind": kind, "repair": "a", "text": "   "}))


@pytest.mark.parametrize(
    ("line", "field"),
    [
        ('{"kind": "note", "text": "a", "who": "A\\u0000"}', "who"),
        ('{"kind": "note", "text": "a", "at": "0001-01-01T00:00:00+14:00"}', "at"),
        ('{"kind": "note", "text": "a", "at": "9999-12-31T23:59:59-14:00"}', "at"),
        ('{"kind": "note", "text": "a", "at": "9999-12-31T23:30:00+00:00"}', "at"),
    ],
)
def test_what_no_database_keeps(line: str, field: str) -> None:
    """PostgreSQL has no U+0000 in a column of text; a time is kept in UTC and shown in any zone."""
    with pytest.raises(LogError, match=field) as raised:
        read_jsonl(NOTE + line)
    assert raised.value.field == field


# ---------------------------------------------------------------- corrections


def test_the_last_correction_wins_and_the_entry_keeps_its_place_and_time() -> None:
    log = [
        entry(1, "check", 0, check="picture", outcome="good"),
        entry(2, "note", 1, text="between"),
        entry(3, "correction", 2, corrects=1, **{"with": {"kind": "check", "check": "picture", "outcome": "snow"}}),
        entry(4, "correction", 3, corrects=1, **{"with": {"kind": "note", "text": "was another unit"}}),
    ]
    first, second = effective(log)
    assert (first.n, first.kind, dict(first.data), first.corrected_by) == (1, "note", {"text": "was another unit"}, 4)
    assert (first.at, first.who, first.void) == (datetime(2031, 3, 2, 9, tzinfo=UTC), "Ada", False)
    assert (second.n, second.corrected_by) == (2, None)
    assert dict(effective(log[:3])[0].data) == {"check": "picture", "outcome": "snow"}


def test_taken_back_it_stays_marked_with_what_it_said_and_can_be_put_back() -> None:
    log = [entry(1, "note", text="a"), entry(2, "correction", corrects=1)]
    (void,) = effective(log)
    assert (void.void, void.corrected_by, dict(void.data)) == (True, 2, {"text": "a"})
    log.append(entry(3, "correction", corrects=1, **{"with": {"kind": "note", "text": "b"}}))
    (back,) = effective(log)
    assert (back.void, back.corrected_by, dict(back.data)) == (False, 3, {"text": "b"})


def test_what_cannot_be_corrected() -> None:
    kinds = {1: "note", 2: "correction"}
    check_correction({"corrects": 1}, kinds)
    for target, says in ((2, "2 found, which is a correction"), (3, "3 found; allowed: the number of an earlier")):
        with pytest.raises(LogError, match=says) as caught:
            check_correction({"corrects": target}, kinds)
        assert caught.value.field == "corrects"
    with pytest.raises(LogError, match="entry 1 corrects 2, which is not there"):
        effective([entry(1, "correction", corrects=2), entry(2, "note", text="a")])
    with pytest.raises(LogError, match=r"^line 3: .*which is a correction"):
        read_jsonl(NOTE + '{"kind": "correction", "corrects": 1}\n{"kind": "correction", "corrects": 2}')
