"""refettle capture and refettle instrument: what is printed, exit status, one clear line."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path

import numpy as np
import pytest

from refettle.captures import read_capture
from refettle.cli.main import main
from tests.instruments.bench import CODES, LIBRARY, METER, QUIET, SCOPE

Caught = pytest.CaptureFixture[str]


@pytest.fixture
def rail(tmp_path: Path) -> Path:
    """A ripple of five mains periods, saved with the probe's factor forgotten."""
    t = 8e-5 * np.arange(1250)
    v = 0.9 + 0.07 * np.sin(2 * np.pi * 100 * t)
    file = tmp_path / "rail.csv"
    file.write_text(
        "t (s);CH1 (V)\n" + "".join(f"{a:.5f};{0.004 * round(b / 0.004):.3f}\n" for a, b in zip(t, v, strict=True))
    )
    return file


def run(caught: Caught, *words: object, status: int = 0) -> str:
    assert main([str(word) for word in words]) == status, caught.readouterr().err
    return caught.readouterr().out.replace("\u2009", " ")


def refusal(caught: Caught, *words: object) -> str:
    assert main([str(word) for word in words]) == 2
    out, err = caught.readouterr()
    assert out == ""
    last = err.splitlines()[-1]
    assert last.startswith("refettle: ")
    return last.removeprefix("refettle: ").replace("\u2009", " ")


def test_what_was_understood_and_what_to_doubt(rail: Path, capsys: Caught) -> None:
    text = run(capsys, "capture", rail, "--expect", "9V", status=1)
    assert "1250 rows, numbers from line 2, columns parted by semicolon" in text
    row = next(line for line in text.splitlines() if line.startswith("CH1 "))
    assert re.fullmatch(r"CH1 +8(28|32) mV +9\d\d(\.\d)? mV +9(68|72) mV +1\d\d mV +4 mV +0 +0", row), row
    assert "about ten times too small for 9 V: look at the probe's factor 10" in text
    assert "CAUTION: Mains voltage" in text
    assert "CAUTION: Charged capacitors" in text


def test_corrected(rail: Path, capsys: Caught) -> None:
    facts = json.loads(run(capsys, "capture", rail, "--probe", "CH1=10x", "--expect", "9V", "--json"))
    (channel,) = facts["channels"]
    assert (facts["samples"], facts["step"], facts["doubts"]) == (1250, pytest.approx(8e-5), [])
    assert channel["mean"] == pytest.approx(9.0, abs=0.01)
    assert channel["lsb"] == pytest.approx(0.04)
    assert "CH1: in V; probe 10, as chosen" in facts["understood"]


def test_choices(tmp_path: Path, capsys: Caught) -> None:
    file = tmp_path / "column.txt"
    file.write_text("a;b\n1,5;9\n1,6;8\n1,7;7\n")
    facts = json.loads(
        run(
            capsys,
            "capture",
            file,
            "--rate",
            "12.5k",
            "--unit",
            "a=mV",
            "--scale",
            "b=-2",
            "--time-column",
            "none",
            "--json",
        )
    )
    assert facts["step"] == pytest.approx(8e-5)
    assert [channel["lowest"] for channel in facts["channels"]] == pytest.approx([1.5e-3, -18.0])
    only = run(capsys, "capture", file, "--interval", "80u", "--channel", "b", "--rows", "1-2", "--decimal", "comma",
               "--separator", "semicolon", "--coupling", "dc")  # fmt: skip
    assert "rows 1 to 2 only, as chosen" in only
    assert "DC coupled, as chosen" in only


def test_standard_input(rail: Path, capsys: Caught, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(rail.read_bytes())))
    assert json.loads(run(capsys, "capture", "-", "--json"))["samples"] == 1250


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--interval", "fast"], "--interval: 'fast' found; allowed: a number"),
        (["--interval", "1m", "--rate", "1k"], "--interval and --rate found; allowed: one of them"),
        (["--rate", "0"], "--rate: '0' found; allowed: above 0 Hz"),
        (["--rows", "5"], "--rows: '5' found; allowed: FIRST-LAST, as 1-2500"),
        (["--probe", "ten"], "--probe: 'ten' found; allowed: a number such as 10"),
        (["--unit", "=mV"], "--unit: '=mV' found; allowed: a value for all channels, or CHANNEL=VALUE"),
        (["--channel", "CH7"], "channel: channel 'CH7' found; allowed: CH1, or 1 to 1"),
        (["--skip", "-1"], "skip: -1 found; allowed: 0 to 1000000 lines"),
        (["--decimal", "comma", "--separator", "comma"], "separator: ',' found with decimal mark ','"),
        (["--full-scale", "-2"], "full scale: -2 found"),
    ],
)
def test_bad_choices(rail: Path, words: list[str], message: str, capsys: Caught) -> None:
    assert message in refusal(capsys, "capture", rail, *words)


