"""A ripple reading against what the part should be and what the unit needs; and its worth as evidence.

Sound: C at least its tolerance below nominal, ESR at most twice a new part's limit at 120 Hz. Bad: C below 70 % of
nominal or ESR above twice the limit (Albertsen). A verdict needs 99 in 100 of what the capture leaves open; between,
the capture does not tell. Ripple shows neither leakage nor what happens at other temperatures or loads.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from refettle.language import tr
from refettle.parts.capacitor import Rated
from refettle.parts.health_readings import END_CAPACITANCE, END_LOSS, MOST_BAD, MOST_GOOD
from refettle.parts.limits import esr_limit, esr_of
from refettle.quantities import show
from refettle.supply.ripple_assemble import MISFIT_SOME
from refettle.supply.ripple_model import Floats
from refettle.supply.ripple_result import RippleReading
from refettle.supply.ripple_wave import RippleError

Says = Literal["good", "worn", "bad", "not telling"]
ENOUGH = 0.99
"""Share of what the capture leaves open that a verdict needs."""
DRAWS = 20_000
MOST_NOMINAL = 1.8
"""Times its nominal value: no electrolytic has more (+50 % is the widest tolerance; estimate). What reads beyond was
captured or asked otherwise than it was said."""
WIDEST_LOSS, NARROWEST_LOSS = 0.22, 0.08
"""tan d limits of the lowest and of the best rated voltage, where the part's voltage is not known."""
LOOSE, LOOSE_GOOD = 0.1, 3.0
"""Spread of C in logarithm from which good to bad is no more than the second: the loss angle alone clears no part
(estimate)."""
LEAKY = 0.10
"""Of bad ones, leak current with C and ESR as new: ripple does not show them (estimate, as for bench readings)."""
DEAD = 0.10
"""Of bad ones, have next to no capacitance left, an open lead or foil (estimate)."""
AMISS = 0.02
"""Chance that the capture is not what the model takes it for: another part, another load (estimate)."""


@dataclass(frozen=True, slots=True)
class RippleVerdict:
    """`says`; the chances [share of what is left open] that the part is sound, and that it is bad; `farad_least`,
    `farad_end` [F], `esr_limit`, `esr_end` [ohm] what it was held against; `need` [V], `headroom` [V] of the valley
    over it now and `headroom_low` at 90 % mains; `reasons` in words."""

    says: Says
    sound: float
    bad: float
    farad_least: float
    farad_end: float
    esr_limit: float | None
    esr_end: float | None
    need: float | None
    headroom: float | None
    headroom_low: float | None
    reasons: tuple[str, ...]


def _limits(nominal: Rated) -> tuple[float, float, str]:
    """[ohm] Narrowest and widest ESR limit of a new part, equal where its voltage or sheet is known, and the source."""
    limit = esr_limit(nominal)
    if limit is not None:
        return limit.value, limit.value, limit.source
    extra = 0.02 * max(0.0, nominal.farad / 1e-3 - 1.0)
    low, high = (esr_of(loss + extra, 120.0, nominal.farad) for loss in (NARROWEST_LOSS, WIDEST_LOSS))
    return low, high, tr("rated voltage not given: the limits of all voltages to 100 V")


def _likelier(says: Says, reading: RippleReading, nominal: Rated) -> bool:
    """Whether what such parts are like points the way of the verdict as well."""
    worth = grades(reading, nominal)
    return worth["good"] > worth["bad"] if says == "good" else worth["bad"] > worth["good"]


