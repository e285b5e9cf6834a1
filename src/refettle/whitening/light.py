"""Lamps: what band, how much of it at the part, how long an eye may be in it.

Dose [J/cm2] = irradiance [mW/cm2] x time [s] / 1000, and only from a meter held where the part lies. The watts on a
lamp's label are not light: without a meter there are lamp-hours and nothing more.

Bands. 380 to 525 nm bleaches the yellow of ABS without peroxide, most at 475 to 485 nm; 300 to 380 nm yellows it, and
ultraviolet costs it strength (Searle et al., ABS, abstract; found on fresh yellow, so for old shells an inference).
360 nm takes peroxide apart at least 10 times more slowly than a 254 nm lamp (Cataldo 2014).

Eyes: 10 kJ/m2 of 315 to 400 nm, and 30 J/m2 weighted over 180 to 400 nm, in 8 hours (ICNIRP, Health Physics 87(2),
2004, 171-186); at 254 nm 60 J/m2 (ACGIH 2021).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from refettle.language import mark, tr
from refettle.whitening.values import WhiteningError, within

EYE_UVA = 10_000.0
"""[J/m2] in 8 h, 315 to 400 nm, not weighted."""
EYE_WEIGHTED = 30.0
"""[J/m2] in 8 h, 180 to 400 nm, weighted; skin too."""
EYE_254 = 60.0
"""[J/m2] in 8 h at 254 nm."""
DAY = 28_800.0
"""[s] The 8 h that the limits are for."""
EVEN = 0.7
"""Least over most reading from which a lamp counts as even: choice, no source."""
MOST_READING = 1000.0
MOST_HOURS = 1000.0
LAMP_CAUTIONS = ("uv", "peroxide", "heat", "bromine-dust")
Says = Literal["refused", "warning", "fit"]
SetUp = Literal["open", "boxed"]


@dataclass(frozen=True, slots=True)
class Band:
    """What a lamp's wavelength means. `says`: refused, warning or fit."""

    says: Says
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LampDose:
    """What a lamp gives. Without readings only `lamp_hours` [h] is known and the rest is None.

    `least`, `mean`, `most` [mW/cm2] over the readings; `evenness` least over most; `dose` [J/cm2] least, mean, most;
    `hours_to` [h] until the least-lit place has the dose asked for; `eye_seconds` [s] to the 8 h limit at the most.
    """

    lamp_hours: float
    least: float | None
    mean: float | None
    most: float | None
    evenness: float | None
    dose: tuple[float, float, float] | None
    hours_to: float | None
    eye_seconds: float | None
    eye_says: str
    notes: tuple[str, ...]
    cautions: tuple[str, ...] = LAMP_CAUTIONS


def band(nanometre: float, set_up: SetUp = "open") -> Band:
    """What to hold of a lamp with its peak at `nanometre` [nm] from 180 to 800; WhiteningError outside."""
    within("wavelength", nanometre, 180.0, 800.0, "nm")
    reasons: list[str] = []
    if nanometre < 240.0:
        reasons.append(tr("below 240 nm: makes ozone; only vented to the outside, or not at all"))
    if nanometre < 315.0:
        reasons.append(
            tr(
                "below 315 nm (254 nm germicidal lamps too): burns eyes and skin in seconds to minutes and eats "
                "the plastic"
            )
        )
        if set_up == "open":
            return Band("refused", (*reasons, tr("refused in an open set-up: only in a closed box with a lid switch")))
        return Band("warning", (*reasons, tr("only in a closed box with a lid switch; whitening does not need it")))
    if nanometre < 380.0:
        reasons.append(
            tr("below 380 nm: whitens with peroxide, but by itself yellows ABS and costs it strength; keep it short")
        )
        return Band("warning", tuple(reasons))
    if nanometre <= 525.0:
        reasons.append(tr("380 to 525 nm: bleaches the yellow of ABS even without peroxide, most at 475 to 485 nm"))
        if nanometre >= 400.0:
            reasons.append(tr("the glare has an eye limit of its own, not worked out here: never look into it"))
        return Band("fit", tuple(reasons))
    return Band("warning", (tr("above 525 nm: no whitening is reported there; it only warms"),))


def eye_seconds(watt: float, limit: float = EYE_UVA) -> float:
    """[s] until `watt` [W/m2] reaches an eye `limit` [J/m2]; no more than the 8 h it is for. WhiteningError below 0."""
    within("irradiance", watt, 0.0, 1e5, "W/m2")
    return min(DAY, limit / watt) if watt > 0 else DAY


