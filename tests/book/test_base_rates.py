"""Published repair records in a job's money: used only where they are, only for the chance to end working."""

from __future__ import annotations

from datetime import date
from io import BytesIO
from typing import Any

import pytest

from refettle.book import records
from refettle.book.gathered import gather
from refettle.book.quoting import costs, decision
from refettle.book.replay import replay
from refettle.book.state import JobState
from refettle.knowledge.compile import CompiledType, compile_type
from refettle.knowledge.loading import load_shipped_type
from refettle.knowledge.schema import CATEGORY_OF_FAMILY, UnitType
from tests.book.finished import finished_log
from tests.book.logs import entry

DAY = date(2030, 6, 1)
VALUES = {"kind": "values", "currency": "EUR", "bought": "20", "working": "395", "as_is": "25", "for_parts": "40"}
SEEN = {"kind": "check", "check": "picture", "outcome": "no picture"}


def csv_file(fixed: int = 52, repairable: int = 5, over: int = 34, category: str = "Games console") -> BytesIO:
    rows = ["Fixed"] * fixed + ["Repairable"] * repairable + ["End of life"] * over
    lines = ["product_category,repair_status", *(f"{category},{status}" for status in rows), "Lamp,Fixed"]
    return BytesIO("\n".join(lines).encode())


@pytest.fixture
def console() -> CompiledType:
    return compile_type(load_shipped_type("corrigan-duo"))


def state_of(console: CompiledType, *entries: dict[str, Any]) -> JobState:
    return replay(console, [entry(n, e["kind"], n / 60, **{k: v for k, v in e.items() if k != "kind"})
                            for n, e in enumerate(entries, 1)])  # fmt: skip


@pytest.mark.django_db
def test_without_records_all_is_as_before(console: CompiledType) -> None:
    unit_type, state = console.loaded.unit_type, state_of(console, SEEN, VALUES)
    assert records.ends_for(unit_type, DAY) is None
    before = costs(state, 30.0, "EUR")
    assert before.outlook is None
    assert before.chance == before.to_come.chance
    records.import_records(csv_file(), "records.csv")
    ends = records.ends_for(unit_type, DAY)
    after = costs(state, 30.0, "EUR", ends=ends)
    assert after.to_come is before.to_come
    assert (after.p50, after.p90, after.ceiling) == (before.p50, before.p90, before.ceiling)
    assert after.chance < before.chance
    was, now = decision(state, before), decision(state, after)
    assert was is not None
    assert now is not None
    assert was.p == before.chance
    assert now.p == after.chance
    assert now.values["finish"] < was.values["finish"]
    records.take_out()
    assert records.ends_for(unit_type, DAY) is None


@pytest.mark.django_db
def test_category_and_age_are_looked_up(console: CompiledType) -> None:
    records.import_records(csv_file(), "records.csv")
    ends = records.ends_for(console.loaded.unit_type, DAY)
    assert ends is not None
    assert (ends.category, ends.band, ends.records, ends.category_records) == (
        "Games console", "20 years and over", 0, 91,
    )  # fmt: skip
    assert ends.source == "records.csv"
    assert ends.chance == pytest.approx(52 / 86, abs=0.08)
    other = console.loaded.unit_type.model_copy(update={"family": "other"})
    assert records.ends_for(other, DAY) is None
    lamp = console.loaded.unit_type.model_copy(update={"category": "lamp", "years": None})
    named = records.ends_for(lamp, DAY)
    assert named is not None
    assert (named.category, named.band, named.records) == ("Lamp", "age not known", 1)
    strange = records.ends_for(console.loaded.unit_type.model_copy(update={"category": "Loom"}), DAY)
    assert strange is not None
    assert strange.category_records == 0
    assert strange.high - strange.low > ends.high - ends.low


def test_every_family_has_its_category_or_none() -> None:
    families = set(UnitType.model_fields["family"].annotation.__args__)  # type: ignore[union-attr]
    assert families - set(CATEGORY_OF_FAMILY) == {"other"}
    assert load_shipped_type("wexcombe-table").unit_type.records_category == "Hi-Fi integrated"
    assert load_shipped_type("tamsin-walker").unit_type.records_category == "Handheld entertainment device"


def test_own_jobs_are_counted_by_how_they_ended() -> None:
    def lesson(type: str, end: str, failed: bool = True, works: bool = True) -> dict[str, Any]:
        return {
            "type": type, "end": end, "failed": failed, "works": works, "blocks": {}, "modes": {}, "cures": [],
            "checks": [], "minutes": 60.0, "replace_all": 90.0,
        }  # fmt: skip

    own = [
        lesson("Corrigan Duo", "handed over"),
        lesson("Corrigan Duo", "handed over", works=False),
        lesson("Corrigan Duo", "parted out"),
        lesson("Corrigan Duo", "handed over", failed=False),
        lesson("Piper Pocket", "handed over"),
    ]
    found = gather(own, [lesson("Corrigan Duo", "handed over")])
    assert found.ended == {"Corrigan Duo": (1, 3), "Piper Pocket": (1, 1)}


@pytest.mark.django_db
def test_a_unit_that_works_is_not_doubted(console: CompiledType) -> None:
    """Repaired and seen good, hardly anything is left to give up on."""
    log, _ = finished_log(console, 1)
    assert log[-1]["stage"] == "handed over"
    records.import_records(csv_file(), "records.csv")
    ends = records.ends_for(console.loaded.unit_type, DAY)
    broken = costs(replay(console, log[:1]), 30.0, "EUR", ends=ends)
    works = costs(replay(console, log[:-1]), 30.0, "EUR", ends=ends)
    assert works.outlook is not None
    assert works.outlook.nothing > 0.8
    assert works.chance > 0.9
    assert broken.chance < 0.75
