"""Repair times and calibration."""

from __future__ import annotations

import numpy as np
import pytest

from refettle.proving.calibration import calibration, log_loss
from refettle.proving.counts import ProvingError
from refettle.proving.times import Prior, for_types, mixed_quantile, repair_time


def test_from_the_estimate_to_many_jobs() -> None:
    shipped = Prior(30)
    none = repair_time([], shipped)
    assert none.p50 == pytest.approx(30)
    assert none.text == "half take under 30 min, nine of ten under 93 min (no job yet, an estimate)"
    rng = np.random.default_rng(2)
    jobs = np.exp(rng.normal(np.log(60), 0.4, 400))
    known = repair_time(jobs, shipped)
    assert known.p50 == pytest.approx(60, rel=0.06)
    assert known.p90 == pytest.approx(60 * np.exp(1.2816 * 0.4), rel=0.08)
    few = repair_time(jobs[:3], shipped)
    assert few.p90_high / few.p90_low > 2 * known.p90_high / known.p90_low
    assert none.p50 < few.p50 < known.p50 * 1.5
    assert known.quantile(0.9) == pytest.approx(known.p90)


def test_ranges_and_quantiles_hold_for_three_jobs() -> None:
    """Truths drawn from the prior itself: P90 is passed by one job of ten, and each range holds nine of ten truths."""
    rng = np.random.default_rng(4)
    under, middle, nine = [], [], []
    for _ in range(1500):
        spread = 0.6 * np.sqrt(4 / rng.chisquare(4))
        mean = rng.normal(np.log(30), spread / np.sqrt(2))
        jobs = np.clip(np.exp(rng.normal(mean, spread, 4)), 0.01, 9e4)
        found = repair_time(jobs[:3], Prior(30))
        under.append(jobs[3] < found.p90)
        middle.append(found.p50_low <= np.exp(mean) <= found.p50_high)
        nine.append(found.p90_low <= np.exp(mean + 1.2816 * spread) <= found.p90_high)
    assert np.mean(under) == pytest.approx(0.9, abs=0.025)
    assert np.mean(middle) == pytest.approx(0.9, abs=0.025)
    assert np.mean(nine) == pytest.approx(0.9, abs=0.025)


def test_jobs_one_by_one_or_together() -> None:
    shipped = Prior(30)
    one = repair_time([40], shipped).learned
    both = repair_time([40, 25], shipped).learned
    step = repair_time([25], one).learned
    assert (step.minutes, step.spread, step.worth) == pytest.approx((both.minutes, both.spread, both.worth))
    kind = repair_time([40] * 50, shipped).learned
    assert for_types(kind).worth == 2
    assert for_types(kind).minutes == kind.minutes


def test_one_of_several_repairs() -> None:
    """Half a lead of 10 minutes, half a rebuild of 200: the middle lies between, nine of ten are the rebuild's."""
    lead, rebuild = (repair_time([minutes] * 30, Prior(minutes)) for minutes in (10.0, 200.0))
    alone = mixed_quantile([(0.7, lead)], 0.9)
    assert alone == pytest.approx(lead.p90, rel=1e-6)
    both = [(1.0, lead), (1.0, rebuild)]
    assert lead.p90 < mixed_quantile(both, 0.5) < rebuild.p50
    at = mixed_quantile(both, 0.9)
    assert (lead.chance_under(at) + rebuild.chance_under(at)) / 2 == pytest.approx(0.9)
    assert lead.chance_under(0.0) == 0.0


def test_calibration() -> None:
    rng = np.random.default_rng(1)
    said = rng.uniform(0, 1, 2000)
    came = rng.uniform(0, 1, 2000) < said
    fair = calibration(said.tolist(), came.tolist())
    assert len(fair.bins) == 10
    assert sum(each.agrees for each in fair.bins) >= 7
    assert sum(each.cases for each in fair.bins) == 2000
    assert fair.log_loss < fair.plain_loss
    bold = calibration((0.5 + 1.6 * (said - 0.5)).clip(0, 1).tolist(), came.tolist())
    assert bold.log_loss > fair.log_loss
    assert sum(each.agrees for each in bold.bins) <= 4
    assert "bins off" in bold.text


def test_log_loss_by_hand() -> None:
    assert log_loss([0.5, 0.5], [True, False]) == pytest.approx(np.log(2))
    assert log_loss([0.8, 0.1], [True, False]) == pytest.approx(-(np.log(0.8) + np.log(0.9)) / 2)
    assert log_loss([0.0], [True]) == pytest.approx(-np.log(1e-6))
    one = calibration([0.25], [True])
    assert (one.bins[0].low, one.bins[0].rate, one.brier) == (0.2, 1.0, 0.5625)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: repair_time([10, 0], Prior(30)), "minutes of job 2: 0 found; allowed: above 0 to below 100000"),
        (lambda: mixed_quantile([], 0.5), "weights: none above 0 found; allowed: at least one"),
        (lambda: Prior(0), "minutes: 0 found; allowed: above 0"),
        (lambda: calibration([], []), "predictions: 0 with 0 found; allowed: as many, one or more"),
        (lambda: log_loss([1.5], [True]), "prediction 1: 1.5 found; allowed: 0 to 1"),
    ],
)
def test_mistakes_are_named(make: object, message: str) -> None:
    with pytest.raises(ProvingError) as raised:
        make()  # type: ignore[operator]
    assert str(raised.value).startswith(message)
