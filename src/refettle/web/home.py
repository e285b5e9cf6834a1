"""The data folder: where it is, what is in it, and making it on first start.

```
book.sqlite3    the bench book
photos/         photos by the hash of their content
files/          board layouts, parts lists and netlists by the hash of their content
types/          the bench's own unit-type files
kinds/          the bench's own block-kind files
secret.key      signs cookies; made on first start
```
"""

from __future__ import annotations

import os
import secrets
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

KEY_LENGTH = 50


class HomeError(Exception):
    """The data folder cannot be used; one line says which, why, and what to do."""


@dataclass(frozen=True)
class Home:
    """Paths inside the data folder."""

    folder: Path

    @property
    def database(self) -> Path:
        return self.folder / "book.sqlite3"

    @property
    def photos(self) -> Path:
        return self.folder / "photos"

    @property
    def files(self) -> Path:
        return self.folder / "files"

    @property
    def types(self) -> Path:
        return self.folder / "types"

    @property
    def kinds(self) -> Path:
        return self.folder / "kinds"

    @property
    def key(self) -> Path:
        return self.folder / "secret.key"


def default_folder(environ: Mapping[str, str], platform: str = sys.platform) -> Path:
    """The folder for a user's data on this platform, with 'refettle' in it."""
    user = Path(environ.get("HOME") or environ.get("USERPROFILE") or Path.home())
    if platform == "win32":
        return Path(environ.get("LOCALAPPDATA") or user / "AppData" / "Local") / "Refettle"
    if platform == "darwin":
        return user / "Library" / "Application Support" / "Refettle"
    data = environ.get("XDG_DATA_HOME", "")
    # The XDG rule: a relative path there is to be ignored.
    return (Path(data) if data and Path(data).is_absolute() else user / ".local" / "share") / "refettle"


def prepare(home: Home) -> None:
    """Make the folder, what belongs in it, and the key, where they are missing.

    Raises
    ------
    HomeError
        The folder cannot be made or written to.
    """
    try:
        # Owners' names and contacts are nobody else's business on a shared machine.
        home.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        for folder in (home.photos, home.files, home.types, home.kinds):
            folder.mkdir(exist_ok=True)
        probe = home.folder / f".write-test-{os.getpid()}"
        probe.write_bytes(b"")
        probe.unlink()
        if not home.key.exists():
            _make_key(home.key)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise HomeError(
            f"The data folder {home.folder} cannot be written: {reason}. "
            "Make it writable, or set REFETTLE_HOME to a folder that is."
        ) from None


def _make_key(path: Path) -> None:
    """Write a new key, readable by its owner only; whoever comes second keeps the first one's."""
    temporary = path.with_name(f".secret-{os.getpid()}")
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "w", encoding="ascii") as file:
        file.write(secrets.token_urlsafe(KEY_LENGTH))
        file.flush()
        os.fsync(file.fileno())
    try:
        os.link(temporary, path)
    except FileExistsError:
        pass
    except OSError:  # a file system without hard links
        if not path.exists():
            os.replace(temporary, path)
            return
    temporary.unlink()


def read_key(home: Home) -> str | None:
    """The key, or None before the first start.

    Raises
    ------
    HomeError
        The key file is there but cannot be read or is too short to be one.
    """
    try:
        key = home.key.read_text(encoding="ascii").strip()
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise HomeError(f"{home.key} cannot be read: {error}. Delete it and a new one is made.") from None
    if len(key) < KEY_LENGTH:
        raise HomeError(
            f"{home.key} holds {len(key)} characters; allowed: {KEY_LENGTH} or more. Delete it and a new one is made."
        )
    return key
