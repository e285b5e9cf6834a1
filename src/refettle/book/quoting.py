"""A job's quote and what to do with its unit, worked out of its state. No database, no framework."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from math import exp

from refettle import faults, money
from refettle.book.elsewhere import kept, work_out
from refettle.book.state import JobState, suspicions_of
from refettle.knowledge.compile import CompiledType
from refettle.language import mark
from refettle.money.decide import RETURNED, STRIP_MINUTES
from refettle.money.quote import handy
from refettle.proving.times import SPREAD, RepairTime

BOX = 45.0
"""Finding it out before anyone has seen it fail [min]: estimate."""
LEAST, MOST = 10.0, 240.0
"""Finding it out takes at least and at most so long on average [min]."""
PRICES = ("working", "as_is", "for_parts")
SCOPES: Mapping[str, money.Work | None] = {
    "make safe": None,
    "make work": None,
    "preventive": money.Work("preventive", 120.0, None, 8.0),
    "cosmetic": money.Work("cosmetic", 75.0, None, 4.0),
    "convert": money.Work("convert", 60.0, None, 15.0),
}
"""What a quote may take in besides, with minutes and parts to start from: estimates, to be put right for the unit."""


@dataclass(frozen=True)
class Costs:
    """A job in money: spent so far, still to come, and both together [currency, min]."""

    minutes: float
    parts: float
    paid: float
    rate: float
    currency: str
    to_come: money.Quote
    outlook: money.Outlook | None = None
    """Where published records tell how such units end, besides what the log points to."""

    @property
    def chance(self) -> float:
        """That it works in the end: by the log, and lowered by how such units end where that is known."""
        return self.to_come.chance if self.outlook is None else self.outlook.chance

    @property
    def labour(self) -> float:
        """Minutes so far at the bench rate."""
        return self.minutes * self.rate / 60.0

    @property
    def spent(self) -> float:
        """All that it has cost so far."""
        return self.labour + self.parts + self.paid

    @property
    def p50(self) -> float:
        """The whole job, as often passed as not."""
        return self.spent + self.to_come.p50

    @property
    def p90(self) -> float:
        """The whole job, passed once in ten."""
        return self.spent + self.to_come.p90

    @property
    def ceiling(self) -> float:
        """Where to stop and ask, by default."""
        return handy(self.p90)


def costs(
    state: JobState,
    rate: float,
    currency: str,
    *,
    customer: bool = False,
    advice: faults.Advice | None = None,
    extra: Sequence[money.Work] = (),
    times: Mapping[str, RepairTime] | None = None,
    ends: money.Ends | None = None,
) -> Costs:
    """What the job has cost and is still to cost.

    Parameters
    ----------
    state : JobState
    rate : float
        Bench rate [currency per hour].
    currency : str
        Of the bench; outgoings in others are left out.
    customer : bool
        The unit is a customer's (for the advice).
    advice : faults.Advice, optional
        If it was worked out already.
    extra : sequence of Work
        Agreed besides the repair.
    times : mapping, optional
        Repair id -> how long it takes by finished jobs; else the unit type's minutes with the shipped spread.
    ends : Ends, optional
        How such units end (see `book.records.ends_for`). It lowers the chance to end working (see `money.outlook`) and
        nothing else; without it, that chance is the fault model's.
    """
    advice = advice or state.advice(customer=customer)
    quoted = _quote(_key_of(state, advice, times), rate, tuple(extra))
    found = Costs(state.minutes, state.parts, float(state.money.paid(currency)), rate, currency, quoted)
    if ends is None:
        return found
    usual = _usual(state.compiled, rate)
    seen = money.outlook(ends, by_log=quoted.chance, nothing=min(quoted.nothing, quoted.chance), usual=usual)
    return replace(found, outlook=seen)


def are_there(
    state: JobState,
    rate: float,
    customer: bool,
    extra: Sequence[money.Work] = (),
    times: Mapping[str, RepairTime] | None = None,
) -> bool:
    """True where `costs` does not take long: all that it needs was worked out."""
    if not state.is_advised(customer) or not _usual.holds(state.compiled, rate):
        return False
    return _quote.holds(_key_of(state, state.advice(customer=customer), times), rate, tuple(extra))


@kept(256)
def _usual(compiled: CompiledType, rate: float) -> float:
    """The model's chance that a faulty unit of this type ends working, before anything is known of it."""
    return work_out(_worked_before, compiled, rate)


def _worked_before(compiled: CompiledType, rate: float) -> float:
    model, sets = compiled.model, compiled.hypotheses()
    ignore = [i for i, mode in enumerate(model.modes) if mode.bench]
    units = [i for i, mode in enumerate(model.modes) if not mode.bench]
    faulty = sets.member[:, units].any(axis=1)
    fixes = [_fix(model, repair, None) for repair in model.repairs]
    return money.quote(
        sets.prior[faulty], sets.member[faulty], fixes, rate=rate, seed=1, after=(), ignore=ignore
    ).chance


def learned_times(state: JobState, time_of: Callable[[str, str], RepairTime | None]) -> dict[str, RepairTime]:
    """What finished jobs taught of the repairs of this unit type: repair id -> its time. `time_of`: (block kind, repair
    of that kind) -> its time, or None where no job tells."""
    found = {}
    for repair in state.compiled.model.repairs:
        block = state.compiled.loaded.blocks.get(repair.block)
        name = repair.id.removeprefix(f"{repair.block}.")
        time = time_of(block.kind, name) if block is not None else None
        if time is not None:
            found[repair.id] = time
    return found


