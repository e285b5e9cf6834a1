"""Owners: whose units they are, their contact put right, all that is held of one written out, one erased on request."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.db import transaction
from django.db.models import Max
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase, StreamingHttpResponse
from django.shortcuts import redirect, render
from django.utils.html import format_html
from django.views.decorators.http import require_http_methods, require_safe

from refettle.book import privacy, privacy_export
from refettle.book.backup import KEEP
from refettle.book.models import Entry, Owner, Unit
from refettle.book.models_privacy import ErasedText, Erasure
from refettle.book.privacy_find import kits_sold_to
from refettle.language import tr
from refettle.web import longwork, wording
from refettle.web.signing import person_of, who
from refettle.web.views.common import new_token, write_once
from refettle.web.views.tools import under_way

PER_PAGE = 50
SHOWN_CHANGES = 200
"""Texts on the page at once; the others by the command line. All are altered."""


def _owner(number: int) -> Owner:
    found = Owner.objects.filter(pk=number).first()
    if found is None:
        raise Http404(tr("Owner {number}: no such owner.", number=number))
    return found


def _may(request: HttpRequest) -> bool:
    """Where people sign in, only an owner of the book writes out or erases what is held of a customer."""
    person = person_of(request)
    return person is None or person.owns


def _only_who_may(request: HttpRequest) -> None:
    if not _may(request):
        raise PermissionDenied(tr("Only an owner of the book may do this. Nothing was written out or erased."))


# ---------------------------------------------------------------- the list


@require_safe
def owners(request: HttpRequest) -> HttpResponse:
    """All owners, found by name, contact, or a serial or label of a unit."""
    asked = request.GET.get("q", "").strip()[:200]
    found = privacy.found_owners(asked)
    page = Paginator(found, PER_PAGE).get_page(request.GET.get("page"))
    context = {
        "area": "bench",
        "page": page,
        "asked": asked,
        "anybody": bool(asked) or Owner.objects.exists(),
        "erasures": Erasure.objects.count(),
    }
    return render(request, "refettle/owners.html", context)


# ---------------------------------------------------------------- one owner


@dataclass(frozen=True)
class UnitRow:
    """A unit with its jobs."""

    unit: Unit
    jobs: list[privacy_export.OwnersJob]


@require_http_methods(["GET", "HEAD", "POST"])
def owner_page(request: HttpRequest, number: int) -> HttpResponse:
    """One owner; POST puts name and contact right."""
    owner = _owner(number)
    error, typed = "", {"name": owner.name, "contact": owner.contact}
    if request.method == "POST":
        typed = {name: request.POST.get(name, "") for name in typed}
        try:
            write_once(request, lambda: privacy.put_right(owner, typed["name"], typed["contact"]))
            messages.success(request, tr("Name and contact are as you wrote them."))
            return redirect("owner", number)
        except privacy.ErasureError as refused:
            error = str(refused)
    erasure = owner.erasures.first()
    customer = owner.kind == Owner.Kind.CUSTOMER
    page = Paginator(privacy.units_of(owner), PER_PAGE).get_page(request.GET.get("page"))
    shown = list(page.object_list)
    jobs = privacy_export.jobs_in_brief(shown)
    rows = [UnitRow(unit, jobs[unit.pk]) for unit in shown]
    agreed = [(each.job, a) for row in rows for each in row.jobs for a in each.agreed]
    context: dict[str, Any] = {
        "area": "bench",
        "owner": owner,
        "customer": customer,
        "page": page,
        "rows": rows,
        "agreed": agreed,
        "kits": kits_sold_to(privacy.words_of_owner(owner)) if customer and erasure is None else [],
        "may": _may(request),
        "erasure": erasure,
        "altered": _altered(erasure) if erasure else 0,
        "typed": typed,
        "error": error,
        "token": new_token(),
    }
    return render(request, "refettle/owner.html", context, status=422 if error else 200)


def _altered(erasure: Erasure) -> int:
    return ErasedText.objects.filter(erasure=erasure, of_table="book_entry").values("of_row").distinct().count()


@require_safe
def owner_export(request: HttpRequest, number: int) -> HttpResponseBase:
    """All that is held of one owner as a ZIP archive, sent while it is made."""
    _only_who_may(request)
    owner = _owner(number)
    if owner.kind != Owner.Kind.CUSTOMER:
        raise Http404(tr("The bench's own stock is nobody to write out for."))
    packed = privacy_export.archive(privacy_export.held(owner), wording.describe, wording.KINDS)
    response = StreamingHttpResponse(packed, content_type="application/zip")
    response.headers["Content-Disposition"] = f'attachment; filename="{privacy_export.archive_name(owner)}"'
    response.headers["Cache-Control"] = "no-store"
    return response


# ---------------------------------------------------------------- erasing


FEW_ENTRIES = 20_000
"""A book of so many is looked through while the page waits."""


# The files of photos go, and the database is told to forget, after what was written is on the disk.
@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def owner_erase(request: HttpRequest, number: int) -> HttpResponse:
    """What erasing would do, word for word; POST does it. A large book is looked through beside the page."""
    _only_who_may(request)
    owner = _owner(number)
    form = request.POST
    extra = [line for line in form.get("extra", "").replace("\r", "").split("\n") if line.strip()]
    work = _found(form.get("look") or request.GET.get("look", ""), owner)
    if request.method == "POST" and form.get("action") != "look":
        return _erase(request, owner, extra, work)
    if not _is_large():
        try:
            return _erase_page(request, owner, privacy.plan(owner, extra), extra)
        except privacy.ErasureError as refused:
            return _erase_page(request, owner, privacy.plan(owner), [], str(refused))
    if work is None or request.method == "POST" or work.error:
        if work is not None and work.error:
            messages.error(request, work.error)
        try:
            return redirect(f"{request.path}?look={_begun(owner, extra).token}")
        except longwork.TooMuchWork as error:
            return render(
                request, "refettle/error.html", {"title": tr("Too much at once"), "text": str(error)}, status=503
            )
    page = under_way(request, work)
    if page is not None:
        return page
    shown, extra = work.result
    return _erase_page(request, owner, shown, extra, look=work.token)


def _is_large() -> bool:
    return (Entry.objects.aggregate(last=Max("pk"))["last"] or 0) > FEW_ENTRIES


def _begun(owner: Owner, extra: list[str]) -> longwork.Work:
    """The book is being looked through."""
    last = Entry.objects.aggregate(last=Max("pk"))["last"] or 1

    def look(work: longwork.Work) -> tuple[privacy.ErasePlan, list[str]]:
        return privacy.plan(owner, extra, told=lambda read: work.tick(0.9 * read / last)), extra

    title = tr("Looking through the book for {name}", name=owner.name)
    return longwork.work(title, ("erase", owner.pk, new_token()), look, (privacy.ErasureError,))


def _found(token: str, owner: Owner) -> longwork.Work | None:
    """Where it was looked for this owner already."""
    work = longwork.find(token) if token else None
    return work if work is not None and isinstance(work.key, tuple) and work.key[:2] == ("erase", owner.pk) else None


def _erase(request: HttpRequest, owner: Owner, extra: list[str], work: longwork.Work | None) -> HttpResponse:
    form, made = request.POST, list[privacy.Erased]()
    shown = work.result[0] if work is not None and work.state == "done" else None

    def write() -> None:
        made.append(
            privacy.erase(
                owner,
                who=who(),
                why=form.get("why", ""),
                confirm=form.get("confirm", ""),
                digest=form.get("digest", ""),
                extra=extra,
                without=form.getlist("photo")[:10_000],
                seen=shown,
            )
        )

    try:
        write_once(request, write)
        if work is not None:
            longwork.forget(work.key)  # it holds what was erased
        if made:
            _tell(request, made[0])
        return redirect("owner", owner.pk)
    except privacy.ErasureError as refused:
        error = str(refused)
        try:
            # Where the book has changed since it was shown, what is shown now is as it stands now.
            again = privacy.plan(owner, extra, seen=shown)
        except privacy.ErasureError:
            again, extra = privacy.plan(owner), []
        return _erase_page(request, owner, again, extra, error, work.token if work is not None else "")


def _erase_page(
    request: HttpRequest, owner: Owner, shown: privacy.ErasePlan, extra: list[str], error: str = "", look: str = ""
) -> HttpResponse:
    chosen = request.POST.getlist("photo")[:10_000]
    context = {
        "area": "bench",
        "owner": owner,
        "plan": shown,
        "changes": shown.changes[:SHOWN_CHANGES],
        "more": max(0, len(shown.changes) - SHOWN_CHANGES),
        "photos": [(use, use.sha256 in chosen) for use in shown.photos if use.there],
        "extra": request.POST.get("extra", "\n".join(extra)),
        "look": look,
        "typed": request.POST,
        "keep": KEEP,
        "years": int(settings.REFETTLE_KEEP_YEARS),
        "error": error,
        "token": new_token(),
    }
    return render(request, "refettle/owner_erase.html", context, status=422 if error else 200)


def _tell(request: HttpRequest, made: privacy.Erased) -> None:
    said = tr(
        "Erased: {texts} texts in {entries} entries and elsewhere, {photos} photos.",
        texts=made.texts,
        entries=made.entries,
        photos=made.photos,
    )
    if made.photos_kept:
        said += " " + tr("Kept: {photos}.", photos="; ".join(made.photos_kept))
    messages.success(request, said)
    messages.info(
        request,
        format_html(
            "The key of this erasure, kept nowhere in the book: <code>{}</code>. With it and a backup made before, "
            "what an entry said can be proved. Write it down with the request, or let it go.",
            made.key,
        ),
    )