def judge_ripple(reading: RippleReading, nominal: Rated, needs_volts: float | None = None) -> RippleVerdict:
    """Judge one reading.

    Parameters
    ----------
    reading : RippleReading
    nominal : Rated
        The part as printed; with its rated voltage ESR is held against the limit for it.
    needs_volts : float, optional
        [V] Lowest rail the unit works at: the regulator's output and its dropout.

    Raises
    ------
    RippleError
        A part that is no electrolytic, or a need out of range.
    """
    if not nominal.wet:
        raise RippleError(
            tr("part of kind {kind!r} found; allowed: aluminium, low-impedance, bipolar", kind=nominal.kind)
        )
    if needs_volts is not None and not 0.0 < needs_volts <= 1000.0:
        raise RippleError(
            tr("needed volts {needs_volts:g} V found; allowed: above 0 to 1000 V", needs_volts=needs_volts)
        )
    least = nominal.farad * (1.0 + (nominal.tolerance[0] if nominal.tolerance else -0.2))
    end = min(END_CAPACITANCE * nominal.farad, 0.875 * least)
    narrow, wide, source = _limits(nominal)
    reasons: list[str] = []
    sound = bad = 0.0
    says: Says = "not telling"
    if reading.posterior is None:
        reasons.append(tr("C and ESR are withheld"))
    else:
        farad, esr = reading.posterior.draw(DRAWS, seed=1)
        if reading.posterior.scaled:
            bad = float(np.mean((farad < end) | (esr > END_LOSS * wide)))
            sound = float(np.mean((farad >= least) & (esr <= END_LOSS * narrow)))
            reasons += _against(farad, esr, end, least, narrow, wide)
        else:
            # tan d needs no load: a part of any capacitance whose loss angle is past its end is dried out.
            bad = float(np.mean(farad * esr > END_LOSS * wide * nominal.farad))
            if bad < ENOUGH:
                reasons.append(tr("without the load current C is not known, so nothing says it is good"))
            else:
                reasons.append(tr("its loss angle, which needs no load current, is past twice the limit"))
        says = "bad" if bad >= ENOUGH else "good" if sound >= ENOUGH else "not telling"
        if says == "not telling" and reading.posterior.scaled and bad + sound <= 1.0 - ENOUGH:
            says = "worn"
        if says == "good" and reading.flat_top:
            says = "not telling"
            reasons.append(
                tr("the top of the ripple is flat, as if cut off, which would hide ESR: too unsure to call it good")
            )
        if says == "good" and _poorly_followed(reading):
            says = "not telling"
            reasons.append(
                tr(
                    "{misfit:.1f} % of the ripple is not followed: too much to call it good",
                    misfit=100 * reading.misfit,
                )
            )
        if says in ("good", "bad") and not _likelier(says, reading, nominal):
            says = "not telling"
            reasons.append(tr("just past a limit, yet what sound and worn parts are like does not bear it out"))
        if _too_large(reading, nominal):
            says, sound, bad = "not telling", 0.0, 0.0
            much = float(np.median(farad))
            reasons = [
                tr(
                    "{much} is {farad:.2g} times what is printed, which no capacitor has: look at the "
                    "probe's factor, the load current, and the print",
                    much=show(much, "F"),
                    farad=much / nominal.farad,
                )
            ]
        if says == "good":
            reasons.append(
                tr("good as far as ripple shows: C and ESR, at this temperature and load; leakage is not seen")
            )
    headroom = headroom_low = None
    if needs_volts is not None and reading.valley is not None:
        headroom = reading.valley - needs_volts
        headroom_low = None if reading.valley_low is None else reading.valley_low - needs_volts
        if headroom < 0.0:
            reasons.append(
                tr(
                    "the rail's valley is {headroom} below the {needs_volts} needed",
                    headroom=show(-headroom, "V"),
                    needs_volts=show(needs_volts, "V"),
                )
            )
        elif headroom_low is not None and headroom_low < 0.0:
            reasons.append(
                tr(
                    "enough now; at 90 % mains the valley falls {headroom_low} short",
                    headroom_low=show(-headroom_low, "V"),
                )
            )
        else:
            reasons.append(
                tr(
                    "the valley is {headroom} above the {needs_volts} needed",
                    headroom=show(headroom, "V"),
                    needs_volts=show(needs_volts, "V"),
                )
            )
    elif needs_volts is not None:
        reasons.append(tr("the valley is not known: an AC-coupled capture needs the mean by a meter"))
    reasons.append(tr("ESR limit: {source}", source=source))
    return RippleVerdict(
        says, sound, bad, least, end, wide if narrow == wide else None, END_LOSS * wide if narrow == wide else None,
        needs_volts, headroom, headroom_low, tuple(reasons),
    )  # fmt: skip


