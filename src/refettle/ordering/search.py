"""The cheapest order, with what is proven of it.

First the small program, which fills up to a minimum or to free shipping with money: mostly it needs none, and its
order is proven. Where it does, one offer is bought more of; then the whole program, which may buy more of any, looks
among the same suppliers, and mostly closes the gap; last among all, in the time that is left. Stopped on the way, the
best so far is kept; before the first is solved that is an order made by hand. Of orders that cost the same the tidiest
is taken.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

from refettle.language import tr
from refettle.ordering.choice import Choice, cost_of, short_of, violations
from refettle.ordering.greedy import best_by_hand, filled_up, line_by_line
from refettle.ordering.model import Problem
from refettle.ordering.program import Change, Program
from refettle.ordering.solver import Solution, Solver

HALF_CENT = Decimal("0.005")
"""[currency] What is proven to this is proven to the cent."""
SMALL_SHARE = 0.7
"""Of the time, for the small program at most: a choice."""
MOST_COLUMNS = 500
"""Unknowns of a whole program up to which further questions go to it; above, to the small one. A choice."""
FILL_SHARE = 0.4
"""Of the time then left, at most, for what to buy more of from the same suppliers: a choice."""
LOOSE = 1e-4
"""Gaps up to this are only taken where proof to the cent is not quick; wider ones are asked of every run."""
TIDY = 2.0
"""[s] For looking among orders that cost the same."""

Note = Callable[[float, str], None]


@dataclass(frozen=True)
class Answer:
    """The cheapest choice under a change: what it counts, and the bound below it; None where there was none."""

    choice: Choice | None
    counted: Decimal
    bound: Decimal
    impossible: bool = False

    @property
    def proven(self) -> bool:
        """True if nothing cheaper by half a cent exists."""
        return self.choice is not None and self.counted - self.bound < HALF_CENT

    def within(self, gap: float) -> bool:
        """True if proven, or nothing cheaper by that share exists."""
        return self.proven or (self.choice is not None and self.counted - self.bound <= Decimal(gap) * self.counted)


NONE = Answer(None, Decimal(0), Decimal(0))


@dataclass
class Search:
    """What was found. `least`: what may stay short; `asks`: the program that further questions go to."""

    best: Answer
    least: Change
    asks: Program
    tidy: bool = False
    by_hand: bool = False
    short_proven: bool = True
    stopped: bool = False


def ask(program: Program, change: Change, solver: Solver, seconds: float, gap: float = 0.0) -> Answer:
    """One question. A solution that breaks a condition outside the solver is none."""
    found = program.found
    solution = solver.solve(program.ask(change), seconds, gap)
    if solution.state == "impossible":
        return Answer(None, Decimal(0), Decimal(0), True)
    if solution.values is None:
        return NONE
    choice = program.read(solution.values)
    if not program.filling:
        choice = filled_up(found, choice)
    if violations(found, choice):
        return Answer(None, Decimal(0), _bound(solution, Decimal("Infinity")))
    counted = cost_of(found, choice).counted
    return Answer(choice, counted, _bound(solution, counted))


def _bound(solution: Solution, counted: Decimal) -> Decimal:
    if solution.bound == float("-inf") or solution.bound != solution.bound:
        return Decimal(0)
    return max(Decimal(0), min(counted, Decimal(repr(round(solution.bound, 9)))))


def search(found: Problem, solver: Solver, note: Note) -> Search:
    """The cheapest order that leaves the fewest needs short."""
    begun = time.monotonic()
    limit = found.terms.time_limit
    gap = 0.5 * found.terms.gap if found.terms.gap > LOOSE else 0.0

    def left() -> float:
        return limit - (time.monotonic() - begun)

    note(0.05, tr("looking for the cheapest order"))
    by_line = line_by_line(found)
    if not short_of(found, by_line):  # the cheapest costs no more, so that this share of it is no more than half a cent
        gap = max(gap, 0.8 * float(HALF_CENT) / max(1.0, float(cost_of(found, by_line).counted)))
    small, whole = Program(found, filling=False), Program(found)
    least, short_proven = whole.everything(), True
    best = ask(small, small.everything(), solver, SMALL_SHARE * limit, gap)
    if best.choice is not None and not best.proven:
        note(0.2, tr("looking what to buy more of"))
        filled = ask(whole, least + _same_suppliers(whole, best.choice), solver, FILL_SHARE * left(), gap)
        if filled.choice is not None and filled.counted < best.counted:
            best = Answer(filled.choice, filled.counted, min(best.bound, filled.counted))
    proof = NONE
    if not (best.impossible or best.within(found.terms.gap)):
        note(0.3, tr("looking whether buying more makes it cheaper"))
        proof = ask(whole, least, solver, left(), gap)
    if best.impossible or (proof.impossible and best.choice is None):
        note(0.3, tr("not everything can be had: as much as can"))
        best = NONE
        short, short_proven = _as_much_as_can(whole, solver, left())
        if short is not None:
            least = whole.no_shorter(short_of(found, short))
            proof = ask(whole, least, solver, left(), gap)
            if proof.choice is None:
                proof = Answer(short, cost_of(found, short).counted, Decimal(0))
    bound = max(best.bound, proof.bound)
    if proof.choice is not None and (best.choice is None or proof.counted <= best.counted):
        best = proof
    if best.choice is not None:
        best = Answer(best.choice, best.counted, min(best.counted, bound))
    by_hand = best.choice is None
    if by_hand:
        choice = best_by_hand(found)
        if choice is not None:
            best = Answer(choice, cost_of(found, choice).counted, Decimal(0))
            shorts = short_of(found, choice)
            short_proven = not shorts
            least = whole.no_shorter(shorts) if shorts else least
    asks = whole if len(whole.lower) <= MOST_COLUMNS else small
    if asks is small:
        least = small.no_shorter(short_of(found, best.choice)) if least.rows and best.choice else small.everything()
    return Search(best, least, asks, by_hand=by_hand, short_proven=short_proven, stopped=solver.stopped)


def _same_suppliers(program: Program, choice: Choice) -> Change:
    """An order from the suppliers of a choice, and from all of them: far quicker than from any."""
    names = {program.found.offers[number].supplier for number, steps in choice.steps.items() if steps}
    held = {z: float(name in names) for name, z in program.z.items()}
    return Change(lower=held, upper=held)


def tidied(out: Search, solver: Solver) -> Search:
    """Of orders that cost the same: fewest suppliers, fewest pieces bought, parts further up the lists."""
    if out.best.choice is None or not out.best.proven:
        return out
    program, found = out.asks, out.asks.found
    change = out.least + program.no_dearer(out.best.counted) + Change(least=program.tidiest())
    solution = solver.solve(program.ask(change), TIDY)
    if solution.values is not None:
        read = program.read(solution.values)
        choice = read if program.filling else filled_up(found, read)
        if not violations(found, choice) and cost_of(found, choice).counted <= out.best.counted:
            counted = cost_of(found, choice).counted
            out.best = Answer(choice, counted, min(counted, out.best.bound))
            out.tidy = solution.state == "optimal" and choice.steps == read.steps
    return out


def _as_much_as_can(program: Program, solver: Solver, seconds: float) -> tuple[Choice | None, bool]:
    """A choice with the fewest needs short, then the fewest pieces; and whether that is proven."""
    solution = solver.solve(program.ask(Change(least=program.fewest_short())), seconds)
    if solution.values is None:
        return None, False
    choice = program.read(solution.values)
    return (None, False) if violations(program.found, choice) else (choice, solution.state == "optimal")
