"""JSON comes back as it was written, and can be asked for by its fields, on both databases."""

from __future__ import annotations

import json

import pytest

from refettle.book.models import Entry, Job

WRITTEN = {"with": {"part": "C1000u", "n": 3}, "b": 1.50, "a": [1e22, -0.5, None, True]}
HARD = {**WRITTEN, "text": "nul \x00, half \ud83d"}


@pytest.fixture
def entry(job: Job) -> Entry:
    plain = {"with": {"part": "R470", "n": 4}, "kind": "x"}
    made = [Entry(job=job, n=n, at=job.opened, who="Ada", kind="note", data=d) for n, d in ((1, WRITTEN), (2, plain))]
    Entry.objects.bulk_create(made)
    return Entry.objects.get(n=1)


def test_it_comes_back_as_it_was_written(entry: Entry, job: Job) -> None:
    assert json.dumps(entry.data) == json.dumps(WRITTEN)
    alone = Entry.objects.create(job=job, n=3, at=job.opened, who="Ada", kind="note", data=HARD)
    alone.refresh_from_db()
    assert json.dumps(alone.data) == json.dumps(HARD)
    assert Entry.objects.values_list("data", flat=True).get(n=2)["kind"] == "x"


def test_it_can_be_asked_for_by_its_fields(entry: Entry) -> None:
    def found(**asked: object) -> list[int]:
        return list(Entry.objects.filter(**asked).order_by("n").values_list("n", flat=True))

    assert found(data__with__part="C1000u") == [1]
    assert found(data__with__part__in=["C1000u", "R470"]) == [1, 2]
    assert found(data__with__n=4) == [2]
    assert found(data__with__n__gte=3) == [1, 2]
    assert found(data__kind__isnull=True) == [1]
    assert found(data__kind__icontains="X") == [2]
    assert found(data__a__1=-0.5) == [1]
    assert list(Entry.objects.order_by("n").values_list("data__with__part", flat=True)) == ["C1000u", "R470"]
    assert list(Entry.objects.order_by("-data__with__n").values_list("n", flat=True)) == [2, 1]
