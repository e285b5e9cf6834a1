"""refettle job report: text, files, JSON, what is to be published; exit statuses."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from refettle.cli import job
from refettle.cli.main import main
from refettle.web.home import Home

Run = Callable[..., str]


@pytest.fixture
def run(db: None, own_folders: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run `refettle job`; the exit status is checked, what it printed is given, errors after it."""
    monkeypatch.setattr(job, "open_book", lambda: Home(own_folders))

    def go(*words: str, status: int = 0) -> str:
        assert main(["job", *words]) == status
        said = capsys.readouterr()
        return said.out + said.err

    go("new", "corrigan-duo", "--owner", "Ines Aldane", "--serial", "CD-20931")
    go("log", "1", "take-in", "said=Ines says it hums", "--who", "Ada Quill")
    return go


def test_text_and_status(run: Run) -> None:
    said = run("report", "1", status=1)
    assert "Not finished: the job stands at “take-in”" in said
    assert "nothing was tried, so nothing is claimed" in said
    assert "Polarity: not polarised" in said
    assert "Ada Quill" in run("report", "1", "--full", status=1)
    run("log", "1", "stage", "stage=handed over", "why=as agreed")
    assert "Reason written: as agreed" in run("report", "1", status=1)


def test_json_is_the_report(run: Run) -> None:
    found = json.loads(run("report", "1", "--json", status=1))
    assert found["unit"]["owner"] == "Ines Aldane"
    assert found["standing"]["ready"] is False
    assert found["proven"]["still_open"]
    public = json.loads(run("report", "1", "--json", "--publishable", status=1))
    assert public["unit"] | {"type": ""} == public["unit"] | {"type": "", "owner": "a customer", "serial": ""}
    assert public["came"]["said"] == "the owner says it hums"
    assert "Quill" not in json.dumps(public)


def test_files(run: Run, tmp_path: Path) -> None:
    pdf, html = tmp_path / "r.pdf", tmp_path / "r.html"
    said = run("report", "1", "--pdf", str(pdf), "--html", str(html), "--full", "--letter", status=1)
    assert f"Written: {pdf}" in said
    assert pdf.read_bytes().startswith(b"%PDF")
    text = html.read_text("utf-8")
    assert "size: letter" in text
    assert "Ines says it hums" in text
    assert 'src="http' not in text
    assert "no such file or directory" in run("report", "1", "--pdf", str(tmp_path / "no" / "r.pdf"), status=2)
    assert "no such job" in run("report", "7", status=2)
