"""Whether readings can be at all, told from a few sets of failure modes: never a yes where all sets say no."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from refettle.faults import Check, Done, Event, GearItem, Mode, Model, ModelError, NewRun, Reading, one_explains, replay
from tests.faults.models import random_log, random_model


def strict(model: Model) -> Model:
    """The same with modes that show one thing always, looks that never err, and sound instruments."""
    checks = []
    for check in model.checks:
        shows = np.zeros_like(check.shows)
        shows[np.arange(len(shows)), check.shows.argmax(axis=1)] = 1.0
        checks.append(replace(check, shows=shows, error=np.eye(len(check.outcomes))))
    return replace(model, checks=tuple(checks), gear=tuple(GearItem(g.id, 0.0, 0.0, g.per_check) for g in model.gear))


def possible(model: Model, log: list[Event]) -> bool:
    """What all enumerated sets say."""
    try:
        return bool(np.isfinite(replay(model, log).weights).all())
    except ModelError:
        return False


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.randoms(use_true_random=False), st.booleans())
def test_what_one_mode_explains_is_possible(rng: Random, exact: bool) -> None:
    model = random_model(rng, single=rng.random() < 0.2)
    model = strict(model) if exact else model
    log = random_log(rng, model, rng.randint(0, 6))
    for _ in range(rng.randint(0, 2)):
        between: Event = Done(rng.choice(model.repairs).id) if rng.random() < 0.7 else NewRun()
        log.insert(rng.randint(0, len(log)), between)
    assert possible(model, log) or not one_explains(model, log)


def two_modes() -> Model:
    """Each is seen by a look of its own, which never errs."""
    looks = [np.array([[0.0, 1.0], [1.0, 0.0]]), np.array([[1.0, 0.0], [0.0, 1.0]]), np.array([[1.0, 0.0], [1.0, 0.0]])]
    checks = tuple(
        Check(f"c{n}", f"c{n}", ("good", "bad"), shows, np.eye(2), 1.0, gear="eye") for n, shows in enumerate(looks)
    )
    modes = (Mode("m0", "m0", "b0", 0.1), Mode("m1", "m1", "b1", 0.1))
    return Model(modes, checks, (), (GearItem("eye", 0.0, 0.0),))


@pytest.mark.parametrize(
    ("bad", "alone", "at_all"), [((), True, True), ((0,), True, True), ((0, 1), False, True), ((2,), False, False)]
)
def test_what_two_together_explain_is_left_to_all_sets(bad: tuple[int, ...], alone: bool, at_all: bool) -> None:
    log: list[Event] = [Reading(f"c{n}", {"bad" if n in bad else "good": 1}) for n in range(3)]
    assert one_explains(two_modes(), log) is alone
    assert possible(two_modes(), log) is at_all


def test_what_the_unit_type_does_not_have_is_left_to_all_sets() -> None:
    assert not one_explains(two_modes(), [Reading("c9", {"good": 1})])
    with pytest.raises(ModelError, match="check 'c9' found"):
        replay(two_modes(), [Reading("c9", {"good": 1})])
