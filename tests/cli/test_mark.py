"""refettle mark: what is printed, exit status, one clear line."""

from __future__ import annotations

import json

import pytest

from refettle.cli.main import main


def out(capsys: pytest.CaptureFixture[str], *words: str, status: int = 0) -> str:
    assert main(["mark", *words]) == status
    return capsys.readouterr().out.replace("\u2009", " ")


def test_readings_with_their_reasons(capsys: pytest.CaptureFixture[str]) -> None:
    text = out(capsys, "104K")
    assert text.startswith("104K\n  1  capacitor: 100 nF, ±10 %\n       three-digit code; +2 10 and 4 zeros")
    assert "  2  resistor: 100 kΩ, ±10 %" in text
    assert "  1= resistor: 100 kΩ\n" in out(capsys, "104")
    assert "they are estimates" in text


def test_words_without_quotes(capsys: pytest.CaptureFixture[str]) -> None:
    assert "1  resistor: 4.7 kΩ, ±5 %" in out(capsys, "yellow", "violet", "red", "gold")


def test_years_and_kind(capsys: pytest.CaptureFixture[str]) -> None:
    text = out(capsys, "R5", "--kind", "date", "--years", "1983-1986")
    assert "  1  date: May 1983" in text
    assert "newer than the unit (1983 to 1986): only as an earlier repair" in text
    assert "  1  date: May 2003" in out(capsys, "R5", "--kind", "date", "--years", "2003")


def test_long_lists_are_cut_and_say_so(capsys: pytest.CaptureFixture[str]) -> None:
    short = out(capsys, "?04")
    assert "less likely readings more; --all shows them" in short
    whole = out(capsys, "?04", "--all")
    assert len(whole.splitlines()) > 3 * len(short.splitlines())


def test_pieces_and_words_not_read(capsys: pytest.CaptureFixture[str]) -> None:
    text = out(capsys, "220µF", "10V", "KX", "8634", "VENT")
    assert "220µF 10V KX VENT\n" in text
    assert "not read: VENT" in text
    assert "\n8634\n  1  date: week 34 of 1986" in text


def test_json_has_every_reading(capsys: pytest.CaptureFixture[str]) -> None:
    found = json.loads(out(capsys, "104K", "--years", "1983-1986", "--json"))
    assert (found["text"], found["years"], found["kind"]) == ("104K", [1983, 1986], None)
    first = found["readings"][0]
    assert (first["kind"], first["value"], first["unit"], first["rank"]) == ("capacitor", 1e-7, "F", 1)
    assert first["tolerance"] == {"low": -0.1, "high": 0.1, "absolute": False}
    assert first["points"] == sum(each["points"] for each in first["reasons"])
    assert "voltage" not in first


def test_no_reading_is_status_1(capsys: pytest.CaptureFixture[str]) -> None:
    assert out(capsys, "zzz", status=1) == "zzz: nothing that can be read\n"
    assert out(capsys, "X7R", "--kind", "date", status=1) == "X7R: nothing that can be read as date\n"
    assert json.loads(out(capsys, "zzz", "--json", status=1))["readings"] == []


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((" ",), "no marking given; allowed: what is printed on the part"),
        (("104", "--kind", "valve"), "kind 'valve' found; allowed: resistor, capacitor"),
        (("104", "--years", "86"), "--years '86' found; allowed: FIRST-LAST, as 1983-1986, or one year"),
        (("104", "--years", "1986-1983"), "years 1986-1983 found; allowed: from 1900 to 2100"),
        (("1" * 121,), "121 characters found; allowed: up to 120"),
        (("red", "red"), "2 colour bands found; allowed: 3 to 6"),
    ],
)
def test_bad_input_is_one_clear_line(words: tuple[str, ...], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["mark", *words]) == 2
    error = capsys.readouterr().err
    assert error.startswith(f"refettle: {message}")
    assert error.count("\n") == 1
