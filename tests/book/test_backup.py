"""Backups: made while others write, cut off at any moment, verified, restored, thinned out."""

from __future__ import annotations

import hashlib
import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from refettle.book.backup_store import BackupError, Store, safe_path

HERE = Path(__file__).parent
CLEAN = {k: v for k, v in os.environ.items() if not k.startswith(("REFETTLE_", "DJANGO_"))}
Ran = subprocess.CompletedProcess[str]


def begin(variables: dict[str, str], *words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, *words],
        env={**CLEAN, "PYTHONPATH": os.pathsep.join([str(HERE), os.environ.get("PYTHONPATH", "")]), **variables},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def refettle(variables: dict[str, str], *words: str) -> Ran:
    run = begin(variables, "-m", "refettle.cli.main", *words)
    out, err = run.communicate(timeout=300)
    return Ran(words, run.returncode, out, err)


def jobs(variables: dict[str, str], *numbers: int) -> str:
    """What `job show` says of them, and their logs."""
    run = begin(variables, str(HERE / "show_all.py"), *map(str, numbers))
    out, err = run.communicate(timeout=300)
    assert run.returncode == 0, err
    return out


def shown(variables: dict[str, str], number: int) -> tuple[str, str]:
    """What `job show` says of a job, and its log."""
    out = jobs(variables, number)
    at = out.index("\n}\n") + 3
    return out[:at], out[at:]


