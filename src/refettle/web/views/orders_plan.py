"""Planning an order: what is needed, the cheapest way worked out in the background, the plan kept, its orders."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, InvalidOperation
from threading import Lock
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from refettle.book import orders, orders_needs, orders_plan, wants
from refettle.book.models_orders import OrderPlan
from refettle.book.models_prices import Supplier
from refettle.book.orders_needs import Needed
from refettle.book.orders_plan import Asked
from refettle.book.store import StoreError, find_job
from refettle.book.stores_parts import find_part
from refettle.language import SOURCE, speaking, tr
from refettle.ordering import OrderingError
from refettle.web import longwork, plan_views
from refettle.web.signing import who
from refettle.web.views.common import new_token, write_once
from refettle.web.views.stores import around
from refettle.web.views.tools import under_way

SECONDS = ("10", "30", "60", "300")
MOST_NEEDS = 2_000
_keeping = Lock()
_kept: dict[str, int] = {}
"""Token of a work -> plan it was kept as."""


@dataclass(frozen=True)
class NeedRow:
    """One need in the form."""

    need: Needed
    chosen: bool
    look: bool
    has_look: bool
    by: str
    free: int
    link: str


@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def plan_form(request: HttpRequest) -> HttpResponse:
    """What is needed; POST begins to work out the cheapest order, and the page waits for it."""
    error, typed = "", None
    if request.method == "POST":
        typed = request.POST
        try:
            work = _begin(typed)
            return redirect(f"{reverse('orders-plan')}?work={work.token}")
        except (StoreError, OrderingError, longwork.TooMuchWork) as wrong:
            error = str(wrong)
    elif token := request.GET.get("work", "")[:40]:
        found = longwork.find(token)
        if found is None:
            return redirect(_kept_at(token) or reverse("orders-plan"))
        page = under_way(request, found)
        if page is not None:
            return page
        if not found.error:
            return redirect(reverse("orders-plan-kept", args=[_keep(found)]))
        error = found.error
        longwork.forget(found.key)
    return _form(request, typed, error)


def _form(request: HttpRequest, typed: QueryDict | None, error: str) -> HttpResponse:
    today = timezone.localdate()
    needs = [each for each in orders_needs.needs(today) if each.left > 0]
    free = orders_needs.free_of(code for each in needs for code in each.codes(True))
    foreign = Supplier.objects.filter(used=True).exclude(currency=settings.REFETTLE_CURRENCY)
    context = around(
        "orders",
        rows=[_row(each, typed, free) for each in needs],
        waiting=sorted({n for each in orders_needs.coming() if not each.sent for n in [each.order]}),
        currencies=sorted(set(foreign.values_list("currency", flat=True))),
        suppliers=Supplier.objects.filter(used=True, lists__isnull=False).distinct().count(),
        plans=OrderPlan.objects.order_by("-pk")[:5],
        typed=typed or {},
        seconds=SECONDS,
        today=today,
        error=error,
        token=new_token(),
    )
    return render(request, "refettle/orders_plan.html", context, status=422 if error else 200)


def _row(need: Needed, typed: QueryDict | None, free: Mapping[str, int]) -> NeedRow:
    has_look = any(part.check_first for part in need.parts)
    look = typed is not None and need.key in typed.getlist("look")
    by = need.by.isoformat() if need.by else ""
    kind, number = need.key.split(":")[:2]
    link = ""
    if kind == "job":
        link = reverse("job", args=[int(number)])
    elif kind == "kit":
        link = reverse("kit-version", args=[int(number)])
    elif need.parts:
        link = reverse("stores-part", args=[need.parts[0].code])
    chosen = typed is None or need.key in typed.getlist("need") or need.key not in typed.getlist("shown")
    return NeedRow(
        need, chosen, look, has_look, by if typed is None else typed.get(f"by-{need.key}", by),
        sum(free.get(code, 0) for code in need.codes()), link,
    )  # fmt: skip


# ---------------------------------------------------------------- working it out


def read_asked(typed: QueryDict) -> Asked:
    """How it is to be worked out, as typed. Raises StoreError naming the field."""
    shown, ticked = typed.getlist("shown")[:MOST_NEEDS], set(typed.getlist("need"))
    days: dict[str, date | None] = {}
    for key in shown:
        text = typed.get(f"by-{key}", "").strip()
        was = typed.get(f"was-{key}", "").strip()
        if text != was:
            try:
                days[key] = date.fromisoformat(text) if text else None
            except ValueError:
                raise StoreError(
                    tr("needed by: '{text}' found; allowed: a day such as 2031-04-01", text=text[:20]), "by"
                ) from None
    at_most = typed.get("at_most", "").strip()
    if at_most and not (at_most.isdecimal() and 1 <= int(at_most[:4]) <= 40):
        raise StoreError(
            tr("suppliers: '{at_most}' found; allowed: a whole number from 1 to 40, or nothing", at_most=at_most[:20]),
            "at_most",
        )
    seconds = typed.get("seconds", SECONDS[0])
    if seconds not in SECONDS:
        raise StoreError(
            tr("time: '{seconds}' found; allowed: {allowed} s", seconds=seconds[:20], allowed=", ".join(SECONDS)),
            "seconds",
        )
    return Asked(
        leave=frozenset(key for key in shown if key not in ticked),
        check_first=frozenset(typed.getlist("look")[:MOST_NEEDS]),
        by=days,
        at_most=int(at_most) if at_most else None,
        deadlines="ignore" if typed.get("deadlines") == "ignore" else "keep",
        seconds=float(seconds),
        rates={key.removeprefix("rate-"): _rate(key, value) for key, value in typed.items()
               if key.startswith("rate-") and str(value).strip()},
    )  # fmt: skip


def _rate(key: str, text: Any) -> Decimal:
    try:
        rate = Decimal(str(text).strip().replace(",", "."))
    except InvalidOperation:
        rate = Decimal("NaN")
    name = key.removeprefix("rate-")[:3]
    if not (rate.is_finite() and Decimal("0.000001") <= rate <= 1_000_000 and rate == round(rate, 6)):
        raise StoreError(
            tr(
                "rate of {name}: '{text}' found; allowed: what one {name} is worth, as 1.17",
                name=name,
                text=str(text)[:20],
            ),
            key,
        )
    return rate


def _begin(typed: QueryDict) -> longwork.Work:
    asked = orders_plan.gather(read_asked(typed))
    if not asked["needs"]:
        why = tr(asked["unmet"][0]["why"]) if asked["unmet"] else tr("tick at least one need.")
        raise StoreError(tr("needs: none found that a part would serve; {why}", why=why))
    orders_plan.problem_of(asked)

    def run(work: longwork.Work) -> tuple[dict[str, Any], dict[str, Any]]:
        with speaking(SOURCE):  # a plan is kept: it says the same whatever language it is shown in
            return asked, orders_plan.work_out(asked, work.note, work.asked_to_stop)

    key = ("order-plan", typed.get("token", "")[:40] or new_token(), repr(sorted(asked.items()))[:20_000])
    return longwork.work(tr("The cheapest order"), key, run)


def _keep(work: longwork.Work) -> int:
    """The plan of a work that is over, kept the first time it is asked for."""
    with _keeping:
        if work.token not in _kept:
            asked, answer = work.result
            _kept[work.token] = orders_plan.keep(asked, answer, who()).pk
        return _kept[work.token]


def _kept_at(token: str) -> str:
    return reverse("orders-plan-kept", args=[_kept[token]]) if token in _kept else ""


# ---------------------------------------------------------------- a kept plan


@require_http_methods(["GET", "HEAD", "POST"])
def plan_page(request: HttpRequest, number: int) -> HttpResponse:
    """A plan with its reasons; POST makes its orders, one for each supplier."""
    plan = OrderPlan.objects.filter(pk=number).first()
    if plan is None:
        raise Http404(tr("There is no plan {number}.", number=number))
    error = ""
    if request.method == "POST":
        try:
            if request.POST.get("do") == "promise":
                return redirect(_promise(request, plan))
            return redirect(_make(request, plan))
        except StoreError as wrong:
            error = str(wrong)
    made = list(plan.orders.select_related("supplier").order_by("number"))
    live = [each for each in made if each.cancelled is None]
    asked = plan.asked
    context = around(
        "orders",
        plan=plan,
        view=plan_views.plan_view(plan),
        answer=plan.answer,
        asked=asked,
        parcels=plan_views.parcels_of(plan),
        picture=plan_views.picture(plan),
        unmet=asked["unmet"],
        made=made,
        live=live,
        moved=[] if live else orders_plan.moved_since(plan),
        error=error,
        token=new_token(),
    )
    return render(request, "refettle/order_plan.html", context, status=422 if error else 200)


def _promise(request: HttpRequest, plan: OrderPlan) -> str:
    """Promise what is free to the jobs it serves, as far as it is free yet; where to go on."""
    given: list[str] = []

    def write() -> None:
        for _, code, pieces, job, entry in plan_views.plan_view(plan).stores:
            if job:
                try:
                    made = wants.reserve_wanted(find_job(job), entry, find_part(code), who=who(), count=pieces)
                    given.append(tr("{quantity} of {code} to job {job}", quantity=made.quantity, code=code, job=job))
                except StoreError as wrong:
                    messages.error(request, tr("Job {job}, {code}: {wrong}", job=job, code=code, wrong=wrong))

    if write_once(request, write) and given:
        messages.success(request, tr("Promised: {given}.", given=", ".join(given)))
    return reverse("orders-plan-kept", args=[plan.pk])


def _make(request: HttpRequest, plan: OrderPlan) -> str:
    """Make the orders; where to go on. Raises StoreError."""
    made: list[Any] = []
    by, despite = who(), bool(request.POST.get("despite"))
    write_once(request, lambda: made.extend(orders.make_orders(plan, who=by, despite=despite)))
    if len(made) == 1:
        messages.success(
            request,
            tr("Order {number} is made. It counts as on order once it is marked as sent.", number=made[0].number),
        )
        return reverse("order", args=[made[0].number])
    if made:
        messages.success(
            request,
            tr(
                "Orders {numbers} are made. Send each, then mark it so.", numbers=", ".join(str(o.number) for o in made)
            ),
        )
    return reverse("orders")
