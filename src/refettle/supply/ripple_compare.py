"""Two ripple readings of one place, before and after: what changed beyond what the captures leave open."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from refettle.language import tr
from refettle.quantities import show
from refettle.supply.ripple_result import Figure, RippleReading

Says = Literal["higher", "lower", "no sure change", "cannot be compared"]


@dataclass(frozen=True, slots=True)
class RippleChange:
    """One figure before and after, in words, and whether its 95 % intervals lie apart."""

    what: str
    before: str
    after: str
    says: Says

    @property
    def sure(self) -> bool:
        """True where the change is beyond what the captures leave open."""
        return self.says in ("higher", "lower")


LEVEL_SPREAD = 0.03
"""Share by which two readings of volts from one cheap instrument may differ (estimate)."""


def compare_ripple(before: RippleReading, after: RippleReading) -> tuple[RippleChange, ...]:
    """What changed from one capture to the next of the same place.

    A figure changed if its 95 % intervals do not meet; an upper bound counts from nothing up to it. Volts are taken as
    good to 3 % (estimate). Where one of the two withholds a figure it cannot be compared.
    """
    changes = [
        _figures(tr("capacitance"), before.farad, after.farad),
        _figures("ESR", before.esr, after.esr),
        _volts(tr("ripple, peak to peak"), before.ripple, after.ripple),
    ]
    if before.valley is not None and after.valley is not None:
        changes.append(_volts(tr("lowest point of the rail"), before.valley, after.valley))
    return tuple(changes)


def _span(figure: Figure) -> tuple[float, float] | None:
    if figure.how == "withheld" or figure.high is None:
        return None
    return (figure.low if figure.low is not None and figure.how != "at most" else 0.0), figure.high


def _figures(what: str, before: Figure, after: Figure) -> RippleChange:
    old, new = _span(before), _span(after)
    says: Says = "cannot be compared" if old is None or new is None else _apart(old, new)
    return RippleChange(what, str(before), str(after), says)


def _volts(what: str, before: float, after: float) -> RippleChange:
    old, new = ((v - LEVEL_SPREAD * abs(v), v + LEVEL_SPREAD * abs(v)) for v in (before, after))
    return RippleChange(what, show(before, "V"), show(after, "V"), _apart(old, new))


def _apart(old: tuple[float, float], new: tuple[float, float]) -> Says:
    if new[0] > old[1]:
        return "higher"
    return "lower" if new[1] < old[0] else "no sure change"