def counted(folder: Path) -> list[str]:
    """Everything in a folder of backups but its lock."""
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file() and p.name != ".lock")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The variables of a filled book."""
    variables = {"REFETTLE_HOME": str(tmp_path_factory.mktemp("whole"))}
    run = begin(variables, str(HERE / "fill_whole.py"))
    _, err = run.communicate(timeout=300)
    assert run.returncode == 0, err
    (Path(variables["REFETTLE_HOME"]) / "types" / "own.yaml").write_text("unit_type: Own\n", encoding="utf-8")
    return variables


@pytest.mark.slow
def test_two_writers_do_not_disturb_a_backup(book_variables: dict[str, str], tmp_path: Path) -> None:
    opened = begin(book_variables, str(HERE / "open_one.py"))
    opened.communicate(timeout=60)
    assert opened.returncode == 0
    folder = tmp_path / "backups"
    writers = [begin(book_variables, str(HERE / "append_many.py"), "150", "2", tag) for tag in "AB"]
    seen = []
    while any(w.poll() is None for w in writers) and len(seen) < 6:
        run = refettle(book_variables, "backup", str(folder), "--json")
        assert run.returncode == 0, run.stderr
        seen.append(json.loads(run.stdout)["entries"])
        time.sleep(1.1)  # names are seconds
    said = [w.communicate(timeout=120) for w in writers]
    assert [err for _, err in said] == ["", ""]
    assert sum(len(out.splitlines()) for out, _ in said) == 600
    assert seen == sorted(seen)
    assert any(0 < n < 600 for n in seen), seen  # made while they were writing
    last = refettle(book_variables, "backup", str(folder), "--json")
    assert json.loads(last.stdout)["entries"] >= 600
    for name in Store(folder).names():
        run = refettle({}, "backup", "verify", str(folder), "--which", name)
        assert (run.returncode, run.stderr) == (0, ""), run.stdout + run.stderr
    home = tmp_path / "restored"
    assert refettle({}, "restore", str(folder), "--to", str(home)).returncode == 0
    assert jobs({"REFETTLE_HOME": str(home)}, 1) == jobs(book_variables, 1)


@pytest.mark.slow
def test_a_restored_book_is_equal_and_guarded(whole: dict[str, str], tmp_path: Path) -> None:
    folder, home = tmp_path / "backups", tmp_path / "new" / "home"
    made = refettle(whole, "backup", str(folder), "--json")
    assert made.returncode == 0, made.stderr
    dry = refettle({}, "restore", str(folder), "--to", str(home), "--dry-run")
    assert dry.returncode == 0, dry.stderr
    assert "would be in" in dry.stdout
    assert not home.exists()
    back = refettle({}, "restore", str(folder), "--to", str(home))
    assert back.returncode == 0, back.stderr
    restored = {"REFETTLE_HOME": str(home)}
    numbers = range(1, json.loads(made.stdout)["jobs"] + 1)
    assert jobs(restored, *numbers) == jobs(whole, *numbers)
    old = Path(whole["REFETTLE_HOME"])
    for place in ("files", "types", "kinds"):
        kept = {p.relative_to(old): p.read_bytes() for p in (old / place).rglob("*") if p.is_file()}
        assert {p.relative_to(home): p.read_bytes() for p in (home / place).rglob("*") if p.is_file()} == kept
    pictures = {p.name for p in (old / "photos").rglob("*") if p.name.count(".") == 1}
    assert pictures
    assert pictures <= {p.name for p in (home / "photos").rglob("*")}
    with closing(sqlite3.connect(home / "book.sqlite3")) as database:
        for change in ("UPDATE book_entry SET who = 'x'", "DELETE FROM book_entry", "DELETE FROM book_movement"):
            with pytest.raises(sqlite3.IntegrityError, match="append-only"):
                database.execute(change)
    # Nothing secret went along: the key is a new one.
    assert not any(p.name == "secret.key" for p in folder.rglob("*"))
    key = (old / "secret.key").read_bytes()
    assert not any(key in p.read_bytes() for p in folder.rglob("*") if p.is_file())


@pytest.mark.slow
def test_a_home_with_a_book_is_refused_or_moved_aside_never_deleted(whole: dict[str, str], tmp_path: Path) -> None:
    folder, home = tmp_path / "backups", tmp_path / "home"
    assert refettle(whole, "backup", str(folder)).returncode == 0
    here = {"REFETTLE_HOME": str(home)}
    assert refettle(here, "job", "new", "larkmere-48", "--label", "mine").returncode == 0
    before = jobs(here, 1)
    for more in ([], ["--dry-run"]):
        run = refettle(here, "restore", str(folder), *more)
        assert run.returncode == 2 - len(more)
        assert "a bench book of 1 jobs" in run.stdout + run.stderr
        assert jobs(here, 1) == before
    run = refettle(here, "restore", str(folder), "--replace")
    assert run.returncode == 0, run.stderr
    assert jobs(here, 1) == jobs(whole, 1) != before
    (aside,) = tmp_path.glob("home-before-restore-*")
    assert jobs({"REFETTLE_HOME": str(aside)}, 1) == before
    other = tmp_path / "other"
    other.mkdir()
    (other / "letter.txt").write_text("Dear Ada", encoding="utf-8")
    run = refettle({}, "restore", str(folder), "--to", str(other), "--replace")
    assert run.returncode == 2
    assert "holds other things" in run.stderr
    assert [p.name for p in other.iterdir()] == ["letter.txt"]


@pytest.mark.slow
def test_a_backup_that_is_killed_leaves_none(whole: dict[str, str], tmp_path: Path) -> None:
    folder = tmp_path / "backups"
    begun = time.monotonic()
    run = refettle(whole, "backup", str(folder), "--json")
    assert run.returncode == 0
    took_s = time.monotonic() - begun
    good = Store(folder).names()
    chance = random.Random(7)
    killed = 0
    for _ in range(6):
        for path in [*(folder / "objects").rglob("*")]:  # so that there is something to write
            if path.is_file() and chance.random() < 0.5:
                path.unlink()
        victim = begin(whole, "-m", "refettle.cli.main", "backup", str(folder))
        time.sleep(chance.uniform(0.3, 1.0) * took_s)
        killed += victim.poll() is None
        victim.send_signal(signal.SIGKILL)
        victim.communicate(timeout=30)
        for path in (folder / "objects").rglob("*"):
            if path.is_file() and len(path.name) == 64:  # what stands under a hash is whole
                assert hashlib.sha256(path.read_bytes()).hexdigest() == path.name
        for name in set(Store(folder).names()) - set(good):
            assert Store(folder).read(name).body is not None
            assert refettle({}, "backup", "verify", str(folder), "--which", name).returncode == 0
        good = Store(folder).names()
    assert killed >= 2
    time.sleep(1.1)  # names are seconds
    run = refettle(whole, "backup", str(folder), "--json")
    assert run.returncode == 0, run.stderr
    assert refettle({}, "backup", "verify", str(folder)).returncode == 0
    assert not list(folder.rglob(".new-*"))


@pytest.mark.slow
def test_photos_are_kept_once_and_what_is_lost_comes_from_an_earlier_backup(
    whole: dict[str, str], tmp_path: Path
) -> None:
    folder, home = tmp_path / "backups", tmp_path / "home"
    assert refettle(whole, "backup", str(folder)).returncode == 0
    assert refettle({}, "restore", str(folder), "--to", str(home)).returncode == 0
    here = {"REFETTLE_HOME": str(home)}
    first = counted(folder)
    time.sleep(1.1)
    assert refettle(here, "job", "log", "1", "note", "text=x").returncode == 0
    run = refettle(here, "backup", str(folder), "--json")
    assert run.returncode == 0, run.stderr
    new = set(counted(folder)) - set(first)
    assert len(new) == 2  # a database and a list
    lost = next(p for p in sorted((home / "photos").rglob("*.jpg")) if p.name.count(".") == 1)
    altered = next(p for p in sorted((home / "photos").rglob("*.jpg")) if p.name.count(".") == 1 and p != lost)
    content = lost.read_bytes()
    lost.unlink()
    altered.write_bytes(b"no photo")
    time.sleep(1.1)
    run = refettle(here, "backup", str(folder), "--json")
    assert run.returncode == 1
    trouble = json.loads(run.stdout)["trouble"]
    assert len(trouble) == 2
    assert all("taken over from an earlier backup" in line for line in trouble)
    again = tmp_path / "again"
    assert refettle({}, "restore", str(folder), "--to", str(again)).returncode == 0
    assert (again / lost.relative_to(home)).read_bytes() == content
    # The same book into another folder: there is no earlier backup there.
    run = refettle(here, "backup", str(tmp_path / "others"), "--json")
    assert run.returncode == 1
    assert all("in no earlier backup" in line for line in json.loads(run.stdout)["trouble"])


@pytest.mark.slow
def test_damage_is_found_and_healed(whole: dict[str, str], tmp_path: Path) -> None:
    folder = tmp_path / "backups"
    assert refettle(whole, "backup", str(folder)).returncode == 0
    (name,) = Store(folder).names()
    body: Any = Store(folder).read(name).body
    photo = next(each for each in body["files"] if each["path"].startswith("photos/"))
    path = Store(folder).path_of(photo["sha256"])
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    for _ in range(2):  # damaged, then set aside and missing
        run = refettle({}, "backup", "verify", str(folder), "--json")
        assert run.returncode == 1
        assert photo["path"] in json.loads(run.stdout)["wrong"][0]
    run = refettle({}, "restore", str(folder), "--to", str(tmp_path / "home"))
    assert run.returncode == 1
    assert "is missing" in run.stderr
    assert not (tmp_path / "home").exists()
    time.sleep(1.1)
    assert refettle(whole, "backup", str(folder)).returncode == 0  # copied anew
    for which in Store(folder).names():
        assert refettle({}, "backup", "verify", str(folder), "--which", which).returncode == 0
    listing = folder / f"{name}.json"
    listing.write_text(listing.read_text(encoding="utf-8").replace('"entries": 2', '"entries": 3', 1), encoding="utf-8")
    run = refettle({}, "restore", str(folder), "--which", name, "--to", str(tmp_path / "home"))
    assert run.returncode == 1
    assert "altered or is damaged" in run.stderr


@pytest.mark.slow
def test_a_log_that_came_back_otherwise_is_named(whole: dict[str, str], tmp_path: Path) -> None:
    """Every hash right, and yet another book: somebody made the backup's list fit an altered database."""
    folder = tmp_path / "backups"
    assert refettle(whole, "backup", str(folder)).returncode == 0
    kept = Store(folder)
    (name,) = kept.names()
    body: Any = kept.read(name).body
    altered = tmp_path / "altered.sqlite3"
    altered.write_bytes(kept.path_of(body["database"]["sha256"]).read_bytes())
    with closing(sqlite3.connect(altered)) as database, database:
        database.execute("DROP TRIGGER book_entry_no_update")
        database.execute("UPDATE book_entry SET who = 'Mallory' WHERE id = 3")
    sha256, size = kept.add(altered)
    body["database"] |= {"sha256": sha256, "bytes": size}
    (folder / f"{name}.json").unlink()
    kept.write(body)
    run = refettle({}, "backup", "verify", str(folder))
    assert run.returncode == 1
    assert "append-only guards (book_entry_no_update)" in run.stdout


