"""refettle job listing, refettle job story: texts, archives, refusals and their exit statuses."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import pytest

from refettle.cli import job
from refettle.cli.main import main
from refettle.web.home import Home


@pytest.fixture(autouse=True)
def book(db: None, own_folders: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(job, "open_book", lambda: Home(own_folders))
    assert main(["job", "new", "corrigan-duo", "--serial", "CD-55810"]) == 0
    assert main(["job", "new", "corrigan-duo", "--owner", "Ines Aldane"]) == 0
    for number in ("1", "2"):
        assert main(["job", "log", number, "check", "check=picture", "outcome=no picture", "note=serial CD 55810"]) == 0
    capsys.readouterr()


def test_a_listing(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["job", "listing", "1"]) == 0
    said = capsys.readouterr()
    assert said.out.startswith("Corrigan Duo\n")
    assert "It has a fault. For repair, or for parts." in said.out
    assert "write the listing again when it is finished" in said.err
    assert main(["job", "listing", "1", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["sections"]["What fails"] == ["Composite picture: fails"]
    assert facts["text"] == said.out


def test_a_customers_unit_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["job", "listing", "2"]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert "allowed: own stock" in said.err
    assert main(["job", "listing", "2", "--json"]) == 1
    assert "allowed: own stock" in json.loads(capsys.readouterr().out)["refused"]


def test_a_story(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "story.zip"
    assert main(["job", "story", "1", "--out", str(out), "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert (facts["photos"], facts["bytes"]) == (0, out.stat().st_size)
    assert [scene["title"] for scene in facts["scenes"]] == ["Check"]
    with zipfile.ZipFile(out) as archive:
        assert b"55810" not in archive.read("job-1-story/story.md")
    assert main(["job", "story", "1", "--out", str(out)]) == 2
    assert "there is something already; allowed: a new file" in capsys.readouterr().err
    assert main(["job", "story", "1", "--out", str(tmp_path / "story.rar")]) == 2
    assert "allowed: a name that ends in .zip" in capsys.readouterr().err
    assert main(["job", "story", "1", "--out", str(tmp_path / "no" / "story.zip")]) == 2
    assert "no such file or directory" in capsys.readouterr().err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["story.zip"]
    assert main(["job", "story", "2", "--out", str(tmp_path / "two.zip")]) == 0
    assert "owner has agreed" in capsys.readouterr().err
