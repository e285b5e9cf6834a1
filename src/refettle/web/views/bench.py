"""The bench: the open jobs, and what each needs next."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.conf import settings
from django.core.cache import cache
from django.core.paginator import Paginator
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from refettle.book import batches, store, waiting
from refettle.book.brief import Brief, briefs
from refettle.book.models import Job, Owner, TypeVersion
from refettle.knowledge.errors import KnowledgeError
from refettle.language import manner, several, spoken, tr
from refettle.web import advising, backing_up
from refettle.web.batch_views import bench_due
from refettle.web.views.common import JobView, advice_of, get_job

PER_PAGE = 50
KEPT_S = 7 * 24 * 3600


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
    shown = list(page.object_list)
    standing = briefs(shown, closed)
    today = timezone.localdate()
    parts = {} if closed else {number: each.words(today) for number, each in waiting.waiting().items()}
    context = {
        "area": "bench",
        "closed": closed,
        "query": query,
        "page": page,
        "rows": [_row(job, standing[job.number], parts.get(job.number, "")) for job in shown],
        "now": timezone.now(),
        "backup_notice": "" if closed else backing_up.notice(timezone.now()),
        "due": [] if closed or query else bench_due(batches.due(timezone.now())),
        "closed_count": Job.objects.filter(closed__isnull=False).count() if not closed else 0,
    }
    return render(request, "refettle/bench.html", context)


def _matching(word: str) -> Q:
    """Jobs with the word in number, type, label, serial or owner.

    Types and owners are looked through by themselves: there are far fewer of them than of jobs.
    """
    found = Q(number=int(word)) if word.isdecimal() and len(word) < 10 else Q()
    found |= Q(unit__type_version__in=TypeVersion.objects.filter(name__icontains=word).values("pk"))
    found |= Q(unit__owner__in=Owner.objects.filter(name__icontains=word).values("pk"))
    return found | Q(unit__label__icontains=word) | Q(unit__serial__icontains=word)


def closed_jobs(request: HttpRequest) -> HttpResponse:
    """The jobs that were handed over or parted out."""
    return bench(request, closed=True)


def _row(job: Job, at: Brief, parts: str) -> Row:
    n: int = job.entry_count  # type: ignore[attr-defined]
    last_at: datetime | None = job.last_at  # type: ignore[attr-defined]
    found = cache.get(_key(job, n))
    stage = tr("log cannot be read") if at.unread else spoken(at.stage)
    return Row(job, stage, at.waits_for, last_at, n, found, _left_over(at), _timer(at), _soak(at), parts)


def _left_over(at: Brief) -> str:
    """In a word or two: `C9 is out, 13 pieces still off`."""
    said = []
    if at.out:
        said.append(several("{refs} is out", "{refs} are out", len(at.out), refs=", ".join(at.out)))
    if at.off:
        said.append(several("{n} piece still off", "{n} pieces still off", at.off))
    return ", ".join(said)


def _timer(at: Brief) -> str:
    """Since when the job's timer runs, and on what; empty where it does not."""
    run = at.running
    return "" if run is None else f"{run.started:%Y-%m-%d %H:%M}" + (f", {run.what}" if run.what else "")


def _soak(at: Brief) -> str:
    """Until when the soak that is over first runs, and whether it is due or overdue; empty where none runs."""
    if not at.soaks:
        return ""
    first = min(at.soaks, key=lambda soak: soak.due)
    standing = first.standing(timezone.now())
    until = f"{timezone.localtime(first.due):%H:%M}"
    if standing == "running":
        return tr("soak until {until}", until=until)
    return tr("soak due, {until}", until=until) if standing == "due" else tr("soak overdue since {until}", until=until)


def _key(job: Job, n: int) -> str:
    return f"next-{job.pk}-{n}-{job.unit.type_version_id}-{settings.REFETTLE_RATE}-{manner()}"


@require_safe
def next_cell(request: HttpRequest, number: int) -> HttpResponse:
    """What one job needs next; fetched by the bench page row by row, and kept until its log grows."""
    view = get_job(number)
    found = kept_next(view)
    if found is None:
        found = _next(view)
        if found is None:
            return render(request, "refettle/_next_wait.html", {"number": number})
        cache.set(_key(view.job, len(view.entries)), found, KEPT_S)
    return render(request, "refettle/_next.html", {"next": found, "number": number})


def kept_next(view: JobView) -> Next | None:
    """What a job needs next, if it was worked out since its last entry."""
    found: Next | None = cache.get(_key(view.job, len(view.entries)))
    return found


def _next(view: JobView) -> Next | None:
    """What the job needs next; None while it is being worked out."""
    if view.state is None:
        return Next(tr("Put the log right: it no longer fits the unit type"))
    if view.state.stage in (*store.ENDS, "finishing", "proving"):
        page = "proving" if view.state.stage == "proving" else "faults"
        return Next(
            tr("Go on with {stage}", stage=spoken(view.state.stage)) if view.state.stage not in store.ENDS else "",
            page=page,
        )
    if view.state.ledger.out_now:
        return Next(tr("Put the new {ref} in: it is out", ref=view.state.ledger.out_now[-1].ref), page="replace")
    if not advising.ready(view, advising.ROW, advising.ROW_S):
        return None
    try:
        advice = advice_of(view, view.state)
    except KnowledgeError:
        return Next(tr("Put the unit type right"))
    if advice.state == "works":
        return Next(tr("Prove it"), page="proving")
    if advice.do is None:
        return Next(tr("Every step is barred"))
    gate = advice.gate.text if advice.gate else ""
    minutes = advice.do.minutes if advice.do.kind != "give up" else None
    info = view.state.compiled.steps.get(advice.do.id)
    return Next(spoken(info.name if info else advice.do.name), minutes, gate)
