"""refettle orders: what to order for the bench book, plans kept, orders sent, received and cancelled."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from datetime import date
from typing import TYPE_CHECKING, Any

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, open_book, print_json, table

if TYPE_CHECKING:
    from refettle.book.models_orders import Order, OrderPlan
    from refettle.book.orders_receive import Arrived

EXAMPLES = """\
examples:
  refettle orders plan                        what is needed, and the cheapest order for it; kept as plan N
  refettle orders plan --at-most 2 --leave job:7:12
  refettle orders make 3                      the orders of plan 3, one for each supplier
  refettle orders show 5 --csv > order-5.csv  for the supplier
  refettle orders send 5
  refettle orders receive 5 Q-10u-50=100,lot=3114 Q-1u-50=40,gone
  refettle orders cancel 5 --why "found some in a drawer"
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of `refettle orders`."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    plan = actions.add_parser(
        "plan", help="the cheapest order for all jobs, kits and reorder points, kept; with N, a kept plan"
    )
    plan.add_argument("number", nargs="?", type=int, metavar="N", help="show this plan again")
    plan.add_argument("--needs", action="store_true", help="only what is needed, with the keys of needs")
    plan.add_argument("--leave", action="append", default=[], metavar="KEY", help="leave this need out")
    plan.add_argument(
        "--look", action="append", default=[], metavar="KEY", help="for this need, parts to be looked at first count"
    )
    plan.add_argument("--at-most", type=int, metavar="N", help="suppliers at most")
    plan.add_argument("--ignore-deadlines", action="store_true", help="days bind nothing")
    plan.add_argument("--seconds", type=float, default=10.0, metavar="S", help="for the search; by default 10")
    plan.add_argument(
        "--rate", action="append", default=[], metavar="GBP=1.17", help="what one of another currency is worth"
    )
    plan.set_defaults(run=_run(run_plan))
    make = actions.add_parser("make", help="make the orders of a plan")
    make.add_argument("number", type=int, metavar="PLAN")
    make.add_argument("--despite", action="store_true", help="although things moved since it was worked out")
    make.set_defaults(run=_run(run_make))
    orders = actions.add_parser("list", help="orders not here yet; with --all, all")
    orders.add_argument("--all", action="store_true")
    orders.set_defaults(run=_run(run_list))
    show = actions.add_parser("show", help="one order")
    show.add_argument("number", type=int, metavar="N")
    show.add_argument("--csv", action="store_true", help="as CSV for the supplier, without anybody's name")
    show.set_defaults(run=_run(run_show))
    send = actions.add_parser("send", help="mark an order as sent")
    send.add_argument("number", type=int, metavar="N")
    send.add_argument("--on", metavar="DAY", help="by default today")
    send.add_argument("--due", metavar="DAY", help="by default as planned")
    send.set_defaults(run=_run(run_send))
    receive = actions.add_parser("receive", help="write a delivery")
    receive.add_argument("number", type=int, metavar="N")
    receive.add_argument("came", nargs="+", metavar="NUMBER=PIECES[,...]", help=(
        "the supplier's number and pieces, then lot=CODE, made=DAY, price=P, instead=PART, back, gone "
        "(what is missing will not come), quarantine"
    ))  # fmt: skip
    receive.add_argument("--over", action="store_true", help="keep more than is to come")
    receive.set_defaults(run=_run(run_receive))
    cancel = actions.add_parser("cancel", help="cancel what has not come of an order, or of one line")
    cancel.add_argument("number", type=int, metavar="N")
    cancel.add_argument("--line", metavar="NUMBER", help="the supplier's number of the line")
    cancel.add_argument("--why", required=True, metavar="WORDS")
    cancel.set_defaults(run=_run(run_cancel))
    for each in (plan, make, orders, show, send, receive, cancel):
        each.add_argument("--json", action="store_true", help="as JSON")


def _run(act: Callable[[argparse.Namespace], int]) -> Callable[[argparse.Namespace], int]:
    """The action on the book, its refusals in one clear line."""

    def run(args: argparse.Namespace) -> int:
        open_book()
        from refettle.book.store import StoreError
        from refettle.ordering import OrderingError

        try:
            return act(args)
        except (StoreError, OrderingError) as error:
            raise Refused(str(error)) from None

    return run


def _who() -> str:
    from django.conf import settings

    return str(settings.REFETTLE_WHO)


def _day(option: str, typed: str | None) -> date | None:
    try:
        return date.fromisoformat(typed) if typed else None
    except ValueError:
        raise Refused(f"{option}: '{typed}' found; allowed: a day such as 2031-04-01") from None


# ---------------------------------------------------------------- plans