def _too_large(reading: RippleReading, nominal: Rated) -> bool:
    """True where C is beyond what the part can have, with the spread it is read with."""
    posterior = reading.posterior
    if posterior is None or not posterior.scaled:
        return False
    low = float(posterior.mean[0]) - 2.0 * float(posterior.cov[0, 0]) ** 0.5
    return bool(low > np.log(MOST_NOMINAL * nominal.farad))


def _poorly_followed(reading: RippleReading) -> bool:
    return reading.channels == 1 and reading.misfit > MISFIT_SOME


def _against(farad: Floats, esr: Floats, end: float, least: float, narrow: float, wide: float) -> list[str]:
    low, high = np.quantile(farad, [0.005, 0.995])
    reasons = []
    if high < end:
        reasons.append(tr("C is below its end of life, {end}", end=show(end, "F")))
    elif high < least:
        reasons.append(tr("C is below the {least} of a new one", least=show(least, "F")))
    elif low >= least:
        reasons.append(tr("C is at least the {least} of a new one", least=show(least, "F")))
    else:
        reasons.append(tr("C may lie on either side of {least}", least=show(least, "F")))
    low, high = np.quantile(esr, [0.005, 0.995])
    if low > END_LOSS * wide:
        reasons.append(tr("ESR is above its end of life, {wide}", wide=show(END_LOSS * wide, "Ω")))
    elif high <= END_LOSS * narrow:
        reasons.append(tr("ESR is below its end of life, {narrow}", narrow=show(END_LOSS * narrow, "Ω")))
    else:
        reasons.append(
            tr("ESR may lie on either side of its end of life, {narrow}", narrow=show(END_LOSS * narrow, "Ω"))
        )
    return reasons


# Grades of a part, as densities over ln(C / nominal) and ln(ESR / limit) on one grid (all estimates).
_CELLS = 240
MOST_ESR = 400.0
"""Times its limit: further off, an ESR is taken as this."""
_LN_C = np.linspace(np.log(5e-4), np.log(1.6), _CELLS * 2)
_LN_ESR = np.linspace(np.log(0.03), np.log(MOST_ESR), _CELLS)


def _even(axis: Floats, low: float, high: float) -> Floats:
    inside = ((axis >= np.log(low)) & (axis <= np.log(high))).astype(np.float64)
    return np.asarray(inside / inside.sum())


def _about(axis: Floats, middle: float, spread: float, most: float) -> Floats:
    bell = np.exp(-0.5 * ((axis - np.log(middle)) / spread) ** 2) * (axis <= np.log(most))
    return np.asarray(bell / bell.sum())


def _grades(least: float) -> dict[str, Floats]:
    good = np.outer(_even(_LN_C, least, 1.5), _about(_LN_ESR, 0.5, 0.5, END_LOSS))
    dry = np.outer(_even(_LN_C, 0.3, 1.1), _even(_LN_ESR, END_LOSS, MOST_ESR))
    faded = np.outer(_even(_LN_C, 0.1, END_CAPACITANCE), _even(_LN_ESR, 0.5, 20.0))
    dead = np.outer(_even(_LN_C, 6e-4, 0.1), _even(_LN_ESR, 0.1, MOST_ESR))
    worn = 0.8 * dry + 0.2 * faded
    return {"good": good, "worn": worn, "dead": dead, "bad": LEAKY * good + DEAD * dead + (1.0 - LEAKY - DEAD) * worn}