def test_bad_files(tmp_path: Path, capsys: Caught) -> None:
    assert "no such file" in refusal(capsys, "capture", tmp_path / "none.csv")
    assert "is a directory" in refusal(capsys, "capture", tmp_path)
    file = tmp_path / "column.csv"
    file.write_text("1.5\n1.6\n1.7\n")
    assert refusal(capsys, "capture", file).endswith("such as 80 µs (--interval)")


def test_list_of_instruments(capsys: Caught) -> None:
    text = run(capsys, "instrument", "list", "--visa", LIBRARY, "--timeout", "0.2")
    assert f"{METER}  Fennick,Bench meter 4,0017,1.0" in text
    found = json.loads(run(capsys, "instrument", "list", "--visa", LIBRARY, "--timeout", "0.2", "--json"))[
        "instruments"
    ]
    assert {each["address"]: each["answers"] for each in found}[QUIET] is False


def test_one_reading_behind_the_cautions(capsys: Caught) -> None:
    assert main(["instrument", "read", METER, "--visa", LIBRARY]) == 0
    out, err = capsys.readouterr()
    assert out.replace("\u2009", " ") == "8.153 V  (+8.15300000E+00)\n"
    assert "CAUTION: Mains voltage" in err
    facts = json.loads(run(capsys, "instrument", "read", METER, "--visa", LIBRARY, "--json"))
    assert (facts["value"], facts["unit"]) == (8.153, "V")
    assert [each["id"] for each in facts["cautions"]] == ["mains", "charged-capacitor"]
    over = run(capsys, "instrument", "read", METER, "--visa", LIBRARY, "--quantity", "ohms", status=1)
    assert over == "over range (+9.90000000E+37)\n"


def test_a_log_becomes_a_file_that_is_read_back(tmp_path: Path, capsys: Caught) -> None:
    out = tmp_path / "log.csv"
    words = ["instrument", "read", METER, "--visa", LIBRARY, "--count", "3", "--every", "0.05", "--out", out]
    assert "3 readings over SCPI" in run(capsys, *words)
    back = read_capture(out.read_bytes())
    assert (len(back), back.channel().unit) == (3, "V")
    assert np.all((back.channel().values >= 8) & (back.channel().values <= 9))
    assert f"--out {out}: is there already; allowed: a new file" in refusal(capsys, *words)


def test_a_trace_becomes_a_file_that_is_read_back(tmp_path: Path, capsys: Caught) -> None:
    description = tmp_path / "scope.toml"
    description.write_text(CODES)
    words = ["instrument", "trace", SCOPE, "--visa", LIBRARY, "--with", description]
    shown = run(capsys, *words)
    out = tmp_path / "rail.csv"
    run(capsys, *words, "--out", out)
    assert out.read_text() == shown
    back = read_capture(out.read_bytes())
    assert (back.step, back.start, len(back), back.channel().name) == (8e-5, -0.001, 64, "CH1")
    facts = json.loads(run(capsys, *words, "--json"))
    assert (facts["samples"], facts["channels"][0]["lsb"]) == (64, 0.04)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["read", QUIET, "--timeout", "0.2"], "no answer to MEAS:VOLT:DC? within 0.2 s. Look at the address"),
        (["read", METER, "--quantity", "amps-dc"], "Is the switch on another quantity?"),
        (["read", METER, "--ends", "dot"], "line ends: 'dot' found; allowed: lf, cr, crlf, none"),
        (["read", METER, "--out", "x.csv"], "--out with one reading found; allowed: with --count 2 or more"),
        (["read", METER, "--count", "0"], "--count: 0 found; allowed: 1 to 1000000"),
        (["trace", SCOPE, "--with", "no-such.toml"], "--with no-such.toml: no such file or directory"),
    ],
)
def test_bad_lines(
    words: list[str], message: str, capsys: Caught, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert message in refusal(capsys, "instrument", *words, "--visa", LIBRARY)
