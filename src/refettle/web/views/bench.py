"""The bench: the open jobs, and what each needs next."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.conf import settings
from django.core.cache import cache
from django.core.paginator import Paginator
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from refettle.book import batches, store, waiting
from refettle.book.ledger import Ledger, ledger
from refettle.book.log import LogError, effective
from refettle.book.models import Job
from refettle.book.money import money_of
from refettle.book.soaks import running_soaks
from refettle.knowledge.errors import KnowledgeError
from refettle.web import backing_up
from refettle.web.batch_views import bench_due
from refettle.web.views.common import JobView, advice_of, get_job

PER_PAGE = 50
KEPT_S = 7 * 24 * 3600
EVIDENCE = ("check", "repair", "complaint")


@dataclass(frozen=True)
class Next:
    """What a job needs next, in brief."""

    name: str
    minutes: float | None = None
    gate: str = ""
    page: str = "faults"


@dataclass(frozen=True)
class Row:
    """One job on the bench."""

    job: Job
    stage: str
    waits_for: str
    last_at: datetime | None
    last_n: int
    next: Next | None
    left_over: str = ""
    timer: str = ""
    """Since when the timer runs, and on what; empty where it does not."""
    soak: str = ""
    """What a soak that runs needs: until when, due or overdue."""
    parts: str = ""
    """Which parts it waits for, and until when; empty where it waits for none."""


@require_safe
def bench(request: HttpRequest, closed: bool = False) -> HttpResponse:
    """The open jobs, or the closed ones."""
    jobs = store.all_jobs().filter(closed__isnull=not closed)
    if closed:
        jobs = jobs.order_by("-number")
    query = " ".join(request.GET.get("q", "").split())[:100]
    for word in query.split():
        jobs = jobs.filter(_matching(word))
    page = Paginator(jobs, PER_PAGE).get_page(request.GET.get("page"))
    logs = store.entries_of(page.object_list)
    today = timezone.localdate()
    parts = {} if closed else {number: each.words(today) for number, each in waiting.waiting().items()}
    context = {
        "area": "bench",
        "closed": closed,
        "query": query,
        "page": page,
        "rows": [_row(job, logs[job.number], parts.get(job.number, "")) for job in page.object_list],
        "now": timezone.now(),
        "backup_notice": "" if closed else backing_up.notice(timezone.now()),
        "due": [] if closed or query else bench_due(batches.due(timezone.now())),
        "closed_count": Job.objects.filter(closed__isnull=False).count() if not closed else 0,
    }
    return render(request, "refettle/bench.html", context)


def _matching(word: str) -> Q:
    """Jobs with the word in number, type, label, serial or owner."""
    fields = ("unit__type_version__name", "unit__label", "unit__serial", "unit__owner__name")
    found = Q(number=int(word)) if word.isdecimal() and len(word) < 10 else Q()
    for field in fields:
        found |= Q(**{f"{field}__icontains": word})
    return found


def closed_jobs(request: HttpRequest) -> HttpResponse:
    """The jobs that were handed over or parted out."""
    return bench(request, closed=True)


def _row(job: Job, entries: list[dict[str, Any]], parts: str) -> Row:
    last = entries[-1] if entries else None
    stage, waits, left_over = _standing(entries)
    n = last["n"] if last else 0
    at = datetime.fromisoformat(last["at"]) if last else None
    found = cache.get(_key(job, n))
    return Row(job, stage, waits, at, n, found, left_over, _timer(entries), _soak(entries), parts)


def _timer(entries: list[dict[str, Any]]) -> str:
    """Since when the job's timer runs, and on what."""
    if not any(e["kind"] in ("timer", "correction") for e in entries):
        return ""
    try:
        run = money_of(effective(entries)).running
    except LogError:
        return ""
    return "" if run is None else f"{run.started:%Y-%m-%d %H:%M}" + (f", {run.what}" if run.what else "")


def _soak(entries: list[dict[str, Any]]) -> str:
    """Until when the soak that is over first runs, and whether it is due or overdue; empty where none runs."""
    if not any(e["kind"] == "soak" for e in entries):
        return ""
    try:
        running = running_soaks(effective(entries))
    except LogError:
        return ""
    if not running:
        return ""
    first = min(running, key=lambda soak: soak.due)
    standing = first.standing(timezone.now())
    until = f"{timezone.localtime(first.due):%H:%M}"
    return {"running": f"soak until {until}", "due": f"soak due, {until}", "overdue": f"soak overdue since {until}"}[
        standing
    ]


def _standing(entries: list[dict[str, Any]]) -> tuple[str, str, str]:
    """Stage, what it waits for, and what is out or off, without working out any suspicion."""
    stage, waits, moved = "take-in", "", False
    try:
        counting = [e for e in effective(entries) if not e.void]
    except LogError:
        return "log cannot be read", "", ""
    for entry in counting:
        if entry.kind == "stage":
            stage, waits = str(entry.data["stage"]), str(entry.data.get("waits_for", ""))
        moved = moved or entry.kind in EVIDENCE
    stage = "fault finding" if stage == "take-in" and moved else stage
    return stage, waits, _left_over(ledger(counting))


def _left_over(book: Ledger) -> str:
    """In a word or two: `C9 is out, 13 pieces still off`."""
    refs = [place.ref for place in book.out_now]
    said = [f"{', '.join(refs)} {'is' if len(refs) == 1 else 'are'} out"] if refs else []
    pieces = sum(line.missing for line in book.open_lines)
    if pieces:
        said.append(f"{pieces} piece{'s' if pieces > 1 else ''} still off")
    return ", ".join(said)


def _key(job: Job, n: int) -> str:
    return f"next-{job.pk}-{n}-{job.unit.type_version_id}-{settings.REFETTLE_RATE}"


@require_safe
def next_cell(request: HttpRequest, number: int) -> HttpResponse:
    """What one job needs next; fetched by the bench page row by row, and kept until its log grows."""
    view = get_job(number)
    found = kept_next(view)
    if found is None:
        found = _next(view)
        cache.set(_key(view.job, len(view.entries)), found, KEPT_S)
    return render(request, "refettle/_next.html", {"next": found, "number": number})


def kept_next(view: JobView) -> Next | None:
    """What a job needs next, if it was worked out since its last entry."""
    found: Next | None = cache.get(_key(view.job, len(view.entries)))
    return found


def _next(view: JobView) -> Next:
    if view.state is None:
        return Next("Put the log right: it no longer fits the unit type")
    if view.state.stage in (*store.ENDS, "finishing", "proving"):
        page = "proving" if view.state.stage == "proving" else "faults"
        return Next(f"Go on with {view.state.stage}" if view.state.stage not in store.ENDS else "", page=page)
    if view.state.ledger.out_now:
        return Next(f"Put the new {view.state.ledger.out_now[-1].ref} in: it is out", page="replace")
    try:
        advice = advice_of(view, view.state)
    except KnowledgeError:
        return Next("Put the unit type right")
    if advice.state == "works":
        return Next("Prove it", page="proving")
    if advice.do is None:
        return Next("Every step is barred")
    gate = advice.gate.text if advice.gate else ""
    minutes = advice.do.minutes if advice.do.kind != "give up" else None
    info = view.state.compiled.steps.get(advice.do.id)
    return Next(info.name if info else advice.do.name, minutes, gate)
