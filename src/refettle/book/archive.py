"""One job as one file, for moving it to another bench: its log, unit type, photos and files.

```
job.json        what this is, the job, unit and owner, and of every other member its length and hash
log.jsonl       the entries, one a line
type.yaml       the unit type's text, as the job took it
library.json    what it uses of the library, as it was
photos/HASH.jpg (.png, .webp)
files/HASH
```

A zip file with members of these names, stored or deflated, and no others. `archive_reading` checks one,
`archive_unpack` takes it in.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal

from django.conf import settings
from django.utils import timezone
from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field

from refettle import __version__
from refettle.book import exchange, files, photos, store
from refettle.book.backup_facts import log_digest
from refettle.book.log import LogError, parse_time, write_jsonl
from refettle.book.models import Job, Owner, Photo
from refettle.book.personal import words_of
from refettle.book.whole import settle
from refettle.faults import ModelError
from refettle.knowledge.errors import KnowledgeError
from refettle.language import tr

HEAD, LOG, TYPE, LIBRARY = "job.json", "log.jsonl", "type.yaml", "library.json"
PHOTO_FIELDS, FILE_FIELDS = ("photo", "photos"), ("file", "netlist")
"""Fields of entries that name a photo or a file by its hash."""

Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Line = Annotated[str, Field(max_length=120, pattern=r"^[^\x00-\x1f\x7f]*$")]


def _kept(value: datetime) -> datetime:
    """A time as the log has it."""
    return parse_time(value)


Moment = Annotated[AwareDatetime, Field(strict=False), AfterValidator(_kept)]


class ArchiveError(ValueError):
    """A job that cannot be packed, or a file that cannot be unpacked. `status`: see the commands."""

    def __init__(self, message: str, status: int = 2) -> None:
        super().__init__(message)
        self.status = status


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Member(_Strict):
    """Of one member: its length and hash."""

    bytes: Annotated[int, Field(ge=0, le=2_000_000_000)]
    sha256: Sha256


class PackedOwner(_Strict):
    """Whose unit it is."""

    name: Annotated[Line, Field(min_length=1)]
    contact: Annotated[str, Field(max_length=1000, pattern=r"^[^\x00]*$")] = ""


class PackedType(_Strict):
    """The unit type, by the names that the book keeps it under."""

    slug: Annotated[Line, Field(min_length=1, pattern=r"^[^/\\]+$")]
    file: Annotated[str, Field(max_length=500, pattern=r"^[^\x00-\x1f\x7f/\\]+$")]
    sha256: Sha256


class PackedPhoto(_Strict):
    """What the book knows of a photo beside its file."""

    sha256: Sha256
    format: Literal["JPEG", "PNG", "WEBP"]
    taken_at: Moment | None = None


class Head(_Strict):
    """`job.json`."""

    format: Literal["refettle job"]
    version: Literal[1]
    refettle: Line
    made: Moment
    bench: Annotated[str, Field(pattern=r"^[0-9a-f]{8,64}$")]
    job: Annotated[int, Field(ge=1, le=2_000_000_000)]
    opened: Moment
    serial: Line
    label: Line
    owner_kind: Literal["customer", "own stock"]
    owner: PackedOwner | None
    type: PackedType
    entries: Annotated[int, Field(ge=0, le=100_000)]
    log: Sha256
    photos: Annotated[list[PackedPhoto], Field(max_length=10_000)]
    missing: Annotated[list[Sha256], Field(max_length=10_000)]
    members: Annotated[dict[str, Member], Field(max_length=10_010)]


@dataclass(frozen=True)
class Packed:
    """A job that was packed. `missing`: hashes that its log names and the book has not; `naming`: entries whose words
    may name an owner who was left out, and `label`, if the unit's label may."""

    job: int
    file: str
    entries: int
    photos: int
    files: int
    bytes: int
    missing: tuple[str, ...]
    naming: tuple[int, ...]
    label: str = ""


def named(entries: Iterable[Mapping[str, Any]], fields: Iterable[str]) -> list[str]:
    """Hashes that entries name under these fields, also inside corrections, each once, in order."""
    found: dict[str, None] = {}
    for entry in entries:
        for content in (entry, entry.get("with") or {}):
            for name in fields:
                value = content.get(name)
                for each in value.values() if isinstance(value, dict) else [value]:
                    if isinstance(each, str) and len(each) == 64:
                        found[each] = None
    return list(found)


