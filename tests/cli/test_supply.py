"""refettle supply and refettle adapter: what is printed, exit status, one clear line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from refettle.cli.main import main
from tests.cli.beside import in_process, refused

SUPPLY = """\
supply: Desk radio
transformer: {volts: 8, amps: 1.2}
rectifier: {wiring: bridge}
reservoir: {farad: 4700u, volts: 25, ripple_amps: 2, endurance: 2000}
regulators:
  rail5: {volts: 5, load_amps: 0.6, serves: logic, heat_sink: 10}
"""


@pytest.fixture(autouse=True)
def _home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("REFETTLE_HOME", str(tmp_path / "home"))


@pytest.fixture
def file(tmp_path: Path) -> str:
    path = tmp_path / "radio.yaml"
    path.write_text(SUPPLY, encoding="utf-8")
    return str(path)


def out(capsys: pytest.CaptureFixture[str], *words: str, status: int = 0) -> str:
    assert main(list(words)) == status
    return capsys.readouterr().out.replace("\u2009", " ")


def test_cautions_come_first_and_all_three_mains(capsys: pytest.CaptureFixture[str], file: str) -> None:
    text = out(capsys, "supply", file)
    assert text.startswith("CAUTION: Mains voltage")
    for name in ("Charged capacitors", "First switch-on", "Bursting parts", "Hot parts"):
        assert text.index(f"CAUTION: {name}") < text.index("Desk radio: reservoir 4700 µF")
    for name in ("low 207 V", "nominal 230 V", "high 253 V"):
        assert name in text
    assert "assumed: ESR" in text
    assert "Then measure, and again after a minute" in text


def test_worn_parts_and_missing_ones_exit_with_1(capsys: pytest.CaptureFixture[str], file: str) -> None:
    worn = out(capsys, "supply", file, "--mains", "low", "--aged", "20%,15", status=1)
    assert "low: bad: rail5: drops out by" in worn
    assert "logic restarts" in worn
    bare = out(capsys, "supply", file, "--mains", "high", "--missing", "heat-sink", status=1)
    assert "thermal shutdown expected" in bare
    assert "shuts down" in bare


def test_json_with_a_spread(capsys: pytest.CaptureFixture[str], file: str) -> None:
    found = json.loads(out(capsys, "supply", file, "--monte-carlo", "100", "--seed", "4", "--json"))
    assert set(found["cases"]) == {"low", "nominal", "high"}
    assert found["cases"]["nominal"]["rails"][0]["junction"] > 40
    rail = found["monte_carlo"]["rails"][0]
    assert sum(rail["headroom"]["histogram"]["counts"]) == 100
    assert [each["id"] for each in found["cautions"]][:2] == ["mains", "charged-capacitor"]


def test_a_unit_type_with_a_supply(capsys: pytest.CaptureFixture[str]) -> None:
    text = out(capsys, "supply", "larkmere-48", "--mains", "225")
    assert "Larkmere 48: reservoir 4700 µF" in text
    assert "225 V" in text


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["piper-pocket"], "piper-pocket: found no supply section"),
        (["nowhere.yaml"], "nowhere.yaml: found No such file or directory"),
        (["nowhere"], "unit type 'nowhere' found"),
        (["larkmere-48", "--mains", "medium"], "--mains: found 'medium'; allowed: low, nominal, high, or volts"),
        (["larkmere-48", "--mains", "20"], "mains: found 0.0869565 times nominal"),
        (["larkmere-48", "--aged", "half"], "--aged: found 'half'; allowed: part of C left"),
        (["larkmere-48", "--missing", "fan"], "missing: found 'fan'; allowed: heat-sink, pad, paste, clip"),
        (["larkmere-48", "--monte-carlo", "1"], "variants: found 1; allowed: 10 to 100,000"),
        (["larkmere-48", "--discharge", "x"], "--discharge: 'x' found"),
    ],
)
def test_what_is_refused(capfdbinary: pytest.CaptureFixture[bytes], words: list[str], said: str) -> None:
    assert refused(in_process(capfdbinary, "supply", *words)).startswith(said)


RIGHT = ["--output", "ac", "--volts", "9", "--amps", "1.2", "--loaded", "9.1", "--unloaded", "10.9", "--for", "230",
         "--plug", "5.5 x 2.5 mm barrel"]  # fmt: skip


def test_the_right_adapter(capsys: pytest.CaptureFixture[str]) -> None:
    text = out(capsys, "adapter", "corrigan-duo", *RIGHT)
    assert text.startswith("CAUTION: Mains voltage")
    assert "\nSAFE for corrigan-duo\n" in text
    assert "left at low mains" in text


def test_a_wrong_adapter_and_an_unmeasured_one(capsys: pytest.CaptureFixture[str]) -> None:
    assert "NOT SAFE" in out(capsys, "adapter", "corrigan-duo", *RIGHT, "--output", "DC", status=1)
    text = out(capsys, "adapter", "corrigan-duo", "--output", "AC", "--volts", "9", status=1)
    assert "NOT KNOWN" in text
    assert "- measure its volts with about 1.2 A drawn" in text
    found = json.loads(out(capsys, "adapter", "piper-pocket", "--output", "AC", "--json", status=1))
    assert found["verdict"] == "not safe"
    assert found["facts"][0]["verdict"] == "not safe"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["larkmere-48"], "larkmere-48: found no adapter facts"),
        (["corrigan-duo", "--output", "3-phase"], "output: found '3-PHASE'; allowed: AC, DC"),
        (["corrigan-duo", "--loaded", "lots"], "--loaded: 'lots' found"),
        (["corrigan-duo", "--for", "Europe"], "--for: found 'Europe'; allowed: volts"),
    ],
)
def test_what_an_adapter_check_refuses(capfdbinary: pytest.CaptureFixture[bytes], words: list[str], said: str) -> None:
    assert refused(in_process(capfdbinary, "adapter", *words)).startswith(said)
