"""What the pages of a job share: fetching, writing once, refusing in words."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import Any

from django.contrib import messages
from django.core.cache import cache
from django.http import Http404, HttpRequest
from django.utils.html import escape
from django.utils.safestring import SafeString, mark_safe

from refettle.book import store
from refettle.book.log import LogError
from refettle.book.models import Job
from refettle.book.replay import replay
from refettle.book.state import JobState
from refettle.faults import Advice
from refettle.knowledge.errors import KnowledgeError
from refettle.knowledge.loading import LoadedType
from refettle.knowledge.saying import said
from refettle.knowledge.schema import Caution
from refettle.language import tr
from refettle.quantities import whole
from refettle.units import from_customary
from refettle.web.signing import who

TOKEN = "token"  # noqa: S105 - the name of a form field
TOKEN_S = 24 * 3600


@dataclass(frozen=True)
class JobView:
    """A job with its log and, where type and log fit, its state; else `trouble` says why not."""

    job: Job
    entries: list[dict[str, Any]]
    state: JobState | None
    trouble: str = ""

    @property
    def number(self) -> int:
        """The job's number."""
        return self.job.number

    @property
    def name(self) -> str:
        """What the bench calls the unit, with its type."""
        unit = self.job.unit
        return f"{unit.type_version.name}, {unit.label}" if unit.label else unit.type_version.name

    @property
    def customer(self) -> bool:
        """True for a customer's unit."""
        return self.job.unit.owner.kind == "customer"


def get_job(number: int) -> JobView:
    """The job of this number with its state. Raises Http404."""
    try:
        job = store.find_job(number)
    except store.StoreError as error:
        raise Http404(str(error)) from None
    entries = store.entries(job)
    try:
        return JobView(job, entries, replay(store.compiled_type(job.unit.type_version), entries))
    except (KnowledgeError, LogError) as error:
        return JobView(job, entries, None, str(error))


def advice_of(view: JobView, state: JobState) -> Advice:
    """What to do next in this job: a second or so of computing, kept in memory for the same log."""
    return state.advice(customer=view.customer)


def get_working_job(number: int) -> tuple[JobView, JobState]:
    """A job whose state can be worked out. Raises Http404 with the reason where it cannot."""
    view = get_job(number)
    if view.state is None:
        raise Http404(
            tr("The log of job {number} no longer fits its unit type. {trouble}", number=number, trouble=view.trouble)
        )
    return view, view.state


# ---------------------------------------------------------------- writing


def new_token() -> str:
    """A form's token, by which a second sending of the same form is known."""
    return secrets.token_urlsafe(12)


def form_key(request: HttpRequest) -> str:
    """A key for this form with this content; empty if the form carries no token.

    The same page with other content (gone back to, then filled in anew) is another writing.
    """
    token = request.POST.get(TOKEN, "")[:40]
    if not token:
        return ""
    content = [(k, v) for k, v in sorted(request.POST.lists()) if k != "csrfmiddlewaretoken"]
    files = [(k, [(f.name, f.size) for f in v]) for k, v in sorted(request.FILES.lists())]
    return "form-" + hashlib.sha256(repr((request.path, content, files)).encode()).hexdigest()


def write_once(request: HttpRequest, write: Callable[[], Any]) -> bool:
    """Do `write` unless this very form was written before; False, and a word about it, if it was.

    The form counts as written only when `write` goes through.
    """
    key = form_key(request)
    if key and not cache.add(key, 1, TOKEN_S):
        messages.info(request, "That form was written already; it stands in the log once.")
        return False
    try:
        write()
    except BaseException:
        if key:
            cache.delete(key)
        raise
    return True


def append(request: HttpRequest, job: Job, data: Mapping[str, Any]) -> None:
    """Write one entry, once. Raises LogError."""
    write_once(request, lambda: store.append(job, data, who()))


def number_from(text: str, name: str, unit: str, *, low: float = 0.0, high: float = 100_000.0) -> float | None:
    """A number typed in a form, comma or point, in `unit` or a customary one; None if nothing was typed.

    Raises
    ------
    LogError
        Naming the field, what was found, what is allowed.
    """
    text = text.strip()
    if not text:
        return None
    customary = from_customary(text[:40], unit)
    try:
        value = float(text.replace(",", ".")) if customary is None else customary
    except ValueError:
        value = float("nan")
    if not low <= value <= high:
        raise LogError(
            tr(
                "{name}: '{text}' found; allowed: a number from {low:g} to {high:g} [{unit}]",
                name=name,
                text=text[:40],
                low=low,
                high=high,
                unit=unit,
            ),
            field=name.lower(),
        )
    return value


def whole_from(text: str, name: str, *, high: int = 100_000) -> int:
    """A whole number from 0 typed in a form; 0 if nothing was typed. Raises LogError."""
    text = text.strip()
    if not text:
        return 0
    number = whole(text)
    if number is None or number > high:
        raise LogError(
            tr(
                "{name}: '{text}' found; allowed: a whole number from 0 to {high}", name=name, text=text[:40], high=high
            ),
            field=name.lower(),
        )
    return number


# ---------------------------------------------------------------- cautions, drawing


@dataclass(frozen=True)
class CautionView:
    """A caution as shown with a step, in the page's language. `read`: taken to heart in this job already."""

    id: str
    caution: Caution
    read: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "caution", said(self.caution))


def caution_views(loaded: LoadedType, ids: tuple[str, ...] | list[str], read: set[str]) -> list[CautionView]:
    """Cautions in the order named."""
    known = loaded.library.cautions
    return [CautionView(c, known[c], c in read) for c in ids if c in known]


def diagram(loaded: LoadedType, suspicion: Mapping[str, float] | None = None) -> SafeString:
    """The block diagram as SVG; nothing where it cannot be drawn."""
    try:
        draw = import_module("refettle.drawing.diagram").block_diagram
    except (ImportError, AttributeError):
        return mark_safe("")
    text: str = draw(loaded, suspicion)
    return mark_safe(text)  # noqa: S308 - drawn by our own code, which escapes what it is given


def qr(request: HttpRequest, path: str) -> SafeString:
    """A QR code that leads back to a page, for print."""
    return qr_of(request.build_absolute_uri(path))


def qr_of(address: str, scale: int = 2) -> SafeString:
    """A QR code of an address; `scale` pixels a module."""
    import segno

    code = segno.make(address, error="m", micro=False)
    text: str = code.svg_inline(scale=scale, border=2, omitsize=False, svgclass="qr", lineclass="qr-ink")
    text = text.replace("<svg ", f'<svg role="img" aria-label="{escape(tr("QR code"))}" ', 1)
    return mark_safe(text)  # noqa: S308 - an SVG of squares
