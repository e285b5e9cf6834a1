"""Markings: over 250 decided by hand, ambiguity kept, what years and kind do, what is refused."""

from __future__ import annotations

from itertools import pairwise

import pytest

from refettle.parts.markings import KINDS, MarkingError, Reading, read_marking
from tests.parts.marking_cases import ALL

CASES = [pytest.param(*case, id=f"{group}: {case[0]}") for group, cases in ALL.items() for case in cases]


def said(reading: Reading) -> str:
    return f"{reading.kind}: {reading.says}".replace("\u2009", " ")


@pytest.mark.parametrize(("text", "best", "also"), CASES)
def test_decided(text: str, best: tuple[str, ...], also: tuple[str, ...]) -> None:
    readings = read_marking(text)
    piece = readings[0].piece
    first = {said(each) for each in readings if each.piece == piece and each.rank == 1}
    assert first == set(best)
    assert {said(each) for each in readings} >= set(also)


def test_there_are_enough() -> None:
    assert len({case.values[0] for case in CASES}) >= 250


@pytest.mark.parametrize(("text", "best", "also"), CASES)
def test_every_reading_says_why_and_is_ranked(text: str, best: object, also: object) -> None:
    places: dict[str, list[Reading]] = {}
    for reading in read_marking(text):
        assert reading.reasons
        assert reading.says
        assert reading.system
        places.setdefault(reading.piece, []).append(reading)
    for readings in places.values():
        assert readings[0].rank == 1
        points = [each.points for each in readings]
        assert points == sorted(points, reverse=True)
        assert len({(each.kind, each.says) for each in readings}) == len(readings)
        for above, below in pairwise(readings):
            assert (above.rank == below.rank) == (above.points == below.points)


def of(text: str, kind: str | None = None, years: tuple[int, int] | None = None) -> list[str]:
    """The readings that stand first."""
    return [said(each) for each in read_marking(text, years, kind) if each.rank == 1]


@pytest.mark.parametrize("text", ["8255", "7486", "6581", "7490", "8274", "8086", "74LS86", "8755"])
def test_no_date_above_week_53(text: str) -> None:
    assert all(each.kind != "date" for each in read_marking(text))


def test_a_type_number_is_first_even_where_a_date_would_fit() -> None:
    readings = read_marking("8251", (1982, 1984))
    assert [each.kind for each in readings][:1] == ["type number"]
    date = next(each for each in readings if each.kind == "date" and each.week == 51)
    assert (date.year, date.points) == (1982, 3)
    assert any("look for another four digits" in reason.text for reason in date.reasons)


def test_years_decide_the_decade() -> None:
    assert of("R5", years=(1983, 1986)) == ["date: May 1983"]
    assert of("R5", years=(2002, 2004)) == ["date: May 2003"]
    assert of("634", years=(1985, 1987)) == ["date: week 34 of 1986"]
    assert of("X2", kind="date", years=(1990, 1990)) == ["date: February 1989"]
    readings = read_marking("R5", (1983, 1986))
    assert [each.year for each in readings if each.kind == "date"] == [1983, 2003, 2023]
    later = readings[1].reasons[-1]
    assert later.points < 0
    assert "newer than the unit (1983 to 1986): only as an earlier repair" in later.text
    earlier = next(each for each in read_marking("R5", (2002, 2004)) if each.year == 1983)
    assert any("19 years before the unit" in reason.text for reason in earlier.reasons)


def test_no_date_after_this_year() -> None:
    assert [each.year for each in read_marking("X2", kind="date", latest_year=2026)] == [1989, 2009]
    assert [each.year for each in read_marking("8634", kind="date", latest_year=1985)] == []


def test_a_type_number_beside_it_makes_a_date_likelier() -> None:
    alone = next(each for each in read_marking("8634") if each.kind == "date")
    beside = next(each for each in read_marking("7486 8634") if each.kind == "date")
    assert beside.piece == "8634"
    assert beside.points == alone.points + 1


def test_weeks_53_that_no_calendar_has() -> None:
    true, false = (next(e for e in read_marking(text) if e.kind == "date") for text in ("8153", "8253"))
    assert true.week == false.week == 53
    assert true.points > false.points


