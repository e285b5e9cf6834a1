"""What the library holds for people, in the current language; a file of the bench's own shows as it was written."""

from __future__ import annotations

from refettle.knowledge.schema import Caution
from refettle.language import SOURCE, manner, spoken


def said(caution: Caution) -> Caution:
    """The same caution, all of it in the current language."""
    if manner() == SOURCE:
        return caution
    words = {
        "name": spoken(caution.name),
        "hazard": spoken(caution.hazard),
        "do": [spoken(each) for each in caution.do],
        "defer": spoken(caution.defer),
    }
    return caution.model_copy(update=words)
