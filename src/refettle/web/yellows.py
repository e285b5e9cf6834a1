"""Photos read for yellowness, as the pages ask for it: marks as typed or carried, long work, the answer in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from django.conf import settings

from refettle.book.log import LogEntry
from refettle.book.models import Photo
from refettle.book.photos import original_path
from refettle.book.yellow import VERSION
from refettle.language import decimal, mark, tr
from refettle.quantities import MINUS
from refettle.web import longwork
from refettle.whitening.picture import PhotoError
from refettle.whitening.pictures import pair, spots_of, uniformity_map
from refettle.whitening.reading import TAKEN, PhotoReading, Taken, read_photo
from refettle.whitening.regions import Region, RegionError
from refettle.whitening.remaining import Remaining

ROWS = 6
"""Regions that the form takes."""
NEUTRALS = {"ptfe": mark("white PTFE tape, six layers"), "grey": mark("matt grey card")}
TAKEN_WORDS = {
    "phone": mark("by hand, phone"),
    "rig": mark("fixed place and light"),
    "locked": mark("fixed, exposure and white balance locked"),
}
THIN = "\u202f"


class Source(Protocol):
    """A photo's file: `token` names it."""

    @property
    def token(self) -> str: ...

    @property
    def name(self) -> str: ...

    def data(self) -> bytes: ...


@dataclass(frozen=True)
class Stored:
    """A photo of the book."""

    photo: Photo
    name: str = "photo"

    @property
    def token(self) -> str:
        """Its sha256."""
        return self.photo.sha256

    def data(self) -> bytes:
        """The file as kept. Raises PhotoError."""
        folder: Path = settings.REFETTLE_PHOTOS
        try:
            return original_path(folder, self.photo.sha256, self.photo.format).read_bytes()
        except OSError:
            raise PhotoError("gone", tr("found no file; allowed: a photo whose file is in the photos folder")) from None


@dataclass(frozen=True)
class Asked:
    """What is asked of a photo."""

    regions: tuple[Region, ...]
    reference: str | None
    taken: Taken = "phone"
    neutral: str | float = "ptfe"
    card: bool = True

    @property
    def key(self) -> tuple[Any, ...]:
        """What the answer hangs on."""
        marks = tuple((r.name, r.frame, r.points) for r in self.regions)
        return (marks, self.reference, self.taken, self.neutral, self.card)


@dataclass(frozen=True)
class MarkRow:
    """One row of the marking form."""

    number: int
    name: str = ""
    points: str = ""
    reference: bool = False


# ---------------------------------------------------------------- what was typed


def typed_marks(form: Mapping[str, str]) -> dict[str, str]:
    """What was typed, nothing for what was left empty."""
    names = ["ref", "taken", "neutral", "card", "carry"]
    names += [f"{what}_{n}" for n in range(1, ROWS + 1) for what in ("name", "points")]
    return {name: form[name].strip()[:2000] for name in names if form.get(name, "").strip()}


def mark_rows(typed: Mapping[str, str], parts: Sequence[str] = ()) -> list[MarkRow]:
    """The rows of the form: as typed, or with the parts known; the first is the unexposed plastic."""
    names = ["unexposed", *parts][:ROWS]
    names += [""] * (ROWS - len(names))
    began = any(name.startswith(("points_", "name_")) for name in typed)
    ref = typed.get("ref", "1")
    return [
        MarkRow(n, typed.get(f"name_{n}", "" if began else names[n - 1]), typed.get(f"points_{n}", ""), ref == str(n))
        for n in range(1, ROWS + 1)
    ]


