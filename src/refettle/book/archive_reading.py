"""A packed job checked through and through, before anything of it is kept. The file may come from anybody.

Names are held against the few that are allowed, so that none leads out of its place; lengths are bounded as declared
and as found; every content is held against its hash; photos, unit type and log are read as if they were new.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import stat
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from itertools import accumulate
from pathlib import Path
from typing import IO, Any

from django.conf import settings
from pydantic import ValidationError

from refettle.book import photos
from refettle.book.archive import FILE_FIELDS, HEAD, LIBRARY, LOG, PHOTO_FIELDS, TYPE, ArchiveError, Head, named
from refettle.book.backup_facts import log_digest
from refettle.book.log import LogError, holds_nul, parse_time, read_jsonl
from refettle.book.replay import replay
from refettle.knowledge.compile import compile_type
from refettle.knowledge.errors import KnowledgeError
from refettle.knowledge.loading import LoadedType, library_from_text, parse_unit_type
from refettle.language import tr

MOST_BYTES = 2_000_000_000
"""Of the zip file, and of all it holds together [byte]: a choice."""
MOST_MEMBERS = 10_010
TEXTS = {HEAD: 5_000_000, LOG: 100_000_000, TYPE: 2_000_000, LIBRARY: 20_000_000}
"""The members that are text, and how long each may be [byte]."""
KEPT = re.compile(r"photos/[0-9a-f]{64}\.(jpg|png|webp)|files/[0-9a-f]{64}")
BRACKETS = re.compile(r"[][{}]")
MOST_DEPTH = 60
"""Brackets within brackets in a line of JSON: entries have five or so."""
ALLOWED = f"{HEAD}, {LOG}, {TYPE}, {LIBRARY}, photos/HASH.jpg (.png, .webp), files/HASH"
DAMAGED = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError, OSError)


@dataclass(frozen=True)
class Checked:
    """A packed job in which nothing was found wrong. `sizes`: format, width and height of each photo."""

    head: Head
    entries: tuple[dict[str, Any], ...]
    loaded: LoadedType
    text: str
    library: str
    sizes: dict[str, tuple[str, int, int]]


def check(archive: zipfile.ZipFile) -> Checked:
    """All checks. Raises ArchiveError with the first thing that is wrong."""
    infos = _members(archive)
    head = _head(_text(archive, infos[HEAD]))
    if set(head.members) != set(infos) - {HEAD}:
        odd = min(set(head.members) ^ (set(infos) - {HEAD}))
        if odd in head.members:
            raise ArchiveError(tr("{odd}: found only in {head}", odd=odd[:100], head=HEAD))
        raise ArchiveError(tr("{odd}: found, and not in {head}", odd=odd[:100], head=HEAD))
    loaded, text, library = _unit_type(archive, infos, head)
    entries = _log(archive, infos, head)
    _replays(loaded, entries)
    sizes = _contents(archive, infos, head, entries)
    return Checked(head, tuple(entries), loaded, text, library, sizes)


def open_archive(file: Path | IO[bytes], name: str = "") -> zipfile.ZipFile:
    """The zip file, open; `name`: what an open file is called in messages. Raises ArchiveError."""
    name = str(file) if isinstance(file, Path) else name
    try:
        if isinstance(file, Path):
            if not file.is_file():
                raise ArchiveError(tr("{name}: no file found; allowed: a packed job", name=name))
            size = file.stat().st_size
        else:
            size = file.seek(0, os.SEEK_END)
        if size > MOST_BYTES:
            raise ArchiveError(
                tr(
                    "{name}: more than {most_bytes:.0f} GB found; allowed: at most that",
                    name=name,
                    most_bytes=MOST_BYTES / 1e9,
                )
            )
        return zipfile.ZipFile(file)
    except DAMAGED as error:
        if isinstance(error, ArchiveError):
            raise
        raise ArchiveError(
            tr("{name}: no zip file, or a damaged one ({error}); allowed: a packed job", name=name, error=_short(error))
        ) from None


def _short(error: Exception) -> str:
    return (next(iter(str(error).splitlines()), "") or type(error).__name__)[:200]


# ---------------------------------------------------------------- members


def _members(archive: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
    infos = archive.infolist()
    if len(infos) > MOST_MEMBERS:
        raise ArchiveError(
            tr("{infos} members found; allowed: at most {most_members}", infos=len(infos), most_members=MOST_MEMBERS)
        )
    found: dict[str, zipfile.ZipInfo] = {}
    for info in infos:
        name = info.orig_filename
        if info.filename != name or (name not in TEXTS and not KEPT.fullmatch(name)):
            raise ArchiveError(tr("member {name!r} found; allowed: {allowed}", name=name[:100], allowed=ALLOWED))
        if name in found:
            raise ArchiveError(tr("member {name} found twice; allowed: once", name=name))
        mode = info.external_attr >> 16
        if stat.S_IFMT(mode) not in (0, stat.S_IFREG) or info.is_dir():
            raise ArchiveError(tr("{name}: a link, folder or device found; allowed: a plain file", name=name))
        if info.flag_bits & 0x1:
            raise ArchiveError(tr("{name}: encrypted; allowed: a member that can be read", name=name))
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise ArchiveError(
                tr(
                    "{name}: packed by method {compress_type}; allowed: stored or deflated",
                    name=name,
                    compress_type=info.compress_type,
                )
            )
        most = _most(name)
        if info.file_size > most:
            raise ArchiveError(
                tr(
                    "{name}: {file_size} bytes declared; allowed: at most {most}",
                    name=name,
                    file_size=info.file_size,
                    most=most,
                )
            )
        found[name] = info
    lacking = [name for name in TEXTS if name not in found]
    if lacking:
        raise ArchiveError(tr("{lacking}: missing; allowed: a packed job", lacking=lacking[0]))
    total = sum(info.file_size for info in infos)
    if total > MOST_BYTES:
        raise ArchiveError(
            tr("{total} bytes declared in all; allowed: at most {most_bytes}", total=total, most_bytes=MOST_BYTES)
        )
    _apart(infos)
    return found


def _apart(infos: list[zipfile.ZipInfo]) -> None:
    """No member's bytes are another's as well: that is how a small file claims to hold very much."""
    end = 0
    for info in sorted(infos, key=lambda info: info.header_offset):
        if info.header_offset < end:
            raise ArchiveError(
                tr("{filename}: lies over another member; allowed: each in a place of its own", filename=info.filename)
            )
        end = info.header_offset + 30 + info.compress_size


def _most(name: str) -> int:
    if name in TEXTS:
        return TEXTS[name]
    return photos.MAX_BYTES if name.startswith("photos/") else int(settings.REFETTLE_MAX_RECORDING_BYTES)


def blocks(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> Iterator[bytes]:
    """A member's bytes, never more than it declared. Raises ArchiveError."""
    size = 0
    try:
        with archive.open(info) as member:
            while block := member.read(1 << 18):
                size += len(block)
                if size > info.file_size:
                    raise ArchiveError(
                        tr(
                            "{filename}: more than the {file_size} bytes declared",
                            filename=info.filename,
                            file_size=info.file_size,
                        )
                    )
                yield block
    except DAMAGED as error:
        if isinstance(error, ArchiveError):
            raise
        raise ArchiveError(tr("{name}: damaged ({error})", name=info.filename, error=_short(error))) from None
    if size != info.file_size:
        raise ArchiveError(
            tr(
                "{filename}: {size} bytes found; {file_size} were declared",
                filename=info.filename,
                size=size,
                file_size=info.file_size,
            )
        )


