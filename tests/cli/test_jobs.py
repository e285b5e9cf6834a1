"""refettle job, against a book of its own in memory."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from refettle.cli import common, job
from refettle.cli.main import main
from refettle.web.home import Home

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(db: None, own_folders: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a command on the test database; gives exit status, output and error output."""
    monkeypatch.setattr(job, "open_book", lambda: Home(own_folders))

    def go(*words: str) -> tuple[int, str, str]:
        status = main(list(words))
        return status, *capsys.readouterr()

    return go


@pytest.fixture
def opened(run: Run) -> Run:
    assert run("job", "new", "larkmere-48", "--serial", "L48-0731", "--owner", "Ada Quill")[0] == 0
    return run


def as_json(result: tuple[int, str, str]) -> Any:
    assert result[2] == ""
    return json.loads(result[1])


def test_an_empty_bench_says_what_to_do(run: Run) -> None:
    assert run("job", "list") == (0, "No job is open. Take a unit in with: refettle job new TYPE\n", "")
    assert as_json(run("job", "list", "--json")) == []


def test_new(run: Run) -> None:
    assert run("job", "new", "larkmere-48")[1] == "Job 1 is open: Larkmere 48, owner Own stock.\n"
    facts = as_json(run("job", "new", "larkmere-48", "--owner", "Ada Quill", "--label", "grey", "--json"))
    assert (facts["job"], facts["owner"], facts["owner_kind"], facts["label"]) == (2, "Ada Quill", "customer", "grey")
    status, _, err = run("job", "new", "no-such")
    assert status == 2
    assert "allowed: a file, or one of " in err
    assert "Ada Quill" in run("job", "list")[1]


def test_a_type_of_ones_own(run: Run, own_folders: Path) -> None:
    from refettle.knowledge.loading import shipped_types

    text = shipped_types()["larkmere-48"].read_text(encoding="utf-8")
    (own_folders / "types" / "mine.yaml").write_text(text.replace("Larkmere 48", "Larkmere 48 late"), encoding="utf-8")
    assert "Larkmere 48 late" in run("job", "new", "mine")[1]
    assert "Larkmere 48 late" in run("job", "new", str(own_folders / "types" / "mine.yaml"))[1]


def test_log_one_entry(opened: Run) -> None:
    words = ("job", "log", "1", "check", "check=picture", "outcome=no picture", "minutes=2")
    status, out, err = opened(*words, "--at", "2031-03-02T10:15+01:00", "--who", "Bo")
    assert (status, out) == (0, "Job 1: written as entry 1.\n")
    assert "picture: written, though a gate was shut. Before power: the first power-on gate." in err.splitlines()
    assert as_json(opened("job", "log", "1", "note", "text=a = b", "--json")) == [{"job": 1, "n": 2, "kind": "note"}]
    first, second = (json.loads(line) for line in opened("job", "show", "1", "--log")[1].splitlines())
    assert first == {
        "n": 1,
        "at": "2031-03-02T09:15:00+00:00",
        "who": "Bo",
        "kind": "check",
        "check": "picture",
        "outcome": "no picture",
        "minutes": 2.0,
    }
    assert second["text"] == "a = b"
    assert second["who"]


def test_fields_go_down_levels() -> None:
    assert job.parse_fields(["a.b=1", "a.c d=2", "e="]) == {"a": {"b": "1", "c d": "2"}, "e": ""}
    for bad in (["novalue"], ["=x"], ["a..b=1"], ["a=1", "a=2"], ["a=1", "a.b=2"], ["a.b=1", "a=2"]):
        with pytest.raises(common.Refused, match="allowed: "):
            job.parse_fields(bad)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["1", "nonsense"], "kind 'nonsense' found; allowed: take-in"),
        (["1", "note"], "note text: nothing found"),
        (["1", "note", "text"], "'text' found; allowed: KEY=VALUE"),
        (["1", "check", "check=picture", "outcome=purple"], "outcome: 'purple' found"),
        (["1"], "give either KIND and its fields, or --file"),
        (["9", "note", "text=x"], "job 9: no such job; allowed: 1"),
        (["1", "note", "text=x", "--at", "noon"], "--at noon: allowed: a time such as"),
        (
            ["1", "note", "text=x", "--at", "9999-12-31T23:59-14:00"],
            "--at 9999-12-31T23:59-14:00: allowed: a time such as",
        ),
        (["1", "note", "text=x", "--who", " "], "who: "),
        (["1", "--file", "/no/such/file"], "--file /no/such/file: no such file or directory"),
    ],
)
def test_bad_entries_are_one_line_and_not_written(opened: Run, words: list[str], message: str) -> None:
    status, out, err = opened("job", "log", *words)
    assert (status, out) == (2, "")
    assert message in err
    assert err.count("\n") == 1
    assert opened("job", "show", "1", "--log")[1] == ""