def asked_of(typed: Mapping[str, str], carried: LogEntry | None = None) -> Asked | None:
    """What is asked for, None while nothing is marked. Raises RegionError naming the field."""
    taken = next((each for each in TAKEN if each == typed.get("taken", "phone")), None)
    if taken is None:
        raise RegionError(
            tr(
                "how it was taken: {typed!r} found; allowed: {taken}",
                typed=typed.get("taken", "")[:20],
                taken=", ".join(TAKEN),
            )
        )
    neutral = _neutral(typed.get("neutral", "ptfe"))
    if carried is not None:
        return Asked(*regions_of(carried), taken, neutral, True)
    regions, reference = [], None
    for n in range(1, ROWS + 1):
        points = typed.get(f"points_{n}", "")
        if not points:
            continue
        name = typed.get(f"name_{n}", "")
        if not name:
            raise RegionError(tr("row {n}: no name found; allowed: the part's name, 1 to 40 letters", n=n))
        regions.append(Region(name, _points(points, name)))
        if typed.get("ref") == str(n):
            reference = name
    if not regions:
        return None
    return Asked(tuple(regions), reference, taken, neutral, typed.get("card", "yes") != "no")


def _neutral(text: str) -> str | float:
    try:
        return float(text)
    except ValueError:
        return text


def _points(text: str, name: str) -> tuple[tuple[float, float], ...]:
    values = text.replace(";", " ").replace(",", " ").split()
    try:
        numbers = [float(v) for v in values]
    except ValueError:
        wrong = next(v for v in values if not _is_number(v))
        raise RegionError(
            tr("{name}: '{wrong}' found; allowed: corners as x,y x,y x,y, from 0 to 1", name=name, wrong=wrong[:20])
        ) from None
    if len(numbers) % 2 or len(numbers) < 4:
        raise RegionError(
            tr(
                "{name}: {numbers} numbers found; allowed: pairs of x,y, two corners or more",
                name=name,
                numbers=len(numbers),
            )
        )
    points = list(zip(numbers[::2], numbers[1::2], strict=True))
    if len(points) == 2:
        (x1, y1), (x2, y2) = points
        points = [(x1, y1), (x2, y1), (x2, y2), (x1, y2)]
    return tuple(points)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def regions_of(entry: LogEntry) -> tuple[tuple[Region, ...], str | None]:
    """The regions of a reading in the log, and its reference. Raises RegionError."""
    frame = "card" if entry.data.get("frame") == "card" else "photo"
    made = tuple(
        Region(name, tuple((float(x), float(y)) for x, y in points), "card" if frame == "card" else "photo")
        for name, points in entry.data["regions"].items()
    )
    return made, entry.data.get("reference")


def asked_again(entry: LogEntry) -> Asked:
    """What was asked when a reading of the log was made. Raises RegionError."""
    taken = next((each for each in TAKEN if each == entry.data.get("taken", "phone")), TAKEN[0])
    rough = bool(entry.data.get("rough"))
    return Asked(*regions_of(entry), taken, _neutral(str(entry.data.get("neutral", "ptfe"))), not rough)


# ---------------------------------------------------------------- long work


def yellow_work(source: Source, asked: Asked) -> longwork.Work:
    """The reading of a photo: a PhotoReading as its result. Raises TooMuchWork."""

    def run(work: longwork.Work) -> PhotoReading:
        work.tick(0.1, tr("Decoding the photo, finding the card"))
        return read_photo(
            source.data(),
            asked.regions,
            reference=asked.reference,
            taken=asked.taken,
            neutral=asked.neutral,
            card=asked.card,
        )

    return longwork.work(tr("Reading {name}", name=source.name), ("yellow", source.token, asked.key), run)


def map_work(source: Source, asked: Asked, reading: PhotoReading) -> longwork.Work:
    """The map of how even the regions are: PNG bytes as its result. Raises TooMuchWork."""

    def run(work: longwork.Work) -> bytes:
        work.tick(0.2, tr("Drawing the map"))
        return uniformity_map(source.data(), reading)

    return longwork.work(tr("Drawing the map"), ("yellow-map", source.token, asked.key), run)


