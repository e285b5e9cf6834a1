"""The fault model: failure modes, checks, repairs, gear, as plain values and arrays.

A *hypothesis* is the set of failure modes present. Each mode is present or not independently
beforehand (`prior`, in [0, 1]); or exactly one is, with `single=True`.

A check has outcomes ordered from good (level 0) to worst (level k-1). Alone, mode m gives level j with
chance D[m, j]; a set gives the worst of what its members give on that look ("noisy-max", Henrion 1989
and Diez 1993, from memory), so that the chance of a level at most j is the product of the members'
cumulative chances. What is then *read* may err: `error[j, o]` is the chance of reading o when the level
is j.

Intermittent modes come in two parts: acting in this run of the unit, or dormant (`dormant_of`). All looks during one
run see the same part, so that a picture that fails and a sound that is fine in the same run do not point to a lead that
comes and goes. Between runs the parts are drawn anew. Counts over several trials use `trial_shows`, with the rate per
trial for both parts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

Array: TypeAlias = npt.NDArray[np.float64]
Ints: TypeAlias = npt.NDArray[np.int64]
Bools: TypeAlias = npt.NDArray[np.bool_]
Keys: TypeAlias = npt.NDArray[np.uint64]

NO_CHANGE = "no change"
GOOD = "good"
TRIALS = "#trials"


class ModelError(ValueError):
    """A model, log entry or option that cannot be; says what was found and what is allowed."""


@dataclass(frozen=True)
class Mode:
    """A failure mode of a block.

    Attributes
    ----------
    prior : float
        Chance that it is present in a faulty unit, in (0, 1).
    bench : bool
        True if it is a fault of the bench's own gear.
    other : bool
        True for the cause that no model names: at each check it gives one outcome, the same each time,
        drawn from that check's `other` chances.
    dormant_of : str, optional
        The mode that this one is the dormant part of: there, but not acting in this run.
    """

    id: str
    name: str
    block: str
    prior: float
    bench: bool = False
    other: bool = False
    dormant_of: str | None = None


@dataclass(frozen=True)
class GearItem:
    """An instrument (or the eye), which may be at fault itself.

    With chance `fault_proven` (self-check passed that day) or `fault_unproven` it is stuck: half the
    time at good, half at bad, whatever the unit does. Readings sharing it share that fault, so they are
    never counted as independent. `per_check` limits the sharing to repeats of one check (an eye
    that misjudges a picture need not misjudge a sound).
    """

    id: str
    fault_proven: float = 0.005
    fault_unproven: float = 0.05
    per_check: bool = False


@dataclass(frozen=True, eq=False)
class Check:
    """An observation.

    Attributes
    ----------
    outcomes : tuple of str
        Good first, then from mildest to worst.
    shows : (F, k) array
        D[m, j]: chance that mode m alone gives level j. Rows sum to 1. Rows of 'other' modes hold the
        chances of the outcome that an unknown cause gives.
    error : (k, k) array
        Chance of reading column o when the level is row j. Rows sum to 1.
    minutes, extra : float
        Bench minutes, and expected harm and the like as minutes [min].
    level : int
        0 closed, 1 open, 2 board out.
    gates : tuple of str
        What must be passed before it may be made.
    trial_shows : (F, k) array, optional
        In place of `shows` for counts over several runs.
    """

    id: str
    name: str
    outcomes: tuple[str, ...]
    shows: Array
    error: Array
    minutes: float
    extra: float = 0.0
    level: int = 0
    gear: str = "eye"
    gates: tuple[str, ...] = ()
    block: str = ""
    trial_shows: Array | None = None


@dataclass(frozen=True)
class Repair:
    """An action that removes failure modes.

    Attributes
    ----------
    fixes : mapping of str to float
        Mode id -> chance that it is gone afterwards.
    minutes : float
        Bench minutes without the function test that follows [min].
    parts : float
        Price of parts [currency].
    undo : bool
        False: cannot be undone, gated by suspicion.
    harm : float
        Chance that something is damaged; `harm_minutes` is what that costs, `causes` the mode it
        brings in, if the model has it.
    """

    id: str
    name: str
    fixes: Mapping[str, float]
    minutes: float
    parts: float = 0.0
    level: int = 0
    undo: bool = True
    harm: float = 0.0
    harm_minutes: float = 0.0
    causes: str | None = None
    gates: tuple[str, ...] = ()
    block: str = ""


@dataclass(frozen=True, eq=False)
class Model:
    """Everything fault finding needs to know about a unit type.

    Attributes
    ----------
    setup : tuple of two floats
        Minutes to open the case, and from there to take the board out.
    retest : float
        Minutes of the function test after a repair [min].
    give_up : float
        What giving up costs: the value lost, in minutes at the bench rate [min].
    rate : float
        Bench rate [currency per hour].
    single : bool
        True if exactly one mode is present (priors are then weights).
    """

    modes: tuple[Mode, ...]
    checks: tuple[Check, ...]
    repairs: tuple[Repair, ...]
    gear: tuple[GearItem, ...] = (GearItem("eye", 0.0, 0.0, True),)
    setup: tuple[float, float] = (0.0, 0.0)
    retest: float = 0.0
    give_up: float = 1e4
    rate: float = 30.0
    single: bool = False
    mode_index: Mapping[str, int] = field(init=False)
    check_index: Mapping[str, int] = field(init=False)
    repair_index: Mapping[str, int] = field(init=False)
    gear_index: Mapping[str, int] = field(init=False)
    trials: Mapping[str, Check] = field(init=False)
    """Check id -> the same check as read over several runs, where that differs."""
    success: Array = field(init=False)
    """(R, F): chance that repair r removes mode f."""
    repair_cost: Array = field(init=False)
    """(R,): minutes, function test, parts and expected harm, as minutes; without getting there."""

    def __post_init__(self) -> None:
        put = object.__setattr__
        for name, items in (
            ("mode", self.modes),
            ("check", self.checks),
            ("repair", self.repairs),
            ("gear", self.gear),
        ):
            index = {item.id: i for i, item in enumerate(items)}  # type: ignore[attr-defined]
            if len(index) != len(items):
                raise ModelError(f"two {name}s share an id; ids must differ")
            put(self, f"{name}_index", index)
        self._validate()
        trials = {
            c.id: replace(c, id=c.id + TRIALS, shows=c.trial_shows, trial_shows=None)
            for c in self.checks
            if c.trial_shows is not None
        }
        put(self, "trials", trials)
        success = np.zeros((len(self.repairs), len(self.modes)))
        for r, repair in enumerate(self.repairs):
            for mode, chance in repair.fixes.items():
                success[r, self.mode_index[mode]] = chance
        put(self, "success", success)
        cost = [r.minutes + self.retest + r.parts * 60.0 / self.rate + r.harm * r.harm_minutes for r in self.repairs]
        put(self, "repair_cost", np.array(cost, dtype=float))

    def _validate(self) -> None:
        if not self.modes:
            raise ModelError("no failure modes found; a model needs at least one")
        for mode in self.modes:
            if not 0.0 < mode.prior < 1.0 and not (self.single and mode.prior == 1.0):
                raise ModelError(f"mode {mode.id}: prior {mode.prior} found; allowed: above 0 and below 1")
        for check in self.checks:
            k = len(check.outcomes)
            if check.shows.shape != (len(self.modes), k) or check.error.shape != (k, k):
                raise ModelError(
                    f"check {check.id}: arrays of shape {check.shows.shape} and {check.error.shape} found; "
                    f"allowed: {(len(self.modes), k)} and {(k, k)}"
                )
            arrays = [("shows", check.shows), ("error", check.error)]
            if check.trial_shows is not None:
                arrays.append(("trial_shows", check.trial_shows))
            for what, array in arrays:
                if (array < 0).any() or not np.allclose(array.sum(axis=1), 1.0):
                    raise ModelError(f"check {check.id}: rows of {what} must be chances that sum to 1")
            if check.gear not in self.gear_index:
                raise ModelError(f"check {check.id}: gear '{check.gear}' found; allowed: {list(self.gear_index)}")
        if not self.rate > 0 or self.give_up < 0 or self.retest < 0 or min(self.setup) < 0:
            raise ModelError("rate above 0, and give_up, retest and setup of at least 0, are allowed")
        steps: tuple[Check | Repair, ...] = (*self.checks, *self.repairs)
        for step in steps:
            if step.level not in (0, 1, 2) or not step.minutes >= 0:
                raise ModelError(
                    f"{step.id}: level {step.level}, {step.minutes} min found; allowed: 0 to 2, and at least 0"
                )
        for repair in self.repairs:
            for what, chance in (*repair.fixes.items(), ("harm", repair.harm)):
                if not 0.0 <= chance <= 1.0:
                    raise ModelError(f"repair {repair.id}: chance {chance} of {what} found; allowed: 0 to 1")
            for name in (*repair.fixes, *([repair.causes] if repair.causes else [])):
                if name not in self.mode_index:
                    raise ModelError(f"repair {repair.id}: mode '{name}' found, which the model does not have")

    def setup_cost(self, level_from: int, level_to: int) -> float:
        """Minutes to get from one access level to a deeper one; 0 if already there [min]."""
        return float(sum(self.setup[level_from:level_to]))


def error_matrix(k: int, false_alarm: float, miss: float | Sequence[float], mix: float) -> Array:
    """The (k, k) reading-error matrix from three rates.

    A good thing reads bad with chance `false_alarm`, spread evenly; a bad one reads good with chance
    `miss` (one rate, or one for each bad level, mildest first), and otherwise is taken for another bad
    outcome with chance `mix`, spread evenly.
    """
    error = np.zeros((k, k))
    error[0, 0] = 1.0 - false_alarm
    error[0, 1:] = false_alarm / (k - 1)
    misses = [miss] * (k - 1) if isinstance(miss, int | float) else list(miss)
    for j in range(1, k):
        error[j, 0] = missed = misses[j - 1]
        confused = mix if k > 2 else 0.0
        error[j, j] = (1.0 - missed) * (1.0 - confused)
        for o in range(1, k):
            if o != j:
                error[j, o] = (1.0 - missed) * confused / (k - 2)
    return error