def lamp_dose(
    hours: float,
    readings: Sequence[float] = (),
    *,
    nanometre: float | None = None,
    wanted: float | None = None,
) -> LampDose:
    """Dose of a lamp from a grid of meter readings at the part.

    Parameters
    ----------
    hours : float
        [h] the lamp was, or will be, on.
    readings : sequence of float
        [mW/cm2] with the meter's head where the part's surface lies; several places. Empty: no meter.
    nanometre : float or None
        [nm] peak of the lamp, for the eye limit.
    wanted : float or None
        [J/cm2] to reach at the least-lit place.

    Raises
    ------
    WhiteningError
        Hours, readings or wavelength that cannot be; a dose wanted without a meter reading.
    """
    within("hours", hours, 0.0, MOST_HOURS, "h")
    for number, each in enumerate(readings, 1):
        within(tr("reading {number}", number=number), each, 0.0, MOST_READING, "mW/cm2")
    if wanted is not None:
        within("dose", wanted, 0.0, 1e5, "J/cm2", above=True)
    if not readings:
        if wanted is not None:
            raise WhiteningError(
                tr("dose: no meter reading found; allowed: a dose only with readings at the part, otherwise lamp-hours")
            )
        notes = (
            tr("no meter reading: lamp-hours only; the watts on the label are not light on the part"),
            tr("compare batches only with the same lamp at the same distance"),
        )
        return LampDose(hours, None, None, None, None, None, None, None, tr("not known without a reading"), notes)
    least, most, mean = min(readings), max(readings), sum(readings) / len(readings)
    if most <= 0:
        raise WhiteningError(tr("readings: nothing above 0 mW/cm2 found; allowed: at least one above 0"))
    seconds, says = _eye(most * 10.0, nanometre)
    return LampDose(
        lamp_hours=hours,
        least=least,
        mean=mean,
        most=most,
        evenness=least / most,
        dose=(least * hours * 3.6, mean * hours * 3.6, most * hours * 3.6),
        hours_to=None if wanted is None or least == 0 else wanted / (least * 3.6),
        eye_seconds=seconds,
        eye_says=says,
        notes=_dose_notes(len(readings), least / most, nanometre),
    )


def _eye(watt: float, nanometre: float | None) -> tuple[float | None, str]:
    if nanometre is not None and nanometre > 400.0:
        return None, tr("not worked out: glare has a limit of its own; never look into the lamp")
    if nanometre is not None and abs(nanometre - 254.0) < 1.5:
        return eye_seconds(watt, EYE_254), tr("60 J/m2 at 254 nm in 8 h (ACGIH 2021), eyes and skin")
    if nanometre is not None and nanometre < 315.0:
        return eye_seconds(watt, EYE_WEIGHTED), tr("30 J/m2 in 8 h (ICNIRP 2004), taken as if all of it counted fully")
    return eye_seconds(watt), tr("10 kJ/m2 of 315 to 400 nm in 8 h (ICNIRP 2004), eyes")


def _dose_notes(count: int, evenness: float, nanometre: float | None) -> tuple[str, ...]:
    notes = []
    if count < 4:
        notes.append(tr("few readings: take a grid over the whole part, corners and edges first"))
    if evenness < EVEN:
        notes.append(
            tr(
                "uneven: the darkest place gets {evenness:.0%} of the brightest; turn the parts or move the lamp",
                evenness=evenness,
            )
        )
    if nanometre is None or nanometre >= 400.0:
        notes.append(
            tr("the meter's head must be made for the lamp's band; a 365 nm head reads a violet or blue lamp wrong")
        )
    notes.append(tr("measure again when the distance, the cover or the lamp changes, and as it ages"))
    return tuple(notes)


TRIAL: tuple[str, ...] = (
    mark("Choose a hidden spot of the same plastic; clean, dry, no peroxide. Cover half of it with foil or card."),
    mark("Photo with the card, then light: a sunny window for 2 to 4 days, or a 400 to 480 nm lamp."),
    mark("Look and photograph once a day, at the same place, dry. Stop when the lit half no longer changes."),
    mark("14 days in the dark, then the photo that counts: 1 to 2 b* may come back in that time."),
    mark("If it is enough, no peroxide is needed. If not, nothing is lost: the bath comes next."),
)
"""A trial with light alone. The window: weathered PC and SAN bleached back so (Pickett 2004); ABS is an inference."""
