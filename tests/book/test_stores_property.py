"""Whatever is done to the stores, in any order: the ledger adds up, and no more is promised than there is.

Beside the stores runs a plain count of what there is and who was promised what; it tells which steps must be refused.
"""

from __future__ import annotations

from collections import Counter

import pytest
from django.db import transaction
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule, run_state_machine_as_test

from refettle.book import reservations, stores, wants
from refettle.book.log import LogError
from refettle.book.models import Entry
from refettle.book.models_stores import Movement, Part
from refettle.book.store import StoreError, append, open_job
from refettle.book.stores_check import explain, verify
from refettle.knowledge.loading import load_shipped_type

few = st.integers(1, 6)
job = st.integers(0, 1)


class Stores(RuleBasedStateMachine):
    """Two jobs, one part, several lots."""

    def __init__(self) -> None:
        super().__init__()
        self.atomic = transaction.atomic()
        self.atomic.__enter__()
        loaded = load_shipped_type("larkmere-48")
        self.jobs = [open_job(loaded), open_job(loaded)]
        self.part = stores.add_part(name="Part", code="P", who="Ada")
        self.on_hand = self.aside = 0
        self.promised: Counter[int] = Counter()
        self.taken: dict[tuple[int, int], int] = {}

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.atomic.__exit__(None, None, None)

    @property
    def free(self) -> int:
        return self.on_hand - self.promised.total()

    def allowed(self, expected: bool) -> _Allowed:
        return _Allowed(expected)

    @rule(count=few, aside=st.booleans())
    def receive(self, count: int, aside: bool) -> None:
        stores.receive(self.part, count, who="Ada", quarantine=aside)
        self.aside += count * aside
        self.on_hand += count * (not aside)

    @rule(count=few, job=job)
    def take(self, count: int, job: int) -> None:
        with self.allowed(count <= self.free + self.promised[job]) as done:
            for entry in wants.take_for_job(self.jobs[job], self.part, count, who="Bo"):
                self.taken[job, entry.n] = entry.data["count"]
        if done.passed:
            self.on_hand -= count
            self.promised[job] -= min(count, self.promised[job])

    @precondition(lambda self: self.taken)
    @rule(data=st.data(), count=st.integers(0, 6))
    def correct(self, data: st.DataObject, count: int) -> None:
        job, n = data.draw(st.sampled_from(sorted(self.taken)))
        entry = Entry.objects.get(job=self.jobs[job], n=n)
        content = {"kind": "part-taken", **entry.data, "count": count} if count else None
        more = count - self.taken[job, n]
        with self.allowed(more <= 0 or more <= min(self.free, self._in_lot(entry.data["lot"]))) as done:
            append(self.jobs[job], {"kind": "correction", "corrects": n, "with": content}, "Bo")
        if done.passed:
            self.taken[job, n] = count
            self.on_hand -= more

    def _in_lot(self, lot: int) -> int:
        return sum(Movement.objects.filter(lot=lot).values_list("on_hand", flat=True))

    @rule(count=few, job=job)
    def reserve(self, count: int, job: int) -> None:
        with self.allowed(count <= self.free) as done:
            reservations.reserve(self.part, count, who="Ada", job=self.jobs[job])
        if done.passed:
            self.promised[job] += count

    @precondition(lambda self: self.promised.total())
    @rule(job=job)
    def let_go(self, job: int) -> None:
        assert reservations.let_all_go(self.jobs[job]) == self.promised.pop(job, 0)

    @rule(count=few, what=st.sampled_from(["scrap", "quarantine"]))
    def away(self, count: int, what: str) -> None:
        with self.allowed(count <= self.free) as done:
            getattr(stores, what)(self.part, count, who="Bo", why="leaking")
        if done.passed:
            self.on_hand -= count
            self.aside += count * (what == "quarantine")

    @rule(count=few)
    def release(self, count: int) -> None:
        with self.allowed(count <= self.aside) as done:
            stores.release(self.part, count, who="Bo", how="measured")
        if done.passed:
            self.on_hand += count
            self.aside -= count

    @rule(found=st.integers(0, 12))
    def count(self, found: int) -> None:
        with self.allowed(found >= self.promised.total()) as done:
            stores.count(self.part, found, who="Bo")
        if done.passed:
            self.on_hand = found

    @precondition(lambda self: self.promised.total())
    @rule(found=st.integers(0, 6))
    def count_and_let_go(self, found: int) -> None:
        held = reservations.open_reservations(self.part)
        over = max(0, self.promised.total() - found)
        stores.count(self.part, found, who="Bo", let_go=held)
        self.on_hand = found
        numbers = {j.pk: n for n, j in enumerate(self.jobs)}
        for each in held:
            gone = min(over, each.quantity)
            self.promised[numbers[each.job_id or 0]] -= gone
            over -= gone

    @invariant()
    def adds_up(self) -> None:
        assert verify() == []
        part = Part.objects.get(pk=self.part.pk)
        assert (part.on_hand, part.quarantined, part.reserved) == (self.on_hand, self.aside, self.promised.total())
        assert part.reserved <= part.on_hand
        assert all(each.quantity > 0 for each in reservations.open_reservations(part))
        if lines := explain(part):
            assert (lines[-1].on_hand, lines[-1].quarantined) == (self.on_hand, self.aside)
            assert all(line.on_hand >= 0 <= line.quarantined for line in lines)


class _Allowed:
    """Whether a step passed; it must where that was expected, and must be refused where not."""

    def __init__(self, expected: bool) -> None:
        self.expected, self.passed = expected, False

    def __enter__(self) -> _Allowed:
        return self

    def __exit__(self, kind: type[BaseException] | None, *rest: object) -> bool:
        if kind is not None and not issubclass(kind, StoreError | LogError):
            return False
        self.passed = kind is None
        assert self.passed == self.expected, rest[:1]
        return True


@pytest.mark.django_db
def test_in_any_order() -> None:
    slow = settings(max_examples=12, stateful_step_count=20, deadline=None, suppress_health_check=list(HealthCheck))
    run_state_machine_as_test(Stores, settings=slow)
