"""A kept plan as its page tells it: lines by supplier with reasons, what others would cost, each job's share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from refettle.book.kept_texts import planned
from refettle.book.models_orders import OrderPlan
from refettle.book.models_prices import Offer, Supplier
from refettle.drawing.order_bars import Bar, Slice, order_bars
from refettle.language import local, mark, tr

CENT = Decimal("0.01")


def money(value: Any) -> str:
    """An amount with two digits after the point."""
    return local(f"{Decimal(str(value)):.2f}")


def price(value: Any) -> str:
    """A price of one piece: two digits after the point, more where it has more."""
    amount = Decimal(str(value)).normalize()
    exponent = amount.as_tuple().exponent
    return local(f"{amount:.2f}" if isinstance(exponent, int) and exponent >= -2 else f"{amount:f}")


@dataclass(frozen=True)
class LineView:
    """What is bought of one number."""

    sku: str
    name: str
    part: str
    packs: int
    pack: int
    pieces: int
    each: str
    at_break: str
    cost: str
    currency: str
    arrives: date
    spare: int
    why_spare: str
    serves: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class ParcelView:
    """An order to one supplier."""

    supplier: str
    pk: int | None
    goods: str
    shipping: str
    free: bool
    total: str
    arrives: date
    hints: tuple[str, ...]
    lines: tuple[LineView, ...]


def parcels_of(plan: OrderPlan) -> list[ParcelView]:
    """What goes to whom."""
    asked, answer = plan.asked, plan.answer
    terms = {s["name"]: s for s in asked["suppliers"]}
    keys = {s.name: s.pk for s in Supplier.objects.filter(name__in=list(terms))}
    made = []
    for parcel in answer["parcels"]:
        name = parcel["supplier"]
        bought = [each for each in answer["purchases"] if each["supplier"] == name]
        called = dict(
            Offer.objects.filter(supplier__name=name, sku__in=[b["sku"] for b in bought])
            .order_by("current", "pk")
            .values_list("sku", "name")
        )
        made.append(
            ParcelView(
                name, keys.get(name), money(parcel["goods"]), money(parcel["shipping"]), parcel["free_shipping"],
                money(Decimal(parcel["goods"]) + Decimal(parcel["shipping"])), date.fromisoformat(parcel["arrives"]),
                tuple(_hints(parcel, terms[name], plan)),
                tuple(_line(plan, each, called.get(each["sku"], "")) for each in bought),
            )
        )  # fmt: skip
    return made


def _line(plan: OrderPlan, bought: Mapping[str, Any], name: str) -> LineView:
    offer = next(o for o in plan.asked["offers"] if (o["supplier"], o["sku"]) == (bought["supplier"], bought["sku"]))
    reached = [t for t in offer["tiers"] if t["from_quantity"] <= bought["pieces"]]
    at_break = tr("from {pieces}", pieces=reached[-1]["from_quantity"]) if reached and len(offer["tiers"]) > 1 else ""
    served: dict[str, int] = {}
    for each in plan.answer["servings"]:
        if (each["supplier"], each["sku"]) == (bought["supplier"], bought["sku"]):
            served[each["job"]] = served.get(each["job"], 0) + each["quantity"]
    return LineView(
        bought["sku"], name, bought["part"], bought["packs"], bought["pieces"] // bought["packs"], bought["pieces"],
        price(bought["price_each"]), at_break, money(bought["cost"]), bought["currency"],
        date.fromisoformat(bought["arrives"]), bought["spare"], tr(bought["why_spare"]), tuple(served.items()),
    )  # fmt: skip


def _hints(parcel: Mapping[str, Any], terms: Mapping[str, Any], plan: OrderPlan) -> list[str]:
    """What the supplier's terms have to do with it; in the supplier's currency."""
    money_of, rates = terms["currency"], plan.asked["terms"]["rates"]
    rate = Decimal(1) if money_of == plan.asked["currency"] else Decimal(rates[money_of])
    goods = Decimal(parcel["goods"]) / rate
    said = []
    least = Decimal(terms["minimum_order"])
    if least > 0:
        said.append(
            tr(
                "Smallest order {least} {currency}: reached with {goods}.",
                least=money(least),
                currency=money_of,
                goods=money(goods),
            )
        )
    if parcel["free_shipping"]:
        said.append(
            tr("Shipped free, as goods reach {amount} {currency}.", amount=money(terms["free_from"]), currency=money_of)
        )
    elif terms["free_from"] is not None:
        lacks = Decimal(terms["free_from"]) - goods
        pays = tr(", which would not pay") if plan.answer["proven"] else ""
        said.append(
            tr(
                "Free shipping from {amount} {currency}: {lacks} more{pays}.",
                amount=money(terms["free_from"]),
                currency=money_of,
                lacks=money(lacks),
                pays=pays,
            )
        )
    return said


# ---------------------------------------------------------------- the picture


def picture(plan: OrderPlan) -> str:
    """SVG text: what each supplier gets, cut by whom it is for, spare and shipping apart."""
    answer = plan.answer
    bars = []
    for parcel in answer["parcels"]:
        name = parcel["supplier"]
        own: dict[str, Decimal] = {}
        spare = Decimal(0)
        for bought in answer["purchases"]:
            if bought["supplier"] != name:
                continue
            each = Decimal(bought["cost"]) / bought["pieces"]
            spare += each * bought["spare"]
            for serving in answer["servings"]:
                if (serving["supplier"], serving["sku"]) == (name, bought["sku"]):
                    own[serving["job"]] = own.get(serving["job"], Decimal(0)) + each * serving["quantity"]
        slices = [Slice(planned(short(job)), cost) for job, cost in own.items()]
        slices += [Slice(tr("spare"), spare, "spare"), Slice(tr("shipping"), Decimal(parcel["shipping"]), "post")]
        bars.append(Bar(name, tuple(slices)))
    return order_bars(bars, plan.asked["currency"])


def short(whom: str) -> str:
    """Whom a need is for, in few letters."""
    return whom if len(whom) <= 34 else f"{whom[:33]}…"


# ---------------------------------------------------------------- the rest


@dataclass(frozen=True)
class PlanView:
    """What else the page says."""

    total: str
    proof: str
    proven: bool
    compared: tuple[tuple[str, str, str], ...]
    substitutes: tuple[Mapping[str, Any], ...]
    shares: tuple[Mapping[str, Any], ...]
    shares_sum: str
    short: tuple[Mapping[str, Any], ...]
    stores: tuple[tuple[str, str, int, int, int], ...]
    """Whom, part, pieces, and where it is a job its number and the entry of the want."""
    bought: bool


COMPARED = {
    "other suppliers": mark("Second best, with other suppliers"),
    "other parts": mark("Second best, with other parts"),
    "line by line": mark("Line by line, each where it costs least"),
    "line by line, asked parts only": mark("Line by line, without substitutes"),
    "one supplier": mark("All from one supplier"),
}


def plan_view(plan: OrderPlan) -> PlanView:
    """The plan in words."""
    answer, asked = plan.answer, plan.asked
    whats = {row["line"]: row for row in asked["needs"]}
    counted, gap = Decimal(answer["counted"]), Decimal(answer["gap"])
    if answer["proven"]:
        proof = tr("Proven cheapest")
    elif counted and gap < counted:
        proof = tr("Within {share:.1f}\u202f% of the cheapest", share=float(100 * gap / counted))
    else:
        proof = tr("The best found; how far from the cheapest is not known")
    compared = tuple(
        (
            tr(COMPARED.get(o["what"], o["what"])),
            "" if not Decimal(o["counted"]) and o["says"].startswith("there is no") else money(o["counted"]),
            _capital(tr(o["says"])),
        )
        for o in (*answer["second_best"], *answer["compared"])
        if answer["purchases"]
    )
    stores = tuple(
        (whats[s["line"]]["whom"], s["part"], s["quantity"], *_want(whats[s["line"]]["key"]))
        for s in answer["servings"]
        if not s["supplier"] and not whats[s["line"]]["key"].startswith("reorder:")
    )
    return PlanView(
        money(answer["total"]),
        proof,
        answer["proven"],
        compared,
        tuple(
            {
                **each,
                "need": whats[each["line"]],
                "says": _capital(tr(each["says"])),
                "alike": len(answer.get("alike", {}).get(each["line"], [1])) - 1,
            }
            for each in answer["substitutes"]
        ),
        tuple(
            {k: v if k == "job" else money(v) for k, v in each.items()}
            for each in answer["shares"]
            if Decimal(each["total"])
        ),
        money(sum((Decimal(each["total"]) for each in answer["shares"]), Decimal(0))),
        tuple({**each, "need": whats[each["line"]], "says": _capital(tr(each["says"]))} for each in answer["short"]),
        stores,
        bool(answer["purchases"]),
    )


def _want(key: str) -> tuple[int, int]:
    """Number of the job and entry of the want; 0, 0 where it is none."""
    kind, *numbers = key.split(":")
    return (int(numbers[0]), int(numbers[1])) if kind == "job" else (0, 0)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
