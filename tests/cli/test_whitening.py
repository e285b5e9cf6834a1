"""refettle bath, lamp, sun, progress."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from refettle.cli.main import main
from tests.cli.beside import in_process, refused

Caps = pytest.CaptureFixture[str]
Raw = pytest.CaptureFixture[bytes]
HAZARDS = {"peroxide", "uv", "heat", "bromine-dust"}
BATH = ("bath", "--stock", "12 %", "--target", "6", "--volume", "10L", "--parts", "2L")
SUN = ("sun", "--place", "48.9,2.35", "--date", "2031-06-21", "--zone", "Europe/Paris")
LAMP = ("lamp", "--nm", "395", "--hours", "6")
READINGS = "hours,yi,dose,lightness,spread\n0,41.2,0,78,5\n# turned\n2,33.9,28,,\n\n4,27.4,55,80,5\n8,21.1,110,81,5\n"


@pytest.fixture
def readings(tmp_path: Path) -> str:
    file = tmp_path / "readings.csv"
    file.write_text(READINGS, encoding="utf-8")
    return str(file)


def run(caps: Caps, *words: str, status: int = 0) -> str:
    assert main(list(words)) == status
    return caps.readouterr().out


def facts(caps: Caps, *words: str, status: int = 0) -> Any:
    return json.loads(run(caps, *words, "--json", status=status))


def test_cautions_come_before_anything_else(capsys: Caps, readings: str) -> None:
    for words in (BATH, SUN, LAMP, ("progress", readings, "--reference", "9.5")):
        assert run(capsys, *words).startswith("CAUTION: ")
        assert {each["id"] for each in facts(capsys, *words)["cautions"]} == HAZARDS


def test_a_bath(capsys: Caps) -> None:
    found = facts(capsys, *BATH)
    assert found["stock_kg"] == pytest.approx(4.078, abs=0.001)
    assert found["kg"] == pytest.approx(found["stock_kg"] + found["water_kg"])
    assert {gate["id"] for gate in found["gates"]} >= {"hidden-spot", "metal-off", "eyes-hands", "ventilation"}
    assert found["as_of"]
    out = run(capsys, *BATH)
    assert out.index("[ ] A hidden spot") < out.index("Water first: 4.078 kg") < out.index("Then the stock")
    for word in ("oxygen", "Never mix", "Never seal", "Never leave", "H319", "taken as % w/w"):
        assert word in out


def test_measured_goes_before_the_label_and_age(capsys: Caps) -> None:
    assert facts(capsys, *BATH, "--measured", "10.4 % w/w")["stock_percent"] == [10.4, 10.4]
    low, high = facts(capsys, *BATH, "--age", "2")["stock_percent"]
    assert low < high < 12


def test_more_than_the_public_may_have(capfdbinary: Raw) -> None:
    words = ("bath", "--stock", "35 % w/w", "--target", "6", "--volume", "10L")
    assert "--professional chooses that" in refused(in_process(capfdbinary, *words))
    assert in_process(capfdbinary, *words, "--professional").returncode == 0


def test_a_day_of_sun(capsys: Caps) -> None:
    assert "upper bound" in run(capsys, *SUN)
    found = facts(capsys, *SUN, "--dose", "100J/cm2")
    assert found["reach"]["window"]["begins"].startswith("2031-06-21 10:")
    out = run(capsys, *SUN, "--dose", "400 J/cm2", status=1)
    assert "not reached that day" in out
    assert "3 such days in a row" in out
    out = run(capsys, *SUN, "--dose", "400 J/cm2", "--no-peroxide")
    assert "400 to 525 nm" in out
    assert "no peroxide" in out
    assert "--zone" in run(capsys, "sun", "--place", "-33.9,151.2", "--date", "2031-12-21", "--zone", "UTC")


def test_a_lamp(capsys: Caps) -> None:
    found = facts(capsys, *LAMP, "--readings", "4,3,5,4", "--dose", "100J/cm2")
    assert found["hours_to"] == pytest.approx(9.26, abs=0.01)
    assert "6 lamp-hours." in run(capsys, *LAMP)
    assert "refused" in run(capsys, "lamp", "--nm", "254", "--hours", "1", status=1)
    assert "ozone" in run(capsys, "lamp", "--nm", "185", "--hours", "1", "--boxed")


def test_progress(capsys: Caps, readings: str, tmp_path: Path) -> None:
    words = ("progress", readings, "--reference", "9.5")
    out = run(capsys, *words, "--ended", "2031-06-21", "--dark", "24.1@15")
    assert "no upper bound yet" in out
    assert "due: 2031-07-05" in out
    found = facts(capsys, *words, "--taken", "locked", "--by", "dose", "--target", "12")
    assert found["forecast"]["unit"] == "J/cm2"
    assert found["target"] == 12
    bench = tmp_path / "bench.csv"
    bench.write_text("method,lamp,percent,rate\nbath,shelf lamp,6,0.15\nbath,sun,6,0.4\n", encoding="utf-8")
    same = ("--earlier", str(bench), "--method", "bath", "--lamp", "shelf lamp", "--strength", "6")
    found = facts(capsys, *words, *same)
    assert found["forecast"]["prior_batches"] == 1
    assert found["as_earlier"]["lamp"] == "shelf lamp"


def test_progress_that_should_stop(capsys: Caps, tmp_path: Path) -> None:
    file = tmp_path / "pale.csv"
    file.write_text("hours,yi,lightness\n0,40,78\n4,14,82\n8,8.5,86\n", encoding="utf-8")
    assert "STOP (over-bleached)" in run(capsys, "progress", str(file), "--reference", "9.5", status=1)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("bath", "--stock", "3 %", "--target", "6", "--volume", "10L"), "stock: 3 % w/w found; allowed: at least"),
        (("bath", "--stock", "120 %", "--target", "6", "--volume", "10L"), "--stock: 120 % w/w found"),
        (("bath", "--stock", "12 %", "--target", "-6", "--volume", "10L"), "--target: -6 % w/w found"),
        (("bath", "--stock", "12 %", "--target", "much", "--volume", "10L"), "--target: 'much"),
        (("bath", "--stock", "12 %", "--target", "6", "--volume", "-10L"), "--volume: -10 L found"),
        ((*BATH, "--age", "nan"), "age: nan years found"),
        ((*BATH, "--measured", "9 %", "--age", "1"), "--age with --measured found"),
        ((*SUN[:4], "2131-06-21"), "date: 2131-06-21 found"),
        ((*SUN[:4], "2031-02-30"), "--date: '2031-02-30' found"),
        ((*SUN, "--zone", "Nowhere/Town"), "--zone: 'Nowhere/Town' found"),
        ((*SUN, "--hours", "16:00-10:00"), "hours: 16:00 to 10:00 found"),
        ((*SUN, "--dose", "much"), "dose: 'much' found"),
        ((*LAMP, "--readings", "4,x"), "--readings: '4,x' found"),
        ((*LAMP, "--dose", "100J/cm2"), "dose: no meter reading found"),
        ((*LAMP[:4], "-6"), "hours: -6 h found"),
        (("progress", "/no/such/file.csv", "--reference", "9"), "no such file"),
    ],
)
def test_refused(capfdbinary: Raw, words: tuple[str, ...], says: str) -> None:
    assert says in refused(in_process(capfdbinary, *words))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "nothing found; allowed: a head line"),
        ("hours,yellow\n0,3\n", "line 1: column 'yellow' found; allowed: hours, yi"),
        (
            "hours,hours,yi\n0,0,3\n",
            "line 1: column 'hours' found; allowed: hours, yi, dose, lightness, spread, each once",
        ),
        ("hours,dose\n0,3\n", "line 1: no column 'yi' found"),
        ("hours,yi\n\n0,3,4\n", "line 3: 3 cells found; allowed: 2"),
        ("hours,yi\n0,forty\n", "line 2: yi: 'forty' found"),
        ("hours,yi\n0,\n", "line 2: no yi found"),
        ("hours,yi\n1,40\n0,30\n", "reading 2: 0 h after 1 h found"),
        ("hours,yi\n0,5\n", "reading 1: 5 YI found; allowed: above the reference"),
        ('hours,yi\n0,"40\n1,30\n', "line 2: unexpected end of data found"),
    ],
)
def test_files_that_are_refused(capfdbinary: Raw, tmp_path: Path, text: str, says: str) -> None:
    file = tmp_path / "bad.csv"
    file.write_text(text, encoding="utf-8")
    assert says in refused(in_process(capfdbinary, "progress", str(file), "--reference", "9.5"))


def test_a_dark_reading_that_is_none(capfdbinary: Raw, readings: str) -> None:
    said = refused(in_process(capfdbinary, "progress", readings, "--reference", "9.5", "--dark", "14"))
    assert "--dark: '14' found; allowed: YI@DAYS" in said
