"""What the pages of the stores wait for: the use of all parts, worked out anew after the ledger has changed."""

from __future__ import annotations

from datetime import date

from django.http import HttpRequest, HttpResponse

from refettle.book import reorder, reorder_fits
from refettle.language import tr
from refettle.web import longwork
from refettle.web.views.tools import under_way

FEW_LINES = 5_000
"""A ledger of so many lines is worked out in less time than a page that says how far it is."""


def still_working(request: HttpRequest, today: date) -> HttpResponse | None:
    """The page that says it is being worked out; None once all parts can be told at once."""
    last = reorder_fits.last_line()
    if last is None or last[0] <= FEW_LINES or reorder.is_worked_out(today):
        return None
    key = "reorder", today, reorder_fits.stamp()
    try:
        work = longwork.work(tr("Working out when to order again"), key, lambda _: reorder.work_out(today))
    except longwork.TooMuchWork:
        return None
    return under_way(request, work)
