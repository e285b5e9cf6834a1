"""Plans: what was asked as plain values, the computation asked, its answer kept; and whether things moved since."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, is_dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from django.conf import settings
from django.utils import timezone

from refettle.book import prices
from refettle.book.kept_texts import planned
from refettle.book.models_orders import OrderPlan
from refettle.book.models_stores import Part, Reservation
from refettle.book.orders_alike import apart, together
from refettle.book.orders_needs import FAR, Needed, free_of, needs
from refettle.book.store import StoreError
from refettle.book.stores_moves import said
from refettle.language import SOURCE, several, speaking, tr
from refettle.ordering import model as ordering

MOST_SAID = 40
"""Sentences of what moved."""


@dataclass(frozen=True)
class Asked:
    """How somebody wants it worked out.

    Attributes
    ----------
    leave : frozenset of str
        Keys of needs to be left out.
    check_first : frozenset of str
        Keys of needs for which parts that must be looked at first count as well.
    by : mapping
        Key -> day, where another one than the need's own is wanted; None: no day.
    at_most : int, optional
        Suppliers.
    deadlines : str
        keep or ignore, see `ordering.Terms`.
    seconds : float
        [s] For the search, and once more for the comparisons.
    rates : mapping
        Currency -> what one unit is worth in the bench's.
    """

    leave: frozenset[str] = frozenset()
    check_first: frozenset[str] = frozenset()
    by: Mapping[str, date | None] = field(default_factory=dict)
    at_most: int | None = None
    deadlines: str = "keep"
    seconds: float = 10.0
    rates: Mapping[str, Decimal] = field(default_factory=dict)


def plain(value: Any) -> Any:
    """A value as JSON can hold it: amounts and days as text."""
    if is_dataclass(value) and not isinstance(value, type):
        return plain(asdict(value))
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(each) for each in value]
    if isinstance(value, Decimal):
        return f"{value:f}"
    return value.isoformat() if isinstance(value, date) else value


# ---------------------------------------------------------------- asking


def gather(asked: Asked, today: date | None = None, without_plan: int | None = None) -> dict[str, Any]:
    """Needs, stores, offers and terms of now, as plain values. Raises StoreError where nothing is to be ordered."""
    day = today or timezone.localdate()
    with speaking(SOURCE):
        every = needs(day, without_plan)
    chosen = [each for each in every if each.left > 0 and each.key not in asked.leave]
    codes = {c for each in chosen for c in each.codes(True)}
    known = list(Part.objects.filter(code__in=codes))
    offers, suppliers = prices.offers(known, day)
    currency = str(settings.REFETTLE_CURRENCY)
    foreign = {s.name: s.currency for s in suppliers if s.currency != currency and s.currency not in asked.rates}
    offered = {o.part for o in offers if o.supplier not in foreign}
    stock = free_of(codes)
    rows, unmet = [], []
    for each in chosen:
        ticked = each.key in asked.check_first
        parts = _parts(each, ticked, stock, offered)
        row = {
            "key": each.key, "line": each.line, "whom": each.whom, "what": each.what, "quantity": each.left,
            "by": plain(asked.by.get(each.key, each.by)), "parts": [[p.code, p.why] for p in parts],
        }  # fmt: skip
        if parts:
            rows.append(row)
        else:
            why = (
                "Only parts that must be looked at first would do; tick that to take them in."
                if each.parts
                else f"No part of the stores is this yet{': ' + each.note if each.note else ''}."
            )
            unmet.append({**row, "why": why, "look": bool(each.parts)})
    wanted = {code for row in rows for code, _ in row["parts"]}
    return {
        "day": day.isoformat(),
        "currency": currency,
        "needs": rows,
        "unmet": unmet,
        "left": sorted(each.key for each in every if each.key in asked.leave),
        "check_first": sorted(asked.check_first),
        "days": {k: plain(v) for k, v in asked.by.items()},
        "stock": {code: number for code, number in sorted(stock.items()) if code in wanted and number > 0},
        "offers": plain([o for o in offers if o.part in wanted and o.supplier not in foreign]),
        "suppliers": plain([s for s in suppliers if s.name not in foreign]),
        "left_out": [[name, f"no rate was given for {money}"] for name, money in sorted(foreign.items())],
        "terms": {
            "at_most": asked.at_most, "deadlines": asked.deadlines, "seconds": asked.seconds,
            "rates": plain(asked.rates),
        },
    }  # fmt: skip


def _parts(need: Needed, check_first: bool, stock: Mapping[str, int], offered: set[str]) -> list[Any]:
    """The parts that count, the asked one first and then those that can be had."""
    parts = [each for each in need.parts if check_first or not each.check_first]
    if len(parts) > ordering.MOST_ACCEPTABLE:
        rest = sorted(parts[1:], key=lambda p: not (stock.get(p.code, 0) > 0 or p.code in offered))
        parts = [parts[0], *rest][: ordering.MOST_ACCEPTABLE]
    return parts


def asked_of(plan: Mapping[str, Any]) -> Asked:
    """How a kept plan was asked for."""
    terms = plan["terms"]
    return Asked(
        frozenset(plan["left"]),
        frozenset(plan["check_first"]),
        {key: date.fromisoformat(v) if v else None for key, v in plan["days"].items()},
        terms["at_most"],
        terms["deadlines"],
        float(terms["seconds"]),
        {k: Decimal(v) for k, v in terms["rates"].items()},
    )


def problem_of(asked: Mapping[str, Any]) -> ordering.Problem:
    """What was asked, as the computation takes it. Raises OrderingError."""
    terms = asked["terms"]
    return ordering.problem(
        [
            ordering.Need(
                row["line"],
                tuple(ordering.Acceptable(code, why) for code, why in row["parts"]),
                row["quantity"],
                row["whom"],
                _by(row),
            )
            for row in asked["needs"]
        ],
        asked["stock"],
        [
            ordering.Offer(
                o["supplier"], o["sku"], o["part"],
                tuple(ordering.Tier(t["from_quantity"], Decimal(t["price_each"])) for t in o["tiers"]),
                o["pack"], o["minimum"], o["multiple"], o["stock"], o["lead_days"], o["breaks"],
            )
            for o in asked["offers"]
        ],
        [
            ordering.Supplier(
                s["name"], Decimal(s["shipping"]), None if s["free_from"] is None else Decimal(s["free_from"]),
                Decimal(s["minimum_order"]), None if s["most"] is None else Decimal(s["most"]), s["currency"],
            )
            for s in asked["suppliers"]
        ],
        ordering.Terms(
            today=date.fromisoformat(asked["day"]),
            at_most_suppliers=terms["at_most"],
            deadlines=terms["deadlines"],
            time_limit=terms["seconds"],
            explain_seconds=terms["seconds"],
            currency=asked["currency"],
            rates={k: Decimal(v) for k, v in terms["rates"].items()},
        ),
    )  # fmt: skip


def _by(row: Mapping[str, Any]) -> date | None:
    """The day of a need; the level of a part waits longest, so that what is free goes to jobs and kits first."""
    if row["key"].startswith("reorder:"):
        return FAR
    return date.fromisoformat(row["by"]) if row["by"] else None


def work_out(
    asked: Mapping[str, Any],
    note: Callable[[float, str], None] | None = None,
    stopped: Callable[[], bool] | None = None,
) -> dict[str, Any]:
    """The cheapest order as plain values; the book is not looked at. Raises OrderingError."""
    from refettle.ordering import order

    found = problem_of(asked)
    alike = together(found)
    plan = order(alike.problem, note, stopped)
    handed = apart(found, alike, plan)
    if handed is None:  # never seen: asked once more, each need for itself
        plan, handed = order(found, note, stopped), {"alike": {}}
    answer: dict[str, Any] = plain({**asdict(plan), **handed})
    for each in answer["short"]:
        each["says"] = each["says"].replace(f" by {FAR}", "")
    return answer


def keep(asked: Mapping[str, Any], answer: Mapping[str, Any], who: str) -> OrderPlan:
    """The plan, kept as it is for good."""
    return OrderPlan.objects.create(asked=dict(asked), answer=dict(answer), who=said(who, "who", 200, 1))


def find_plan(number: int) -> OrderPlan:
    """A plan by its number. Raises StoreError."""
    found = OrderPlan.objects.filter(pk=number).first()
    if found is None:
        newest = OrderPlan.objects.order_by("-pk").values_list("pk", flat=True)[:20]
        raise StoreError(
            tr(
                "plan: {n} found; allowed: one of {allowed}",
                n=number,
                allowed=", ".join(map(str, newest)) or tr("none yet"),
            ),
            "plan",
        )
    return found


# ---------------------------------------------------------------- since then


def moved_since(plan: OrderPlan, today: date | None = None) -> list[str]:
    """What is otherwise now than when the plan was made, a sentence each; empty where all is as it was."""
    day = today or timezone.localdate()
    was = plan.asked
    now = gather(asked_of(was), day, plan.pk)
    _look_past_promises(plan, now)
    told = []
    late = (day - date.fromisoformat(was["day"])).days
    if late > 0:
        told.append(
            several(
                "It was worked out on {day}: what is ordered now comes {n} day later.",
                "It was worked out on {day}: what is ordered now comes {n} days later.",
                late,
                day=was["day"],
            )
        )
    told += _needs_moved(was, now)
    for code in sorted({*was["stock"], *now["stock"]}):
        before, after = was["stock"].get(code, 0), now["stock"].get(code, 0)
        if before != after:
            told.append(tr("{code}: {after} free now, {before} then.", code=code, after=after, before=before))
    told += _offers_moved(plan.answer["purchases"], was, now)
    return told[:MOST_SAID]


def _look_past_promises(plan: OrderPlan, now: dict[str, Any]) -> None:
    """What was promised since to the very needs of the plan changes nothing for it."""
    was = {row["key"]: row for row in plan.asked["needs"]}
    is_now = {row["key"]: row for row in now["needs"]}
    since = Reservation.objects.filter(closed=None, created__gt=plan.created, job__isnull=False, want__isnull=False)
    for each in since.select_related("job", "part"):
        key = f"job:{each.job.number}:{each.want}" if each.job is not None else ""
        if key not in was:
            continue
        if key not in is_now:
            is_now[key] = {**was[key], "quantity": 0}
            now["needs"].append(is_now[key])
        is_now[key]["quantity"] += each.quantity
        now["stock"][each.part.code] = now["stock"].get(each.part.code, 0) + each.quantity


def _needs_moved(was: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    before = {row["key"]: row for row in (*was["needs"], *was["unmet"])}
    after = {row["key"]: row for row in (*now["needs"], *now["unmet"])}
    told = []
    for key, row in before.items():
        new = after.get(key)
        words = _words(row)
        if new is None:
            told.append(tr("{need}: no longer needed.", need=words))
        elif new["quantity"] != row["quantity"]:
            told.append(
                tr("{need}: {now} needed now, {then} then.", need=words, now=new["quantity"], then=row["quantity"])
            )
        elif new["by"] != row["by"]:
            told.append(
                tr(
                    "{need}: needed by {now} now, by {then} then.",
                    need=words,
                    now=new["by"] or tr("no day"),
                    then=row["by"] or tr("no day"),
                )
            )
        elif [code for code, _ in new["parts"]] != [code for code, _ in row["parts"]]:
            told.append(tr("{need}: other parts would do now than then.", need=words))
    for key, row in after.items():
        if key not in before:
            told.append(tr("{need}: needed since, {quantity}.", need=_words(row), quantity=row["quantity"]))
    return told


def _words(row: Mapping[str, Any]) -> str:
    whom = planned(row["whom"])
    return f"{whom[:1].upper()}{whom[1:]}, {planned(row['what'])}"


def _offers_moved(bought: Sequence[Any], was: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    before, after = ({(o["supplier"], o["sku"]): o for o in x["offers"]} for x in (was, now))
    told = []
    for each in bought:
        key = (each["supplier"], each["sku"])
        old, new = before[key], after.get(key)
        name = f"{each['supplier']} {each['sku']}"
        if new is None:
            told.append(tr("{offer}: no longer offered for {part}.", offer=name, part=each["part"]))
            continue
        if new["tiers"] != old["tiers"]:
            told.append(tr("{offer}: another price now.", offer=name))
        if new["pack"] != old["pack"] or new["minimum"] != old["minimum"]:
            told.append(tr("{offer}: sold in other packs now.", offer=name))
        if new["stock"] is not None and new["stock"] < each["pieces"]:
            told.append(tr("{offer}: {stock} in stock there, fewer than planned.", offer=name, stock=new["stock"]))
        if new["lead_days"] > old["lead_days"]:
            told.append(
                tr(
                    "{offer}: takes {now} days now, {then} then.",
                    offer=name,
                    now=new["lead_days"],
                    then=old["lead_days"],
                )
            )
    terms = {s["name"]: s for s in now["suppliers"]}
    for supplier in was["suppliers"]:
        if supplier["name"] in {each["supplier"] for each in bought} and terms.get(supplier["name"]) != supplier:
            told.append(tr("{supplier}: other terms now for shipping, minimum or currency.", supplier=supplier["name"]))
    return told
