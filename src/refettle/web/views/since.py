"""What others wrote in a job while its page is open: a bar, asked for every few seconds."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from refettle.book.models import Entry
from refettle.language import tr
from refettle.web.signing import safe_next
from refettle.web.wording import KINDS

MOST = 500
"""Entries counted; a page that is further behind says 'more'."""


@dataclass(frozen=True)
class Wrote:
    """Entries that one person wrote, and of which kinds."""

    who: str
    count: int
    kinds: str


@require_safe
def since(request: HttpRequest, number: int) -> HttpResponse:
    """Entries after the one numbered `n`, by who wrote them; 204 where there are none after `seen`."""
    n, seen = _whole(request, "n"), _whole(request, "seen")
    rows = list(
        Entry.objects.filter(job__number=number, n__gt=n).order_by("n").values_list("n", "who", "kind")[: MOST + 1]
    )
    if not rows or rows[-1][0] <= seen:
        return HttpResponse(status=204)
    counts = Counter(who for _, who, _ in rows[:MOST])
    wrote = []
    for who, count in counts.items():
        kinds = list(dict.fromkeys(tr(KINDS.get(kind, kind)) for _, each, kind in rows if each == who))
        wrote.append(Wrote(who, count, ", ".join(kinds[:4]) + (tr(" and more") if len(kinds) > 4 else "")))
    htmx = getattr(request, "htmx", None)
    here = safe_next((htmx.current_url_abs_path or "") if htmx else "")
    context = {"number": number, "n": n, "seen": rows[-1][0], "wrote": wrote, "more": len(rows) > MOST, "here": here}
    return render(request, "refettle/_since_wrote.html", context)


def _whole(request: HttpRequest, name: str) -> int:
    typed = request.GET.get(name, "")
    return int(typed) if typed.isdecimal() and len(typed) < 10 else 0
