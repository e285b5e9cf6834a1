"""Other orders beside the cheapest: the second best, what substitutes save, line by line, a single supplier.

Second best is meant in two ways. *Other suppliers*: the cheapest order that does without at least one of the suppliers
chosen. *Other parts*: the cheapest order in which at least one line does without one of the parts chosen for it.
A substitute saves what the cheapest order with only the asked part on that line costs more.
"""

from __future__ import annotations

import time
from dataclasses import replace
from decimal import Decimal

from refettle.language import mark, tr
from refettle.ordering.choice import Choice, cost_of, short_of, violations
from refettle.ordering.greedy import line_by_line
from refettle.ordering.model import Problem
from refettle.ordering.plan import Other, Substitute
from refettle.ordering.program import Change, Program, Row
from refettle.ordering.reasons import on_its_own
from refettle.ordering.search import Answer, Note, Search, ask
from refettle.ordering.solver import Solver

ONE_QUESTION = 0.5
"""Of the time that is left, for one question at most: a choice."""


class Explainer:
    """Asks further questions of the program of a search, within the time for explaining."""

    def __init__(self, out: Search, solver: Solver, note: Note) -> None:
        assert out.best.choice is not None
        self.out, self.solver, self.note = out, solver, note
        self.program, self.found = out.asks, out.asks.found
        self.choice: Choice = out.best.choice
        self.until = time.monotonic() + self.found.terms.explain_seconds
        self.unasked = 0
        self.cheaper: Answer | None = None
        """The cheapest order met on the way that beats the best: only where that one is not proven."""

    def _met(self, choice: Choice | None) -> None:
        """Another order, of whatever question: it may be cheaper than the best so far."""
        if choice is None or self.out.best.proven or violations(self.found, choice):
            return
        short, counted = short_of(self.found, choice), cost_of(self.found, choice).counted
        here = short_of(self.found, self.choice)
        as_good = len(short) <= len(here) and sum(short.values()) <= sum(here.values())
        if as_good and counted < (self.cheaper or self.out.best).counted:
            self.cheaper = Answer(choice, counted, min(counted, self.out.best.bound))

    def _ask(self, change: Change) -> Answer:
        left = self.until - time.monotonic()
        answer = ask(self.program, self.out.least + change, self.solver, ONE_QUESTION * left) if left > 0.05 else None
        if answer is None or (answer.choice is None and not answer.impossible):
            self.unasked += 1
            return Answer(None, Decimal(0), Decimal(0))
        self._met(answer.choice)
        return answer

    def second_best(self) -> tuple[Other, ...]:
        """With other suppliers, with other parts; those that there are."""
        out = []
        names = sorted({self.found.offers[n].supplier for n, s in self.choice.steps.items() if s})
        if names:
            self.note(0.6, tr("second best: other suppliers"))
            row = Row({self.program.z[name]: 1.0 for name in names}, high=len(names) - 1)
            out.append(self._other(mark("other suppliers"), self._ask(Change(rows=[row])),
                                   tr("without at least one of {names}", names=', '.join(names))))  # fmt: skip
        drops = [key for key, q in self.choice.used.items() if q and len(self.found.needs[key[0]].parts) > 1]
        if drops:
            self.note(0.65, tr("second best: other parts"))
            out.append(self._other(mark("other parts"), self._ask(self._without_one(drops)),
                                   tr("with another part on at least one line")))  # fmt: skip
        return tuple(each for each in out if each is not None)

    def _without_one(self, keys: list[tuple[int, int]]) -> Change:
        """At least one of these (need, part) is not used: one is named by a column of its own, at the end."""
        first = len(self.program.lower)
        columns = {key: first + n for n, key in enumerate(keys)}
        rows = [Row(dict.fromkeys(columns.values(), 1.0), low=1.0)]
        for (i, j), column in columns.items():
            quantity = self.found.needs[i].quantity
            rows.append(Row({self.program.x[i, j]: 1.0, column: quantity}, high=quantity))
        return Change(rows=rows, switches=len(keys))

    def _other(self, what: str, answer: Answer, words: str) -> Other | None:
        if answer.choice is None:
            if not answer.impossible:
                return None
            none = tr("there is no order {words} that serves as many lines", words=words)
            return Other(what, Decimal(0), Decimal(0), (), (), True, none)
        more = answer.counted - self.out.best.counted
        proven = answer.proven and self.out.best.proven
        least = "" if proven else tr("at most ")
        says = tr("the cheapest order {words} costs {least}{more:.2f} more", words=words, least=least, more=more)
        return self._told(what, answer.choice, proven, says)

    def _told(self, what: str, choice: Choice, proven: bool, says: str) -> Other:
        counted = cost_of(self.found, choice).counted
        names = sorted({self.found.offers[n].supplier for n, s in choice.steps.items() if s})
        short = tuple(self.found.needs[i].line for i in short_of(self.found, choice))
        return Other(what, counted, counted - self.out.best.counted, tuple(names), short, proven, says)

    def substitutes(self) -> tuple[Substitute, ...]:
        """One for each line that gets another part than the first of its list; the larger ones are asked first."""
        which = [(i, j, q) for (i, j), q in sorted(self.choice.used.items()) if j and q]
        answers: dict[tuple[int, int], Substitute] = {}
        for n, (i, j, quantity) in enumerate(which):
            self.note(0.7 + 0.3 * n / len(which), tr("what {part} saves", part=self.found.needs[i].parts[j].part))
            answers[i, j] = self._substitute(i, j, quantity)
        return tuple(answers[i, j] for i, j, _ in which)

    def _substitute(self, i: int, j: int, quantity: int) -> Substitute:
        need = self.found.needs[i]
        asked, part = need.parts[0].part, need.parts[j]
        says = tr("{quantity} of {part} in place of {asked}", quantity=quantity, part=part.part, asked=asked)
        reason = on_its_own(self.found, need, range(1))
        if reason is not None:
            return Substitute(need.line, asked, part.part, quantity, part.why, None, "not to be had",
                              f"{says}: {reason[1]}")  # fmt: skip
        if not self.choice.steps:
            return Substitute(need.line, asked, part.part, quantity, part.why, Decimal(0), "proven",
                              tr("{says}: the stores have it", says=says))  # fmt: skip
        answer = self._ask(Change(upper={self.program.x[i, k]: 0.0 for k in range(1, len(need.parts))}))
        if answer.impossible:
            return Substitute(
                need.line,
                asked,
                part.part,
                quantity,
                part.why,
                None,
                "not to be had",
                tr("{says}: with {asked} here, fewer lines could be served", says=says, asked=asked),
            )
        if answer.choice is None:
            return Substitute(need.line, asked, part.part, quantity, part.why, None, "not worked out",
                              tr("{says}: what it saves was not worked out in the time", says=says))  # fmt: skip
        saves = answer.counted - self.out.best.counted
        proven = answer.proven and self.out.best.proven
        most = "" if proven else tr("at most ")
        return Substitute(
            need.line,
            asked,
            part.part,
            quantity,
            part.why,
            saves,
            "proven" if proven else "at most",
            tr(
                "{says} saves {most}{saves:.2f} against the cheapest order with {asked} here",
                says=says,
                most=most,
                saves=saves,
                asked=asked,
            ),
        )

    def compared(self) -> tuple[Other, ...]:
        """Line by line, the same without substitutes, and all from one supplier."""
        self.note(0.5, tr("what it would cost line by line, and from one supplier"))
        out = [
            self._by_hand(mark("line by line"), line_by_line(self.found)),
            self._by_hand(mark("line by line, asked parts only"), line_by_line(self.found, substitutes=False)),
        ]
        single = self._single()
        return (*out, single) if single is not None else tuple(out)

    def _by_hand(self, what: str, choice: Choice) -> Other:
        self._met(choice)
        told = self._told(what, choice, False, "")
        broken = violations(self.found, choice)
        says = tr("each line where it costs least, shipping not looked at: {more:.2f} more", more=told.more)
        if len(told.short) != len(short_of(self.found, self.choice)):
            says = tr(
                "each line where it costs least: {counted:.2f}, short of {short}",
                counted=told.counted,
                short=", ".join(told.short[:8]),
            )
        return replace(told, says=f"{says} (and {'; '.join(broken)})" if broken else says)

    def _single(self) -> Other | None:
        """The supplier that serves the most lines alone, the cheapest of these."""
        best: tuple[int, Decimal, str, Choice] | None = None
        for name in sorted(self.program.z):
            only = replace(self.found, offers=tuple(o for o in self.found.offers if o.supplier == name))
            if time.monotonic() > self.until or not only.offers:
                continue
            choice = _alone(only, self.solver, self.until)
            if choice is None:
                continue
            self._met(choice)
            rank = (len(short_of(only, choice)), cost_of(only, choice).counted, name, choice)
            if best is None or rank[:2] < best[:2]:
                best = rank
        if best is None:
            return None
        short, counted, name, choice = best
        more = counted - self.out.best.counted
        here = len(short_of(self.found, self.choice))
        says = (
            tr("all from {name}: {more:.2f} more", name=name, more=more)
            if more
            else tr("all from {name}: as it is", name=name)
        )
        lines = tuple(self.found.needs[i].line for i in short_of(self.found, choice))
        if short > here:
            says = tr(
                "{name} alone serves the most lines, for {counted:.2f}; short of {lines}",
                name=name,
                counted=counted,
                lines=", ".join(lines[:8]),
            )
        return Other(mark("one supplier"), counted, more, (name,) if choice.steps else (), lines, False, says)


def _alone(only: Problem, solver: Solver, until: float) -> Choice | None:
    program = Program(only)
    seconds = 0.3 * max(0.1, until - time.monotonic())
    answer = ask(program, program.everything(), solver, seconds, 1e-4)
    if answer.impossible:
        solution = solver.solve(program.ask(Change(least=program.fewest_short())), seconds)
        if solution.values is None:
            return None
        short = program.read(solution.values)
        answer = ask(program, program.no_shorter(short_of(only, short)), solver, seconds, 1e-4)
    return answer.choice