def pack(job: Job, file: Path, *, owner: bool = True) -> Packed:
    """Write a job into a new file, whole or not at all.

    Parameters
    ----------
    job : Job
    file : path
        A new file.
    owner : bool
        False: name and contact of the owner are left out. What entries say in words stays as it is.

    Raises
    ------
    ArchiveError
        The file is there, or the job's log no longer replays.
    OSError
        It cannot be written.
    """
    if file.exists():
        raise ArchiveError(tr("{file}: a file found; allowed: a new one", file=file))
    log = store.entries(job)
    try:
        store.job_state(job)
    except (LogError, KnowledgeError, ModelError) as error:
        raise ArchiveError(
            tr(
                "job {number} no longer replays: {error}; put its log right by a correction",
                number=job.number,
                error=error,
            ),
            1,
        ) from None
    rows = {p.sha256: p for p in Photo.objects.filter(sha256__in=named(log, PHOTO_FIELDS))}
    there = dict(_contents(log, rows))
    wanted = {*named(log, PHOTO_FIELDS), *named(log, FILE_FIELDS)}
    missing = sorted(wanted - {Path(name).name.partition(".")[0] for name in there})
    version = job.unit.type_version
    texts = {LOG: write_jsonl(log).encode(), TYPE: version.text.encode(), LIBRARY: version.library.encode()}
    members = {name: Member(bytes=len(t), sha256=hashlib.sha256(t).hexdigest()) for name, t in texts.items()}
    for name, path in there.items():
        members[name] = Member(bytes=path.stat().st_size, sha256=Path(name).name.partition(".")[0])
    head = Head(
        format="refettle job", version=1, refettle=__version__, made=timezone.now().replace(microsecond=0),
        bench=exchange.identity().bench, job=job.number, opened=job.opened,
        serial=_line(job.unit.serial), label=_line(job.unit.label),
        owner_kind="customer" if job.unit.owner.kind == Owner.Kind.CUSTOMER else "own stock",
        owner=PackedOwner(name=_line(job.unit.owner.name), contact=job.unit.owner.contact) if owner else None,
        type=PackedType(slug=_line(version.slug), file=_name(version.file), sha256=version.sha256),
        entries=len(log), log=log_digest(log), missing=missing, members=members,
        photos=[
            PackedPhoto(sha256=p.sha256, format=p.format, taken_at=p.taken_at)  # type: ignore[arg-type]
            for p in sorted(rows.values(), key=lambda p: p.sha256) if p.sha256 not in missing
        ],
    )  # fmt: skip
    _write(file, head, texts, there)
    naming = [] if owner else list(_naming(job, log))
    pictures = sum(name.startswith("photos/") for name in there)
    size = file.stat().st_size
    return Packed(
        job.number, str(file), len(log), pictures, len(there) - pictures, size, tuple(missing), tuple(naming),
        "" if owner or not _names(job, job.unit.label) else job.unit.label,
    )  # fmt: skip


def _line(text: str) -> str:
    return "".join(letter if letter.isprintable() else " " for letter in text)


def _name(file: str) -> str:
    """A file's name without its folders, which say how somebody's disk is kept."""
    return _line(file.replace("\\", "/").rpartition("/")[2]) or "type.yaml"


def _contents(log: list[dict[str, Any]], rows: Mapping[str, Photo]) -> Iterator[tuple[str, Path]]:
    """Photos and files that are there and as they were kept: name in the archive, and where it lies."""
    for sha256, photo in rows.items():
        path = photos.original_path(settings.REFETTLE_PHOTOS, sha256, photo.format)
        if _is(path, sha256):
            yield f"photos/{path.name}", path
    for sha256 in named(log, FILE_FIELDS):
        path = files.path_of(settings.REFETTLE_FILES, sha256)
        if _is(path, sha256):
            yield f"files/{sha256}", path


def _is(path: Path, sha256: str) -> bool:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest() == sha256
    except OSError:
        return False


def _naming(job: Job, log: list[dict[str, Any]]) -> Iterator[int]:
    for entry in log:
        if _names(job, {k: v for k, v in entry.items() if k not in ("n", "at", "kind")}):
            yield entry["n"]


def _names(job: Job, said: Any) -> bool:
    """True if words may name the job's owner, who is a customer."""
    owner = job.unit.owner
    if owner.kind != Owner.Kind.CUSTOMER:
        return False
    return bool(words_of(owner.name, owner.contact, "").scrub_all(said) != said)


def _write(file: Path, head: Head, texts: Mapping[str, bytes], there: Mapping[str, Path]) -> None:
    handle, part = tempfile.mkstemp(prefix=".new-", dir=file.parent)
    try:
        with os.fdopen(handle, "wb") as out:
            with zipfile.ZipFile(out, "w") as archive:
                archive.writestr(_info(HEAD), head.model_dump_json(indent=1).encode())
                for name, text in texts.items():
                    archive.writestr(_info(name), text)
                for name, path in there.items():
                    info = _info(name, zipfile.ZIP_STORED if name.startswith("photos/") else zipfile.ZIP_DEFLATED)
                    info.file_size = path.stat().st_size
                    with path.open("rb") as source, archive.open(info, "w") as target:
                        while block := source.read(1 << 20):
                            target.write(block)
            out.flush()
            os.fsync(out.fileno())
        settle(Path(part), file)
    finally:
        Path(part).unlink(missing_ok=True)


def _info(name: str, method: int = zipfile.ZIP_DEFLATED) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    info.compress_type = method
    info.external_attr = 0o100600 << 16
    return info


def at_of(entry: Mapping[str, Any]) -> datetime:
    """When an entry was written."""
    return datetime.fromisoformat(entry["at"])


__all__ = ["ArchiveError", "Head", "Member", "Packed", "at_of", "named", "pack"]
