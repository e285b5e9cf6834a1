"""Fault finding: from what was seen to what to do next.

Start with `Model` (what can fail, what can be looked at, what can be done), feed `Suspicions` the
entries of a log, and ask `rank` for the next step.
"""

from refettle.faults.advice import (
    Advice,
    Bar,
    Context,
    OutcomeView,
    Step,
    advise,
    block_suspicion,
    gate_words,
    replace_all_minutes,
)
from refettle.faults.evidence import Done, Event, Misfit, NewRun, Reading
from refettle.faults.hypotheses import Hypotheses, enumerate_sets
from refettle.faults.model import (
    GOOD,
    NO_CHANGE,
    Array,
    Check,
    GearItem,
    Ints,
    Mode,
    Model,
    ModelError,
    Repair,
    error_matrix,
)
from refettle.faults.planning import Options, Planner, Ranked, rank
from refettle.faults.possible import one_explains
from refettle.faults.posterior import Suspicions, replay

__all__ = [
    "GOOD",
    "NO_CHANGE",
    "Advice",
    "Array",
    "Bar",
    "Check",
    "Context",
    "Done",
    "Event",
    "GearItem",
    "Hypotheses",
    "Ints",
    "Misfit",
    "Mode",
    "Model",
    "ModelError",
    "NewRun",
    "Options",
    "OutcomeView",
    "Planner",
    "Ranked",
    "Reading",
    "Repair",
    "Step",
    "Suspicions",
    "advise",
    "block_suspicion",
    "enumerate_sets",
    "error_matrix",
    "gate_words",
    "one_explains",
    "rank",
    "replace_all_minutes",
    "replay",
]
