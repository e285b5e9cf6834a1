"""A job's story for those who film and write: photos in the order of time, with what was found and done between them.

Leaves out money, words between bench and owner, bookkeeping, who wrote what, and by `personal` names, contact and
serials in every text. `story` collects it, `parts` writes it as files one after the other, `packed` as a ZIP archive
in pieces: of the photos only a piece is in memory at a time.
"""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import IO, Any

from refettle.book.handover_photos import photos_of
from refettle.book.handover_public import PRIVATE_KINDS, WARNING
from refettle.book.listing import tidy
from refettle.book.log import LogEntry
from refettle.book.personal import PersonalWords
from refettle.book.state import JobState
from refettle.book.turning import turning_points
from refettle.language import mark, tr

BOOKKEEPING = frozenset(
    {"caution", "came-over", "time", "timer", "experience", "access", "want", "proof", "board", "capacitor", "returned",
     "go-ahead", "warranty", "saved"}
)  # fmt: skip
"""Entries that tell no story."""
LEFT_OUT = PRIVATE_KINDS | BOOKKEEPING
SECONDS, TURNING_SECONDS = 6.0, 10.0
"""How long a photo stands in the captions file, and one at a turning point [s]: choices."""
PIECE = 1 << 18
CONSENT = mark(
    "The unit is a customer's. Publish nothing of it before its owner has agreed, in words that can be shown; that "
    "consent is kept in the book only if you note it."
)
Describe = Callable[[str, Mapping[str, Any]], tuple[str, str]]
"""Of an entry's kind and fields: what it is called, and what it says."""


@dataclass(frozen=True)
class Scene:
    """One thing that happened. `photo`: the name of its file in the archive; `turning`: what turned there."""

    n: int
    at: datetime
    title: str
    text: str
    note: str = ""
    photo: str = ""
    sha256: str = ""
    turning: str = ""


@dataclass(frozen=True)
class Story:
    """A job's story. `warnings` come first; `missing` are photos of the log whose files are not in the book."""

    job: int
    title: str
    scenes: tuple[Scene, ...]
    warnings: tuple[str, ...]
    missing: tuple[int, ...] = ()

    @property
    def shots(self) -> tuple[Scene, ...]:
        """The scenes that have a photo."""
        return tuple(scene for scene in self.scenes if scene.photo)

    @property
    def turns(self) -> tuple[Scene, ...]:
        """The scenes where something turned."""
        return tuple(scene for scene in self.scenes if scene.turning)


def story(
    state: JobState,
    job: int,
    words: PersonalWords,
    describe: Describe,
    endings: Mapping[str, str],
    zone: tzinfo,
    *,
    customer: bool,
    without: frozenset[int] = frozenset(),
) -> Story:
    """The story of a job.

    Parameters
    ----------
    state : JobState
    job : int
        Its number.
    words : PersonalWords
        What is not to be published of it.
    describe : callable
        Puts an entry in words.
    endings : mapping
        sha256 of each photo whose file is there -> the ending of its name.
    zone : tzinfo
        Of the bench.
    customer : bool
        The unit is a customer's: then its owner's consent is asked for.
    without : frozenset of int
        Numbers of entries whose photos are left out.
    """
    turns = turning_points(state)
    photos = [photo for photo in photos_of(state.entries) if photo.n not in without]
    there = [photo for photo in photos if photo.sha256 in endings]
    digits = max(3, len(str(len(there))))
    scenes: list[Scene] = []
    for number, photo in enumerate(there, start=1):
        name = f"photos/{number:0{digits}d}.{endings[photo.sha256]}"
        caption = words.scrub(tidy(photo.caption))
        scenes.append(Scene(photo.n, photo.at.astimezone(zone), tr("Photo"), caption, photo=name, sha256=photo.sha256))
    for entry in state.entries:
        if entry.void or entry.kind in LEFT_OUT or entry.kind == "photo":
            continue
        title, text = describe(entry.kind, entry.data)
        note = str(entry.data.get("note", "") or _why(entry))
        turn = turns.get(entry.n, "")
        title, text, note, turn = (words.scrub(tidy(each)) for each in (title, text, note, turn))
        scenes.append(Scene(entry.n, entry.at.astimezone(zone), title, text, note, turning=turn))
    warnings = ([tr(CONSENT)] if customer else []) + [tr(WARNING)]
    missing = tuple(photo.n for photo in photos if photo.sha256 not in endings)
    if missing:
        warnings.append(
            tr(
                "Files of photos are missing from the photos folder: entries {entries}.",
                entries=", ".join(map(str, missing)),
            )
        )
    ordered = sorted(scenes, key=lambda scene: (scene.at, scene.n, bool(scene.photo)))
    return Story(job, words.scrub(state.compiled.loaded.name), tuple(ordered), tuple(warnings), missing)


def _why(entry: LogEntry) -> str:
    return str(entry.data.get("why", "")) if entry.kind in ("stage", "cell", "part-in") else ""


def facts(made: Story) -> dict[str, Any]:
    """The story as plain values, for JSON."""
    return {
        "job": made.job,
        "title": made.title,
        "warnings": list(made.warnings),
        "photos": len(made.shots),
        "photos_missing": list(made.missing),
        "turning_points": [{"entry": s.n, "at": s.at.isoformat(), "what": s.turning} for s in made.turns],
        "scenes": [
            {
                "entry": s.n,
                "at": s.at.isoformat(),
                "title": s.title,
                "text": s.text,
                "note": s.note,
                "photo": s.photo,
                "turning": s.turning,
            }
            for s in made.scenes
        ],
    }


# ---------------------------------------------------------------- files