def pair_work(before: tuple[Source, Asked, PhotoReading], after: tuple[Source, Asked, PhotoReading]) -> longwork.Work:
    """Two photos under the same correction: a pair of PNG bytes as its result. Raises TooMuchWork."""

    def run(work: longwork.Work) -> tuple[bytes, bytes]:
        work.tick(0.2, tr("Balancing both photos"))
        return pair((before[0].data(), before[2]), (after[0].data(), after[2]))

    key = ("yellow-pair", before[0].token, before[1].key, after[0].token, after[1].key)
    return longwork.work(tr("Before and after"), key, run)


# ---------------------------------------------------------------- the answer


@dataclass(frozen=True)
class RegionView:
    """One region in words and figures. `left` in percent for the headline, `points` its ±."""

    name: str
    left: str = ""
    points: str = ""
    figures: tuple[tuple[str, str], ...] = ()
    remarks: tuple[str, ...] = ()
    reference: bool = False
    read: bool = True


@dataclass(frozen=True)
class YellowView:
    """A photo's reading for a page."""

    regions: tuple[RegionView, ...]
    spots: tuple[str, ...]
    remarks: tuple[str, ...]
    told: str
    version: str
    rough: bool
    outlines: tuple[tuple[str, str], ...] = field(default=())


def signed(value: float, digits: int = 1) -> str:
    """`+3.1` or `−3.1`."""
    return decimal(value, f"+.{digits}f").replace("-", MINUS)


def yellow_view(reading: PhotoReading, left: Mapping[str, Remaining]) -> YellowView:
    """A reading for a page. `left`: per region what is left since the first photo, if there is one."""
    agree = (
        tr("neutrals within {disagreement:.1f}\u202f%", disagreement=100 * reading.neutral.disagreement)
        if reading.neutral
        else ""
    )
    by = tr("Card {card}, {agree}", card=reading.card.upper(), agree=agree) if reading.card else tr("No card: rough")
    return YellowView(
        regions=tuple(_region_view(reading, each.name, left.get(each.name)) for each in reading.regions),
        spots=tuple(f"{where}: {spot.text}" for where, spot in spots_of(reading)),
        remarks=tuple(r.text for r in reading.remarks),
        told=tr(
            "{by}; {profile}; {condition}, by itself good for ±{absolute:g} only. The ± are the 95th "
            "percentile of a simulated camera, not a field trial.",
            by=by,
            profile=reading.profile,
            condition=reading.condition,
            absolute=reading.trust.absolute,
        ),
        version=f"{reading.derivation}, {VERSION}",
        rough=reading.rough,
        outlines=tuple((each.name, " ".join(f"{x:.4f},{y:.4f}" for x, y in each.outline)) for each in reading.regions),
    )


def _region_view(reading: PhotoReading, name: str, left: Remaining | None) -> RegionView:
    each = reading[name]
    reference = name == reading.reference
    remarks = [r.text for r in each.remarks]
    figures: list[tuple[str, str]] = []
    if each.yi is not None:
        figures.append(("YI", decimal(each.yi, ".1f")))
    if each.above is not None and not reference:
        figures.append((tr("above unexposed"), f"{signed(each.above)} ±{reading.trust.above(each.above):.0f}"))
    if each.b_above is not None and not reference:
        figures.append((tr("b* above"), signed(each.b_above)))
    if each.difference is not None and not reference:
        figures.append(("ΔE00", decimal(each.difference, ".1f")))
    if each.lab is not None:
        figures.append(("L*", decimal(each.lab[0], ".1f")))
    if each.field is not None:
        figures.append((tr("middle 90 % of YI"), decimal(each.field.spread, ".1f")))
    share = points = ""
    if left is not None:
        remarks += [r.text for r in left.remarks]
        if left.fraction is not None and left.plus_minus is not None:
            share, points = f"{100 * left.fraction:.0f}", f"{100 * left.plus_minus:.0f}"
            share = share.replace("-", MINUS)
    return RegionView(name, share, points, tuple(figures), tuple(dict.fromkeys(remarks)), reference, each.read)
