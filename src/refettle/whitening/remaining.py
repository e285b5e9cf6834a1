"""How much of the yellowing is left: the headline, between the first photo and a later one.

remaining = (YI - YI of the reference) / (the same in the first photo), each reference being the unexposed plastic in
the same photo, so that most of what light and camera add falls out. 1 as it came, 0 like its unexposed plastic. Its +/-
is the larger of what the way of taking photos is good for and what repeats of the same photo show.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

import numpy as np

from refettle.language import tr
from refettle.whitening.reading import DERIVATION, PhotoReading, RegionReading, Remark

LEAST_YELLOW = 5.0
"""YI above the reference that a part must have had for a share of it to say anything: estimate."""
ANCHORS_APART = 5.0
"""YI by which the reference may come out differently in two photos before it is said."""
REPEATS = 3
LIGHTER = 0.5
"""L* by which a part must have become lighter to be called over-bleached: estimate."""
SPREAD_GROWN = 1.5
"""YI by which the middle 90 % of a region may grow before it is said: estimate."""


class RemainingError(ValueError):
    """Photos that cannot be compared; says what was found and what is allowed."""


@dataclass(frozen=True, slots=True)
class Remaining:
    """One region between two stages.

    `fraction` of the yellowing left and its `plus_minus`, None where a share says nothing; `repeats` [1], two standard
    deviations of it as the repeats show, None with fewer than three; `above_before`, `above_now` [YI] above the
    reference, means of the repeats; `change` [YI] and `change_plus_minus`; `over_bleached`.
    """

    name: str
    fraction: float | None
    plus_minus: float | None
    repeats: float | None
    above_before: float | None
    above_now: float | None
    change: float | None
    change_plus_minus: float
    over_bleached: bool
    remarks: tuple[Remark, ...]
    derivation: str = DERIVATION


def remaining(before: Sequence[PhotoReading], now: Sequence[PhotoReading]) -> tuple[Remaining, ...]:
    """Every region that is in all photos, but the reference.

    Parameters
    ----------
    before, now : sequence of PhotoReading
        The photos of the first stage and of a later one, repeats of each.

    Raises
    ------
    RemainingError
        No photos, none or different references, or photos with and without a card.
    """
    photos = [*before, *now]
    if not before or not now:
        raise RemainingError(tr("no photo found; allowed: one or more of the first stage and of the later one"))
    references = {each.reference for each in photos}
    if len(references) != 1 or None in references:
        raise RemainingError(tr("photos without one and the same reference found; allowed: the same named in all"))
    if len({each.rough for each in photos}) != 1:
        raise RemainingError(tr("photos with and without a card found; allowed: all with, or all without"))
    names = [each.name for each in before[0].regions if each.name != before[0].reference]
    common = [name for name in names if all(name in {r.name for r in photo.regions} for photo in photos)]
    return tuple(_one(name, before, now) for name in common)


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return float(np.mean(known)) if known and len(known) == len(values) else None


def _one(name: str, before: Sequence[PhotoReading], now: Sequence[PhotoReading]) -> Remaining:
    first, later = [photo[name] for photo in before], [photo[name] for photo in now]
    trust = max((photo.trust for photo in (*before, *now)), key=lambda t: t.remaining)
    above_before, above_now = _mean([r.above for r in first]), _mean([r.above for r in later])
    change = _mean([r.yi for r in later])
    start = _mean([r.yi for r in first])
    change = change - start if change is not None and start is not None else None
    if above_before is None or above_now is None:
        seen = {remark.why: remark for reading in (*first, *later) for remark in reading.remarks}
        text = "; ".join(remark.text for remark in seen.values()) or tr("the reference was not read")
        told = (Remark("not-read", f"{name}: {text}"),)
        return Remaining(name, None, None, None, above_before, above_now, change, trust.change, False, told)
    remarks = []
    if before[0].rough:
        remarks.append(
            Remark("rough", tr("rough: holds only if each photo was taken in one light, which no card shows"))
        )
    fraction = plus_minus = repeats = None
    if above_before >= LEAST_YELLOW:
        fraction = above_now / above_before
        repeats = _repeats(first, later, above_before, fraction)
        plus_minus = max(trust.remaining, repeats or 0.0)
    else:
        text = tr(
            "{above_before:.1f} YI above its unexposed plastic at first: too little for a share, go by the change",
            above_before=above_before,
        )
        remarks.append(Remark("hardly-yellow", text))
    lightness = _mean([r.lab[0] if r.lab else None for r in later]), _mean([r.lab[0] if r.lab else None for r in first])
    lighter = None not in lightness and (lightness[0] or 0.0) > (lightness[1] or 0.0) + LIGHTER
    over = above_now <= 0.0 and lighter
    if over:
        text = tr("at or below its unexposed plastic, and lighter than before: stop, more only bleaches further")
        remarks.append(Remark("over-bleached", text))
    anchors = [_mean([photo[photo.reference or ""].yi for photo in photos]) for photos in (before, now)]
    if not before[0].rough and anchors[0] is not None and anchors[1] is not None:
        apart = anchors[1] - anchors[0]
        if abs(apart) > ANCHORS_APART:
            text = tr(
                "the reference reads YI {apart:+.1f} otherwise than at first: other light or camera; go by the share",
                apart=apart,
            )
            remarks.append(Remark("anchors", text.replace("-", "−")))
    spreads = [_mean([r.field.spread if r.field else None for r in each]) for each in (first, later)]
    if spreads[0] is not None and spreads[1] is not None and spreads[1] > spreads[0] + SPREAD_GROWN:
        text = tr(
            "less even than before: middle 90 % over {now:.1f} YI, {before:.1f} at first; streaks",
            now=spreads[1],
            before=spreads[0],
        )
        remarks.append(Remark("spread", text))
    return Remaining(
        name, fraction, plus_minus, repeats, above_before, above_now, change, trust.change, over, tuple(remarks)
    )


def _repeats(
    first: Sequence[RegionReading], later: Sequence[RegionReading], above_before: float, fraction: float
) -> float | None:
    """[1] Two standard deviations of a single share, from the repeats of either stage."""
    spreads = []
    for stage, weight in ((first, fraction), (later, 1.0)):
        values = [r.above for r in stage if r.above is not None]
        spreads.append(weight * float(np.std(values, ddof=1)) / above_before if len(values) >= REPEATS else None)
    known = [each for each in spreads if each is not None]
    return 2.0 * hypot(*known) if known else None
