"""Long work is waited for in tests: a busy machine may take its time."""

from __future__ import annotations

import pytest

from refettle.web import longwork


@pytest.fixture(autouse=True)
def patience(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(longwork, "AT_ONCE_S", 60.0)