@dataclass(frozen=True, eq=False)
class _Key:
    """Lets the same state of a job be quoted once: what of it decides the quote, and nothing else, since it is kept."""

    compiled: CompiledType
    weighed: tuple[str, ...]
    level: int
    advice: faults.Advice
    times: Mapping[str, RepairTime] | None

    def _all(self) -> tuple[object, ...]:
        times = tuple(sorted((k, t.p50, t.p90) for k, t in (self.times or {}).items()))
        return id(self.advice), id(self.compiled), self.level, times

    def __hash__(self) -> int:
        return hash(self._all())

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Key) and self._all() == other._all()


def _key_of(state: JobState, advice: faults.Advice, times: Mapping[str, RepairTime] | None) -> _Key:
    return _Key(state.compiled, state.weighed, state.level, advice, times)


@kept(512)
def _quote(key: _Key, rate: float, extra: tuple[money.Work, ...]) -> money.Quote:
    return work_out(_quoted, key.compiled, key.weighed, key.level, key.advice, dict(key.times or {}), rate, extra)


def _quoted(
    compiled: CompiledType,
    weighed: tuple[str, ...],
    level: int,
    advice: faults.Advice,
    times: Mapping[str, RepairTime],
    rate: float,
    extra: tuple[money.Work, ...],
) -> money.Quote:
    model, suspicions = compiled.model, suspicions_of(compiled, weighed)
    fixes = [_fix(model, repair, times.get(repair.id)) for repair in model.repairs]
    ignore = [i for i, mode in enumerate(model.modes) if mode.bench]

    def drawn(diagnosis: money.Work | None, after: Sequence[money.Work], more: Sequence[money.Work]) -> money.Quote:
        return money.quote(
            suspicions.weights,
            suspicions.member,
            fixes,
            rate=rate,
            seed=1,
            diagnosis=diagnosis,
            retest=model.retest,
            setup=model.setup,
            level=level,
            after=after,
            extra=more,
            ignore=ignore,
        )

    return drawn(_finding_out(advice, rate, lambda: drawn(None, (), ())), money.AFTER_REPAIR, extra)


def _fix(model: faults.Model, repair: faults.Repair, known: RepairTime | None) -> money.Fix:
    work = money.Work(repair.name, repair.minutes, None, repair.parts)
    if known is not None:
        work = money.Work(repair.name, known.p50, known.p90, repair.parts)
    return money.Fix(work, {model.mode_index[m]: chance for m, chance in repair.fixes.items()}, repair.level)


def _finding_out(advice: faults.Advice, rate: float, repairs: Callable[[], money.Quote]) -> money.Work | None:
    """By how much the plan is longer than the repairs it ends in, as lognormal minutes with that mean."""
    if advice.state == "works":
        return None
    mean = BOX
    if advice.state == "find":
        alone = repairs()
        mean = min(max(advice.expected - alone.minutes_mean - alone.parts_mean * 60.0 / rate, LEAST), MOST)
    return money.Work(mark("finding it out"), mean / exp(0.5 * SPREAD**2))


# ---------------------------------------------------------------- the ceiling, the decision


@dataclass(frozen=True)
class Over:
    """The ceiling that the owner accepted is passed, or will be by what is expected."""

    ceiling: float
    spent: float
    expected: float
    passed: bool
    chance: float


def over_ceiling(state: JobState, found: Costs) -> Over | None:
    """Whether to stop and ask: what is spent and what is still expected (P50) come to more than was accepted.

    None while no quote is accepted, or the job stays below.
    """
    accepted = state.money.accepted
    if accepted is None or accepted.agreed is None or accepted.currency != found.currency:
        return None
    ceiling = float(accepted.agreed)
    if found.spent + found.to_come.p50 <= ceiling:
        return None
    chance = found.to_come.chance_over(max(ceiling - found.spent, 0.0))
    return Over(ceiling, found.spent, found.to_come.p50, found.spent > ceiling, chance)


def decision(state: JobState, found: Costs) -> money.Decision | None:
    """Finish, sell as is or part out; None while a price is missing."""
    values = state.money
    prices = [values.value(name, found.currency) for name in PRICES]
    if any(price is None for price in prices):
        return None
    working, as_is, for_parts = (float(price or 0) for price in prices)
    sale = money.Sale(working, as_is, for_parts, fee_share(state), float(values.value("post", found.currency) or 0))
    return money.decide(
        sale,
        p=found.chance,
        cost=found.to_come.mean,
        strip_cost=STRIP_MINUTES * found.rate / 60.0,
        spent=found.spent + float(values.value("bought", found.currency) or 0),
    )


def fee_share(state: JobState) -> float:
    """Selling fee as a share of the price."""
    return float(state.money.values.get("fee_percent") or 0.0) / 100.0


def hours(state: JobState, found: Costs, minutes: float | None = None) -> money.Hours | None:
    """Money per hour of a unit of one's own at its price, sold or thought; with `minutes` still to come, or by default
    the mean of the quote. None while no price is known."""
    values = state.money
    sold = values.value("sold", found.currency)
    price = sold if sold is not None else values.value("working", found.currency)
    to_come = 0.0 if sold is not None else found.to_come.minutes_mean if minutes is None else minutes
    if price is None or found.minutes + to_come <= 0:
        return None
    return money.per_hour(
        float(price),
        found.minutes + to_come,
        found.rate,
        bought=float(values.value("bought", found.currency) or 0),
        parts=found.parts + (0.0 if sold is not None else found.to_come.parts_mean),
        other=found.paid,
        fee=fee_share(state),
        post_out=float(values.value("post", found.currency) or 0),
        returned=0.0 if sold is not None else RETURNED,
    )


def cents(amount: float) -> Decimal:
    """An amount as it is written in the log."""
    return Decimal(f"{amount:.2f}")