def _text(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> bytes:
    return b"".join(blocks(archive, info))


def _json(data: bytes | str, what: str) -> Any:
    """JSON without names given twice, without NaN, not too deep. Raises ArchiveError."""
    brackets = BRACKETS.findall(data if isinstance(data, str) else data.decode("utf-8", "replace"))
    deepest = max(accumulate((1 if each in "[{" else -1 for each in brackets), initial=0))
    if deepest > MOST_DEPTH * 5:
        raise ArchiveError(
            tr(
                "{what}: brackets {deepest} deep found; allowed: at most {most_depth}",
                what=what,
                deepest=deepest,
                most_depth=MOST_DEPTH * 5,
            )
        )
    try:
        return json.loads(data, object_pairs_hook=_once, parse_constant=_number)
    except (ValueError, RecursionError) as error:
        raise ArchiveError(tr("{what}: no JSON that can be read: {error}", what=what, error=_short(error))) from None


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError(tr("a field found twice"))
    return found


def _number(name: str) -> float:
    raise ValueError(tr("{name} is no number here", name=name))


# ---------------------------------------------------------------- what they say


def _head(data: bytes) -> Head:
    plain = _json(data, HEAD)
    if isinstance(plain, dict) and plain.get("format") == "refettle job" and plain.get("version") not in (1, None):
        raise ArchiveError(
            tr(
                "{head}: version {version} found; allowed: 1; it may be of a later Refettle",
                head=HEAD,
                version=str(plain["version"])[:20],
            )
        )
    try:
        head = Head.model_validate(plain)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=True)[0]
        where = ".".join(str(part)[:70] for part in first["loc"]) or tr("the whole")
        raise ArchiveError(
            tr(
                "{head}: {where}: {input!r} found; {msg}",
                head=HEAD,
                where=where,
                input=str(first["input"])[:60],
                msg=first["msg"],
            )
        ) from None
    if holds_nul(plain):
        raise ArchiveError(
            tr("{kind} {field}: the character U+0000 found; allowed: text", kind=HEAD, field=tr("the whole"))
        )
    return head


