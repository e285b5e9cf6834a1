"""Readings as plain values, for JSON and for a job's log. Everything derived carries the version that derived it."""

from __future__ import annotations

from typing import Any

from refettle.whitening.reading import PhotoReading, RegionReading, Remark
from refettle.whitening.remaining import Remaining


def _rounded(value: float | None, digits: int = 2) -> float | None:
    return None if value is None else round(value, digits)


def _remarks(remarks: tuple[Remark, ...]) -> list[dict[str, str]]:
    return [{"why": remark.why, "text": remark.text} for remark in remarks]


def photo_facts(reading: PhotoReading) -> dict[str, Any]:
    """One photo. YI, L*, a*, b* and CIEDE2000 as they are; shares from 0 to 1; regions as they are to be kept."""
    trust = reading.trust
    return {
        "derivation": reading.derivation,
        "condition": reading.condition,
        "taken": reading.taken,
        "card": reading.card,
        "rough": reading.rough,
        "reference": reading.reference,
        "profile": reading.profile,
        "size_px": [reading.width, reading.height],
        "gain": [round(value, 5) for value in reading.gain],
        "neutral_reflectance": reading.neutral.reflectance if reading.neutral else None,
        "neutrals_disagree": _rounded(reading.neutral.disagreement, 5) if reading.neutral else None,
        "light_drift": _rounded(reading.drift, 5) if reading.neutral else None,
        "yi_plus_minus": trust.absolute,
        "remarks": _remarks(reading.remarks),
        "regions": {each.name: region_facts(each, reading) for each in reading.regions},
    }


def region_facts(each: RegionReading, reading: PhotoReading) -> dict[str, Any]:
    """One region of a photo."""
    names = ("L", "a", "b")
    field = each.field
    return {
        "frame": each.region.frame,
        "points": [[round(x, 5), round(y, 5)] for x, y in each.region.points],
        "yi": _rounded(each.yi),
        "lab": {name: round(v, 2) for name, v in zip(names, each.lab, strict=True)} if each.lab else None,
        "above": _rounded(each.above),
        "above_plus_minus": _rounded(reading.trust.above(each.above)) if each.above is not None else None,
        "b_above": _rounded(each.b_above),
        "ciede2000": _rounded(each.difference),
        "clipped": round(each.clipped, 4),
        "shine": round(each.shine, 4),
        "spread": _rounded(field.spread) if field else None,
        "spots": [
            {
                "kind": spot.kind,
                "over_bleached": spot.over_bleached,
                "yi": round(spot.yi, 2),
                "x": round(spot.x, 4),
                "y": round(spot.y, 4),
                "share": round(spot.share, 5),
            }
            for spot in (field.spots if field else ())
        ],
        "remarks": _remarks(each.remarks),
    }


def remaining_facts(left: Remaining) -> dict[str, Any]:
    """One region between two stages; shares from 0 to 1."""
    return {
        "derivation": left.derivation,
        "remaining": _rounded(left.fraction, 4),
        "plus_minus": _rounded(left.plus_minus, 4),
        "repeats": _rounded(left.repeats, 4),
        "above_before": _rounded(left.above_before),
        "above_now": _rounded(left.above_now),
        "change": _rounded(left.change),
        "change_plus_minus": left.change_plus_minus,
        "over_bleached": left.over_bleached,
        "remarks": _remarks(left.remarks),
    }
