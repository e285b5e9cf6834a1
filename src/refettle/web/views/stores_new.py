"""A new part for the stores, and what comes in."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from refettle.book import stores
from refettle.book.models_stores import Part
from refettle.book.store import StoreError
from refettle.book.stores_moves import quantity
from refettle.book.stores_parts import add_part
from refettle.book.stores_search import find
from refettle.language import spoken, tr
from refettle.parts.capacitor import KINDS
from refettle.web.signing import who
from refettle.web.views.common import new_token, write_once
from refettle.web.views.stores import Row, around, part_or_404, rows_of, value_of
from refettle.web.views.stores_fields import Field, Form, came_from, lot_fields, text
from refettle.web.views.stores_forms import ACTIONS as PART_ACTIONS

FOUND_SHOWN = 20
FIRST = 5
"""Fields of a new part that most parts need; the others are folded away behind how many there are."""
DETAILS = ("kind", "maker", "place", "diameter_mm", "height_mm", "pitch_mm", "gram", "shelf_days", "lead_days", "note")


def _filled(fields: list[Field], typed: Mapping[str, Any]) -> tuple[Field, ...]:
    return tuple(
        Field(f.name, f.label, f.kind, f.hint, f.needed, f.options, str(typed.get(f.name, f.value))) for f in fields
    )


def _new_fields() -> list[Field]:
    used = [k for k in Part.objects.order_by("kind").values_list("kind", flat=True).distinct() if k]
    kinds = tuple((kind, spoken(kind)) for kind in dict.fromkeys((*used, *KINDS)))
    places = [p for p in Part.objects.order_by("place").values_list("place", flat=True).distinct()[:300] if p]
    return [
        Field("name", tr("What it is"), hint=tr("Radial electrolytic; belt of the drawer; chip."), needed=True),
        Field("value", tr("Value as printed"), hint=tr("4u7 50v 105C; 47k; nothing for a screw.")),
        Field("code", tr("Code"), hint=tr("As the bench calls it; empty: made from the value or name.")),
        Field("kind", tr("Kind"), options=kinds),
        Field("place", tr("Where it lies"), hint=tr("Drawer, box, bag."), options=tuple((p, p) for p in places)),
        Field("maker", tr("Maker")),
        Field("diameter_mm", tr("Diameter, mm"), "number"),
        Field("height_mm", tr("Height, mm"), "number"),
        Field("pitch_mm", tr("Pitch of its leads, mm"), "number"),
        Field("gram", tr("Weight of one, g"), "number", tr("For checking a kit on the scale.")),
        Field("lead_days", tr("Days until it comes"), "number", value="14"),
        Field(
            "shelf_days", tr("Days after which it is looked at again"), "number", tr("Empty: by its kind; 0: never.")
        ),
        Field("note", tr("Note"), "area"),
    ]


@require_http_methods(["GET", "HEAD", "POST"])
def new(request: HttpRequest) -> HttpResponse:
    """The form of a new part, with how many there are of it; POST writes both."""
    error = ""
    typed: Mapping[str, Any] = request.GET
    if request.method == "POST":
        typed = request.POST
        try:
            return redirect(reverse("stores-part", args=[_add(request)]))
        except StoreError as wrong:
            error = str(wrong)
    here = [
        Field("count", tr("How many are there now"), "number", tr("Empty: none yet.")),
        *lot_fields(),
        Field("quarantine", tr("Of unknown source: into quarantine until shown good"), "check"),
    ]
    told = _filled(_new_fields(), typed)
    context = around(
        "stores-new",
        form=Form("new", "", "", "", told[:FIRST]),
        more=Form("more", "", "", "", told[FIRST:]),
        more_open=bool(error) or any(field.name in typed for field in told[FIRST:]),
        lot_form=Form("lot", "", "", "", _filled(here, typed)),
        error=error,
        token=new_token(),
    )
    return render(request, "refettle/stores_new.html", context, status=422 if error else 200)


def _add(request: HttpRequest) -> str:
    """Write the part and what is there of it, both or nothing; its code. Raises StoreError."""
    form, made = request.POST, []
    code = text(form, "code")

    def write() -> None:
        with transaction.atomic():
            part = add_part(
                name=text(form, "name"),
                who=who(),
                code=code,
                value=text(form, "value"),
                **{name: text(form, name) for name in DETAILS},
            )
            if text(form, "count"):
                _receive(part, form)
            made.append(part.code)

    if not write_once(request, write) or not made:
        raise StoreError(tr("this form was written already; the part is in the stores"))
    messages.success(request, tr("{code} is in the stores.", code=made[0]))
    return str(made[0])


def _receive(part: Part, form: Mapping[str, Any]) -> None:
    stores.receive(
        part,
        quantity(text(form, "count")),
        who=who(),
        came=came_from(form),
        quarantine=bool(form.get("quarantine")),
    )


@require_http_methods(["GET", "HEAD", "POST"])
def receive(request: HttpRequest) -> HttpResponse:
    """Find the part that came, then say how many; POST writes it and goes on to the next."""
    error, typed = "", request.POST if request.method == "POST" else request.GET
    code = typed.get("part", "")[:60]
    part = part_or_404(code) if code else None
    if request.method == "POST" and part is not None:
        try:
            said: list[str] = []
            action = PART_ACTIONS["receive"]
            if write_once(request, lambda: said.append(action.write(part, request.POST, []))) and said:
                messages.success(request, f"{part.code}: {said[0]}")
            kept = {"source": text(request.POST, "source")} if text(request.POST, "source") else {}
            return redirect(reverse("stores-receive") + (f"?{urlencode(kept)}" if kept else ""))
        except StoreError as wrong:
            error = str(wrong)
            part.refresh_from_db()
    query = "" if part else " ".join(request.GET.get("q", "").split())[:100]
    rows: list[Row] = []
    found = find(query) if query else None
    if found is not None:
        rows = rows_of(found.parts(0, FOUND_SHOWN), timezone.localdate())
    form = None
    if part is not None:
        action = PART_ACTIONS["receive"]
        form = Form("receive", tr(action.title), "", tr(action.button), _filled(action.fields(part), typed))
    context = around(
        "stores-receive",
        part=part,
        value=value_of(part) if part else "",
        form=form,
        found=found,
        rows=rows,
        query=query,
        source=typed.get("source", "")[:200],
        error=error,
        token=new_token(),
    )
    return render(request, "refettle/stores_receive.html", context, status=422 if error else 200)
