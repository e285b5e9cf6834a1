"""refettle find, from a unit type and a log file to the next step."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from refettle.knowledge.loading import shipped_types
from tests.cli.beside import as_json, go, in_process, refused
from tests.knowledge.small import SMALL

DEAD = '{"kind": "check", "check": "picture", "outcome": "no picture", "at": "2031-03-02T10:00:00+01:00"}\n'


RADIO_DEAD = '{"kind": "check", "check": "dial_lamp", "outcome": "dark"}\n'


@pytest.fixture(autouse=True)
def empty_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("REFETTLE_HOME", str(tmp_path / "home"))


@pytest.fixture
def log(tmp_path: Path) -> Path:
    file = tmp_path / "log.jsonl"
    file.write_text(DEAD)
    return file


def test_for_people(tmp_path: Path, log: Path) -> None:
    log.write_text(RADIO_DEAD)
    run = go(tmp_path / "home", "find", "wexcombe-table", "--log", str(log))
    text = run.stdout.decode()
    assert (run.returncode, run.stderr) == (0, b"")
    assert text.startswith("chance  block\n")
    assert "Left out: " in text
    # The gate first, then the step with its cautions before what to do.
    words = ("\nFirst: ", "\nNext: ", "CAUTION: Mains voltage", "Expected ")
    gate, step, caution, how = (text.index(word) for word in words)
    assert gate < step < caution < how
    assert "After that, in order: " in text
    assert not (tmp_path / "home").exists()  # it needs no bench book, and makes none


def test_as_json_from_standard_input(tmp_path: Path) -> None:
    run = go(tmp_path, "find", "larkmere-48", "--log", "-", "--json", "--one-step", "--customer", fed=DEAD.encode())
    facts = as_json(run)
    assert run.returncode == 0
    assert (facts["type"], facts["state"]) == ("Larkmere 48", "find")
    assert facts["do"]["open"] is False
    assert facts["gate"] == facts["do"]["bars"][0]
    assert sum(m["chance"] for s in facts["suspects"] for m in s["modes"]) > 0.9
    chances = [s["chance"] for s in facts["suspects"]]
    assert chances == sorted(chances, reverse=True)
    assert facts["misfit"]["fits"] is True
    assert 0 <= facts["honesty"]["left_out_probably"] <= facts["honesty"]["left_out_at_most"] <= 1
    steps = {step["id"]: step for step in facts["steps"]}
    assert "give up" in steps
    for step in steps.values():
        cautions = {c["id"] for c in step["cautions"]}
        named = {bar["what"].removeprefix("caution:") for bar in step["bars"] if bar["what"].startswith("caution:")}
        assert named <= cautions
        assert step["open"] is (step["bars"] == [])
    once = [step for step in steps.values() if not step["undo"]]
    assert once
    assert all({"proof", "consent"} <= {bar["kind"] for bar in step["bars"]} for step in once)


def test_evidence_that_fits_nothing_and_a_unit_that_works(
    tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    file = tmp_path / "log.jsonl"
    good = [{"kind": "check", "check": c, "outcome": "good"} for c in ("picture", "sound")]
    odd = {"kind": "check", "check": "rail5.out-volts", "outcome": "no volts"}
    file.write_text("".join(json.dumps(e) + "\n" for e in [good[0], odd, good[1]]))
    run = in_process(capfdbinary, "find", "larkmere-48", "--log", str(file), "--one-step")
    assert run.returncode == 0
    assert b"No set of modelled causes explains all entries; entry 2 disagrees most." in run.stdout
    days = [
        {"kind": "check", "check": c, "outcome": "good", "at": f"2031-03-{day:02}T10:00:00Z"}
        for day in range(1, 10)
        for c in ("sound", "dial_lamp")
    ]
    file.write_text("".join(json.dumps(e) + "\n" for e in days))
    run = in_process(capfdbinary, "find", "wexcombe-table", "--log", str(file), "--one-step")
    assert (run.returncode, run.stderr) == (0, b"")
    assert b"Every look says it works. Prove it." in run.stdout
    assert b"No step can be taken" not in run.stdout
    file.write_text("")
    facts = as_json(in_process(capfdbinary, "find", "wexcombe-table", "--log", str(file), "--json", "--one-step"))
    assert (facts["state"], facts["misfit"]) == ("test", None)


def test_the_bench_rate_counts(capfdbinary: pytest.CaptureFixture[bytes], log: Path) -> None:
    def give_up(rate: str) -> float:
        log.write_text(RADIO_DEAD)
        words = ("find", "wexcombe-table", "--log", str(log), "--json", "--one-step", "--rate", rate)
        steps = as_json(in_process(capfdbinary, *words))["steps"]
        return float(next(s["expected_minutes"] for s in steps if s["id"] == "give up"))

    assert give_up("20") == pytest.approx(3 * give_up("60"))


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (
            b'{"kind": "check", "check": "picture", "outc',
            "line 1: text that is no JSON object (the line looks cut off)",
        ),
        (DEAD.encode() * 2 + b"hum\n", "line 3: text that is no JSON object"),
        (b'{"kind": "check", "check": "picture", "outcome": "purple"}', "entry 1: outcome: 'purple' found; allowed: "),
        (b'{"kind": "chekc"}', "line 1: kind 'chekc' found; allowed: take-in, "),
        (b'{"kind": "note", "text": "caf\xe9"}', "line 1: bytes that are no UTF-8; allowed: text in UTF-8"),
        (b"\x00\x01\x02", "line 1: text that is no JSON object"),
        (b"[" * 100_000, "line 1: text that is no JSON object"),
        (b'{"kind": "time", "minutes": 1e999}', "line 1: time minutes: inf found; allowed: a finite number"),
        (b'{"kind": "correction", "corrects": 1}', "line 1: corrects: 1 found; allowed: the number of an earlier"),
        (b'{"kind": "gear", "gear": "\\u001b[2J", "outcome": "good"}', "entry 1: gear: "),
    ],
)
def test_a_bad_log_is_one_line(
    content: bytes, says: str, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    file = tmp_path / "log.jsonl"
    file.write_bytes(content)
    line = refused(in_process(capfdbinary, "find", "larkmere-48", "--log", str(file)))
    assert str(file) in line
    assert says in line


def test_other_bad_input_is_one_line(tmp_path: Path, log: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    def line(*words: str) -> str:
        return refused(in_process(capfdbinary, "find", *words))

    assert line("larkmere-48", "--log", str(tmp_path / "none")).endswith("no such file or directory")
    assert line("larkmere-48", "--log", str(tmp_path)).endswith("is a directory")
    assert "allowed: a file, or one of " in line("no-such", "--log", str(log))
    for rate in ("0", "-1", "nan", "inf"):
        assert line("larkmere-48", "--log", str(log), "--rate", rate).startswith(f"--rate {float(rate):g} found; ")
    heavy = tmp_path / "heavy.yaml"
    heavy.write_text(SMALL.replace("{kind: reservoir}", "{kind: reservoir, weight: 100}"))
    assert "present in 55 of 100 units" in line(str(heavy), "--log", str(log))
    with pytest.raises(SystemExit) as stop:
        in_process(capfdbinary, "find", "larkmere-48")
    assert stop.value.code == 2


def test_a_name_too_long_for_a_file(tmp_path: Path, log: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    assert "allowed: a file, or one of " in refused(in_process(capfdbinary, "find", "a" * 300, "--log", str(log)))


@pytest.mark.parametrize("slug", sorted(shipped_types()))
def test_every_shipped_type(slug: str, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    empty = tmp_path / "empty.jsonl"
    empty.write_text("\n")
    run = in_process(capfdbinary, "find", slug, "--log", str(empty), "--one-step")
    assert (run.returncode, run.stderr) == (0, b"")
    assert b"Next: " in run.stdout
