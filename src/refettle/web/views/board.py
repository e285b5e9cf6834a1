"""board"""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect


def board(request: HttpRequest, number: int) -> HttpResponse:
    """Being written."""
    return redirect("job", number)