def run_plan(args: argparse.Namespace) -> int:
    """Work out and keep a plan, or show one."""
    from decimal import Decimal, InvalidOperation

    from refettle.book import orders_needs, orders_plan
    from refettle.cli.order import stoppable

    if args.number is not None:
        return _show_plan(orders_plan.find_plan(args.number), args.json)
    if args.needs:
        from django.utils import timezone

        found = [each for each in orders_needs.needs(timezone.localdate()) if each.left > 0]
        if args.json:
            print_json([orders_plan.plain(each) for each in found])
        else:
            rows = [
                [n.key, n.whom, n.what[:50], str(n.quantity), str(n.coming), str(n.by or ""), " ".join(n.codes()[:3])]
                for n in found
            ]
            print(table([["key", "for", "what", "needed", "on its way", "by", "parts"], *rows]))
        return DONE
    rates = {}
    for each in args.rate:
        name, _, rate = each.partition("=")
        try:
            rates[name.upper()] = Decimal(rate)
        except InvalidOperation:
            raise Refused(f"--rate: '{each}' found; allowed: a currency and its worth, as GBP=1.17") from None
    asked = orders_plan.gather(
        orders_plan.Asked(
            frozenset(args.leave), frozenset(args.look), {}, args.at_most,
            "ignore" if args.ignore_deadlines else "keep", args.seconds, rates,
        )
    )  # fmt: skip
    if not asked["needs"]:
        print("Nothing is needed that a part of the stores would serve.")
        return DOES_NOT_HOLD if asked["unmet"] else DONE
    with stoppable() as stopped:
        answer = orders_plan.work_out(asked, None, stopped)
    return _show_plan(orders_plan.keep(asked, answer, _who()), args.json)


def _show_plan(plan: OrderPlan, as_json: bool) -> int:
    from refettle.book.orders_plan import moved_since
    from refettle.web.plan_views import parcels_of, plan_view

    ordered = plan.orders.filter(cancelled=None).exists()
    moved = [] if ordered else moved_since(plan)
    status = DOES_NOT_HOLD if plan.answer["short"] or plan.asked["unmet"] else DONE
    if as_json:
        print_json({"plan": plan.pk, "asked": plan.asked, "answer": plan.answer, "moved": moved})
        return status
    view = plan_view(plan)
    print(f"Plan {plan.pk}: {view.total} {plan.asked['currency']}. {view.proof}.")
    for parcel in parcels_of(plan):
        free = " (free)" if parcel.free else ""
        print(f"\n{parcel.supplier}: goods {parcel.goods}, shipping {parcel.shipping}{free}, here by {parcel.arrives}")
        for hint in parcel.hints:
            print(hint)
        rows = [
            [x.sku, x.part, str(x.packs), str(x.pieces), f"{x.each} {x.currency}", x.cost,
             "; ".join(f"{whom}: {n}" for whom, n in x.serves)]
            for x in parcel.lines
        ]  # fmt: skip
        print(table([["number", "part", "packs", "pieces", "each", "cost", "for"], *rows]))
        for x in parcel.lines:
            if x.spare:
                print(f"- {x.part}: {x.spare} spare; {x.why_spare}.")
    for what, lines in (
        (
            "Not met",
            [f"{s['need']['whom']}, {s['need']['what']}: {s['pieces']} short. {s['says']}" for s in view.short],
        ),
        ("", [f"{u['whom']}, {u['what']}: {u['quantity']} short. {u['why']}" for u in plan.asked["unmet"]]),
        ("In place of what was asked", [str(s["says"]) for s in view.substitutes]),
        ("What others would cost", [f"{what}: {cost or says}" for what, cost, says in view.compared]),
        ("Who bears what", [f"{s['job']}: {s['total']}" for s in view.shares]),
        ("Since it was worked out", moved),
    ):
        if lines:
            print("\n".join([*([f"\n{what}:"] if what else []), *(f"- {line}" for line in lines)]))
    return status


def run_make(args: argparse.Namespace) -> int:
    """Make a plan's orders."""
    from refettle.book import orders, orders_plan

    made = orders.make_orders(orders_plan.find_plan(args.number), who=_who(), despite=args.despite)
    if args.json:
        print_json([_facts(order) for order in made])
    else:
        for order in made:
            print(f"Order {order.number}: {order.supplier.name}, not sent yet.")
    return DONE


# ---------------------------------------------------------------- orders


