"""The cheapest order by another solver (CBC by PuLP) in another formulation: which offer sends how much to which need.

Every number of packs of an offer that could be sensible is a switch of its own with its price; nothing is shared with
the code under test but the values that go in.
"""

from __future__ import annotations

import pulp

from refettle.ordering import Problem
from tests.ordering.tiny import goods


def least_cost(found: Problem, over: int) -> int:
    """In cents, everything served; up to `over` pieces of an offer are bought over all that is needed of its part."""
    model = pulp.LpProblem("order", pulp.LpMinimize)
    wanting = {p.part: 0 for need in found.needs for p in need.parts}
    for need in found.needs:
        for each in need.parts:
            wanting[each.part] += need.quantity
    take, spend, counted = {}, dict.fromkeys(found.suppliers, 0), []
    open_ = {name: model.add_variable(f"open{n}", cat="Binary") for n, name in enumerate(found.suppliers)}
    for n, offer in enumerate(found.offers):
        step = offer.pack * offer.multiple
        most = wanting[offer.part] + over
        amounts = [c for c in range(step, most + step, step) if c >= offer.minimum * offer.pack
                   and (offer.stock is None or c <= offer.stock)]  # fmt: skip
        switches = {c: model.add_variable(f"buy{n}x{c}", cat="Binary") for c in amounts}
        take[n] = pulp.lpSum(c * s for c, s in switches.items())
        spend[offer.supplier] += pulp.lpSum(goods(offer, c) * s for c, s in switches.items())
        model += pulp.lpSum(switches.values()) <= open_[offer.supplier]
    for n, (name, supplier) in enumerate(found.suppliers.items()):
        free = model.add_variable(f"free{n}", cat="Binary")
        model += free <= open_[name]
        if supplier.free_from is None:
            model += free == 0
        else:
            model += spend[name] >= int(supplier.free_from * 100) * free
        model += spend[name] >= int(supplier.minimum_order * 100) * open_[name]
        counted.append(spend[name] + int(supplier.shipping * 100) * (open_[name] - free))
    if found.terms.at_most_suppliers is not None:
        model += pulp.lpSum(open_.values()) <= found.terms.at_most_suppliers
    sent: dict[object, list[pulp.LpVariable]] = {}
    for i, need in enumerate(found.needs):
        whole = []
        chosen = []
        for j, each in enumerate(need.parts):
            flows = []
            sources: list[object] = [n for n, o in enumerate(found.offers) if o.part == each.part
                                     and found.in_time(o, need)]  # fmt: skip
            if found.stock.get(each.part):
                sources.append(each.part)
            for source in sources:
                flow = model.add_variable(f"f{i}_{j}_{source}", 0, need.quantity, cat="Integer")
                sent.setdefault(source, []).append(flow)
                flows.append(flow)
            whole += flows
            counted.append(int(each.penalty * 100) * pulp.lpSum(flows))
            if need.matched_set:
                pick = model.add_variable(f"pick{i}_{j}", cat="Binary")
                chosen.append(pick)
                model += pulp.lpSum(flows) == need.quantity * pick
        model += pulp.lpSum(whole) == need.quantity
    for source, flows in sent.items():
        model += pulp.lpSum(flows) <= (take[source] if isinstance(source, int) else found.stock[str(source)])
    model += pulp.lpSum(counted)
    state = model.solve(pulp.PULP_CBC_CMD(msg=False, gapRel=0.0, gapAbs=0.5, threads=1))
    assert pulp.LpStatus[state] == "Optimal"
    return round(pulp.value(model.objective))
