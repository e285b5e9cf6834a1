"""What the tests of orders share: suppliers with lists, parts, jobs that want some; plans without the long search."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.utils import timezone

from refettle.book import orders, orders_plan, prices, prices_links, wants
from refettle.book.models import Job
from refettle.book.models_orders import Order, OrderPlan
from refettle.book.models_prices import Sold, Supplier
from refettle.book.models_stores import Part
from refettle.book.orders_plan import Asked
from refettle.book.stores_parts import add_part

WHO = "Ada"


def supplier(name: str = "Tarn Components", **terms: str) -> Supplier:
    return prices.add_supplier(
        prices.read_terms({"name": name, "currency": "EUR", "shipping": "4.90", "lead_days": "4", **terms})
    )


def sells(who: Supplier, **rows: str) -> None:
    """What a supplier sells from today on: code of the part with _ for -, to `name;pack;price;price from 100`."""
    lines = [f"{who.name[0]}-{code};{row}" for code, row in rows.items()]
    data = "\n".join(["sku;name;pack;1+;100+", *lines]).encode()
    today = timezone.localdate()
    prices.take_in(who, data, "list.csv", WHO, valid_from=today, today=today)
    for code in rows:
        part = Part.objects.get(code=code.replace("_", "-"))
        if not Sold.objects.filter(supplier=who, sku=f"{who.name[0]}-{code}", ended=None).exists():
            prices_links.link(who, [(f"{who.name[0]}-{code}", part.pk)], WHO)


def part(code: str, value: str = "", **more: Any) -> Part:
    return add_part(name=f"part {code}", code=code, value=value, who=WHO, **more)


def wanted(job: Job, code: str, count: int, by: date | None = None) -> int:
    content = {"by": by.isoformat()} if by else {}
    return wants.want(job, code, count, who=WHO, part=code, **content).n


def plan(**asked: Any) -> OrderPlan:
    told = orders_plan.gather(Asked(seconds=5.0, **asked))
    return orders_plan.keep(told, orders_plan.work_out(told), WHO)


def sent(made: OrderPlan) -> list[Order]:
    return [orders.send(order) for order in orders.make_orders(made, who=WHO)]