def test_log_a_file(opened: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = (
        '{"at": "2031-03-02T10:00:00Z", "who": "Bo", "kind": "note", "text": "one"}\n'
        '{"kind": "note", "text": "no time, no name"}\n'
        '{"at": "2031-03-02T10:05:00Z", "who": "Bo", "kind": "correction", "corrects": 1}\n'
    )
    file = tmp_path / "log.jsonl"
    file.write_text(lines, encoding="utf-8")
    assert opened("job", "log", "1", "--file", str(file))[1] == "Job 1: written as entries 1 to 3.\n"
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(lines.encode())))
    assert opened("job", "log", "1", "--file", "-")[1] == "Job 1: written as entries 4 to 6.\n"
    log = [json.loads(line) for line in opened("job", "show", "1", "--log")[1].splitlines()]
    assert log[5]["corrects"] == 4
    assert not log[1]["at"].startswith("1970")
    assert log[1]["who"]


def test_a_bad_file_names_its_line_and_writes_nothing(opened: Run, tmp_path: Path) -> None:
    file = tmp_path / "log.jsonl"
    for text, message in (
        ('{"kind": "note", "text": "x"}\n{"kind": "note", "te', "line 2: "),
        ('{"kind": "note", "text": "x"}\n{"kind": "nonsense"}\n', "line 2: kind 'nonsense' found"),
    ):
        file.write_text(text, encoding="utf-8")
        status, _, err = opened("job", "log", "1", "--file", str(file))
        assert status == 2
        assert message in err
    file.write_bytes(b"\n\xff\xfe")
    assert "line 2: bytes that are no UTF-8" in opened("job", "log", "1", "--file", str(file))[2]
    file.write_text("")
    assert "nothing was written" in opened("job", "log", "1", "--file", str(file))[1]
    assert opened("job", "show", "1", "--log")[1] == ""


def test_show(opened: Run) -> None:
    opened("job", "log", "1", "check", "check=picture", "outcome=no picture")
    text = opened("job", "show", "1")[1]
    for word in ("Larkmere 48", "L48-0731", "Ada Quill", "fault finding", "Suspects", "no picture"):
        assert word in text
    facts = as_json(opened("job", "show", "1", "--json"))
    assert facts["stage"] == "fault finding"
    assert facts["log"][0]["outcome"] == "no picture"
    assert 0 < facts["suspects"][0]["chance"] <= 1
    assert opened("job", "show", "2")[0] == 2


def test_next_never_comes_without_its_cautions(opened: Run) -> None:
    status, text, _ = opened("job", "next", "1")
    facts = as_json(opened("job", "next", "1", "--json"))
    assert facts["state"] in ("find", "test")
    if facts["do"] is None:
        assert status == 1
        assert "No step can be taken now." in text
        return
    assert status == 0
    assert f"Next: {facts['do']['name']}" in text
    for caution in facts["do"]["cautions"]:
        assert f"CAUTION: {caution['name']}" in text
        assert " ".join(caution["defer"].split()) in text
        for line in caution["do"]:
            assert " ".join(line.split()) in text


def test_a_closed_job_leaves_the_bench(opened: Run) -> None:
    opened("job", "log", "1", "safety", "what=referred", "by=Tollgate Electrical")
    opened("job", "log", "1", "stage", "stage=handed over", "why=goes back as it came")
    assert "No job is open" in opened("job", "list")[1]
    assert "Larkmere 48" in opened("job", "list", "--all")[1]


def test_what_is_proven(opened: Run) -> None:
    status, text, _ = opened("job", "prove", "1")
    assert status == 1
    assert text.startswith("Of 30: 30 still open.")
    assert "CAUTION: Mains voltage" in text
    opened("job", "log", "1", "trial", "row=Starts with picture", "condition=cold", "good=5")
    facts = json.loads(opened("job", "prove", "1", "--json")[1])
    assert facts["statement"] == "of 30: 1 passed, 29 still open"
    assert facts["cells"][0]["status"] == "pass"
    assert facts["safety_holds"] is False
