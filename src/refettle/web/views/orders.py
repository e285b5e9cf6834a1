"""Orders: the list, one order with its sheet and what became of it, receiving against it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from refettle.book import orders, store, stores, waiting, wants
from refettle.book.models_orders import Order, OrderLine, OrderPlan, Receipt
from refettle.book.models_stores import Movement
from refettle.book.orders_receive import Arrived, TooManyError, receive
from refettle.book.store import StoreError
from refettle.book.stores_parts import find_part
from refettle.language import mark, several, tr
from refettle.web.plan_views import money, price
from refettle.web.signing import who
from refettle.web.views.common import new_token, write_once
from refettle.web.views.stores import around
from refettle.web.views.stores_fields import day, text

PER_PAGE = 40
SHOWN = {
    "open": (mark("Not here yet"), Q(cancelled=None, closed=None)),
    "unsent": (mark("Not sent"), Q(cancelled=None, closed=None, sent=None)),
    "here": (mark("Closed"), Q(closed__isnull=False)),
    "cancelled": (mark("Cancelled"), Q(cancelled__isnull=False)),
    "all": (mark("All"), Q()),
}


def order_or_404(number: int) -> Order:
    """An order. Raises Http404."""
    try:
        return orders.find_order(number)
    except StoreError as error:
        raise Http404(str(error)) from None


@dataclass(frozen=True)
class OrderRow:
    """One order in the list."""

    order: Order
    state: str
    pieces: int
    coming: int
    total: str
    late: bool


@require_safe
def orders_page(request: HttpRequest) -> HttpResponse:
    """The orders, and the last plans."""
    which = request.GET.get("show", "open")
    which = which if which in SHOWN else "open"
    chosen: QuerySet[Order] = Order.objects.filter(SHOWN[which][1]).select_related("supplier").prefetch_related("lines")
    page = Paginator(chosen, PER_PAGE).get_page(request.GET.get("page"))
    today = timezone.localdate()
    context = around(
        "orders",
        rows=[_row(each, today) for each in page.object_list],
        page=page,
        which=which,
        shown=[(key, tr(label)) for key, (label, _) in SHOWN.items()],
        anything=Order.objects.exists(),
        plans=OrderPlan.objects.order_by("-pk")[:5],
    )
    return render(request, "refettle/orders.html", context)


def _row(order: Order, today: date) -> OrderRow:
    lines = list(order.lines.all())
    coming = sum(line.open for line in lines) if order.cancelled is None else 0
    late = bool(coming and order.sent and order.due and order.due < today)
    total = f"{money(orders.goods_of(lines) + order.shipping)}\u202f{order.currency}"
    return OrderRow(order, orders.state_of(order, lines), sum(line.pieces for line in lines), coming, total, late)


# ---------------------------------------------------------------- one order


@dataclass(frozen=True)
class LineRow:
    """One line of an order."""

    line: OrderLine
    name: str
    pieces: int
    packs: int
    pack: int
    price: str
    cost: str
    serves: tuple[tuple[str, str, int], ...]
    receipts: tuple[Receipt, ...]

    @property
    def given_up(self) -> bool:
        """True where pieces that were given up can be waited for again."""
        return self.line.gone > 0 and self.line.received < self.line.pieces


@require_http_methods(["GET", "HEAD", "POST"])
def order_page(request: HttpRequest, number: int) -> HttpResponse:
    """One order; POST sends, cancels, changes or puts right."""
    order = order_or_404(number)
    error = ""
    if request.method == "POST":
        try:
            said: list[str] = []
            act = ACTIONS.get(request.POST.get("do", ""))
            if act is None:
                raise StoreError(
                    tr(
                        "do: '{do}' found; allowed: {actions}",
                        do=request.POST.get("do", "")[:30],
                        actions=", ".join(ACTIONS),
                    ),
                    "do",
                )
            if write_once(request, lambda: said.append(act(order, request.POST))) and said:
                messages.success(request, said[0])
            return redirect(reverse("order", args=[number]))
        except StoreError as wrong:
            error = str(wrong)
            order = order_or_404(number)
    lines = list(order.lines.select_related("part", "offer"))
    today = timezone.localdate()
    came = any(line.received for line in lines)
    asked = orders.sent_for(order, lines)
    context = around(
        "orders",
        order=order,
        state=orders.state_of(order, lines),
        lines=_line_rows(lines, asked),
        pieces=sum(line.pieces for line in lines),
        coming=sum(line.open for line in lines),
        goods=money(orders.goods_of(lines, asked)),
        shipping=money(order.shipping),
        total=money(orders.goods_of(lines, asked) + order.shipping),
        late=bool(order.due and order.due < today),
        ready=waiting.can_go_on(order) if came else [],
        moved=_moved(order),
        today=today,
        typed=request.POST if error else {},
        error=error,
        token=new_token(),
    )
    return render(request, "refettle/order.html", context, status=422 if error else 200)


def _moved(order: Order) -> list[str]:
    """What moved since it was planned, for an order not yet sent of a plan of which none was."""
    from refettle.book.orders_plan import moved_since

    if order.plan is None or order.sent is not None or order.cancelled is not None:
        return []
    return [] if order.plan.orders.filter(sent__isnull=False).exists() else moved_since(order.plan)


def _line_rows(lines: list[OrderLine], asked: Mapping[int, int]) -> list[LineRow]:
    came: dict[int, list[Receipt]] = {}
    found = Receipt.objects.filter(line__in=lines).select_related("movement__lot", "movement__part").order_by("pk")
    for each in found:
        came.setdefault(each.line_id, []).append(each)
    return [
        LineRow(
            line, orders.name_of(line), asked[line.pk], *orders.packs_of(line, asked[line.pk]), price(line.price),
            money(asked[line.pk] * line.price),
            tuple(_serves(line)), tuple(came.get(line.pk, ())),
        )
        for line in lines
    ]  # fmt: skip


def _serves(line: OrderLine) -> list[tuple[str, str, int]]:
    """(whom, address, pieces)."""
    said = []
    for key, pieces in line.serves:
        kind, number = str(key).split(":")[:2]
        if kind == "job":
            said.append((tr("job {number}", number=number), reverse("job", args=[int(number)]), int(pieces)))
        elif kind == "kit":
            said.append((tr("kits"), reverse("kit-version", args=[int(number)]), int(pieces)))
        else:
            said.append((tr("the stores"), reverse("stores-part", args=[line.part.code]), int(pieces)))
    spare = line.pieces - sum(pieces for _, _, pieces in said)
    return [*said, (tr("spare"), "", spare)] if spare > 0 else said


# ---------------------------------------------------------------- what can be done


def _line(order: Order, form: Any) -> OrderLine:
    typed = text(form, "line")
    if not typed.isdecimal() or len(typed) > 9:
        raise StoreError(
            tr("line: '{typed}' found; allowed: a line of order {number}", typed=typed[:40], number=order.number),
            "line",
        )
    return orders.find_line(order, int(typed))


def _send(order: Order, form: Any) -> str:
    orders.send(order, day=day(form, "day"), due=day(form, "due"))
    until = tr(", due {due}", due=order.due) if order.due else ""
    return tr("Order {number} is sent{until}. Its pieces count as on order.", number=order.number, until=until)


def _due(order: Order, form: Any) -> str:
    orders.set_due(order, day(form, "due"))
    return tr("Due {due}.", due=order.due) if order.due else tr("No day is said any more.")


def _cancel(order: Order, form: Any) -> str:
    return tr("{pieces} pieces are on order no longer.", pieces=orders.cancel(order, who=who(), why=text(form, "why")))


def _gone(order: Order, form: Any) -> str:
    line = _line(order, form)
    return tr(
        "{sku}: {pieces} will not come.",
        sku=line.sku,
        pieces=orders.will_not_come(line, who=who(), why=text(form, "why")),
    )


def _again(order: Order, form: Any) -> str:
    line = _line(order, form)
    return tr("{sku}: {pieces} are waited for again.", sku=line.sku, pieces=orders.wait_after_all(line, who=who()))


def _right(order: Order, form: Any) -> str:
    typed = text(form, "movement")
    found = Movement.objects.filter(pk=int(typed)) if typed.isdecimal() and len(typed) < 10 else None
    movement = found.filter(receipts__line__order=order).first() if found is not None else None
    if movement is None:
        raise StoreError(
            tr("line of the ledger: '{typed}' found; allowed: one of this order", typed=typed[:40]), "movement"
        )
    stores.correct(movement, who=who(), why=text(form, "why"), count=text(form, "count") or 0)  # type: ignore[arg-type]
    return tr("Line {line} of the ledger is put right, and the order with it.", line=movement.pk)


def _reserve(order: Order, form: Any) -> str:
    job, entry, code, pieces = (text(form, name) for name in ("job", "entry", "code", "pieces"))
    if not (job.isdecimal() and entry.isdecimal() and pieces.isdecimal() and len(job + entry + pieces) < 20):
        raise StoreError(tr("job: nothing found; allowed: a job of this page"), "job")
    wants.reserve_wanted(store.find_job(int(job)), int(entry), find_part(code), who=who(), count=int(pieces))
    return tr("{pieces} of {code} promised to job {job}.", pieces=pieces, code=code, job=job)


ACTIONS: dict[str, Callable[[Order, Any], str]] = {
    "send": _send,
    "due": _due,
    "cancel": _cancel,
    "gone": _gone,
    "again": _again,
    "right": _right,
    "reserve": _reserve,
}


@require_safe
def order_csv(request: HttpRequest, number: int) -> HttpResponse:
    """The order as a file for the supplier."""
    order = order_or_404(number)
    response = HttpResponse(orders.order_csv(order), content_type="text/csv; charset=utf-8")
    response.headers["Content-Disposition"] = f'attachment; filename="order-{number}.csv"'
    return response


# ---------------------------------------------------------------- receiving


@require_http_methods(["GET", "HEAD", "POST"])
def receive_page(request: HttpRequest, number: int) -> HttpResponse:
    """What came; POST writes the delivery, whole or not at all."""
    order = order_or_404(number)
    error, too_many = "", False
    if request.method == "POST":
        try:
            return redirect(_received(request, order))
        except TooManyError as wrong:
            error, too_many = str(wrong), True
        except StoreError as wrong:
            error = str(wrong)
        order = order_or_404(number)
    lines = list(order.lines.select_related("part", "offer"))
    every = bool(request.GET.get("all")) or too_many or order.closed is not None or order.cancelled is not None
    context = around(
        "orders",
        order=order,
        state=orders.state_of(order, lines),
        rows=[(line, orders.name_of(line), price(line.price)) for line in lines if every or line.open],
        more=0 if every else sum(not line.open for line in lines),
        typed=request.POST,
        too_many=too_many,
        error=error,
        token=new_token() if not error else request.POST.get("token", new_token()),
    )
    return render(request, "refettle/order_receive.html", context, status=422 if error else 200)


def _received(request: HttpRequest, order: Order) -> str:
    form = request.POST
    arrived = [each for line in order.lines.all() for each in _arrived(line, form)]
    done = receive(order, arrived, who=who(), delivery=form.get("token", "")[:40], over=bool(form.get("over")))
    if done.again:
        messages.info(request, "That delivery was written already; it counts once.")
    else:
        pieces = sum(m.on_hand + m.quarantined for m in done.movements)
        messages.success(request, several("{n} piece received.", "{n} pieces received.", pieces))
        for remark in done.remarks:
            messages.info(request, remark)
    return reverse("order", args=[order.number])


def _arrived(line: OrderLine, form: Any) -> list[Arrived]:
    """What was typed for a line: its lot, and a second one."""
    found = []
    for suffix in ("", "-2"):
        at = f"{line.pk}{suffix}"
        pieces, gone = text(form, f"came-{at}"), bool(form.get(f"gone-{at}"))
        if not pieces and not gone:
            continue
        if pieces and not (pieces.isdecimal() and len(pieces) < 8):
            raise StoreError(
                tr("{sku}, pieces: '{pieces}' found; allowed: a whole number", sku=line.sku, pieces=pieces[:20]),
                f"came-{at}",
            )
        if pieces == "0" and not gone:
            continue
        typed_price = text(form, f"price-{at}").replace(",", ".")
        found.append(
            Arrived(
                line.pk,
                int(pieces or 0),
                text(form, f"lot-{at}"),
                day(form, f"made-{at}"),
                typed_price or None,
                text(form, f"instead-{at}"),
                bool(form.get(f"back-{at}")),
                gone,
                bool(form.get(f"quarantine-{at}")),
                text(form, f"note-{at}"),
            )
        )
    return found
