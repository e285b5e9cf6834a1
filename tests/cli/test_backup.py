"""refettle backup, restore, job pack and unpack at the command line: what is refused, and by which exit status."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from refettle.book.backup_store import Store
from refettle.cli.main import main

pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")


def begun(folder: Path, *days: int) -> Path:
    kept = Store(folder)
    kept.begin()
    for day in days:
        file = folder.parent / "content"
        file.write_bytes(b"no database %d " % day * 50)
        sha256, size = kept.add(file)
        kept.write(
            {
                "format": "refettle backup", "version": 1, "made": f"2031-03-{day:02}T03:15:00+00:00",
                "refettle": "0.1.0", "database": {"sha256": sha256, "bytes": size, "tables": {}}, "files": [],
                "trouble": [], "jobs": {"1": {"entries": 7}}, "settings": {"REFETTLE_RATE": "412.50"},
                "book": "bench", "home": "/somewhere", "sums": [],
            }
        )  # fmt: skip
    return folder


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["backup", "verify", "{no}"], "is not there; put the disk in"),
        (["backup", "list", "{empty}"], "holds no backups; begin with"),
        (["backup", "verify", "{begun}", "--which", "2030"], "--which 2030: none found; allowed: one of 2031-03-01"),
        (["backup", "verify", "{begun}", "--which", "2031"], "allowed: one of 2031-03-01T03-15-00Z, 2031-03-02"),
        (["backup", "verify"], "allowed: one folder"),
        (["backup", "{begun}", "{empty}"], "allowed: one folder"),
        (["backup", "list", "{begun}", "--keep", "3"], "--keep with list"),
        (["backup", "{begun}", "--which", "2031-03-01"], "--which without verify"),
        (["backup", "{empty}"], "no bench book there to back up"),
        (["restore", "{no}"], "is not there"),
        (["restore", "{begun}", "--to", ""], "--to: nothing found"),
        (["restore", "{begun}", "--to", "{full}"], "holds other things"),
    ],
)
def test_refused_in_one_line(
    words: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("REFETTLE_HOME", str(tmp_path / "nowhere"))
    (tmp_path / "empty").mkdir()
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter").write_bytes(b"Dear Ada")
    begun(tmp_path / "begun", 1, 2)
    places = {name: str(tmp_path / name) for name in ("no", "empty", "begun", "full")}
    assert main([word.format(**places) for word in words]) == 2
    shown = capsys.readouterr()
    assert said in shown.err
    assert (shown.out, shown.err.count("\n")) == ("", 1)
    assert not (tmp_path / "nowhere").exists()


def test_keep_is_a_number(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for bad in ("0", "-1", "all"):
        with pytest.raises(SystemExit) as left:
            main(["backup", str(tmp_path), f"--keep={bad}"])
        assert left.value.code == 2
    assert "allowed: 1 to 100000" in capsys.readouterr().err


def test_list_and_dry_run_say_what_is_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = begun(tmp_path / "backups", 1, 2)
    assert main(["backup", "list", str(folder)]) == 0
    assert [line.split()[0] for line in capsys.readouterr().out.splitlines()] == [
        "backup", "2031-03-01T03-15-00Z", "2031-03-02T03-15-00Z",
    ]  # fmt: skip
    home = tmp_path / "home"
    assert main(["restore", str(folder), "--to", str(home), "--dry-run", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert (facts["name"], facts["jobs"], facts["entries"]) == ("2031-03-02T03-15-00Z", 1, 7)
    assert (facts["done"], facts["there"], facts["aside"]) == (False, [], "")
    assert not home.exists()
    (home / "types").mkdir(parents=True)
    (home / "types" / "own.yaml").write_text("x", encoding="utf-8")
    assert main(["restore", str(folder), "--to", str(home), "--dry-run"]) == 1
    shown = capsys.readouterr().out
    assert "In that folder is: 1 files in types" in shown
    assert "Without --replace this is refused." in shown
    assert "The book was used with REFETTLE_RATE=412.50; here it would be 30." in shown


def test_a_list_that_cannot_be_used_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = begun(tmp_path / "backups", 1, 2)
    (folder / "2031-03-02T03-15-00Z.json").write_text("{}", encoding="utf-8")
    assert main(["backup", "list", str(folder)]) == 1
    assert "its list is none of a backup" in capsys.readouterr().out
    assert main(["restore", str(folder), "--to", str(tmp_path / "home"), "--which", "2031-03-02"]) == 1
    assert main(["restore", str(folder), "--to", str(tmp_path / "home"), "--dry-run"]) == 0
    assert "2031-03-01T03-15-00Z would be" in capsys.readouterr().out


def test_a_restore_that_fails_leaves_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = begun(tmp_path / "backups", 1)  # its database is none
    before = sorted(tmp_path.iterdir())
    assert main(["restore", str(folder), "--to", str(tmp_path / "home")]) == 1
    assert "damaged" in capsys.readouterr().err
    assert sorted(tmp_path.iterdir()) == before
