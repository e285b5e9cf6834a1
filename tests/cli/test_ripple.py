"""refettle ripple: what is printed behind the cautions, exit status, the entry for the log, one clear line."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from refettle.cli.main import main
from tests.supply.ripple_made import STEP, rail, sampled, supply
from tests.support.spice import Floats, digitised

Caught = pytest.CaptureFixture[str]
PART = "4700u 25V"


def saved(file: Path, **channels: Floats) -> Path:
    """A capture as CSV, a column for each channel, named CH1 (V) and so on."""
    rows = zip(*channels.values(), strict=True)
    heads = ",".join(["t (s)", *(f"CH{n} ({name[0]})" for n, name in enumerate(channels, 1))])
    lines = [",".join([f"{n * STEP:.5f}", *(f"{v:.5f}" for v in row)]) for n, row in enumerate(rows)]
    file.write_text("\n".join([heads, *lines]) + "\n")
    return file


@pytest.fixture(scope="module")
def aged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A reservoir of 4700 µF worn to 2200 µF and 0.8 Ω at 0.6 A."""
    return saved(tmp_path_factory.mktemp("aged") / "rail.csv", V=rail(supply()))


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sound one, with its current on the second channel."""
    steady = supply(4700e-6, 0.03)
    amps, _ = digitised(sampled(steady.capacitor, 50.0), np.random.default_rng(4))
    return saved(tmp_path_factory.mktemp("both") / "both.csv", V=rail(steady), A=amps)


def run(caught: Caught, *words: object, status: int = 0) -> str:
    assert main(["ripple", *(str(word) for word in words)]) == status, caught.readouterr().err
    return caught.readouterr().out.replace("\u2009", " ")


def refusal(caught: Caught, *words: object) -> str:
    assert main(["ripple", *(str(word) for word in words)]) == 2
    out, err = caught.readouterr()
    assert out == ""
    return err.splitlines()[-1].removeprefix("refettle: ").replace("\u2009", " ")


def test_a_worn_part_behind_the_cautions(aged: Path, capsys: Caught) -> None:
    text = run(capsys, aged, "--mains-hz", 50, "--load", "0.6A", "--nominal", PART, "--needs", "7V", status=1)
    assert text.startswith("CAUTION: Mains voltage")
    assert text.index("CAUTION: Charged capacitors") < text.index("BAD. ")
    assert "C is below its end of life, 3290 µF" in text
    assert "ESR is above its end of life" in text
    assert "C: 22" in text or "C: 21" in text
    assert "Full wave; mains 50" in text
    assert "at 90 % mains the valley falls" in text


def test_json(aged: Path, capsys: Caught) -> None:
    facts = json.loads(run(capsys, aged, "--mains-hz", 50, "--load", "0.6", "--nominal", PART, "--json", status=1))
    assert facts["farad"]["value"] == pytest.approx(2200e-6, rel=0.03)
    assert facts["esr"]["low"] < 0.8 < facts["esr"]["high"]
    assert facts["verdict"]["says"] == "bad"
    assert [each["id"] for each in facts["cautions"]] == ["mains", "hot-chassis", "charged-capacitor"]
    assert len(facts["measured"]) == len(facts["fitted"]) == 512
    assert np.array(facts["posterior"]["covariance"]).shape == (2, 2)


def test_entries_for_the_log(aged: Path, both: Path, capsys: Caught) -> None:
    words = ("--mains-hz", 50, "--load", "0.6A", "--json")
    bad = json.loads(run(capsys, aged, *words, "--nominal", PART, "--check", "reservoir.capture", status=1))["entry"]
    assert bad["check"] == "reservoir.capture"
    assert bad["likelihood"]["worn"] == 1.0
    assert bad["likelihood"]["good"] < 0.1
    assert bad["value"].startswith("full wave; C 2")
    diode = json.loads(run(capsys, both, *words, "--channel", 1, "--check", "rectifier.capture", "--diode"))["entry"]
    assert diode["likelihood"] == {"good": 1.0, "half wave": 0.05}


def test_the_current_as_second_channel(both: Path, capsys: Caught) -> None:
    text = run(capsys, both, "--mains-hz", 50, "--channel", "CH1", "--current", "CH2", "--nominal", PART)
    assert "GOOD. " in text
    assert "leakage is not seen" in text
    assert "C and ESR from both channels" in text


def test_without_the_load_c_is_told_per_ampere(aged: Path, capsys: Caught) -> None:
    text = run(capsys, aged, "--mains-hz", 50, "--low-voltage")
    assert "CAUTION: Mains voltage" not in text
    assert "CAUTION: Charged capacitors" in text
    assert "C for each A: 3" in text
    assert "- the load current" in text


def test_refused_in_one_line(aged: Path, both: Path, tmp_path: Path, capsys: Caught) -> None:
    assert "fits a mains of 50 Hz" in refusal(capsys, aged, "--mains-hz", 60, "--load", "0.6A")
    assert "--load: 'much' found" in refusal(capsys, aged, "--mains-hz", 50, "--load", "much")
    assert refusal(capsys, aged, "--mains-hz", 50, "--needs", "7V") == "--needs without --nominal; allowed: both"
    assert "set the probe factor" in refusal(capsys, aged, "--mains-hz", 50, "--dc-volts", "82V")
    assert "channel CH2: in A; allowed: V" in refusal(capsys, both, "--mains-hz", 50, "--channel", 2)
    assert "channel: '7' found" in refusal(capsys, both, "--mains-hz", 50, "--current", 7)
    assert "--check without --nominal" in refusal(capsys, aged, "--mains-hz", 50, "--check", "reservoir.capture")
    assert "without --check" in refusal(capsys, aged, "--mains-hz", 50, "--diode")
    assert "part of kind 'film'" in refusal(capsys, aged, "--mains-hz", 50, "--nominal", "1u film")
    assert "AC coupling" in refusal(capsys, aged, "--mains-hz", 50, "--ac-coupled", "900")
    assert "no such file" in refusal(capsys, tmp_path / "none.csv", "--mains-hz", 50)
    sf.write(tmp_path / "card.wav", 0.01 * rail(supply()), 12500)
    assert "give the full scale in volts" in refusal(capsys, tmp_path / "card.wav", "--mains-hz", 50)
    gaps = rail(supply())
    gaps[100:200] = np.nan
    assert "samples missing" in refusal(capsys, saved(tmp_path / "gaps.csv", V=gaps), "--mains-hz", 50)