@pytest.mark.slow
def test_a_full_disk_leaves_nothing_behind(whole: dict[str, str], tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=32m", "none", str(disk)], check=False, capture_output=True
    )
    if mounted.returncode:
        pytest.skip("no small disk can be made here")
    try:
        folder = disk / "backups"
        assert refettle(whole, "backup", str(folder)).returncode == 0
        before = counted(folder)
        (disk / "films").write_bytes(b"x" * 20_000_000)
        time.sleep(1.1)
        run = refettle(whole, "backup", str(folder))
        assert (run.returncode, run.stderr.count("\n")) == (1, 1)
        assert "the disk is full" in run.stderr
        assert "MB needed" in run.stderr  # seen beforehand
        assert counted(folder) == before
        run = begin(whole, str(HERE / "backup_full.py"), str(folder))  # and where it was not
        out, err = run.communicate(timeout=120)
        assert run.returncode == 0, err
        assert f"{folder}: the disk is full. No backup was made" in out
        assert counted(folder) == before
    finally:
        subprocess.run(["umount", str(disk)], check=False)


@pytest.mark.slow
def test_a_book_on_a_server_goes_into_a_file(whole: dict[str, str], tmp_path: Path, postgres_database: str) -> None:
    assert refettle(whole, "book", "move", "--to", postgres_database).returncode == 0
    server = {**whole, "REFETTLE_DATABASE": postgres_database}
    folder, home = tmp_path / "backups", tmp_path / "home"
    made = refettle(server, "backup", str(folder), "--json")
    assert made.returncode == 0, made.stderr
    assert refettle({}, "backup", "verify", str(folder)).returncode == 0
    assert refettle({}, "restore", str(folder), "--to", str(home)).returncode == 0
    numbers = range(1, json.loads(made.stdout)["jobs"] + 1)
    assert jobs({"REFETTLE_HOME": str(home)}, *numbers) == jobs(server, *numbers) == jobs(whole, *numbers)


