"""How strong a solution of hydrogen peroxide is: labels as people write them, in percent by mass.

Everything inside is % w/w, 0 to 100. Density at 20 °C, w as mass fraction:

    rho(w) = 0.9982 + 0.349 w + 0.095 w^2    [kg/L]

a fit within 0.004 of a published table (encyclopedia article on hydrogen peroxide, 3 to 70 %). It stops at 70 %.
Volume strength is litres of oxygen, at 0 °C and 1 atm, out of one litre: 0.32948 times g/L, from 2 H2O2 -> 2 H2O + O2.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from refettle.language import mark, tr
from refettle.quantities import plain
from refettle.whitening.values import WhiteningError, within

MOLAR = 34.0147
"""[g/mol] of H2O2."""
VOLUMES = 22.414 / (2 * MOLAR)
"""Volume strength of 1 g/L."""
MOST_PERCENT = 70.0
"""[% w/w] up to which the density holds."""
ALLOWED = mark("12 %, 12 % w/w, 12 % w/v, 40 vol, or 300 g/L")
Way = Literal["w/w", "w/v", "vol", "g/L", "unsaid"]
_WAYS: dict[Way, str] = {
    "w/w": r"w\s?/\s?w|m\s?/\s?m|by (?:weight|mass)",
    "w/v": r"w\s?/\s?v|m\s?/\s?v|g\s?/\s?100\s?ml",
}
_FIGURE = r"([-+]?\d+(?:[.,]\d+)?)"
_PERCENT = re.compile(rf"{_FIGURE} ?(?:%|per ?cent)(.*)")
_VOLUME = re.compile(rf"{_FIGURE} ?(?:vols?|volumes?)\b\.?")
_GRAMS = re.compile(rf"{_FIGURE} ?g ?/ ?l\b")
SAME = 0.04
"""Share by which percent and volumes on one label may differ and still be one strength: labels round."""


@dataclass(frozen=True, slots=True)
class Strength:
    """A strength: `percent` [% w/w], how the label said it, and in words how that was read."""

    percent: float
    way: Way
    label: str
    read_as: str


def density(percent: float) -> float:
    """[kg/L] at 20 °C of a solution of `percent` [% w/w] from 0 to 70; WhiteningError outside."""
    w = within("strength", percent, 0.0, MOST_PERCENT, "% w/w") / 100.0
    return 0.9982 + 0.349 * w + 0.095 * w * w


def grams_per_litre(percent: float) -> float:
    """[g/L] of H2O2 at 20 °C in a solution of `percent` [% w/w]; a tenth of it is % w/v."""
    return 10.0 * percent * density(percent)


def volume_strength(percent: float) -> float:
    """[vol] of a solution of `percent` [% w/w]."""
    return VOLUMES * grams_per_litre(percent)


def percent_of_grams(grams: float) -> float:
    """[% w/w] of a solution with `grams` [g/L] of H2O2. WhiteningError above what 70 % w/w holds."""
    most = grams_per_litre(MOST_PERCENT)
    within("strength", grams, 0.0, most, "g/L")
    low, high = 0.0, MOST_PERCENT
    for _ in range(60):  # g/L grows with w, so halving finds it to the last digit
        middle = (low + high) / 2.0
        low, high = (middle, high) if grams_per_litre(middle) < grams else (low, middle)
    return (low + high) / 2.0


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def read_strength(label: str, name: str = "stock") -> Strength:
    """A strength from a label.

    A percentage with nothing behind it is taken as % w/w. Read the other way it would be weaker, as the solution is
    denser than water, so a bath mixed by it is never stronger than meant.

    Parameters
    ----------
    label : str
        `12 %`, `35% w/w`, `12 % w/v`, `40 vol`, `300 g/L`, or percent and volumes side by side.
    name : str
        What to call it in an error.

    Raises
    ------
    WhiteningError
        No strength, a bare number, an impossible percentage, or percent and volumes that do not agree.
    """
    text = re.sub(r"[()]", " ", plain(label).casefold())
    text = " ".join(text.split())
    percent, volume, grams = _PERCENT.search(text), _VOLUME.search(text), _GRAMS.search(text)
    if percent and volume:
        return _both(label, name, _number(percent[1]), _number(volume[1]), _way_of(percent[2]))
    if percent:
        return _of_percent(label, name, _number(percent[1]), _way_of(percent[2]))
    if volume:
        figure = within(name, _number(volume[1]), 0.0, VOLUMES * grams_per_litre(MOST_PERCENT), "vol", above=True)
        found = percent_of_grams(figure / VOLUMES)
        return Strength(found, "vol", label, tr("{figure:g} vol is {found:.3g} % w/w", figure=figure, found=found))
    if grams:
        figure = within(name, _number(grams[1]), 0.0, grams_per_litre(MOST_PERCENT), "g/L", above=True)
        found = percent_of_grams(figure)
        return Strength(found, "g/L", label, f"{figure:g} g/L is {found:.3g} % w/w")
    raise WhiteningError(
        tr(
            "{name}: {label!r} found; allowed: a strength such as {allowed}",
            name=name,
            label=label[:60],
            allowed=tr(ALLOWED),
        )
    )


def _way_of(behind: str) -> Way:
    return next((way for way, words in _WAYS.items() if re.search(words, behind)), "unsaid")


def _of_percent(label: str, name: str, figure: float, way: Way) -> Strength:
    if way == "w/v":
        within(name, figure, 0.0, grams_per_litre(MOST_PERCENT) / 10.0, "% w/v", above=True)
        found = percent_of_grams(10.0 * figure)
        return Strength(found, way, label, f"{figure:g} % w/v is {found:.3g} % w/w")
    within(name, figure, 0.0, MOST_PERCENT, "% w/w", above=True)
    if way == "w/w":
        return Strength(figure, way, label, f"{figure:g} % w/w")
    other = percent_of_grams(10.0 * figure)
    said = tr(
        "{figure:g} % with nothing behind it is taken as % w/w; if % w/v is meant it is {other:.3g} % w/w, weaker",
        figure=figure,
        other=other,
    )
    return Strength(figure, way, label, said)


def _both(label: str, name: str, percent: float, volumes: float, way: Way) -> Strength:
    """Percent and volumes on one label: together they tell which percent is meant."""
    by_volume = _of_percent(label, name, percent, "w/v")
    by_mass = _of_percent(label, name, percent, "w/w")
    fitting = [
        each
        for each in (by_volume, by_mass)
        if abs(volume_strength(each.percent) - volumes) <= SAME * volumes and way in ("unsaid", each.way)
    ]
    if not fitting:
        raise WhiteningError(
            tr(
                "{name}: {percent:g} % and {volumes:g} vol found, which are not one strength; allowed: "
                "one of the two, or both in step, such as {percent:g} % w/v with {in_step:.0f} vol",
                name=name,
                percent=percent,
                volumes=volumes,
                in_step=10.0 * percent * VOLUMES,
            )
        )
    nearest = min(fitting, key=lambda each: abs(volume_strength(each.percent) - volumes))
    return Strength(
        nearest.percent,
        nearest.way,
        label,
        tr("{read_as}, as the {volumes:g} vol beside it say", read_as=nearest.read_as, volumes=volumes),
    )