def grades(reading: RippleReading, nominal: Rated) -> dict[str, float]:
    """Chance of this capture if the part is "good", "worn", "dead" or "bad" (any of the ways), the largest 1.

    Near 1 to 1 where the capture does not tell. RippleError for a part that is no electrolytic.
    """
    if not nominal.wet:
        raise RippleError(
            tr("part of kind {kind!r} found; allowed: aluminium, low-impedance, bipolar", kind=nominal.kind)
        )
    low, high, _ = _limits(nominal)
    least = 1.0 + (nominal.tolerance[0] if nominal.tolerance else -0.2)
    priors = _grades(least)
    if reading.posterior is None or _too_large(reading, nominal):
        return dict.fromkeys(priors, 1.0)
    # Where the rated voltage is not known the limit is in the middle, and as wide as the voltages leave it.
    limit = (low * high) ** 0.5
    ln_c = _LN_C[:, None] + np.log(nominal.farad)
    tau = np.exp(ln_c + _LN_ESR[None, :] + np.log(limit))
    cov = reading.posterior.cov.copy()
    cov[1, 1] += (0.5 * np.log(high / low) * reading.posterior.mean[1]) ** 2
    # What lies beyond all that parts are taken to be is put at the edge.
    centre_c = float(np.clip(reading.posterior.mean[0], ln_c[0, 0], ln_c[-1, 0]))
    most_tau = MOST_ESR * limit * np.exp(centre_c if reading.posterior.scaled else ln_c[-1, 0])
    off_tau = tau - min(float(reading.posterior.mean[1]), 0.9 * float(most_tau))
    if reading.posterior.scaled:
        off_c = ln_c - centre_c
        inverse = np.linalg.inv(cov)
        apart = inverse[0, 0] * off_c**2 + 2.0 * inverse[0, 1] * off_c * off_tau + inverse[1, 1] * off_tau**2
    else:
        apart = off_tau**2 / cov[1, 1]
    seen = np.exp(-0.5 * np.minimum(apart, 1400.0))
    worth = {name: float((prior * seen).sum()) for name, prior in priors.items()}
    whole = 0.5 * (worth["good"] + worth["bad"])
    if whole <= 0.0:
        return dict.fromkeys(priors, 1.0)
    worth = {name: (1.0 - AMISS) * value + AMISS * whole for name, value in worth.items()}
    most = max(worth.values())
    return {name: value / most for name, value in worth.items()}


def ripple_likelihood(
    reading: RippleReading, nominal: Rated, outcomes: Sequence[str] = ("good", "bad")
) -> Mapping[str, float]:
    """Graded likelihoods for the outcomes of a check, the largest 1: what a log entry carries.

    Parameters
    ----------
    reading : RippleReading
    nominal : Rated
        The part as printed.
    outcomes : names
        The first is the good one; "worn" and "dead" have their own likelihood, any other is a bad part of some kind.

    Returns
    -------
    Mapping
        Good to bad within 20 to 1 and 1 to 50, as for bench readings.

    Raises
    ------
    RippleError
        Fewer than two outcomes, one twice, or a part that is no electrolytic.
    """
    if len(outcomes) < 2 or len(set(outcomes)) != len(outcomes):
        raise RippleError(
            tr(
                "outcomes {outcomes} found; allowed: two or more, the good one first, none twice",
                outcomes=list(outcomes),
            )
        )
    worth = grades(reading, nominal)
    good = worth["good"]
    known = reading.posterior is None or (
        reading.posterior.scaled
        and reading.posterior.cov[0, 0] < LOOSE**2
        and not _poorly_followed(reading)
        and not reading.flat_top
    )
    most_good = MOST_GOOD if known else LOOSE_GOOD
    found = {outcomes[0]: good}
    for name in outcomes[1:]:
        bad = worth[name] if name in ("worn", "dead") else worth["bad"]
        found[name] = min(max(bad, good / most_good), good * MOST_BAD)
    most = max(found.values())
    return {name: value / most for name, value in found.items()}


def diode_likelihood(reading: RippleReading, outcomes: Sequence[str] = ("good", "dead")) -> Mapping[str, float]:
    """The same for the rectifier, good first: a full-wave one that runs on one half has an open diode (estimate)."""
    if len(outcomes) < 2 or len(set(outcomes)) != len(outcomes):
        raise RippleError(
            tr(
                "outcomes {outcomes} found; allowed: two or more, the good one first, none twice",
                outcomes=list(outcomes),
            )
        )
    odds = {"dead": 1.0 / MOST_BAD, "sound": MOST_GOOD, "uneven": 0.5}.get(reading.diode, 1.0)
    most = max(1.0, odds)
    return {outcomes[0]: odds / most, **dict.fromkeys(outcomes[1:], 1.0 / most)}