def _facts(order: Order) -> dict[str, Any]:
    from refettle.book import orders

    lines = list(order.lines.select_related("part"))
    return {
        "order": order.number, "supplier": order.supplier.name, "state": orders.state_of(order, lines),
        "sent": order.sent, "due": order.due, "currency": order.currency, "shipping": order.shipping,
        "goods": orders.goods_of(lines), "plan": order.plan_id,
        "lines": [
            {"number": x.sku, "part": x.part.code, "pieces": x.pieces, "price": x.price, "received": x.received,
             "gone": x.gone, "to_come": 0 if order.cancelled else x.open, "serves": x.serves}
            for x in lines
        ],
    }  # fmt: skip


def run_list(args: argparse.Namespace) -> int:
    """The orders."""
    from refettle.book.models_orders import Order

    chosen = Order.objects.all() if args.all else Order.objects.filter(cancelled=None, closed=None)
    found = [_facts(order) for order in chosen.select_related("supplier")]
    if args.json:
        print_json(found)
    elif not found:
        print("No orders." if args.all else "No orders to come.")
    else:
        rows = [
            [
                str(f["order"]),
                f["supplier"],
                f["state"],
                str(f["due"] or ""),
                str(sum(x["to_come"] for x in f["lines"])),
            ]
            for f in found
        ]
        print(table([["order", "supplier", "state", "due", "to come"], *rows]))
    return DONE


def run_show(args: argparse.Namespace) -> int:
    """One order."""
    from refettle.book import orders

    order = orders.find_order(args.number)
    if args.csv:
        print(orders.order_csv(order), end="")
        return DONE
    facts = _facts(order)
    if args.json:
        print_json(facts)
        return DONE
    print(f"Order {order.number}, {facts['supplier']}: {facts['state']}" + (f", due {order.due}" if order.due else ""))
    rows = [
        [x["number"], x["part"], str(x["pieces"]), f"{x['price'].normalize():f}", str(x["received"]), str(x["gone"]),
         str(x["to_come"])]
        for x in facts["lines"]
    ]  # fmt: skip
    print(table([["number", "part", "pieces", "each", "received", "will not come", "to come"], *rows]))
    print(f"Goods {facts['goods']:.2f}, shipping {order.shipping:.2f} {order.currency}")
    return DONE


def run_send(args: argparse.Namespace) -> int:
    """Mark as sent."""
    from refettle.book import orders

    order = orders.send(orders.find_order(args.number), day=_day("--on", args.on), due=_day("--due", args.due))
    return _said(args, order, f"Order {order.number} is sent" + (f", due {order.due}." if order.due else "."))


def run_receive(args: argparse.Namespace) -> int:
    """Write a delivery."""
    from refettle.book import orders
    from refettle.book.orders_receive import receive

    order = orders.find_order(args.number)
    done = receive(order, [_arrived(order, text) for text in args.came], who=_who(), over=args.over)
    pieces = sum(m.on_hand + m.quarantined for m in done.movements)
    return _said(args, order, "\n".join([f"{pieces} received of order {order.number}.", *done.remarks]))


def _arrived(order: Order, text: str) -> Arrived:
    from refettle.book.orders_receive import Arrived

    head, *more = text.split(",")
    sku, _, pieces = head.rpartition("=")
    line = _line(order, sku)
    said: dict[str, Any] = {}
    for each in more:
        name, _, value = each.partition("=")
        if name in ("lot", "price", "instead", "note") and value:
            said[name] = value
        elif name == "made":
            said[name] = _day("made", value)
        elif name in ("back", "gone", "quarantine") and not value:
            said["rest_gone" if name == "gone" else name] = True
        else:
            raise Refused(
                f"{text}: '{each}' found; allowed: lot=, made=, price=, instead=, note=, back, gone, quarantine"
            )
    if not (pieces.isascii() and pieces.isdigit() and len(pieces) < 8):
        raise Refused(f"{text}: '{pieces}' pieces found; allowed: a whole number, as Q-10u-50=100")
    return Arrived(line.pk, int(pieces), **said)


def _line(order: Order, sku: str) -> Any:
    line = order.lines.filter(sku=sku).first()
    if line is None:
        known = ", ".join(order.lines.values_list("sku", flat=True))
        raise Refused(f"'{sku}' found; allowed: a number of order {order.number}: {known}")
    return line


def run_cancel(args: argparse.Namespace) -> int:
    """Cancel what has not come."""
    from refettle.book import orders

    order = orders.find_order(args.number)
    if args.line:
        number = orders.will_not_come(_line(order, args.line), who=_who(), why=args.why)
    else:
        number = orders.cancel(order, who=_who(), why=args.why)
    return _said(args, order, f"{number} pieces of order {order.number} are on order no longer.")


def _said(args: argparse.Namespace, order: Order, words: str) -> int:
    from refettle.book import orders

    if args.json:
        print_json({**_facts(orders.find_order(order.number)), "said": words.splitlines()})
    else:
        print(words)
    return DONE
