"""Board files kept by their hash: whole or not at all, and refused in words."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import pytest

from refettle.book import files


def test_kept_and_fetched(tmp_path: Path) -> None:
    sha256 = files.keep(b"ref,value\nC1,10u\n", tmp_path)
    assert files.fetch(sha256, tmp_path) == b"ref,value\nC1,10u\n"
    assert files.keep(b"ref,value\nC1,10u\n", tmp_path) == sha256
    assert [p.name for p in tmp_path.rglob("*") if p.is_file()] == [sha256]


@pytest.mark.parametrize(("data", "says"), [(b"", "an empty file found"), (b"x" * 11, "more than 0 MB found")])
def test_refused(data: bytes, says: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "MAX_BYTES", 10)
    with pytest.raises(files.FileError, match=says):
        files.read_upload(BytesIO(data))


def test_what_is_kept_is_refused_over_the_limit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "MAX_BYTES", 10)
    with pytest.raises(files.FileError, match="allowed"):
        files.keep(b"x" * 11, tmp_path)


def test_gone_or_changed(tmp_path: Path) -> None:
    sha256 = files.keep(b"C1", tmp_path)
    files.path_of(tmp_path, sha256).write_bytes(b"C2")
    with pytest.raises(files.FileError, match="no longer what was kept"):
        files.fetch(sha256, tmp_path)
    files.path_of(tmp_path, sha256).unlink()
    with pytest.raises(files.FileError, match="cannot be read"):
        files.fetch(sha256, tmp_path)


def test_no_other_paths(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="64 hexadecimal digits"):
        files.path_of(tmp_path, "../../etc/passwd")
