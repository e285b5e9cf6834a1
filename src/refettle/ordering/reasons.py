"""Why: why a need stays short, why more is bought than needed."""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

from refettle.language import tr
from refettle.ordering.choice import Choice, goods_cost, least_steps, most_steps, step_of
from refettle.ordering.model import Need, Offer, Problem

Reason = Literal["nobody sells it", "too late", "too few", "suppliers", "spending", "others need it", "not found"]


def on_its_own(found: Problem, need: Need, parts: range | None = None) -> tuple[Reason, str] | None:
    """Why a need could not be met even if it were the only one; None if it could. `parts`: only these of its list."""
    names = [need.parts[j].part for j in (parts or range(len(need.parts)))]
    shown = " or ".join(names[:4]) + (tr(" or {names} others", names=len(names) - 4) if len(names) > 4 else "")
    offers = [offer for offer in found.offers if offer.part in names]
    stores = sum(found.stock.get(name, 0) for name in names)
    if not offers and not stores:
        return "nobody sells it", tr("nobody offers {shown}, and there is none in the stores", shown=shown)
    early = [offer for offer in offers if found.in_time(offer, need)]
    if not early and not stores:
        first = min(found.arrives(offer) for offer in offers)
        return "too late", tr(
            "{shown} arrives on {first} at the earliest, needed by {by}", shown=shown, first=first, by=need.by
        )
    had = {
        name: found.stock.get(name, 0) + sum(_to_be_had(o, need.quantity) for o in early if o.part == name)
        for name in names
    }
    most = max(had.values()) if need.matched_set else sum(had.values())
    if most >= need.quantity:
        return None
    in_time = "" if need.by is None else f" by {need.by}"
    of_one = tr(" of one part") if need.matched_set else ""
    later = [found.arrives(o) for o in offers if not found.in_time(o, need)]
    after = tr("; more arrives on {later}", later=min(later)) if later else ""
    if later and len(early) < len(offers):
        whole = stores + sum(_to_be_had(o, need.quantity) for o in offers)
        if whole >= need.quantity:
            return "too late", tr(
                "{most} of {quantity}{of_one} to be had{in_time}{after}",
                most=most,
                quantity=need.quantity,
                of_one=of_one,
                in_time=in_time,
                after=after,
            )
    return "too few", tr(
        "{most} of {quantity}{of_one} to be had{in_time}, from all who offer {shown}",
        most=most,
        quantity=need.quantity,
        of_one=of_one,
        in_time=in_time,
        shown=shown,
    )


def _to_be_had(offer: Offer, wanted: int) -> int:
    steps = most_steps(offer, max(least_steps(offer), -(-wanted // step_of(offer))))
    return steps * step_of(offer) if steps >= least_steps(offer) else 0


def why_spare(found: Problem, choice: Choice, number: int, used: int) -> str:
    """Why more of an offer is bought than is used, in words."""
    offer, steps = found.offers[number], choice.steps[number]
    step, supplier = step_of(offer), found.suppliers[offer.supplier]
    bought = steps * step
    if bought <= used:
        return ""
    fewest = max(least_steps(offer), -(-used // step)) if used else 0
    if steps == fewest:
        return _least_sold(offer, used, step)
    cost, less = goods_cost(offer, bought), goods_cost(offer, fewest * step)
    if used and less >= cost:
        return tr(
            "the break: {bought} cost {cost}, {step} would cost {less} {currency}",
            bought=bought,
            cost=_short(cost),
            step=fewest * step,
            less=_short(less),
            currency=supplier.currency,
        )
    goods = sum(
        (goods_cost(found.offers[n], s * step_of(found.offers[n])) for n, s in choice.steps.items()
         if s and found.offers[n].supplier == offer.supplier), Decimal(0)
    )  # fmt: skip
    without = goods - cost + less
    more = tr(
        "{step} more for {less} {currency}",
        step=bought - fewest * step,
        less=_short(cost - less),
        currency=supplier.currency,
    )
    if without < supplier.minimum_order:
        return tr(
            "{more} reach the minimum order of {minimum_order}", more=more, minimum_order=_short(supplier.minimum_order)
        )
    if supplier.free_from is not None and without < supplier.free_from <= goods:
        return tr(
            "{more} reach free shipping from {free_from}, which saves {shipping}",
            more=more,
            free_from=_short(supplier.free_from),
            shipping=_short(supplier.shipping),
        )
    return tr("{more} than the line needs", more=more)


def _least_sold(offer: Offer, used: int, step: int) -> str:
    if offer.minimum * offer.pack > max(used, step) or offer.tiers[0].from_quantity > max(used, step):
        return tr(
            "sold from {from_quantity} pieces on",
            from_quantity=max(offer.minimum * offer.pack, offer.tiers[0].from_quantity),
        )
    if offer.multiple > 1:
        return tr("sold in steps of {multiple} packs of {pack}", multiple=offer.multiple, pack=offer.pack)
    return tr("sold in packs of {pack}", pack=offer.pack)


def _short(value: Decimal) -> str:
    """An amount with two decimals, more where it has more."""
    plain = value.normalize()
    exponent = plain.as_tuple().exponent
    return f"{value:.2f}" if isinstance(exponent, int) and exponent >= -2 else f"{plain:f}"
