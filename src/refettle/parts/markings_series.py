"""Preferred values: the E series of IEC 60063:2015.

E3 to E24 are a table of their own (eight of the E24 values are not the rounded powers of ten); E48 to E192 are
round(100 · 10^(n/192)) to three figures, with the one exception 920 instead of 919.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from itertools import pairwise

from refettle.language import tr
from refettle.quantities import decade, scaled

E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
_E192 = tuple(920 if n == 185 else round(100 * 10 ** (n / 192)) for n in range(192))

SERIES: dict[str, tuple[int, ...]] = {
    "E3": E24[::8],
    "E6": E24[::4],
    "E12": E24[::2],
    "E24": E24,
    "E48": _E192[::4],
    "E96": _E192[::2],
    "E192": _E192,
}
"""Figures of one decade: two figures up to E24, three from E48."""

USUAL: dict[float, str] = {0.2: "E6", 0.1: "E12", 0.05: "E24", 0.02: "E48", 0.01: "E96", 0.005: "E192"}
"""Series that IEC 60063 gives for each tolerance."""


@cache
def _members() -> dict[int, str]:
    """The coarsest series of each three-figure number."""
    found: dict[int, str] = {}
    for name, figures in SERIES.items():
        for each in figures:
            found.setdefault(each * 10 if each < 100 else each, name)
    return found


def three_figures(value: float) -> int | None:
    """The three significant figures of a positive value, or None where it has more."""
    figures = value / 10.0 ** (decade(value) - 2)
    nearest = round(figures)
    return nearest if abs(figures - nearest) < 1e-6 * figures else None


def series_of(value: float) -> str:
    """The coarsest series with this value, `E3` to `E192`; empty where it is in none, or not above 0."""
    figures = three_figures(value) if value > 0 else None
    return _members().get(figures, "") if figures is not None else ""


def nearest(value: float, series: str) -> float:
    """The value of a series nearest by ratio; the lower one in the middle.

    Raises
    ------
    ValueError
        No such series, or a value that is not above 0.
    """
    if series not in SERIES:
        raise ValueError(tr("series {series!r} found; allowed: {known}", series=series, known=", ".join(SERIES)))
    if not 0 < value < float("inf"):
        raise ValueError(tr("value {value} found; allowed: above 0", value=value))
    figures = SERIES[series]
    shift = 1 if figures[0] < 100 else 2
    first = decade(value)
    places: Iterable[tuple[int, int]] = ((d, e) for e in (first - 1, first, first + 1) for d in figures)
    steps = [scaled(str(each), exponent - shift) for each, exponent in places]
    for below, above in pairwise(steps):
        if value <= above:
            return below if value * value <= below * above else above
    raise AssertionError(tr("three decades hold the value"))
