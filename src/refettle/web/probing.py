"""What is said before anyone puts a probe to a supply."""

from __future__ import annotations

from collections.abc import Iterable

from refettle.knowledge.loading import load_library
from refettle.web.views.common import CautionView
from refettle.web.views.library import library

SUPPLY = ("mains", "charged-capacitor", "hot-chassis")
"""For every page that leads to measuring on a supply."""


def tool_cautions(ids: Iterable[str]) -> list[CautionView]:
    """In full, from the bench's own library, or the shipped one where that has none."""
    own, shipped = library().cautions, load_library().cautions
    found = ((each, own.get(each) or shipped.get(each)) for each in dict.fromkeys(ids))
    return [CautionView(each, caution) for each, caution in found if caution is not None]
