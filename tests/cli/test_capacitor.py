"""refettle capacitor: health, substitute, discharge, clean."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from refettle.book.log import CheckMade
from refettle.cli.main import main

Caps = pytest.CaptureFixture[str]


def run(caps: Caps, *words: str, status: int = 0) -> str:
    assert main(["capacitor", *words]) == status
    return caps.readouterr().out


def test_a_reading_becomes_an_entry(capsys: Caps) -> None:
    out = run(
        capsys, "health", "1000u 16V aluminium", "--esr", "0.9@100", "--check", "reservoir.esr", "--bad", "high",
        "--json", status=1,
    )  # fmt: skip
    facts = json.loads(out)
    assert facts["verdict"]["says"] == "bad"
    assert [each["id"] for each in facts["cautions"]] == ["mains", "charged-capacitor"]
    entry = facts["entry"]
    assert entry["likelihood"]["high"] == 1
    assert "at 100" in entry["value"]
    given = {key: value for key, value in entry.items() if key != "kind"}
    assert set(given) <= set(CheckMade.model_fields)


def suspicion(caps: Caps, tmp_path: Path, *entries: str) -> float:
    """Of the reservoir, after a complaint of no picture and these entries."""
    lines = ['{"kind": "complaint", "point": "picture", "outcome": "no picture"}', *entries]
    heads = [{"at": "2031-03-02T10:15:00+01:00", "who": "Ada Quill", **json.loads(line)} for line in lines]
    log = tmp_path / "log.jsonl"
    log.write_text("\n".join(json.dumps(each) for each in heads), encoding="utf-8")
    main(["find", "larkmere-48", "--log", str(log), "--json"])
    suspects = json.loads(caps.readouterr().out)["suspects"]
    return float(next(each["chance"] for each in suspects if each["block"] == "reservoir"))


def test_the_entry_moves_the_suspicion(capsys: Caps, tmp_path: Path) -> None:
    check = ("--check", "reservoir.esr", "--bad", "high")
    part = ("health", "2200u 25V aluminium", "--esr")
    bad = run(capsys, *part, "0.9@100", *check, status=1).splitlines()[-1]
    good = run(capsys, *part, "0.03@100", *check).splitlines()[-1]
    before = suspicion(capsys, tmp_path)
    assert suspicion(capsys, tmp_path, bad) > 3 * before
    assert suspicion(capsys, tmp_path, good) < before


def test_risk_as_text(capsys: Caps) -> None:
    out = run(capsys, "health", "22u 16V aluminium surface", "--made", "1992", "--now", "2026", "--low-voltage")
    assert out.startswith("CAUTION: Charged capacitors")
    assert "CAUTION: Mains" not in out
    assert "replace it while the unit is open" in out
    assert "estimate" in out


def test_cautions_come_before_anything_else(capsys: Caps) -> None:
    for words in (
        ("discharge", "220u", "325"),
        ("substitute", "100u 25V aluminium", "--with", "100u 25V 105C aluminium"),
        ("health", "100u 25V aluminium", "--seen", "leaked"),
        ("clean", "alkaline cell"),
    ):
        main(["capacitor", *words])
        assert capsys.readouterr().out.startswith("CAUTION: ")


def test_substitutes(capsys: Caps) -> None:
    words = ["substitute", "100n X2 275V film", "--place", "mains", "--safety", "X", "--low-voltage"]
    facts = json.loads(run(capsys, *words, "--with", "100n 630V film", "--json", status=1))
    assert facts["candidates"][0]["says"] == "refused"
    assert "mains" in [each["id"] for each in facts["cautions"]]
    out = run(capsys, *words, "--with", "100n 630V film", "--with", "100n X2 310V film")
    assert out.index("ACCEPTABLE: 100n X2 310V film") < out.index("REFUSED: 100n 630V film")


def test_a_list_of_candidates(capsys: Caps, tmp_path: Path) -> None:
    file = tmp_path / "list.txt"
    file.write_text("# drawer 3\n100u 35V 105C aluminium\n\n100u 10V 105C aluminium\n", encoding="utf-8")
    text = run(capsys, "substitute", "100u 25V 85C aluminium", "--place", "rail", "--list", str(file))
    assert "BETTER: 100u 35V" in text
    assert "REFUSED: 100u 10V" in text


def test_discharge(capsys: Caps) -> None:
    facts = json.loads(run(capsys, "discharge", "220u", "340", "2k2", "--leaked", "--json"))
    assert facts["energy"] == pytest.approx(12.7, rel=0.01)
    assert [each["id"] for each in facts["cautions"]] == ["mains", "charged-capacitor", "leaked-electrolyte"]
    assert "measure" in run(capsys, "discharge", "220u", "340")


def test_clean(capsys: Caps) -> None:
    assert "vinegar" in run(capsys, "clean", "alkaline cell")
    assert json.loads(run(capsys, "clean", "capacitor", "--json"))["alkaline"] is False


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (["health", "100u 25V aluminium"], "nothing to go by"),
        (["health", "100u 25V aluminium", "--esr", "0.8"], "--esr: '0.8' found"),
        (["health", "100u 25V aluminium", "--esr", "x@100"], "--esr: 'x' found"),
        (["health", "100u 25V aluminium", "--esr", "1@0"], "--esr: frequency 0"),
        (["health", "100u 25V aluminium", "--leakage", "1u"], "--leakage: '1u' found"),
        (["health", "100u 25V", "--made", "1984"], "no kind found"),
        (["health", "100u 25V aluminium", "--made", "1984", "--check", "a.b"], "--check without a reading"),
        (["health", "100u 25V aluminium", "--seen", "clean", "--bad", "high"], "--bad without --check"),
        (["substitute", "100u 25V aluminium"], "no candidate"),
        (["substitute", "100u 25V aluminium", "--with", "100u 25V aluminium", "--place", "roof"], "place 'roof'"),
        (["substitute", "100u 25V aluminium", "--list", "/nowhere/at/all"], "no such file"),
        (["discharge", "220u", "25k"], "Picture tubes"),
        (["discharge", "220x", "25"], "FARAD: "),
        (["clean", "blood"], "leak 'blood'"),
    ],
)
def test_bad_input_is_one_clear_line(words: list[str], names: str, capsys: Caps) -> None:
    assert main(["capacitor", *words]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert names in said
