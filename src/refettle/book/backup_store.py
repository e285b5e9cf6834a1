"""The folder that holds backups: contents once each under their SHA-256, beside one dated list for each backup.

```
refettle-backups.txt           what this folder is, and how to get at it without Refettle
objects/ab/abcd...             one content: a database, a photo, a file, a unit type
2031-03-02T03-15-00Z.json      one backup (time in UTC): which contents it is made of, and where each belongs
```

A backup is there when its list is there, and the list is put in its place last, whole and synced. What a run that was
cut off left behind is no backup, and the next run takes it away. No database and no framework.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Any

from refettle.book.backup_list import wrong_in
from refettle.book.locks import NO_LOCKS, is_held, lock
from refettle.book.whole import settle, write_whole

FORMAT, VERSION = "refettle backup", 1
MARK = "refettle-backups.txt"
NAME = re.compile(r"\d{4}-\d\d-\d\dT\d\d-\d\d-\d\dZ")
SHA256 = re.compile(r"[0-9a-f]{64}")
FOLDERS = ("photos", "files", "types", "kinds")
"""Of the data folder; what is in them is kept in backups."""
MOST_LIST_BYTES = 500_000_000
TOLD = """\
This folder holds backups of a Refettle bench book.

With Refettle:       refettle backup list FOLDER
                     refettle backup verify FOLDER
                     refettle restore FOLDER --dry-run

Without it:          each DATE.json is one backup. It names a database (SQLite 3) and files, each by the SHA-256 of
                     its content; that content is the file objects/FIRST-TWO-DIGITS/SHA-256.

Owners' names and contacts are in the database: keep this folder where you would keep the book.
"""


class BackupError(Exception):
    """A backup that cannot be made, read or restored; says what, why and what to do. `status`: see the commands."""

    def __init__(self, message: str, status: int = 1) -> None:
        super().__init__(message)
        self.status = status


@dataclass(frozen=True)
class Listed:
    """One backup in the folder. `body` is None where its list cannot be used; `wrong` says why."""

    name: str
    body: dict[str, Any] | None
    wrong: str = ""

    @property
    def made(self) -> datetime:
        """When, by its name."""
        return made_at(self.name)


def made_at(name: str) -> datetime:
    """The time that a backup's name says."""
    return datetime.strptime(name, "%Y-%m-%dT%H-%M-%SZ").replace(tzinfo=UTC)


def digest(body: dict[str, Any]) -> str:
    """The hash of a list without its own."""
    rest = {k: v for k, v in body.items() if k != "sha256"}
    return hashlib.sha256(json.dumps(rest, sort_keys=True, ensure_ascii=True).encode("ascii")).hexdigest()


def safe_path(text: str) -> PurePosixPath:
    """A path inside the data folder, as a list names it. Raises BackupError for any other."""
    parts = text.split("/")
    odd = any(p in ("", ".", "..") or not p.isprintable() or set(p) & set('\\:*?"<>|') for p in parts)
    if odd or len(parts) < 2 or parts[0] not in FOLDERS or len(text) > 400 or parts[-1].endswith((".", " ")):
        raise BackupError(f"path '{text[:80]}' found; allowed: a file in {', '.join(FOLDERS)}")
    return PurePosixPath(text)


