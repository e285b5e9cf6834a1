"""A job from another bench: its file sent, what would come and differs shown, and taken in when that is agreed to."""

from __future__ import annotations

from django.conf import settings
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from refettle.book.archive import ArchiveError
from refettle.book.archive_look import look
from refettle.book.archive_reading import Checked, check, open_archive
from refettle.book.archive_unpack import Unpacked, unpack
from refettle.language import several, tr
from refettle.web import longwork, shelf
from refettle.web.signing import person_of, who
from refettle.web.views.common import new_token, write_once
from refettle.web.views.tools import gone, sent_file, under_way


def _only_owners(request: HttpRequest) -> None:
    person = person_of(request)
    if person is not None and not person.owns:
        raise PermissionDenied(tr("Only an owner of the book takes a job in from another bench. Nothing was written."))


@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def send(request: HttpRequest) -> HttpResponse:
    """The form for the file; POST goes on to what is in it."""
    _only_owners(request)
    error, most = "", int(settings.REFETTLE_MAX_ARCHIVE_BYTES)
    if request.method == "POST":
        try:
            return redirect(reverse("job-unpack-look", args=[sent_file(request, "file", "file", most).token]))
        except shelf.ShelfError as trouble:
            error = str(trouble)
    context = {"area": "bench", "error": error, "most": most // 1_000_000}
    return render(request, "refettle/job_unpack.html", context, status=422 if error else 200)


def _checking(kept: shelf.Kept) -> longwork.Work:
    """All checks of a file: a Checked as the result. Raises TooMuchWork."""

    def run(work: longwork.Work) -> Checked:
        with kept.reading() as file, open_archive(file, kept.name) as archive:
            return check(archive)

    def size(checked: Checked) -> int:
        return len(checked.text) + len(checked.library) + 2000 * len(checked.entries)

    return longwork.work(
        tr("Checking {file}", file=kept.name), ("unpack", kept.token), run, (ArchiveError, shelf.ShelfError), size
    )


# Checked again, and photos and files written, before the transaction of its own that it writes rows in.
@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def look_at(request: HttpRequest, token: str) -> HttpResponse:
    """What would come and what differs; POST takes it in."""
    _only_owners(request)
    kept = shelf.find(token)
    if kept is None:
        return gone(request, "job-unpack")
    error = ""
    if request.method == "POST":
        taken: list[Unpacked] = []
        try:
            write_once(request, lambda: taken.append(_take(kept, again=request.POST.get("again") == "yes")))
            return _taken(request, taken)
        except (ArchiveError, shelf.ShelfError) as refused:
            error = str(refused).replace("With --again it becomes", tr("By the box below it becomes"))
        except OSError as refused:
            error = tr("{reason}; no job was made", reason=(refused.strerror or str(refused)).lower())
    try:
        work = _checking(kept)
        page = under_way(request, work)
        if page is not None:
            return page
        error = error or work.error
        coming = look(work.result) if work.result is not None else None
    except longwork.TooMuchWork as trouble:
        error, coming = str(trouble), None
    context = {
        "area": "bench",
        "kept": kept,
        "error": error,
        "coming": coming,
        "token": new_token(),
        "most": int(settings.REFETTLE_MAX_ARCHIVE_BYTES) // 1_000_000,
    }
    return render(request, "refettle/job_unpack.html", context, status=422 if error else 200)


def _take(kept: shelf.Kept, *, again: bool) -> Unpacked:
    with kept.reading() as file:
        return unpack(file, who=who(), again=again, name=kept.name)


def _taken(request: HttpRequest, taken: list[Unpacked]) -> HttpResponse:
    if not taken:  # the form was sent twice, and a word says so
        return redirect(reverse("bench"))
    (made,) = taken
    entries = several("{n} entry", "{n} entries", made.entries)
    messages.success(
        request,
        tr("Job {job} is here: job {was} of bench {bench}, {entries}.", job=made.job, was=made.was,
           bench=made.bench[:8], entries=entries),
    )  # fmt: skip
    return redirect(reverse("job", args=[made.job]))