def parts(made: Story) -> Iterator[tuple[str, str]]:
    """The text files of the archive: name and content."""
    yield "story.md", markdown(made)
    yield "shots.csv", shot_list(made)
    yield "captions.vtt", captions(made)


def markdown(made: Story) -> str:
    """The story in Markdown (CommonMark), photos in their places."""
    lines = [f"# {_marked(made.title)}", ""]
    lines += [f"> {_marked(warning)}\n" for warning in made.warnings]
    if made.turns:
        lines += [f"## {tr('Turning points')}", ""]
        lines += [f"- {s.at:%Y-%m-%d %H:%M}: {_marked(_said(s))} **{_marked(s.turning)}**" for s in made.turns] + [""]
    day = None
    for scene in made.scenes:
        if scene.at.date() != day:
            day = scene.at.date()
            lines += [f"## {day:%Y-%m-%d}", ""]
        if scene.photo:
            caption = _marked(scene.text or tr("without a caption"))
            lines += [f"![{caption}]({scene.photo})", "", f"*{scene.at:%H:%M} {caption}*", ""]
            continue
        note = f" {_marked(scene.note)}" if scene.note else ""
        turn = f" **{_marked(scene.turning)}**" if scene.turning else ""
        lines += [f"{scene.at:%H:%M} {_marked(_said(scene))}{note}{turn}", ""]
    if not made.scenes:
        lines += [tr("Nothing is written in the log yet.")]
    return "\n".join(lines).rstrip() + "\n"


def _said(scene: Scene) -> str:
    return f"{scene.title}: {scene.text}." if scene.text else f"{scene.title}."


def _marked(text: str) -> str:
    """Text that no Markdown reads anything into."""
    return "".join(f"\\{c}" if c in "\\`*_[]<>#|~&@" else c for c in text)


def shot_list(made: Story) -> str:
    """The shot list as CSV (RFC 4180): every photo with its time, caption, and what happened since the last one."""
    out = io.StringIO()
    table = csv.writer(out)
    table.writerow(["shot", "file", "taken", "minutes", "caption", "before_it", "turning_point"])
    start = made.scenes[0].at if made.scenes else None
    since: list[Scene] = []
    number = 0
    for scene in made.scenes:
        if not scene.photo:
            since.append(scene)
            continue
        number += 1
        minutes = (scene.at - start).total_seconds() / 60.0 if start else 0.0
        told, turned = "; ".join(_said(s) for s in since), " ".join(s.turning for s in since if s.turning)
        taken = scene.at.isoformat(timespec="seconds")
        row = [number, scene.photo, taken, f"{minutes:.0f}", _cell(scene.text), _cell(told), _cell(turned)]
        table.writerow(row)
        since = []
    return out.getvalue()


def _cell(text: str) -> str:
    """A cell that no table program takes for a formula."""
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r", "\n")) else text


def captions(made: Story) -> str:
    """Captions for the photos shown one after the other (WebVTT, W3C Candidate Recommendation 2019): `SECONDS` each,
    `TURNING_SECONDS` where something turned since the last one."""
    lines, at = ["WEBVTT", ""], 0.0
    turned = ""
    for scene in made.scenes:
        if not scene.photo:
            turned = f"{turned} {scene.turning}".strip()
            continue
        ends = at + (TURNING_SECONDS if turned else SECONDS)
        words = [line for line in (scene.text, turned) if line] or [f"{scene.at:%Y-%m-%d %H:%M}"]
        lines += [scene.photo, f"{_clock(at)} --> {_clock(ends)}", *map(_cue, words), ""]
        at, turned = ends, ""
    return "\n".join(lines).rstrip("\n") + "\n"


def _clock(seconds: float) -> str:
    whole = round(seconds * 1000)
    return f"{whole // 3_600_000:02d}:{whole // 60_000 % 60:02d}:{whole // 1000 % 60:02d}.{whole % 1000:03d}"


def _cue(text: str) -> str:
    """One line of a cue: nothing in it is read as a tag or as the end of a cue."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


# ---------------------------------------------------------------- packing


class Pieces(io.RawIOBase):
    """A file that cannot be gone back in; what was written is fetched piece by piece."""

    def __init__(self) -> None:
        self._held: list[bytes] = []

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self._held.append(bytes(data))
        return len(data)

    def fetched(self) -> bytes:
        held, self._held = b"".join(self._held), []
        return held


def packed(made: Story, opened: Callable[[str], IO[bytes]]) -> Iterator[bytes]:
    """The archive in pieces of about `PIECE` bytes.

    Parameters
    ----------
    opened : callable
        Gives a photo's file by its sha256. One that went missing meanwhile is left out of the archive.
    """
    out = Pieces()
    folder = f"job-{made.job}-story"
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as archive:
        for name, text in parts(made):
            archive.writestr(_info(f"{folder}/{name}", made), text.encode("utf-8"), zipfile.ZIP_DEFLATED)
            yield out.fetched()
        for scene in made.shots:
            try:
                source = opened(scene.sha256)
            except FileNotFoundError:
                continue
            with source, archive.open(_info(f"{folder}/{scene.photo}", made, scene.at), "w", force_zip64=True) as file:
                while piece := source.read(PIECE):
                    file.write(piece)
                    yield out.fetched()
    yield out.fetched()


def _info(name: str, made: Story, at: datetime | None = None) -> zipfile.ZipInfo:
    when = at or (made.scenes[-1].at if made.scenes else None)
    stamp = when.timetuple()[:6] if when is not None and 1980 <= when.year < 2108 else (1980, 1, 1, 0, 0, 0)
    info = zipfile.ZipInfo(name, stamp)
    info.external_attr = 0o644 << 16
    return info