def _unit_type(archive: zipfile.ZipFile, infos: dict[str, zipfile.ZipInfo], head: Head) -> tuple[LoadedType, str, str]:
    texts = []
    for name in (TYPE, LIBRARY):
        data = _matching(archive, infos, head, name)
        try:
            texts.append(data.decode("utf-8"))
        except UnicodeDecodeError:
            raise ArchiveError(tr("{name}: bytes that are no UTF-8; allowed: text in UTF-8", name=name)) from None
    text, library = texts
    if hashlib.sha256(f"{text}\0{library}".encode()).hexdigest() != head.type.sha256:
        raise ArchiveError(
            tr("{type}: with {library} not the unit type that {head} names", type=TYPE, library=LIBRARY, head=HEAD)
        )
    _json(library, LIBRARY)
    try:
        loaded = parse_unit_type(text, head.type.file, library_from_text(library))
    except KnowledgeError as error:
        raise ArchiveError(f"{TYPE}: {_short(error)}") from None
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise ArchiveError(
            tr("{library}: no library of block kinds that can be read: {error}", library=LIBRARY, error=_short(error))
        ) from None
    return loaded, text, library


def _matching(archive: zipfile.ZipFile, infos: dict[str, zipfile.ZipInfo], head: Head, name: str) -> bytes:
    data = _text(archive, infos[name])
    if hashlib.sha256(data).hexdigest() != head.members[name].sha256 or len(data) != head.members[name].bytes:
        raise ArchiveError(tr("{name}: not what {head} says of it: altered or damaged", name=name, head=HEAD))
    return data


def _log(archive: zipfile.ZipFile, infos: dict[str, zipfile.ZipInfo], head: Head) -> list[dict[str, Any]]:
    data = _matching(archive, infos, head, LOG)
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        raise ArchiveError(tr("{log}: bytes that are no UTF-8; allowed: text in UTF-8", log=LOG)) from None
    lines = [line for line in text.split("\n") if line.strip()]
    raw = []
    for number, line in enumerate(lines, start=1):
        raw.append(_json(line, tr("{log}: line {number}", log=LOG, number=number)))
    try:
        checked = read_jsonl(text)
    except (LogError, RecursionError) as error:
        raise ArchiveError(f"{LOG}: {_short(error)}") from None
    entries = []
    for number, (written, entry) in enumerate(zip(raw, checked, strict=True), start=1):
        if written.get("n") != number or isinstance(written["n"], bool):
            raise ArchiveError(
                tr(
                    "{log}: line {number}: n {n} found; allowed: {number}",
                    log=LOG,
                    number=number,
                    n=str(written.get("n"))[:20],
                )
            )
        if not isinstance(written.get("at"), str) or not str(written.get("who") or "").strip():
            raise ArchiveError(
                tr("{log}: line {number}: at or who missing; allowed: both in every entry", log=LOG, number=number)
            )
        if not _same({**written, "at": 0}, {**entry, "at": 0}):
            raise ArchiveError(
                tr("{log}: line {number}: not in the form that a bench book keeps it in", log=LOG, number=number)
            )
        entries.append({**written, "at": parse_time(written["at"]).isoformat()})
    if len(entries) != head.entries or log_digest(entries) != head.log:
        raise ArchiveError(
            tr(
                "{log}: {entries} entries found, not the {entries_2} that {head} says: altered",
                log=LOG,
                entries=len(entries),
                entries_2=head.entries,
                head=HEAD,
            )
        )
    return entries


