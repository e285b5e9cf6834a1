"""A photo read for yellowness as an entry of the log, and what is left since the first one. No database."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from refettle import __version__
from refettle.whitening.reading import PhotoReading
from refettle.whitening.remaining import Remaining, RemainingError, remaining

VERSION = f"refettle {__version__}"


def left_since(first: Iterable[tuple[str, PhotoReading]], reading: PhotoReading) -> dict[str, Remaining]:
    """Per part what is left since its first photo: (part, that photo's reading)."""
    found: dict[str, Remaining] = {}
    for part, before in first:
        try:
            every = {each.name: each for each in remaining([before], [reading])}
        except RemainingError:
            continue
        if part in every:
            found[part] = every[part]
    return found


def yellow_entry(
    photo: str,
    reading: PhotoReading,
    neutral: str | float,
    left: Mapping[str, Remaining],
    first: int | None,
    note: str = "",
) -> dict[str, Any]:
    """The log entry of a photo read.

    Parameters
    ----------
    photo : str
        Its sha256.
    neutral : str or float
        What is on the card's corners.
    left : mapping
        Per part what is left since its first photo.
    first : int or None
        The number of the entry of that first photo.
    """
    figures: dict[str, dict[str, Any]] = {}
    for each in reading.regions:
        made: dict[str, Any] = {}
        if not each.read:
            made["not_read"] = "; ".join(r.text for r in each.remarks)
        if each.yi is not None:
            made |= {"yi": round(each.yi, 2), "plus_minus": reading.trust.absolute}
        if each.lab is not None:
            made["lightness"] = round(each.lab[0], 2)
        if each.field is not None:
            made["spread"] = round(each.field.spread, 2)
        if each.name != reading.reference:
            if each.above is not None:
                made |= {"above": round(each.above, 2), "above_plus_minus": round(reading.trust.above(each.above), 2)}
            if each.b_above is not None:
                made["b_above"] = round(each.b_above, 2)
            if each.difference is not None:
                made["ciede2000"] = round(each.difference, 2)
        since = left.get(each.name)
        if since is not None and since.fraction is not None and since.plus_minus is not None:
            made |= {"remaining": round(since.fraction, 4), "remaining_plus_minus": round(since.plus_minus, 4)}
        figures[each.name] = made
    frame = "card" if all(r.region.frame == "card" for r in reading.regions) else "photo"
    entry: dict[str, Any] = {
        "kind": "yellow",
        "photo": photo,
        "frame": frame,
        "regions": {r.name: [[round(x, 5), round(y, 5)] for x, y in r.region.points] for r in reading.regions},
        "taken": reading.taken,
        "neutral": str(neutral),
        "rough": reading.rough,
        "figures": figures,
        "version": f"{reading.derivation}, {VERSION}",
        "note": note,
    }
    if reading.reference is not None:
        entry["reference"] = reading.reference
    return entry | ({"first": first} if first is not None and left else {})
