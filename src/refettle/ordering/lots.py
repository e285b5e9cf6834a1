"""How much at a time: the economic order quantity with quantity breaks, and lots for demand that is known by period.

Money is in any one currency, as floats: these are for deciding, not for paying. Time is in any one unit, the same for
demand and holding.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, floor, inf, isfinite, sqrt

from refettle.language import tr

MOST_PERIODS, MOST_BREAKS = 2_000, 50


class LotError(ValueError):
    """A figure that cannot be; names it, what was found and what is allowed."""


@dataclass(frozen=True, slots=True)
class Lot:
    """An order quantity: `cost` a period is `ordering` + `holding` + `buying`; `price` is the one it is had at."""

    quantity: float
    price: float
    ordering: float
    holding: float
    buying: float

    @property
    def cost(self) -> float:
        """Money a period."""
        return self.ordering + self.holding + self.buying


@dataclass(frozen=True, slots=True)
class Lots:
    """`orders`: (period it is for, from 0, and pieces); `cost` of all; `upto`: least cost of the first n periods."""

    orders: tuple[tuple[int, float], ...]
    cost: float
    upto: tuple[float, ...]


def _figure(name: str, value: float, zero: bool = False) -> float:
    if not isfinite(value) or value < 0.0 or (value == 0.0 and not zero):
        raise LotError(
            tr(
                "{name}: found {value:g}; allowed: {zero}",
                name=name,
                value=value,
                zero="0 or more" if zero else "above 0",
            )
        )
    return float(value)


def economic_lot(
    demand: float,
    order_cost: float,
    holding: float,
    breaks: Sequence[tuple[float, float]],
    *,
    whole: bool = True,
    most: float = inf,
) -> Lot:
    """The order quantity of least cost a period, all units at the price of the break reached.

    cost(Q) = D S / Q + h p Q / 2 + p D, with the square-root quantity sqrt(2 D S / (h p)) of each break, or its edge
    where that lies outside (Harris 1913; Hadley and Whitin 1963, all-units discounts: from memory). Even demand, the
    whole lot arriving at once, no shelf life: cap it with `most`, the pieces that are used before they are stale.

    Parameters
    ----------
    demand : float
        [piece a period] D.
    order_cost : float
        [money] S, of one order: shipping and the minutes it takes.
    holding : float
        [1 a period] h, share of the price.
    breaks : (from pieces, price)
        Rising; the first is where it begins.
    whole : bool
        Whole pieces only.
    most : float
        [piece] Not more at a time.
    """
    _figure("demand", demand), _figure(tr("order cost"), order_cost), _figure("holding", holding)
    if not 1 <= len(breaks) <= MOST_BREAKS:
        raise LotError(
            tr("breaks: found {breaks}; allowed: 1 to {most_breaks}", breaks=len(breaks), most_breaks=MOST_BREAKS)
        )
    starts = [_figure("break", start) for start, _ in breaks]
    if any(b <= a for a, b in pairwise(starts)):
        raise LotError(tr("breaks: found {starts}; allowed: rising", starts=", ".join(f"{s:g}" for s in starts)))
    ends = [*starts[1:], inf]
    best: Lot | None = None
    for (start, price), end in zip(breaks, ends, strict=True):
        _figure("price", price)
        root = sqrt(2.0 * demand * order_cost / (holding * price))
        below = ceil(end) - 1 if whole and isfinite(end) else end
        for quantity in (floor(root), ceil(root)) if whole else (root,):
            held = max(ceil(start) if whole else start, min(quantity, below, most))
            if held > most or held > below or held <= 0.0 or (not whole and held >= end):
                continue
            lot = Lot(held, price, demand * order_cost / held, 0.5 * holding * price * held, price * demand)
            if best is None or lot.cost < best.cost:
                best = lot
    if best is None:
        raise LotError(
            tr(
                "most: found {most:g}; allowed: at least {starts:g}, where the breaks begin",
                most=most,
                starts=starts[0],
            )
        )
    return best


def known_lots(demand: Sequence[float], order_cost: Sequence[float] | float, holding: float) -> Lots:
    """Orders of least cost for demand that is known: when, and how much.

    f(t) = min over j <= t of f(j-1) + S(j) + cost of holding what periods j+1 .. t use; demand of a period is met
    from an order at its begin or before (Wagner and Whitin 1958, Management Science 5: from memory). Exact.

    Parameters
    ----------
    demand : sequence
        [piece] of each period, 0 or more.
    order_cost : sequence or float
        [money] of an order in each period.
    holding : float
        [money a piece a period]
    """
    periods = len(demand)
    if not 1 <= periods <= MOST_PERIODS:
        raise LotError(
            tr(
                "demand: found {periods} periods; allowed: 1 to {most_periods}",
                periods=periods,
                most_periods=MOST_PERIODS,
            )
        )
    costs = [float(order_cost)] * periods if isinstance(order_cost, int | float) else [float(c) for c in order_cost]
    if len(costs) != periods:
        raise LotError(
            tr(
                "order cost: found {costs} periods; allowed: {periods}, as many as of demand",
                costs=len(costs),
                periods=periods,
            )
        )
    for n in range(periods):
        (
            _figure(tr("demand of period {n}", n=n + 1), demand[n], True),
            _figure(tr("order cost of period {n}", n=n + 1), costs[n], True),
        )
    _figure("holding", holding, True)
    least, came = [0.0], [0]
    for t in range(1, periods + 1):
        options = [(least[t - 1], t)] if not demand[t - 1] else []  # nothing is used: no order need reach it
        held, waits = 0.0, 0.0
        for j in range(t, 0, -1):  # an order in period j lasts up to t; `waits`: pieces of j+1 .. t
            held += holding * waits
            options.append((least[j - 1] + costs[j - 1] + held, j))
            waits += demand[j - 1]
        value, chosen = min(options)
        least.append(value)
        came.append(chosen if (value, chosen) != (least[t - 1], t) or demand[t - 1] else 0)
    orders: list[tuple[int, float]] = []
    t = periods
    while t:
        j = came[t]
        if j == 0:
            t -= 1
            continue
        orders.append((j - 1, float(sum(demand[j - 1 : t]))))
        t = j - 1
    return Lots(tuple(reversed(orders)), least[-1], tuple(least[1:]))
