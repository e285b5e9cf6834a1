"""Random fault models and logs, small enough to enumerate.

Drawn from a `random.Random`, so that the same code serves fixed seeds and a property test that shrinks.
"""

from __future__ import annotations

from dataclasses import replace
from random import Random

import numpy as np
import numpy.typing as npt

from refettle.faults import Check, Event, GearItem, Mode, Model, Reading, Repair, error_matrix

Array = npt.NDArray[np.float64]

PRIORS = (0.01, 0.05, 0.1, 0.2, 0.3, 0.45)
SHOWS = (0.05, 0.2, 0.4, 0.7, 0.95)
ERRORS = (0.01, 0.05, 0.1, 0.2)
GEAR_FAULTS = (0.0, 0.01, 0.05, 0.2)


def _row(rng: Random, k: int) -> Array:
    """What a mode shows at a check: nothing, one level always, one level sometimes, or a mix."""
    row = np.zeros(k)
    how = rng.randrange(4)
    level = rng.randrange(1, k)
    if how == 0:
        row[0] = 1.0
    elif how == 1:
        row[level] = 1.0
    elif how == 2:
        row[level] = rng.choice(SHOWS)
        row[0] = 1.0 - row[level]
    else:
        row[:] = [rng.randint(1, 9) for _ in range(k)]
        row /= row.sum()
    return row


def random_check(rng: Random, name: str, modes: int, gear: str, other: bool) -> Check:
    """A check with 2 to 4 outcomes; the last mode is the unmodelled cause if `other`."""
    k = rng.randint(2, 4)
    shows = np.array([_row(rng, k) for _ in range(modes)])
    if other:
        shows[-1] = [rng.randint(1, 9) for _ in range(k)]
        shows[-1] /= shows[-1].sum()
    if rng.random() < 0.3:
        error = np.array([[rng.randint(1, 9) + (20 if i == j else 0) for j in range(k)] for i in range(k)])
        error = error / error.sum(axis=1, keepdims=True)
    else:
        error = error_matrix(k, rng.choice(ERRORS), rng.choice(ERRORS), rng.choice(ERRORS))
    outcomes = ("good", *(f"bad {j}" for j in range(1, k)))
    return Check(name, name, outcomes, shows, error, rng.randint(1, 20), gear=gear)


def with_intermittent(rng: Random, model: Model) -> Model:
    """The same model with its second mode as the dormant part of its first, and rates per trial."""
    checks = []
    for check in model.checks:
        shows, trial = check.shows.copy(), check.shows.copy()
        shows[1] = 0.0
        shows[1, 0] = 1.0  # dormant: shows nothing
        rate = rng.choice(SHOWS)
        trial[:2] = rate * shows[0] + (1.0 - rate) * shows[1]
        checks.append(replace(check, shows=shows, trial_shows=trial))
    modes = list(model.modes)
    modes[1] = replace(modes[1], dormant_of=modes[0].id)
    return replace(model, modes=tuple(modes), checks=tuple(checks))


def random_model(
    rng: Random,
    modes: int | None = None,
    checks: int | None = None,
    other: bool | None = None,
    single: bool = False,
) -> Model:
    """A model with 2 to 6 modes, 1 to 4 checks on at most three instruments, and a few repairs."""
    f = modes if modes is not None else rng.randint(2, 6)
    count = checks if checks is not None else rng.randint(1, 4)
    with_other = rng.random() < 0.5 if other is None else other
    names = [f"m{i}" for i in range(f)]
    gear = tuple(
        GearItem(f"g{i}", rng.choice(GEAR_FAULTS), rng.choice(GEAR_FAULTS), per_check=i == 2) for i in range(3)
    )
    repairs = []
    for i in range(rng.randint(1, 3)):
        fixes = {m: rng.choice((0.5, 0.8, 1.0)) for m in rng.sample(names, rng.randint(1, min(3, f)))}
        causes = rng.choice((None, *names))
        harm = rng.choice((0.1, 0.3)) if causes else 0.0
        repairs.append(Repair(f"r{i}", f"r{i}", fixes, rng.randint(5, 60), harm=harm, causes=causes))
    return Model(
        tuple(Mode(m, m, "block", rng.choice(PRIORS), other=with_other and i == f - 1) for i, m in enumerate(names)),
        tuple(random_check(rng, f"c{i}", f, f"g{rng.randrange(3)}", with_other) for i in range(count)),
        tuple(repairs),
        gear,
        single=single,
    )


def random_reading(rng: Random, check: Check, day: str = "", failed: bool = False) -> Reading:
    """One outcome, or counts over up to four trials, or a graded reading, or both."""
    counts: dict[str, int] = {}
    for _ in range(rng.choice((1, 1, 2, 4))):
        outcome = rng.choice(check.outcomes)
        counts[outcome] = counts.get(outcome, 0) + 1
    likelihood = None
    if rng.random() < 0.3:
        likelihood = {o: rng.choice((0.05, 0.5, 1.0, 3.0)) for o in check.outcomes if rng.random() < 0.8}
        likelihood.setdefault(rng.choice(check.outcomes), 1.0)
        if rng.random() < 0.7:
            counts = {}
    return Reading(check.id, counts, likelihood, day, failed)


def random_log(rng: Random, model: Model, length: int, days: tuple[str, ...] = ("",)) -> list[Event]:
    """Readings only; each on one of the days ('' is a day on which nothing was proven)."""
    log: list[Event] = []
    for _ in range(length):
        failed = len(days) > 1 and rng.random() < 0.15
        log.append(random_reading(rng, rng.choice(model.checks), rng.choice(days), failed))
    return log
