"""refettle board."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from refettle.cli.main import main
from tests.parts.boards import PARTS, layout, netlist


@pytest.fixture
def files(tmp_path: Path) -> Path:
    (tmp_path / "sound.kicad_pcb").write_bytes(layout(2024))
    agreed = tuple(p for p in PARTS if p.ref != "C7")
    (tmp_path / "agreed.kicad_pcb").write_bytes(layout(2017, agreed))
    (tmp_path / "agreed.net").write_bytes(netlist(parts=agreed))
    (tmp_path / "sound.net").write_bytes(netlist())
    return tmp_path


def run(*arguments: object) -> int:
    return main(["board", *map(str, arguments)])


def test_it_works(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(files / "agreed.kicad_pcb", "--netlist", files / "agreed.net") == 0
    out = capsys.readouterr().out
    assert out.startswith("20 parts, 13 nets, 5 electrolytics\n")
    assert "C1    470\u2009µF 16\u2009V  ⌀ 6.3, pitch 2.5" in out
    assert "negative rail -12V to GND" in out
    assert "Perhaps electrolytics: look at the part." in out
    assert "On the mains: only the same safety class may replace them; discharge and unplug first." in out


def test_signs_that_disagree_and_netlist_that_differs_exit_1(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(files / "sound.kicad_pcb") == 1
    assert "plus by number: 1, print: 2, nets: 1: measure" in capsys.readouterr().out
    assert run(files / "agreed.kicad_pcb", "--netlist", files / "sound.net") == 1
    assert "C7 is in the netlist and not on the board" in capsys.readouterr().out


def test_json(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(files / "sound.kicad_pcb", "--json", "--to", "J2") == 1
    told = json.loads(capsys.readouterr().out)
    c6 = next(c for c in told["electrolytics"] if c["ref"] == "C6")
    assert (c6["value_farad"], c6["rating_volt"], c6["side"], c6["kind"]) == (10e-6, 25, "back", "tantalum")
    assert (c6["x_mm"], c6["y_mm"], c6["minus_lies"]) == (21.5, 50.0, "left")
    assert c6["polarity"]["agreement"] == "agree"
    assert c6["seat"]["rail"] == "-12V"
    assert told["mains"][0]["seat"]["safety_class"] == "X"
    assert [w["ref"] for w in told["on_the_way"]][:1] == ["C3"]


def test_way_to_an_output(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(files / "sound.kicad_pcb", "--to", "AUDIO")
    lines = capsys.readouterr().out.splitlines()
    assert lines[1].split()[0] == "C3"
    run(files / "sound.kicad_pcb", "--to", "J1")
    assert "No electrolytic is known" not in capsys.readouterr().out


def test_map(files: Path) -> None:
    assert run(files / "agreed.kicad_pcb", "--svg", files / "map.svg") == 0
    assert ET.parse(files / "map.svg").getroot().get("class") == "board-map"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["none.kicad_pcb"], "none.kicad_pcb: no such file or directory"),
        (["cut.kicad_pcb"], "cut.kicad_pcb: line 9: the text ends inside the list"),
        (["sound.net"], "sound.net: line 1: (export found; allowed: an s-expression board layout"),
        (["old.brd"], "old.brd: line 1: an older text layout found; allowed"),
        (["a.zip"], "a.zip: line 1: no text of a board found; allowed"),
        (
            ["sound.kicad_pcb", "--netlist", "agreed.kicad_pcb"],
            "agreed.kicad_pcb: line 1: (kicad_pcb found; allowed: an s-",
        ),
        (["sound.kicad_pcb", "--to", "nowhere"], "--to: no net, part or connector is called 'nowhere'; allowed: "),
        (["sound.kicad_pcb", "--svg", "none/map.svg"], "--svg none/map.svg: no such file or directory"),
    ],
)
def test_bad_input_is_one_clear_line(
    files: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, arguments: list[str], said: str
) -> None:
    (files / "cut.kicad_pcb").write_bytes(b"\n".join(layout(2024).split(b"\n")[:9]))
    (files / "old.brd").write_bytes(b"PCBNEW-BOARD Version 1 date 2011\n")
    (files / "a.zip").write_bytes(b"PK\x03\x04\0\0")
    monkeypatch.chdir(files)
    assert run(*arguments) == 2
    error = capsys.readouterr().err
    assert error.startswith(f"refettle: {said}")
    assert error.count("\n") == 1