@pytest.mark.parametrize(
    ("text", "kind", "best"),
    [
        ("104", "resistor", "resistor: 100 kΩ"),
        ("104", "inductor", "inductor: 100 mH"),
        ("470K", "capacitor", "capacitor: 47 pF, ±10 %"),
        ("470K", "resistor", "resistor: 470 kΩ"),
        ("100", "electrolytic", "electrolytic: 100 µF"),
        ("4R7", "electrolytic", "electrolytic: 4.7 µF"),
        ("4R7", "inductor", "inductor: 4.7 µH"),
        ("100", "capacitor", "capacitor: 10 pF"),
        ("4N7", "inductor", "inductor: 4.7 nH"),
        ("brown black red gold", "inductor", "inductor: 1 mH, ±5 %"),
        ("silver blue gold red red", "inductor", "inductor: 6.2 µH, ±2 %"),
        ("8251", "date", "date: week 51 of 1982"),
        ("C106", "type number", "type number: C106, transistor, in full 2SC106"),
    ],
)
def test_kind_narrows(text: str, kind: str, best: str) -> None:
    assert of(text, kind) == [best]
    for reading in read_marking(text, kind=kind):
        assert reading.kind == kind or {reading.kind, kind} == {"capacitor", "electrolytic"}


def test_several_pieces_keep_the_order_of_the_text() -> None:
    readings = read_marking("220µF 10V KX (M) 8634 VENT")
    pieces = list(dict.fromkeys(each.piece for each in readings))
    assert pieces == ["220µF 10V KX (M) VENT", "8634"]
    can = readings[0]
    assert can.tolerance is not None
    assert (can.value, can.voltage, can.series, can.words) == (220e-6, 10.0, "KX", ("VENT",))
    assert [each.piece for each in read_marking("104K X2")][-1] == "X2"


def test_what_is_readable_beside_a_question_mark_is_not_doubted() -> None:
    readings = read_marking("8?34 74LS86")
    chip = next(each for each in readings if each.kind == "type number")
    assert not any("?" in reason.text for reason in chip.reasons)
    assert all(any("?" in why.text for why in each.reasons) for each in readings if each.piece == "8?34")


def test_fields_are_in_base_units() -> None:
    reading = read_marking("yellow violet black brown brown red")[0]
    assert reading.tolerance is not None
    assert (reading.value, reading.tolerance.high, reading.tempco, reading.unit) == (4700.0, 0.01, 50e-6, "Ω")
    can = read_marking("32+16µF 350V -10+50% 85°C")[0]
    assert can.sections == (32e-6, 16e-6)
    assert can.temperature == (None, 85.0)
    assert (can.tolerance.low, can.tolerance.high) == (-0.1, 0.5) if can.tolerance else False


@pytest.mark.parametrize(
    ("text", "years", "kind", "message"),
    [
        ("", None, None, "no marking given"),
        (" \n\t", None, None, "no marking given"),
        ("1" * 121, None, None, "121 characters found"),
        ("????", None, None, "4 unreadable characters found"),
        ("104", (1986, 1983), None, "years 1986-1983 found"),
        ("104", (19, 86), None, "years 19-86 found"),
        ("104", None, "valve", "kind 'valve' found; allowed: resistor"),
        ("red red", None, None, "2 colour bands found; allowed: 3 to 6"),
        ("B B B ? ? G", None, None, "too many bands that may be several colours"),
        ("red red red red red red red", None, None, "7 colour bands found"),
    ],
)
def test_refused(text: str, years: tuple[int, int] | None, kind: str | None, message: str) -> None:
    with pytest.raises(MarkingError, match=message) as refusal:
        read_marking(text, years, kind)
    assert "allowed" in str(refusal.value)


@pytest.mark.parametrize("text", ["zzz", "§§", "n", "gold gold gold gold", "K", "-", "..", "(", "abc def"])
def test_nothing_to_read(text: str) -> None:
    assert read_marking(text) == []


def test_kinds_are_named() -> None:
    assert KINDS == ("resistor", "capacitor", "electrolytic", "inductor", "date", "type number")


def test_what_is_not_read_is_said() -> None:
    assert read_marking("Z 683 AFT")[0].words == ("Z", "AFT")
    assert read_marking("100µF 16V 105°C VENT KMXYZ")[0].words == ("KMXYZ",)
