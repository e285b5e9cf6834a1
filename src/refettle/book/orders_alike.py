"""Needs that are alike, asked as one: the same parts would do, by the same day. The answer is handed out to each.

Pieces of such needs are exchangeable: where all can be met, the cheapest order for them together is the cheapest for
each of them, and the search has fewer lines to look at.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from refettle.ordering import Need, Plan, Problem
from refettle.ordering.choice import Choice, hand_out, step_of
from refettle.ordering.order import shares


@dataclass(frozen=True)
class Alike:
    """The problem with alike needs as one, and which they are: line of the one -> numbers of the needs."""

    problem: Problem
    members: Mapping[str, tuple[int, ...]]


def together(found: Problem) -> Alike:
    """Alike needs as one, called as the first of them. A matched set stays alone."""
    groups: dict[Any, list[int]] = {}
    for n, need in enumerate(found.needs):
        groups.setdefault((n,) if need.matched_set else (need.parts, need.by), []).append(n)
    needs: list[Need] = []
    members: dict[str, tuple[int, ...]] = {}
    for numbers in groups.values():
        first = found.needs[numbers[0]]
        needs.append(replace(first, quantity=sum(found.needs[n].quantity for n in numbers)))
        members[first.line] = tuple(numbers)
    return Alike(replace(found, needs=tuple(needs)), members)


def apart(found: Problem, alike: Alike, plan: Plan) -> dict[str, Any] | None:
    """Servings, shares and what is short for each need, out of the plan for all; None where it cannot be handed out."""
    offers = {(offer.supplier, offer.sku): n for n, offer in enumerate(found.offers)}
    steps = {(n := offers[p.supplier, p.sku]): p.pieces // step_of(found.offers[n]) for p in plan.purchases}
    given: dict[str, dict[str, int]] = {}
    for each in plan.servings:
        mine = given.setdefault(each.line, {})
        mine[each.part] = mine.get(each.part, 0) + each.quantity
    used: dict[tuple[int, int], int] = {}
    for line, numbers in alike.members.items():
        left = dict(given.get(line, {}))
        for n in numbers:
            wanted = found.needs[n].quantity
            for j, part in enumerate(found.needs[n].parts):
                pieces = min(wanted, left.get(part.part, 0))
                if pieces:
                    used[n, j] = pieces
                    left[part.part] -= pieces
                    wanted -= pieces
    choice = Choice(steps, used)
    handed = hand_out(found, choice)
    if handed is None:
        return None
    servings = [
        {
            "line": found.needs[h.need].line, "job": found.needs[h.need].job,
            "part": found.needs[h.need].parts[h.part].part, "quantity": h.quantity,
            "supplier": found.offers[h.offer].supplier if h.offer is not None else "",
            "sku": found.offers[h.offer].sku if h.offer is not None else "",
            "arrives": found.arrives(found.offers[h.offer]) if h.offer is not None else None,
        }
        for h in handed
    ]  # fmt: skip
    return {
        "servings": servings,
        "shares": shares(found, choice, handed),
        "short": _short(found, alike, plan, used),
        "alike": {line: [found.needs[n].line for n in numbers] for line, numbers in alike.members.items()
                  if len(numbers) > 1},
    }  # fmt: skip


def _short(found: Problem, alike: Alike, plan: Plan, used: Mapping[tuple[int, int], int]) -> Sequence[Any]:
    why = {each.line: each for each in plan.short}
    told = []
    for line, numbers in alike.members.items():
        for n in numbers:
            need = found.needs[n]
            pieces = need.quantity - sum(used.get((n, j), 0) for j in range(len(need.parts)))
            if pieces:
                told.append(replace(why[line], line=need.line, job=need.job, pieces=pieces))
    return told