def _same(a: Any, b: Any) -> bool:
    """Equal, and 1 is not true."""
    if isinstance(a, dict) and isinstance(b, dict):
        return a.keys() == b.keys() and all(_same(a[key], b[key]) for key in a)
    if isinstance(a, list) and isinstance(b, list):
        return len(a) == len(b) and all(_same(x, y) for x, y in zip(a, b, strict=True))
    return bool(a == b) and isinstance(a, bool) == isinstance(b, bool)


def _replays(loaded: LoadedType, entries: list[dict[str, Any]]) -> None:
    try:
        compiled = compile_type(loaded, float(settings.REFETTLE_RATE))
        replay(compiled, entries).refuse_impossible()
    except (KnowledgeError, LookupError, ValueError) as error:  # a type and a library that do not belong together, too
        raise ArchiveError(tr("{log}: does not replay: {error}", log=LOG, error=_short(error))) from None


# ---------------------------------------------------------------- photos and files


def _contents(
    archive: zipfile.ZipFile, infos: dict[str, zipfile.ZipInfo], head: Head, entries: list[dict[str, Any]]
) -> dict[str, tuple[str, int, int]]:
    pictures, kept = named(entries, PHOTO_FIELDS), named(entries, FILE_FIELDS)
    there = {name.partition("/")[2].partition(".")[0] for name in infos if name not in TEXTS}
    if odd := sorted(there - {*pictures, *kept}):
        raise ArchiveError(
            tr("{hash}…: found, and no entry names it; allowed: photos and files of the log", hash=odd[0][:12])
        )
    if odd := sorted({*pictures, *kept} - there - set(head.missing)):
        raise ArchiveError(tr("{odd}…: missing, though an entry names it", odd=odd[0][:12]))
    told = {photo.sha256: photo for photo in head.photos}
    sizes: dict[str, tuple[str, int, int]] = {}
    for name, info in infos.items():
        if name in TEXTS:
            continue
        sha256 = name.partition("/")[2].partition(".")[0]
        picture = name.startswith("photos/")
        hashed, data = hashlib.sha256(), []
        for block in blocks(archive, info):
            hashed.update(block)
            if picture:
                data.append(block)
        said = head.members[name]
        if hashed.hexdigest() != sha256 or said.sha256 != sha256 or said.bytes != info.file_size or not said.bytes:
            raise ArchiveError(tr("{name}: not what its name says: altered or damaged", name=name))
        if not picture:
            continue
        try:
            sizes[sha256] = photos.as_kept(b"".join(data))
        except photos.PhotoError as error:
            raise ArchiveError(f"{name}: {error}") from None
        wanted = photos.original_path(Path("photos"), sha256, sizes[sha256][0]).name
        if sha256 not in told or told[sha256].format != sizes[sha256][0] or name != f"photos/{wanted}":
            raise ArchiveError(
                tr(
                    "{name}: a {sizes} photo found, which {head} does not say",
                    name=name,
                    sizes=sizes[sha256][0],
                    head=HEAD,
                )
            )
    if extra := sorted(set(told) - set(sizes)):
        raise ArchiveError(
            tr("{head}: photos: {extra}… found; allowed: photos that are in the file", head=HEAD, extra=extra[0][:12])
        )
    return sizes


def opened(archive: zipfile.ZipFile, name: str) -> IO[bytes]:
    """A member that was checked, to be read again."""
    return BytesIO(_text(archive, archive.getinfo(name))) if name.startswith("photos/") else archive.open(name)
