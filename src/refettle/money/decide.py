"""Finish it, sell it as it is, or part it out: by expected value, with what was spent so far left out.

    V_go  = p S_work + (1 - p) S_parts - cost to finish - p (share returned) S_work
    V_now = max(S_as_is, S_parts - cost of stripping)

Go on only if V_go exceeds V_now by a margin. Common practice, no source. What is spent is spent: it is shown beside
and changes nothing. The sums are no better than what goes in, so each input is also drawn from how sure it is, and how
often each choice comes out best is said.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from refettle.language import tr
from refettle.money.amounts import MOST, MoneyError, within

Choice = Literal["finish", "sell as is", "part out"]
CHOICES: tuple[Choice, ...] = ("finish", "sell as is", "part out")
STRIP_MINUTES = 45.0
"""Stripping a unit for parts and listing them [min]: estimate."""
RETURNED = 0.05
"""Share of sales of working units that come back: estimate (3 to 8 %)."""
MARGIN = 0.1
"""Of V_now: what going on must bring more, for the trouble. Estimate."""
DRAWS = 4000


@dataclass(frozen=True, slots=True)
class Sale:
    """What a sale is thought to bring: prices working, as it is, for parts [currency].

    `fee` is the share that a marketplace keeps, `post` what sending it out costs, once for each sale.
    """

    working: float
    as_is: float
    for_parts: float
    fee: float = 0.0
    post: float = 0.0

    def net(self, price: float) -> float:
        """What stays of a price; never below 0, as nobody must sell."""
        return max(0.0, price * (1.0 - self.fee) - self.post)


@dataclass(frozen=True, slots=True)
class Sureness:
    """How sure the inputs are: standard deviations of ln(price) and ln(cost), and what `p` is worth in jobs.

    Estimates, to be given where something is known.
    """

    price: float = 0.25
    cost: float = 0.3
    jobs: float = 10.0


@dataclass(frozen=True)
class Decision:
    """What to do, and why.

    Attributes
    ----------
    best : str
        'finish', 'sell as is' or 'part out'.
    values : mapping
        Expected value of each [currency].
    margin : float
        What finishing must bring more than the best of the others [currency].
    chances : mapping
        How often each comes out best when the inputs are drawn from how sure they are.
    p_needed, price_needed, cost_allowed : float or None
        What would change it: the least chance of success, the least price when it works, the most that finishing may
        still cost, at which finishing is worth it; each with the others as they are. None where no value does.
    spent : float
        Shown, and not counted.
    close : bool
        True if the second best is best in more than one draw of four.
    """

    best: Choice
    values: Mapping[Choice, float]
    margin: float
    chances: Mapping[Choice, float]
    p: float
    cost: float
    p_needed: float | None
    price_needed: float | None
    cost_allowed: float
    spent: float
    close: bool


def decide(
    sale: Sale,
    *,
    p: float,
    cost: float,
    strip_cost: float,
    returned: float = RETURNED,
    margin: float | None = None,
    spent: float = 0.0,
    sure: Sureness | None = None,
    seed: int = 1,
) -> Decision:
    """What to do with a unit of one's own.

    Parameters
    ----------
    sale : Sale
    p : float
        Chance that it works in the end, as a quote gives it; where records tell how such units end, by `outlook`.
    cost : float
        Expected cost to finish from now, the bench's own time at its rate included [currency].
    strip_cost : float
        Of taking it apart for parts and listing them [currency].
    returned : float
        Share of sales of working units that come back.
    margin : float, optional
        [currency]; by default a tenth of V_now.
    spent : float
        What it has cost so far [currency]; left out of the decision.

    Raises
    ------
    MoneyError
        A value out of range.
    """
    within("p", p, 0.0, 1.0)
    within("returned", returned, 0.0, 1.0)
    within("fee", sale.fee, 0.0, 1.0)
    for name, value in (
        ("working", sale.working),
        (tr("as is"), sale.as_is),
        (tr("for parts"), sale.for_parts),
        ("post", sale.post),
        ("cost", cost),
        (tr("strip cost"), strip_cost),
        ("margin", margin or 0.0),
        ("spent", spent),
    ):
        within(name, value, 0.0, MOST)
    sure = sure or Sureness()
    work, as_is, parts = (sale.net(x) for x in (sale.working, sale.as_is, sale.for_parts))
    go = _go(p, work, parts, cost, returned)
    values: dict[Choice, float] = {"finish": go, "sell as is": as_is, "part out": parts - strip_cost}
    now = max(values["sell as is"], values["part out"])
    extra = MARGIN * max(now, 0.0) if margin is None else margin
    best: Choice = "part out" if values["part out"] > values["sell as is"] else "sell as is"
    if go > now + extra:
        best = "finish"
    chances = _chances(sale, p, cost, strip_cost, returned, extra, sure, seed)
    wanted = now + extra + cost
    gain = work * (1.0 - returned) - parts
    p_needed = (wanted - parts) / gain if gain > 0 else None
    needed_net = (wanted - (1.0 - p) * parts) / (p * (1.0 - returned)) if p > 0 and returned < 1 else None
    price = (needed_net + sale.post) / (1.0 - sale.fee) if needed_net is not None and sale.fee < 1 else None
    return Decision(
        best=best,
        values=values,
        margin=extra,
        chances=chances,
        p=p,
        cost=cost,
        p_needed=max(0.0, p_needed) if p_needed is not None and p_needed <= 1.0 else None,
        price_needed=max(0.0, price) if price is not None else None,
        cost_allowed=max(0.0, go + cost - now - extra),
        spent=spent,
        close=max(v for k, v in chances.items() if k != best) > 0.25,
    )


def _go(p: float, work: float, parts: float, cost: float, returned: float) -> float:
    """Expected value of going on."""
    return p * work * (1.0 - returned) + (1.0 - p) * parts - cost


def _chances(
    sale: Sale, p: float, cost: float, strip: float, returned: float, margin: float, sure: Sureness, seed: int
) -> dict[Choice, float]:
    """How often each is best, with inputs drawn; their middles are what was given."""
    if sure.price < 0 or sure.cost < 0 or sure.jobs <= 0:
        raise MoneyError(tr("sureness: below 0 found; allowed: spreads of at least 0 and jobs above 0"))
    rng = np.random.default_rng(seed)

    def drawn(price: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        prices = price * np.exp(sure.price * rng.standard_normal(DRAWS))
        return np.maximum(prices * (1.0 - sale.fee) - sale.post, 0.0)

    work, as_is, parts = (drawn(x) for x in (sale.working, sale.as_is, sale.for_parts))
    a, b = sure.jobs * p, sure.jobs * (1.0 - p)
    chance = rng.beta(a, b, DRAWS) if a > 0 and b > 0 else np.full(DRAWS, p)
    # The cost is a mean: the draws keep it.
    finishing = cost * np.exp(sure.cost * rng.standard_normal(DRAWS) - 0.5 * sure.cost**2)
    go = chance * work * (1.0 - returned) + (1.0 - chance) * parts - finishing - margin
    best = np.argmax(np.stack([go, as_is, parts - strip]), axis=0)
    return {choice: float((best == i).mean()) for i, choice in enumerate(CHOICES)}
