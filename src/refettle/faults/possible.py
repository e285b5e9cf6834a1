"""Whether readings can be at all: asked before they are written down, so the answer must not take long."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from refettle.faults.evidence import Event
from refettle.faults.hypotheses import few_sets
from refettle.faults.model import Model, ModelError
from refettle.faults.posterior import Suspicions


def one_explains(model: Model, events: Iterable[Event]) -> bool:
    """True if no failure mode, or a single one and what repairs made of it, allows all readings.

    What a few sets allow, any larger choice of sets allows that holds these, as the enumerated ones do. False says
    nothing of larger sets, nor whether an event names what this unit type does not have: `replay` tells.
    """
    suspicions = Suspicions(model, few_sets(model))
    try:
        for event in events:
            suspicions.add(event)
        return bool(np.isfinite(suspicions.log_evidence))
    except ModelError:
        return False
