"""The demo book: every job replays, and each tells what it is there to tell."""

from __future__ import annotations

from pathlib import Path

import pytest
from django.conf import settings

from refettle.book import store
from refettle.book.demo import fill
from refettle.book.models_orders import Order, OrderPlan
from refettle.book.models_stores import Part
from refettle.book.orders import state_of
from refettle.book.replay import replay
from refettle.book.stores_check import verify
from refettle.book.waiting import waiting
from refettle.book.wants import open_wants

pytestmark = [pytest.mark.django_db, pytest.mark.slow]


def test_the_demo_book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(settings, "REFETTLE_FILES", tmp_path / "files")
    monkeypatch.setattr(settings, "REFETTLE_PHOTOS", tmp_path / "photos")
    jobs = {job.unit.label: job for job in fill()}
    states = {label: store.job_state(job) for label, job in jobs.items()}
    assert len({state.stage for state in states.values()}) >= 4
    log = store.entries(jobs["Console that hums"])
    compiled = states["Console that hums"].compiled
    (repair,) = (e["n"] for e in log if e["kind"] == "repair")
    chances = [
        next(s.chance for s in replay(compiled, [e for e in log if e["n"] < n]).suspects() if s.block == "reservoir")
        for n in (repair - 2, repair)
    ]
    assert chances[1] > max(0.8, chances[0])  # the capture shows the reservoir worn
    assert states["Console that hums"].suspects()[0].block != "reservoir"
    white = states["Yellow handheld"].whitening
    left = [e.data["figures"]["shell"].get("remaining", 1.0) for e in white.readings]
    assert left == sorted(left, reverse=True)
    assert left[0] == 1.0
    assert 0.4 < left[-1] < 0.7
    assert white.batches["Wednesday tub"].inside == ["shell"]
    assert all(not f.get("not_read") for e in white.readings for f in e.data["figures"].values())
    proven = states["Mrs Aldane's computer"].proving
    assert not proven.unproven
    assert proven.safe
    assert states["Console on trial"].proving.grid.cell("Cartridge starts", "front seat cold").counts.good == 14
    assert [state_of(order) for order in Order.objects.all()] == ["partly here"]
    assert [bool(plan.answer["proven"]) for plan in OrderPlan.objects.all()] == [True, True]
    assert waiting()[jobs["Console that restarts"].number].coming == 1


def test_the_stores_of_the_demo_book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(settings, "REFETTLE_FILES", tmp_path / "files")
    monkeypatch.setattr(settings, "REFETTLE_PHOTOS", tmp_path / "photos")
    fill()
    assert verify() == []
    assert 30 <= Part.objects.count() <= 60
    wanted = {want.what: want for want in open_wants()}
    assert wanted["100u 25V 105C aluminium"].reserved == 2
    assert "C100u-25" in wanted["100u 25V 105C aluminium"].codes
    assert not wanted["330u 10V 105C aluminium"].acceptable  # nothing on the shelf serves: it must be ordered
    assert wanted["4k7 1%"].codes == ("R4K7",)
    chip = Part.objects.get(code="VIDEO-LK")
    assert (chip.on_hand, chip.quarantined, wanted["Video chip"].acceptable[0].free) == (0, 1, 0)
