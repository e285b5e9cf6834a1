"""What an hour at the bench brings on a unit of one's own: money per hour, not margin, tells good buys from bad."""

from __future__ import annotations

from dataclasses import dataclass

from refettle.language import tr
from refettle.money.amounts import MOST, MoneyError, within


@dataclass(frozen=True, slots=True)
class Hours:
    """The sum of one unit.

    Attributes
    ----------
    takes, gives : float
        What the sale brings, and what goes out without one's own time [currency].
    left : float
        What is left for the hours.
    minutes : float
        Spent in all [min].
    per_hour : float
        [currency per hour].
    profit : float
        What is left after one's own time at the bench rate [currency].
    """

    takes: float
    gives: float
    left: float
    minutes: float
    per_hour: float
    profit: float


def per_hour(
    sold: float,
    minutes: float,
    rate: float,
    *,
    bought: float = 0.0,
    post_in: float = 0.0,
    parts: float = 0.0,
    other: float = 0.0,
    fee: float = 0.0,
    post_out: float = 0.0,
    returned: float = 0.0,
) -> Hours:
    """Money per hour of a unit bought, repaired and sold.

    Parameters
    ----------
    sold : float
        Price it is or will be sold at [currency].
    minutes : float
        All minutes, seen and unseen [min].
    rate : float
        Bench rate, for the profit [currency per hour].
    bought, post_in, parts, other, post_out : float
        What went out [currency].
    fee, returned : float
        Shares of the price: the marketplace's, and what returns cost.

    Raises
    ------
    MoneyError
        A value out of range, or no minutes.
    """
    for name, value in (("sold", sold), ("rate", rate), ("bought", bought), (tr("post in"), post_in)):
        within(name, value, 0.0, MOST)
    for name, value in (("parts", parts), ("other", other), (tr("post out"), post_out)):
        within(name, value, 0.0, MOST)
    within("fee", fee, 0.0, 1.0)
    within("returned", returned, 0.0, 1.0)
    if not 0.0 < minutes <= 1e7:
        raise MoneyError(tr("minutes: {minutes:g} found; allowed: above 0", minutes=minutes))
    gives = bought + post_in + parts + other + sold * (fee + returned) + post_out
    left = sold - gives
    return Hours(sold, gives, left, minutes, left * 60.0 / minutes, left - minutes * rate / 60.0)
