"""Taking a unit in: its type first, then its own form; one transaction."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.core.cache import cache
from django.db import transaction
from django.db.models import Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from refettle.book import experience, store
from refettle.book.log import LogError
from refettle.book.models import Job, Owner
from refettle.knowledge.loading import LoadedType
from refettle.language import mark, tr
from refettle.web.signing import who
from refettle.web.views.common import TOKEN_S, form_key, new_token
from refettle.web.views.library import listed_types, load_or_404

PARTS = (mark("case"), mark("screws"), mark("label"), mark("ports"), mark("battery compartment"))
CONDITIONS = (mark("sound"), mark("worn"), mark("damaged"), mark("missing"), mark("not looked at"))
HERE = (mark("here"), mark("missing"), mark("not looked at"))
LISTED, FOUND = 200, 20
"""So many customers are a list to choose from; of more, so many are shown that a name looked for finds."""
RATTLES = (mark("none"), mark("rattles"), mark("not tried"))


@require_safe
def choose_type(request: HttpRequest) -> HttpResponse:
    """First step: the unit type. With ?type= it goes on to that type's form."""
    chosen = request.GET.get("type", "")
    types = listed_types()
    if chosen:
        if any(t.slug == chosen for t in types):
            return redirect("take-in-form", slug=chosen)
        error = tr("Unit type '{chosen}' found; allowed: one of those below.", chosen=chosen[:60])
    else:
        error = ""
    context = {"area": "bench", "types": types, "error": error}
    return render(request, "refettle/take_in_type.html", context, status=422 if error else 200)


@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def take_in(request: HttpRequest, slug: str) -> HttpResponse:
    """Second step: the form of this type. POST opens the job and writes the first entries."""
    loaded = load_or_404(slug)
    htmx = getattr(request, "htmx", None)
    if request.method != "POST" and htmx and not htmx.boosted:
        return render(request, "refettle/_owner_choices.html", _found(request.GET))
    if request.method != "POST" or request.POST.get("find"):
        return _page(request, loaded, slug)
    key = form_key(request)
    before = cache.get(key) if key else None
    if before:  # the same form sent twice
        return redirect("job", number=before)
    try:
        experience.refresh(experience.AT_ONCE)
        with transaction.atomic():
            job = _open(request, loaded)
    except (LogError, store.StoreError) as error:
        return _page(request, loaded, slug, str(error))
    if key:
        cache.set(key, job.number, TOKEN_S)
    return redirect(reverse("job", args=[job.number]))


def _open(request: HttpRequest, loaded: LoadedType) -> Job:
    form = request.POST
    entries = [_take_in_entry(request, loaded), *_complaints(request, loaded)]
    saved = form.get("saved", "")
    if loaded.unit_type.must_save and saved:
        entries += [{"kind": "saved", "what": what, "how": saved} for what in loaded.unit_type.must_save]
    job = store.open_job(loaded, owner=_owner(request), serial=form.get("serial", ""), label=form.get("label", ""))
    experience.weigh(job, who())
    now = timezone.now().replace(microsecond=0)
    store.append_all(job, [{**e, "at": now, "who": who()} for e in entries])
    return job


def _owner(request: HttpRequest) -> Owner:
    form = request.POST
    kind = form.get("owner-kind", "")
    if kind == "own":
        return store.get_or_create_owner()
    if kind.startswith("known"):
        chosen = kind.removeprefix("known-") if kind != "known" else form.get("owner", "")
        found = Owner.objects.filter(pk=_int(chosen), erasures=None).first()
        if found is None:
            raise LogError(tr("owner: no owner chosen; allowed: one from the list, a new one, or own stock"))
        return found
    if kind == "new":
        if not form.get("owner-name", "").strip():
            raise LogError(tr("owner's name: nothing found; allowed: a name of 1 to 120 characters"))
        if len(form.get("owner-contact", "")) > 1000:
            raise LogError(tr("owner's contact: too long; allowed: at most 1000 characters"))
        return store.get_or_create_owner(form["owner-name"], form.get("owner-contact", ""))
    raise LogError(tr("owner: '{kind}' found; allowed: known, new, own stock", kind=kind[:20]))


def _customers() -> QuerySet[Owner]:
    return Owner.objects.filter(kind=Owner.Kind.CUSTOMER, erasures=None).order_by("name", "pk")


def _found(typed: Mapping[str, Any]) -> dict[str, Any]:
    """Customers that the words looked for find, by name or by how to reach them; the one chosen stays among them."""
    words = str(typed.get("owner-find", "")).replace("\0", "")[:100].split()
    chosen = _int(str(typed.get("owner-kind", "")).removeprefix("known-"))
    found = _customers()
    for word in words:
        found = found.filter(Q(name__icontains=word) | Q(contact__icontains=word))
    among = list(found[: FOUND + 1]) if words else []
    kept = [o for o in _customers().filter(pk=chosen) if o not in among[:FOUND]]
    return {
        "looked_for": " ".join(words),
        "choices": [*kept, *among[:FOUND]],
        "more_choices": len(among) > FOUND,
        "owner_chosen": chosen,
    }


def _int(text: str) -> int:
    return int(text) if text.isdecimal() and len(text) < 12 else 0


def _take_in_entry(request: HttpRequest, loaded: LoadedType) -> dict[str, Any]:
    form = request.POST
    condition = {part: form.get(f"condition-{n}", "") for n, part in enumerate(PARTS)}
    accessories = {a: form.get(f"accessory-{n}", "") for n, a in enumerate(loaded.unit_type.accessories)}
    return {
        "kind": "take-in",
        "said": form.get("said", "").strip(),
        "condition": {k: v for k, v in condition.items() if v},
        "accessories": {k: v for k, v in accessories.items() if v},
        "rattle": form.get("rattle", "not tried"),
        "smell": form.get("smell", "").strip(),
        "note": form.get("note", "").strip(),
    }


def _complaints(request: HttpRequest, loaded: LoadedType) -> list[dict[str, Any]]:
    made = []
    for key in loaded.unit_type.points:
        outcome = request.POST.get(f"complaint-{key}", "")
        if outcome:
            made.append({"kind": "complaint", "point": key, "outcome": outcome})
    return made


def _page(request: HttpRequest, loaded: LoadedType, slug: str, error: str = "") -> HttpResponse:
    unit = loaded.unit_type
    typed: Any = request.POST if error or request.method == "POST" else {}
    few = _customers().count() <= LISTED
    points = []
    for key, point in unit.points.items():
        kind = loaded.library.points[point.shows]
        points.append((key, point.name, list(kind.outcomes), typed.get(f"complaint-{key}", "")))
    context = {
        "area": "bench",
        "slug": slug,
        "unit_type": unit,
        "points": points,
        "conditions": CONDITIONS,
        "condition_rows": [(n, p, typed.get(f"condition-{n}", "not looked at")) for n, p in enumerate(PARTS)],
        "here": HERE,
        "accessory_rows": [
            (n, a, typed.get(f"accessory-{n}", "not looked at")) for n, a in enumerate(unit.accessories)
        ],
        "rattles": RATTLES,
        "owners": _customers() if few else (),
        "many_owners": not few,
        **({} if few else _found(typed)),
        "typed": typed,
        "owner_kind": typed.get("owner-kind", "new"),
        "owner_typed": _int(typed.get("owner", "")),
        "owner_name": typed.get("owner-name", ""),
        "owner_contact": typed.get("owner-contact", ""),
        "rattle": typed.get("rattle", "not tried"),
        "error": error,
        "token": new_token(),
    }
    return render(request, "refettle/take_in.html", context, status=422 if error else 200)
