"""Sets too rare to be enumerated beforehand are found once the readings ask for them."""

from __future__ import annotations

import numpy as np
import pytest

from refettle.faults import Check, GearItem, Mode, Model, Reading, Repair, enumerate_sets, error_matrix, replay


def rare_pair(seed: int, f: int = 14) -> tuple[Model, list[Reading]]:
    """A model of f modes, each with a look of its own and some shared ones, and readings that show three at fault."""
    rng = np.random.default_rng(seed)
    modes = tuple(Mode(f"m{i}", f"m{i}", f"b{i}", float(rng.uniform(0.01, 0.06))) for i in range(f))
    checks, readings = [], []
    faulty = set(rng.choice(f, 3, replace=False).tolist())
    for c in range(9):
        seen = set(rng.choice(f, 4, replace=False).tolist())
        shows = np.array([[0.0, 1.0] if m in seen else [1.0, 0.0] for m in range(f)])
        checks.append(
            Check(f"c{c}", f"c{c}", ("good", "bad"), shows, error_matrix(2, 0.02, 0.05, 0.0), 1.0, gear="eye")
        )
        readings.append(Reading(f"c{c}", {"bad" if seen & faulty else "good": 1}))
    repairs = tuple(Repair(f"r{i}", f"r{i}", {f"m{i}": 1.0}, 5.0) for i in range(f))
    return Model(modes, tuple(checks), repairs, (GearItem("eye", 0.0, 0.0, True),)), readings


@pytest.mark.parametrize("seed", range(6))
def test_growing_comes_far_closer_to_all_sets(seed: int) -> None:
    model, readings = rare_pair(seed)
    exact = replay(model, readings, enumerate_sets(model, 1e-12, 20_000)).suspicion()
    few = enumerate_sets(model, 0.005, 110)
    plain = np.abs(replay(model, readings, few).suspicion() - exact).max()
    grown = replay(model, readings, few, grow=40)
    error = np.abs(grown.suspicion() - exact).max()
    assert error <= 0.06
    assert error <= 0.25 * plain + 1e-3
    assert grown.left_out < few.left_out


def test_growing_accounts_for_the_mass_it_brings_in() -> None:
    model, readings = rare_pair(1)
    few = enumerate_sets(model, 0.005, 60)
    grown = replay(model, readings, few, grow=20)
    keys = {tuple(row) for row in grown.member.tolist()}
    assert len(keys) == len(grown.member)
    prior = np.array([m.prior for m in model.modes])
    mass = np.where(grown.member, prior, 1 - prior).prod(axis=1).sum()
    assert grown.left_out == pytest.approx(1 - mass, abs=1e-12)
