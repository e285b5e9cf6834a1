"""Simulated jobs: following the advice beats the order most people use, on every shipped unit type.

The full table (200 jobs, two steps) is in docs/measured.md; this is a short run of the same comparison.
"""

import pytest
from benchmarks.advice import compare

from refettle.knowledge.loading import shipped_types


@pytest.mark.slow
@pytest.mark.parametrize("slug", sorted(shipped_types()))
def test_advice_saves_at_least_35_percent_of_the_minutes(slug: str) -> None:
    result = compare(slug, jobs=24, depth=1)
    assert result["advice"] <= 0.65 * result["fixed"]
    # The minutes saved are not bought by putting units aside.
    assert result["cured"] >= result["fixed_cured"]