class Store:
    """A folder of backups."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.made: list[Path] = []
        """Contents that this run put there, to be taken away if it fails."""

    # ------------------------------------------------------------ the folder

    @property
    def begun(self) -> bool:
        """True if backups were kept here before."""
        return (self.folder / MARK).is_file()

    def begin(self) -> None:
        """Make the folder ready. Raises BackupError when it is not one to use."""
        if self.begun:
            return
        if self.folder.is_dir() and any(p.name != "lost+found" for p in self.folder.iterdir()):
            raise BackupError(f"{self.folder} holds other things; allowed: a new or empty folder, or one of backups", 2)
        if not self.folder.parent.is_dir():
            raise BackupError(f"{self.folder.parent} is not there; allowed: a folder in one that is (a disk put in)", 2)
        self.folder.mkdir(mode=0o700, exist_ok=True)
        write_whole(self.folder / MARK, TOLD.encode())

    def need(self) -> None:
        """See that backups are here. Raises BackupError."""
        if not self.folder.is_dir():
            raise BackupError(f"{self.folder} is not there; put the disk in, or name the folder of the backups", 2)
        if not self.begun and not self.names():
            raise BackupError(f"{self.folder} holds no backups; begin with: refettle backup {self.folder}", 2)

    @contextmanager
    def alone(self) -> Iterator[None]:
        """No second run in the same folder meanwhile. Raises BackupError."""
        handle = None
        try:
            handle = os.open(self.folder / ".lock", os.O_RDWR | os.O_CREAT, 0o600)
            lock(handle)
        except OSError as error:
            if error.errno not in NO_LOCKS or is_held(error):
                if handle is not None:
                    os.close(handle)
                raise BackupError(f"{self.folder} is being used by another backup; try again when it is over") from None
        try:
            yield
        finally:
            if handle is not None:
                os.close(handle)

    # ------------------------------------------------------------ contents

    def path_of(self, sha256: str) -> Path:
        """Where a content lies."""
        if not SHA256.fullmatch(sha256):
            raise BackupError(f"'{sha256[:80]}' found; allowed: a sha256 of 64 hexadecimal digits")
        return self.folder / "objects" / sha256[:2] / sha256

    def size(self, sha256: str) -> int | None:
        """How long a content is; None where it is not here."""
        try:
            path = self.path_of(sha256)
            return path.stat().st_size if path.is_file() else None
        except FileNotFoundError:
            return None

    def temporary(self) -> Path:
        """A new empty file that becomes a content, or goes."""
        objects = self.folder / "objects"
        objects.mkdir(exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=".new-", dir=objects)
        os.close(handle)
        return Path(name)

    def add(self, source: Path) -> tuple[str, int]:
        """Copy a file in; gives the hash of what was read, and its length. There whole or not at all."""
        part = self.temporary()
        try:
            hashed = hashlib.sha256()
            with source.open("rb") as file, part.open("wb") as out:
                while block := file.read(1 << 20):
                    hashed.update(block)
                    out.write(block)
                size = out.tell()
                out.flush()
                os.fsync(out.fileno())
            sha256 = hashed.hexdigest()
            self.settle(part, sha256, size)
        finally:
            part.unlink(missing_ok=True)
        return sha256, size

    def settle(self, part: Path, sha256: str, size: int) -> None:
        """Put a synced temporary file in as this content, unless it is there."""
        path = self.path_of(sha256)
        if self.size(sha256) == size:
            return
        path.parent.mkdir(exist_ok=True)
        new = not path.exists()
        settle(part, path)
        if new:
            self.made.append(path)

    def take_back(self) -> None:
        """Take away what this run put there."""
        for path in self.made:
            path.unlink(missing_ok=True)
        self.made.clear()

    # ------------------------------------------------------------ lists

    def names(self) -> list[str]:
        """The backups, oldest first."""
        return sorted(p.stem for p in self.folder.glob("*.json") if NAME.fullmatch(p.stem) and p.is_file())

    def read(self, name: str) -> Listed:
        """One backup's list, checked against its own hash."""
        path = self.folder / f"{name}.json"
        try:
            if path.stat().st_size > MOST_LIST_BYTES:
                return Listed(name, None, "its list is too long")
            body = json.loads(path.read_bytes())
        except (OSError, ValueError, RecursionError) as error:
            return Listed(name, None, f"its list cannot be read: {error}")
        if not isinstance(body, dict) or body.get("format") != FORMAT:
            return Listed(name, None, "its list is none of a backup")
        if isinstance(body.get("version"), int) and body["version"] > VERSION:
            return Listed(name, None, f"it was made by a later version of Refettle ({body.get('refettle')})")
        if body.get("sha256") != digest(body):
            return Listed(name, None, "its list was altered or is damaged")
        if wrong := wrong_in(body):
            return Listed(name, None, f"its list cannot be used: {wrong}")
        return Listed(name, body)

    def every(self) -> list[Listed]:
        """All backups, oldest first."""
        return [self.read(name) for name in self.names()]

    def choose(self, which: str = "") -> Listed:
        """The backup that a date names; without one, the newest that can be used. Raises BackupError."""
        self.need()
        names = self.names()
        if not names:
            raise BackupError(f"{self.folder} holds no backups yet", 2)
        if not which:
            every = [listed for listed in self.every() if listed.body is not None]
            if not every:
                raise BackupError(f"{self.folder}: {names[-1]}: {self.read(names[-1]).wrong}; no other can be used")
            return every[-1]
        wanted = which.replace(":", "-").replace(" ", "T")
        found = [name for name in names if name.startswith(wanted)]
        if len(found) != 1:
            said = ", ".join(found) if found else "none"
            allowed = ", ".join((found or names)[-8:])
            raise BackupError(f"--which {which}: {said} found; allowed: one of {allowed}", 2)
        listed = self.read(found[0])
        if listed.body is None:
            raise BackupError(f"{listed.name}: {listed.wrong}")
        return listed

    def write(self, body: dict[str, Any]) -> str:
        """Put a backup's list in its place: from now on it is there. Gives its name."""
        now = datetime.fromisoformat(body["made"]).astimezone(UTC)
        name = f"{now:%Y-%m-%dT%H-%M-%SZ}"
        if (self.folder / f"{name}.json").exists():
            raise BackupError(f"{self.folder} has a backup of this very second; try again")
        body["sha256"] = digest(body)
        write_whole(self.folder / f"{name}.json", json.dumps(body, ensure_ascii=False, indent=1).encode())
        self.made.clear()
        return name

    # ------------------------------------------------------------ old ones

    def whole(self, listed: Listed) -> bool:
        """True if nothing was lacking when it was made, and all its contents are here, by their length."""
        if listed.body is None or listed.body["trouble"]:
            return False
        return all(self.size(sha256) == size for sha256, size in contents(listed.body).items())

    def thin_out(self, keep: int) -> list[str]:
        """Take away backups beyond the newest `keep`, never the newest whole one; and contents that none names."""
        every = self.every()
        last = next((each.name for each in reversed(every) if self.whole(each)), None)
        gone = [each.name for each in every[:-keep] if last is not None and each.name != last]
        for name in gone:
            (self.folder / f"{name}.json").unlink()
        self.sweep()
        return gone

    def sweep(self) -> None:
        """Take away contents that no backup names. Nothing, where a list cannot be read: it may name them."""
        objects = self.folder / "objects"
        every = self.every()
        if not objects.is_dir() or any(each.body is None for each in every):
            return
        named = {sha256 for each in every if each.body is not None for sha256 in contents(each.body)}
        for shelf in objects.iterdir():
            if shelf.is_dir():
                for path in shelf.iterdir():
                    if SHA256.fullmatch(path.name) and path.name not in named:
                        path.unlink()

    def clear_unfinished(self) -> None:
        """Take away temporary files of a run that was cut off."""
        for folder in (self.folder, self.folder / "objects"):
            for path in folder.glob(".new-*"):
                path.unlink(missing_ok=True)


def contents(body: dict[str, Any]) -> dict[str, int]:
    """Every content that a backup is made of: hash -> length."""
    every = [body["database"], *body["files"]]
    return {each["sha256"]: each["bytes"] for each in every}
