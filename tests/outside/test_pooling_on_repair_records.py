"""Pooled chances against real repairs: records of community repair events (Open Repair Data Standard 0.3).

Pooled over age within category, they foretell repairs they have not seen better than the share of each category, and
than the share over all. The records are not kept with this project: tests skip where they are absent.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Iterable
from functools import cache
from pathlib import Path

import pytest

from refettle.proving.calibration import calibration, log_loss
from refettle.proving.pooling import Tally, pool_chances

RECORDS = Path(__file__).parents[2].parent / "shared" / "data" / "repairs" / "repairs.csv"
Case = tuple[str, str, bool]


@cache
def records() -> list[dict[str, str]]:
    if not RECORDS.is_file():
        pytest.skip(f"the repair records are not at {RECORDS}")
    with RECORDS.open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["repair_status"] != "Unknown"]


def band(age: str) -> str:
    """Age [year] in bands: few records have one, and fewer the same."""
    if not age:
        return "age not known"
    return next((f"under {top}" for top in (5, 10, 20) if float(age) < top), "20 and over")


def cases(rows: Iterable[dict[str, str]], status: str) -> list[Case]:
    return [(r["product_category"], band(r["product_age"]), r["repair_status"] == status) for r in rows]


def foretold(learned: list[Case], unseen: list[Case]) -> dict[str, list[float]]:
    """The chance that each of three ways gives to each case unseen."""
    shares: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
    for category, _, came in learned:
        for key in (category, ""):
            shares[key][0] += came
            shares[key][1] += 1
    pool = pool_chances(Tally(category, age, float(came), 1.0) for category, age, came in learned)
    overall = shares[""][0] / shares[""][1]
    return {
        "overall": [overall] * len(unseen),
        "category": [shares[c][0] / shares[c][1] if c in shares else overall for c, _, _ in unseen],
        "pooled": [pool.of(category, age).mean for category, age, _ in unseen],
    }


@pytest.mark.parametrize("status", ["Fixed", "End of life"])
@pytest.mark.parametrize("year", ["2018", "2020", "2022", "2023", "2024"])
def test_years_to_come(year: str, status: str) -> None:
    before = cases((r for r in records() if r["event_date"] < year), status)
    after = cases((r for r in records() if r["event_date"] >= year), status)
    came = [case[2] for case in after]
    loss = {name: log_loss(chances, came) for name, chances in foretold(before, after).items()}
    assert loss["pooled"] < min(loss["category"], loss["overall"]), loss


@pytest.mark.parametrize("status", ["Fixed", "End of life"])
def test_providers_not_seen(status: str) -> None:
    """Each provider from the others, all four together."""
    came: list[bool] = []
    said: dict[str, list[float]] = defaultdict(list)
    for provider in sorted({r["data_provider"] for r in records()}):
        others = cases((r for r in records() if r["data_provider"] != provider), status)
        own = cases((r for r in records() if r["data_provider"] == provider), status)
        came += [case[2] for case in own]
        for name, chances in foretold(others, own).items():
            said[name] += chances
    loss = {name: log_loss(chances, came) for name, chances in said.items()}
    assert loss["pooled"] < min(loss["category"], loss["overall"]), loss


def test_calibration_of_the_last_years() -> None:
    before = cases((r for r in records() if r["event_date"] < "2023"), "Fixed")
    after = cases((r for r in records() if r["event_date"] >= "2023"), "Fixed")
    found = calibration(foretold(before, after)["pooled"], [case[2] for case in after])
    large = [each for each in found.bins if each.cases >= 200]
    assert found.log_loss < found.plain_loss
    assert large
    assert all(abs(each.rate - each.predicted) < 0.12 for each in large), [
        (each.predicted, each.rate) for each in large
    ]  # fmt: skip
