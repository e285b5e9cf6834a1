"""The demo's kits: one version sold in part, the next one half made."""

from __future__ import annotations

import pytest

from refettle.book import kits, kits_batch
from refettle.book.demo_kits import fill_kits
from refettle.book.models_kits import Kit

pytestmark = pytest.mark.django_db


def test_the_demo_kits() -> None:
    batch = fill_kits()
    state = kits_batch.state_of(batch)
    assert [each.filled for each in state.lines] == [True, True, False, False]
    assert state.mistakes == 1
    assert sorted(Kit.objects.values_list("state", flat=True)) == ["ready", "ready", "sold", "sold"]
    (version,) = kits.newest()
    assert version.number == 2
    assert kits.to_make(version) == 5
    assert kits.buildable_now(version).limits
