"""A new kit, or the next version of one: a list, then each value matched to a part of the stores and confirmed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from django.conf import settings
from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from refettle.book import kits, store
from refettle.book.files import fetch, keep, read_upload
from refettle.book.kits_match import Offered, find_part, match
from refettle.book.models_kits import KitVersion
from refettle.book.store import StoreError
from refettle.language import tr
from refettle.parts.board_reading import read_board
from refettle.parts.capacitor import KINDS
from refettle.parts.capacitor_text import read_capacitor
from refettle.parts.kit_list import Wanted, list_of_board, read_list, words_of
from refettle.parts.kits import KitError
from refettle.web.kit_views import ERRORS, value_of, who_works
from refettle.web.views.common import whole_from, write_once
from refettle.web.views.kits import around, version_or_404
from refettle.web.views.library import listed_types

HEAD = ("slug", "revision", "region", "name", "note", "board", "minutes", "fee", "margin")
START = {"minutes": "5", "fee": "0", "margin": "30"}
MOST_ROWS = 200


@dataclass(frozen=True)
class Row:
    """One line of the form: what the place asks for, what may serve, what was chosen."""

    n: int
    wanted: str
    name: str
    refs: str
    quantity: str
    spares: str
    part: str
    alternates: str
    note: str
    offered: tuple[tuple[Offered, str], ...] = field(default=())


@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def new_kit(request: HttpRequest) -> HttpResponse:
    """The list; POST shows what the stores have for it, then writes the version."""
    if request.method != "POST":
        return _start(request)
    action = request.POST.get("action", "")
    try:
        if action == "match":
            return _matched(request)
        if action == "write":
            return _write(request)
        raise StoreError(tr("action: '{action}' found; allowed: match, write", action=action[:40]), "action")
    except ERRORS as error:
        if action == "write":
            return _rows_page(request, _typed_rows(request.POST), request.POST, str(error))
        return _list_page(request, request.POST, str(error))


def _start(request: HttpRequest) -> HttpResponse:
    """An empty list; that of a job's board; or the lines of a version to change."""
    if request.GET.get("from"):
        number = request.GET["from"]
        version = version_or_404(int(number) if number.isdecimal() and len(number) < 10 else 0)
        rows = [
            _row(n, line.wanted, line.refs, line.quantity, line.spares, line.part, line.alternates, line.note)
            for n, line in enumerate(kits.typed_of(version), start=1)
        ]
        head = {name: getattr(version, name) for name in HEAD} | {"margin": f"{100 * version.margin:g}"}
        return _rows_page(request, rows, head)
    typed: dict[str, Any] = dict(START)
    try:
        if request.GET.get("job"):
            typed |= _of_job(request.GET["job"])
    except ERRORS as error:
        return _list_page(request, typed, str(error))
    return _list_page(request, typed)


def _of_job(number: str) -> dict[str, Any]:
    """The list of a job's board file and of the capacitors noted in it."""
    job = store.find_job(whole_from(number, tr("Job")))
    state = store.job_state(job)
    text, board = "", ""
    left_out: list[str] = []
    if state.boards:
        kept = state.boards[-1]
        board = str(kept["file"])
        netlist = fetch(kept["netlist"], settings.REFETTLE_FILES) if kept.get("netlist") else None
        text, out = list_of_board(read_board(fetch(board, settings.REFETTLE_FILES), netlist))
        left_out += out
    listed = {ref for each in (read_list(text) if text else ()) for ref in each.refs}
    for ref, noted in state.noted.items():
        if ref in listed:
            continue
        try:
            text += f"\n{ref}: {words_of(read_capacitor(str(noted['value']), 'aluminium'))}"
        except ERRORS as error:
            left_out.append(f"{ref}: {error}")
    if not text.strip():
        raise StoreError(
            tr(
                "job: {number} has no capacitor listed; allowed: a job with a board file or noted capacitors",
                number=job.number,
            ),
            "job",
        )
    version = job.unit.type_version
    return {
        "list": text.strip(),
        "slug": version.slug,
        "name": f"{version.name} capacitors",
        "board": board,
        "note": "\n".join([f"List of job {job.number}.", *(f"Not covered: {each}" for each in left_out)]),
    }


def _matched(request: HttpRequest) -> HttpResponse:
    form: dict[str, Any] = {name: request.POST.get(name, "") for name in (*HEAD, "list", "kind")}
    upload = request.FILES.get("file")
    if isinstance(upload, UploadedFile):
        data = read_upload(upload, upload.name or "file")
        text, left_out = list_of_board(read_board(data))
        form["list"] = f"{form['list']}\n{text}".strip()
        form["board"] = keep(data, settings.REFETTLE_FILES)
        said = [f"List of {upload.name}.", *(f"Not covered: {each}" for each in left_out)]
        form["note"] = "\n".join([form["note"], *said]).strip()
    try:
        wanted = read_list(form["list"], form["kind"] or None)
    except KitError as error:
        return _list_page(request, form, str(error))
    rows = []
    for n, found in enumerate(match(wanted), start=1):
        each = found.wanted
        fits = [o for o in found.offered if o.says != "refused"]
        others = [o.part.code for o in fits[1:] if o.part.free and _as_good(each, fits[0], o)][:2]
        rows.append(
            _row(
                n,
                each.words,
                ", ".join(each.refs),
                each.quantity,
                each.spares,
                fits[0].part.code if fits else "",
                others,
                "",
                found.offered,
            )
        )
    return _rows_page(request, rows, form)