# ---------------------------------------------------------------- the store alone


def backup_of(kept: Store, number: int, content: bytes, trouble: tuple[str, ...] = ()) -> str:
    file = kept.folder.parent / "content"
    file.write_bytes(content)
    sha256, size = kept.add(file)
    return kept.write(
        {
            "format": "refettle backup", "version": 1, "made": f"2031-03-{number:02}T03:15:00+00:00",
            "refettle": "1.0", "book": "ab" * 8, "home": "/home/ada/book", "settings": {}, "jobs": {}, "sums": [],
            "database": {"sha256": sha256, "bytes": size, "tables": {}}, "files": [], "trouble": list(trouble),
        }
    )  # fmt: skip


def begun(tmp_path: Path) -> Store:
    kept = Store(tmp_path / "backups")
    kept.begin()
    return kept


def test_old_backups_go_and_with_them_what_only_they_named(tmp_path: Path) -> None:
    kept = begun(tmp_path)
    names = [backup_of(kept, day, b"same" if day % 2 else b"of day %d" % day) for day in range(1, 8)]
    assert kept.thin_out(3) == names[:4]
    assert kept.names() == names[4:]
    left = {p.read_bytes() for p in (kept.folder / "objects").rglob("*") if p.is_file()}
    assert left == {b"same", b"of day 6"}


def test_the_last_good_backup_is_never_taken_away(tmp_path: Path) -> None:
    kept = begun(tmp_path)
    good = backup_of(kept, 1, b"good")
    for day in range(2, 6):
        backup_of(kept, day, b"of day %d" % day, ("a photo is missing",))
    gone = backup_of(kept, 6, b"gone")
    kept.path_of(hashlib.sha256(b"gone").hexdigest()).unlink()
    assert good not in kept.thin_out(2)
    assert kept.names() == [good, "2031-03-05T03-15-00Z", gone]
    assert kept.whole(kept.read(good))


def test_nothing_is_swept_while_a_list_cannot_be_read(tmp_path: Path) -> None:
    kept = begun(tmp_path)
    names = [backup_of(kept, day, b"of day %d" % day) for day in range(1, 4)]
    (kept.folder / f"{names[0]}.json").write_text("{", encoding="utf-8")
    kept.sweep()
    assert len([p for p in (kept.folder / "objects").rglob("*") if p.is_file()]) == 3
    assert kept.choose().name == names[2]


@pytest.mark.parametrize(
    ("which", "found"),
    [
        ("2031-03-02", "2031-03-02T03-15-00Z"),
        ("2031-03-02T03:15", "2031-03-02T03-15-00Z"),
        ("2031-03", ""),
        ("2030", ""),
    ],
)
def test_a_date_that_names_one_backup(which: str, found: str, tmp_path: Path) -> None:
    kept = begun(tmp_path)
    for day in (1, 2):
        backup_of(kept, day, b"%d" % day)
    if found:
        assert kept.choose(which).name == found
        return
    with pytest.raises(BackupError, match="allowed: one of 2031-03-01T03-15-00Z, 2031-03-02T03-15-00Z"):
        kept.choose(which)


def test_not_two_at_once(tmp_path: Path) -> None:
    first, second = begun(tmp_path), Store(tmp_path / "backups")
    with first.alone(), pytest.raises(BackupError, match="being used by another backup"), second.alone():
        pass
    with second.alone():
        pass


@pytest.mark.parametrize(
    "path",
    ["photos/../../x", "/photos/x", "photos", "book.sqlite3", "types//x", "types/./x", "types/a\\..\\b", "secret.key/x",
     "types/c:x", "types/x\n", "types/", "kinds/x.", ""],
)  # fmt: skip
def test_paths_that_lead_elsewhere(path: str) -> None:
    with pytest.raises(BackupError, match="allowed: a file in photos, files, types, kinds"):
        safe_path(path)
    assert str(safe_path("types/Ä own type.yaml")) == "types/Ä own type.yaml"
