"""refettle sound and refettle tone."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from refettle.book.log import CheckMade
from refettle.cli.main import main
from tests.sound.signals import Array, noise, sine, tape, times

Caps = pytest.CaptureFixture[str]
RATE = 44_100
TIME = times(8.0, RATE)


def wav(path: Path, samples: Array) -> str:
    soundfile.write(path, samples, RATE, subtype="PCM_16")
    return str(path)


def deck(hum: float) -> Array:
    """A tone for half of the time, hum and hiss under it."""
    fade = np.clip((4.0 - TIME) / 0.05, 0.0, 1.0)
    one = sine(hum, 100.02, TIME) + noise(-75, TIME) + fade * sine(-15, 997, TIME)
    return np.stack([one, 0.9 * one], axis=1)


def run(caps: Caps, *words: str, status: int = 0) -> str:
    assert main([*words]) == status
    return caps.readouterr().out


def test_what_a_recording_says(capsys: Caps, tmp_path: Path) -> None:
    file = wav(tmp_path / "deck.wav", deck(-30.0))
    out = run(capsys, "sound", file, "--mains-hz", "50")
    assert out.startswith("CAUTION: Mains voltage")
    assert "CAUTION: Chassis at mains voltage" in out
    assert "mainly twice the mains, 100 Hz" in out
    assert "the reservoir capacitor dry" in out
    assert "common practice, no source" in out
    assert "100.02 Hz, −30.0 ±" in out
    assert "CAUTION" not in run(capsys, "sound", file, "--low-voltage")


def test_before_and_after(capsys: Caps, tmp_path: Path) -> None:
    before, after = wav(tmp_path / "before.wav", deck(-30.0)), wav(tmp_path / "after.wav", deck(-55.0))
    facts = json.loads(run(capsys, "sound", after, "--compare", before, "--json"))
    hum = next(each for each in facts["comparison"]["changes"] if each["what"] == "hum, 2 times the mains")
    assert hum["says"] == "better"
    assert hum["difference"]["value"] == pytest.approx(-25, abs=0.5)
    assert [each["id"] for each in facts["cautions"]] == ["mains", "hot-chassis", "charged-capacitor"]
    assert facts["mains"]["value"] == pytest.approx(50.01, abs=0.01)


def test_an_entry_that_moves_the_suspicion(capsys: Caps, tmp_path: Path) -> None:
    def suspicion(hum: float) -> float:
        file = wav(tmp_path / "deck.wav", deck(hum))
        entry = run(capsys, "sound", file, "--check", "sound", "--usual", "-15").splitlines()[-1]
        assert set(json.loads(entry)) - {"kind"} <= set(CheckMade.model_fields)
        log = tmp_path / "log.jsonl"
        head = {"at": "2031-03-02T10:15:00+01:00", "who": "Ada Quill"}
        log.write_text(json.dumps({**head, **json.loads(entry)}), encoding="utf-8")
        suspects = json.loads(run(capsys, "find", "wexcombe-table", "--log", str(log), "--json"))["suspects"]
        return sum(float(each["chance"]) for each in suspects if "hum" in str(each) or each["block"] == "reservoir")

    assert suspicion(-25.0) > 3 * suspicion(-70.0)


def test_a_test_tape(capsys: Caps, tmp_path: Path) -> None:
    file = wav(tmp_path / "tape.wav", tape(10.0, RATE, [(6.0, 0.5)], 3.0, noise_db=50.0))
    out = run(capsys, "sound", file, "--tape", "3150", "--low-voltage", "--check", "mechanism.speed-tone", "--speed")
    assert "3.0 % too fast" in out
    assert "the capstan" in out
    likelihood = json.loads(out.splitlines()[-1])["likelihood"]
    assert likelihood["good"] < 0.1
    quiet = wav(tmp_path / "quiet.wav", noise(-40, TIME))
    assert "no steady tone near 3150 Hz" in run(capsys, "sound", quiet, "--tape", "3150", status=1)
    run(capsys, "sound", quiet, "--tone", "1k", status=1)


def test_the_test_tones(capsys: Caps, tmp_path: Path) -> None:
    file = str(tmp_path / "tones.wav")
    out = run(capsys, "tone", file, "--rate", "44100")
    assert out.startswith("CAUTION: Loud sound")
    assert "39.6 to 59.6 s" in out
    assert main(["tone", file]) == 2
    assert "there already; allowed: another name, or --over" in capsys.readouterr().err
    facts = json.loads(run(capsys, "tone", file, "--rate", "44100", "--over", "--json"))
    assert facts["seconds"] == pytest.approx(61.6, abs=0.1)
    back = json.loads(run(capsys, "sound", file, "--tones", "--json"))
    assert back["stereo"]["swap"] == "right way"
    assert back["tones"]["pace"] == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nowhere.wav"], "nowhere.wav: no such file or directory"),
        (["{empty}"], "file: empty"),
        (["{file}", "--mains-hz", "55"], "mains frequency: 55 Hz found; allowed: 50 or 60"),
        (["{file}", "--tape", "fast"], "--tape: 'fast' found"),
        (["{file}", "--quiet", "soon"], "--quiet: 'soon' found; allowed: seconds FROM-TO"),
        (["{file}", "--compare", "gone.wav"], "gone.wav: no such file"),
        (["{file}", "--speed"], "without --check"),
        (["{file}", "--check", "sound", "--speed"], "no tape tone named"),
        (["{file}", "--check", "sound", "--outcome", "hum"], "--outcome: 'hum' found; allowed: NAME=SIGN"),
        (["{file}", "--check", "sound", "--outcome", "hum=hmm"], "signs: hmm found"),
    ],
)
def test_one_clear_line(words: list[str], said: str, capsys: Caps, tmp_path: Path) -> None:
    (tmp_path / "empty.wav").touch()
    names = {"file": wav(tmp_path / "deck.wav", deck(-50.0)), "empty": str(tmp_path / "empty.wav")}
    assert main(["sound", *(word.format(**names) for word in words)]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1


def test_tone_refusals(capsys: Caps, tmp_path: Path) -> None:
    for words, said in (
        (["tones.mp3"], "a name without .wav found"),
        ([str(tmp_path / "no" / "tones.wav")], "cannot be written"),
        ([str(tmp_path / "tones.wav"), "--rate", "22050"], "sample rate: 22050 Hz found"),
    ):
        assert main(["tone", *words]) == 2
        assert said in capsys.readouterr().err
