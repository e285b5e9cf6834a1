"""The whole: from a problem to an order with its reasons.

    found = order(problem(needs, stock, offers, suppliers, terms))

Takes a process of its own for the solver. `note` is told how far it is (share, words); `stopped` is asked again and
again, and once it says yes the best so far is made into the plan, without further comparisons.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

from refettle.language import mark, several, tr
from refettle.ordering.choice import ZERO, Choice, Handed, cost_of, goods_cost, hand_out, price_of, short_of, step_of
from refettle.ordering.explain import Explainer
from refettle.ordering.model import Problem
from refettle.ordering.plan import (
    Other,
    Parcel,
    Plan,
    Purchase,
    Serving,
    Share,
    Short,
    Substitute,
    cents,
    to_cents,
)
from refettle.ordering.program import Change, Program
from refettle.ordering.reasons import Reason, on_its_own, why_spare
from refettle.ordering.search import HALF_CENT, Note, Search, search, tidied
from refettle.ordering.solver import Solver

OTHERS: tuple[Reason, str] = (
    "others need it",
    mark("what there is goes to other lines, or is below what its supplier takes as an order"),
)

EXPLAINED = 3
"""Times a plan is explained at most, each time of a cheaper order that explaining led to."""


def order(found: Problem, note: Note | None = None, stopped: Callable[[], bool] | None = None) -> Plan:
    """The cheapest order, with what is proven of it, why it is so, and what others would cost."""
    tell = _rising(note)
    with Solver(stopped) as solver:
        out = search(found, solver, tell)
        if not out.stopped:
            out = tidied(out, solver)
        choice = out.best.choice
        if choice is None:  # nothing could be found in the time: order nothing, and say so
            choice = Choice({}, {})
            out.best = replace(out.best, choice=choice, counted=ZERO, bound=ZERO)
        short = _shorts(found, choice, solver, out)
        substitutes: tuple[Substitute, ...] = ()
        second: tuple[Other, ...] = ()
        compared: tuple[Other, ...] = ()
        unasked = 0
        for again in reversed(range(EXPLAINED if found.terms.explain_seconds > 0.0 else 0)):
            if solver.stopped:
                break
            explainer = Explainer(out, solver, tell)
            compared, second = explainer.compared(), explainer.second_best()
            substitutes = explainer.substitutes()
            unasked = explainer.unasked
            if explainer.cheaper is None or not again:
                break
            # Nothing was proven, and a question led to a cheaper order: that one is the best.
            out.best, out.tidy = explainer.cheaper, False
            choice = explainer.cheaper.choice or choice
            short = _shorts(found, choice, solver, out)
        out.stopped = solver.stopped
    tell(1.0, "done")
    return _plan(found, choice, out, short, (substitutes, second, compared), unasked)


def _rising(note: Note | None) -> Note:
    """Tells on what is further on than what was told before: some is gone through again."""
    furthest = 0.0

    def tell(share: float, says: str) -> None:
        nonlocal furthest
        if note is not None and share >= furthest:
            furthest = share
            note(share, says)

    return tell


def _plan(
    found: Problem,
    choice: Choice,
    out: Search,
    short: tuple[Short, ...],
    told: tuple[tuple[Substitute, ...], tuple[Other, ...], tuple[Other, ...]],
    unasked: int,
) -> Plan:
    cost = cost_of(found, choice)
    handed = hand_out(found, choice)
    assert handed is not None
    used: dict[int, int] = {}
    for each in handed:
        if each.offer is not None:
            used[each.offer] = used.get(each.offer, 0) + each.quantity
    gap = cost.counted - out.best.bound
    proven = gap < HALF_CENT and not out.by_hand
    substitutes, second, compared = told
    return Plan(
        currency=found.terms.currency,
        goods=sum(cost.goods.values(), ZERO),
        shipping=sum(cost.shipping.values(), ZERO),
        penalty=cost.penalty,
        total=cost.paid,
        counted=cost.counted,
        gap=gap,
        proven=proven,
        tidy=out.tidy,
        stopped=out.stopped,
        says=_says(cost.counted, gap, proven, out),
        parcels=_parcels(found, choice),
        purchases=tuple(_purchase(found, choice, n, used.get(n, 0)) for n, s in choice.steps.items() if s),
        servings=tuple(_serving(found, each) for each in sorted(handed, key=lambda h: (h.need, h.part))),
        short=short,
        substitutes=substitutes,
        second_best=second,
        compared=compared,
        shares=shares(found, choice, handed),
        notes=_notes(out, unasked),
    )


def _says(counted: Decimal, gap: Decimal, proven: bool, out: Search) -> str:
    if proven:
        return tr("proven: no order costs less") + ("" if out.short_proven else tr(" and leaves as few lines short"))
    made = tr("made by hand, line by line: ") if out.by_hand else ""
    if counted and gap < counted:
        return tr(
            "{made}not proven: the cheapest order may cost up to {gap:.2f} less ({counted:.2%})",
            made=made,
            gap=gap,
            counted=gap / counted,
        )
    return tr("{made}not proven, and nothing is known of how much cheaper it could be", made=made)


def _notes(out: Search, unasked: int) -> tuple[str, ...]:
    notes = []
    if out.stopped:
        notes.append(tr("stopped: the best order so far"))
    if not out.short_proven:
        notes.append(tr("whether fewer lines could stay short was not settled in the time"))
    if unasked:
        notes.append(tr("{unasked} comparisons were not worked out in the time", unasked=unasked))
    return tuple(notes)


def _purchase(found: Problem, choice: Choice, number: int, used: int) -> Purchase:
    offer, pieces = found.offers[number], choice.steps[number] * step_of(found.offers[number])
    return Purchase(
        supplier=offer.supplier,
        sku=offer.sku,
        part=offer.part,
        packs=pieces // offer.pack,
        pieces=pieces,
        price_each=price_of(offer, pieces),
        currency=found.suppliers[offer.supplier].currency,
        cost=goods_cost(offer, pieces) * found.rate(offer.supplier),
        arrives=found.arrives(offer),
        spare=pieces - used,
        why_spare=why_spare(found, choice, number, used),
    )


def _parcels(found: Problem, choice: Choice) -> tuple[Parcel, ...]:
    cost = cost_of(found, choice)
    out = []
    for name, goods in cost.goods.items():
        latest = max(found.arrives(found.offers[n]) for n, s in choice.steps.items()
                     if s and found.offers[n].supplier == name)  # fmt: skip
        free = not cost.shipping[name] and found.suppliers[name].shipping > 0
        out.append(Parcel(name, goods, cost.shipping[name], free, latest))
    return tuple(out)


def _serving(found: Problem, each: Handed) -> Serving:
    need = found.needs[each.need]
    offer = None if each.offer is None else found.offers[each.offer]
    return Serving(
        line=need.line,
        job=need.job,
        part=need.parts[each.part].part,
        quantity=each.quantity,
        supplier=offer.supplier if offer else "",
        sku=offer.sku if offer else "",
        arrives=found.arrives(offer) if offer else None,
    )


def shares(found: Problem, choice: Choice, handed: tuple[Handed, ...]) -> tuple[Share, ...]:
    """What each job bears. Adds up to the total, to the cent.

    Parts at the price paid, each piece its part of what its purchase cost. Surplus of a purchase goes to those who use
    of it, by pieces; what nobody uses, and shipping, to those with goods in the parcel, by what these cost. Pieces from
    the stores cost nothing here. A parcel that serves nobody is shared by all with goods, then by all alike.
    """
    cost = cost_of(found, choice)
    jobs = list(dict.fromkeys(need.job for need in found.needs))
    parts = dict.fromkeys(jobs, Fraction(0))
    surplus, shipping = dict(parts), dict(parts)
    used: dict[int, dict[str, int]] = {}
    for each in handed:
        if each.offer is not None:
            job = found.needs[each.need].job
            used.setdefault(each.offer, {})[job] = used.get(each.offer, {}).get(job, 0) + each.quantity
    in_parcel: dict[str, dict[str, Fraction]] = {}
    over: dict[str, Fraction] = {}
    for number, steps in choice.steps.items():
        offer = found.offers[number]
        pieces = steps * step_of(offer)
        whole = Fraction(goods_cost(offer, pieces) * found.rate(offer.supplier))
        users = used.get(number, {})
        if not users:
            over[offer.supplier] = over.get(offer.supplier, Fraction(0)) + whole
        for job, quantity in users.items():
            own, all_used = whole * Fraction(quantity, pieces), sum(users.values())
            parts[job] += own
            surplus[job] += whole * Fraction(quantity, all_used) - own
            parcel = in_parcel.setdefault(offer.supplier, {})
            parcel[job] = parcel.get(job, Fraction(0)) + whole * Fraction(quantity, all_used)
    everywhere = {job: parts[job] + surplus[job] for job in jobs}
    for name, fee in cost.shipping.items():
        for weights in (in_parcel.get(name, {}), everywhere, dict.fromkeys(jobs, Fraction(1))):
            if total := sum(weights.values()):
                for job, weight in weights.items():
                    surplus[job] += over.get(name, Fraction(0)) * weight / total
                    shipping[job] += Fraction(fee) * weight / total
                break
    flat = to_cents([kind[job] for job in jobs for kind in (parts, surplus, shipping)], cents(cost.paid))
    out = []
    for n, job in enumerate(jobs):
        paid, more, way = flat[3 * n : 3 * n + 3]
        out.append(Share(job, paid, more, way, paid + more + way))
    return tuple(out)


def _shorts(found: Problem, choice: Choice, solver: Solver, out: Search) -> tuple[Short, ...]:
    short = short_of(found, choice)
    told: list[Short] = []
    relaxed: list[tuple[Reason, str, Problem]] = []
    most = found.terms.at_most_suppliers
    if most is not None:
        free = replace(found, terms=replace(found.terms, at_most_suppliers=None))
        says = several(
            "with {most} supplier at most it cannot be served beside the others",
            "with {most} suppliers at most it cannot be served beside the others",
            most,
            most=most,
        )
        relaxed.append(("suppliers", says, free))
    if any(supplier.most is not None for supplier in found.suppliers.values()):
        rich = {name: replace(supplier, most=None) for name, supplier in found.suppliers.items()}
        relaxed.append(("spending", tr("a supplier's most is reached"), replace(found, suppliers=rich)))
    met: list[tuple[Reason, str, set[int]]] = []
    for i, pieces in short.items():
        need = found.needs[i]
        reason = on_its_own(found, need)
        if reason is None and out.by_hand:
            reason = ("not found", tr("no order that serves it was found in the time"))
        if reason is None:
            if not met:
                met = [(*each[:2], _can_be_met(each[2], solver)) for each in relaxed]
            reason = next(((why, says) for why, says, which in met if i in which), None)
        told.append(Short(need.line, need.job, need.parts[0].part, pieces, *(reason or (OTHERS[0], tr(OTHERS[1])))))
    return tuple(told)


def _can_be_met(found: Problem, solver: Solver) -> set[int]:
    """Needs that are met when as many as can be are."""
    program = Program(found)
    solution = solver.solve(program.ask(Change(least=program.fewest_short())), 0.3 * found.terms.time_limit)
    if solution.values is None:
        return set()
    short = short_of(found, program.read(solution.values))
    return set(range(len(found.needs))) - set(short)
