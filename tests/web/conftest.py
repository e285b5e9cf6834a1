"""Long work is waited for in tests: a busy machine may take its time."""

from __future__ import annotations

import pytest
from django.core.cache import cache

from refettle.web import longwork


@pytest.fixture(autouse=True)
def patience(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(longwork, "AT_ONCE_S", 60.0)


@pytest.fixture(autouse=True)
def nothing_kept() -> None:
    """A test's book is undone, and the next one has the same numbers: what is kept by them must not stay."""
    cache.clear()