def _as_good(wanted: Wanted, first: Offered, other: Offered) -> bool:
    """A stand-in is proposed only where its value is that of the first."""
    assert wanted.rated is None or first.part.amount is not None
    return bool(first.part.amount and other.part.amount and abs(other.part.amount / first.part.amount - 1.0) < 0.01)


def _row(
    n: int,
    wanted: str,
    refs: str,
    quantity: Any,
    spares: Any,
    part: str,
    alternates: Any,
    note: str,
    offered: tuple[Offered, ...] | None = None,
) -> Row:
    if offered is None and wanted:
        try:
            offered = match(read_list(wanted))[0].offered
        except ERRORS:
            offered = ()
    if offered is None and part:
        try:
            offered = (Offered(find_part(part), None),)
        except StoreError:
            offered = ()
    words = alternates if isinstance(alternates, str) else ", ".join(alternates)
    shown = tuple((each, value_of(each.part)) for each in offered or ())
    return Row(n, wanted, refs or wanted or part, refs, str(quantity), str(spares), part, words, note, shown)


def _typed_rows(form: Mapping[str, Any]) -> list[Row]:
    rows: list[Row] = []
    for n in range(1, MOST_ROWS + 1):
        if f"part-{n}" not in form:
            break
        get = {
            name: str(form.get(f"{name}-{n}", "")).strip()
            for name in ("wanted", "refs", "quantity", "spares", "part", "alternates", "note")
        }
        rows.append(
            _row(
                n,
                get["wanted"],
                get["refs"],
                get["quantity"],
                get["spares"],
                get["part"],
                get["alternates"],
                get["note"],
            )
        )
    return rows


def _write(request: HttpRequest) -> HttpResponse:
    form = request.POST
    lines = []
    for row in _typed_rows(form):
        if form.get(f"leave-{row.n}") == "yes":
            continue
        if not row.part:
            raise StoreError(
                tr(
                    "line {n}: no part chosen for {name}; allowed: a part of the stores, or leave the line out",
                    n=row.n,
                    name=row.name,
                ),
                f"line {row.n}",
            )
        codes = tuple(code for code in row.alternates.replace(";", ",").split(",") if code.strip())
        quantity, spares = (
            whole_from(x, tr("Line {n}, {what}", n=row.n, what=what))
            for x, what in ((row.quantity, tr("pieces")), (row.spares, tr("spares")))
        )
        lines.append(kits.LineTyped(row.part, quantity, row.refs, spares, codes, row.note, row.wanted))
    for text in form.get("also", "").splitlines():
        lines += [kits.LineTyped(w.part, w.quantity, ", ".join(w.refs), w.spares) for w in _named(text)]
    head = {name: form.get(name, "").strip() for name in HEAD}
    if head["slug"] not in {t.slug for t in listed_types()}:
        raise StoreError(
            tr("unit type: '{slug}' found; allowed: one of the unit types", slug=head["slug"][:60]), "slug"
        )
    made: list[KitVersion] = []

    def write() -> None:
        margin = kits.number_of(head.pop("margin"), "margin", 0.0, 95.0) / 100.0
        made.append(kits.new_version(lines, who=who_works(request), margin=margin, **head))  # type: ignore[arg-type]

    write_once(request, write)
    return redirect(reverse("kit-version", args=[made[0].pk]) if made else reverse("kits"))


def _named(text: str) -> tuple[Wanted, ...]:
    """A further line, which names its part. Raises KitError."""
    if not text.strip():
        return ()
    found = read_list(text)
    if any(not each.part for each in found):
        raise StoreError(
            tr("further parts: '{text}' found; allowed: such as 'BELT: part B-71 x2'", text=text[:60]), "also"
        )
    return found


def _list_page(request: HttpRequest, typed: Mapping[str, Any], error: str = "") -> HttpResponse:
    context = around(typed=typed, types=listed_types(), kinds=KINDS, error=error)
    return render(request, "refettle/kit_new.html", context, status=422 if error and request.method == "POST" else 200)


def _rows_page(request: HttpRequest, rows: list[Row], typed: Mapping[str, Any], error: str = "") -> HttpResponse:
    leave = {row.n for row in rows if typed.get(f"leave-{row.n}") == "yes"}
    context = around(rows=rows, typed=typed, leave=leave, types=listed_types(), error=error, whoever=who_works(request))
    return render(request, "refettle/kit_match.html", context, status=422 if error else 200)
