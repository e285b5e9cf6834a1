"""What jobs want and take: the log and the ledger say the same, whatever is written or corrected."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from refettle.book import reservations, stores, wants
from refettle.book.log import LogError
from refettle.book.models import Entry, Job
from refettle.book.models_stores import Lot, Movement, Part
from refettle.book.store import StoreError, append, job_state, open_job
from refettle.book.stores import Came
from refettle.book.stores_check import explain, verify
from refettle.knowledge.loading import LoadedType


@pytest.fixture
def part(db: None) -> Part:
    made = stores.add_part(name="Reservoir", value="1000u 25V 105C aluminium", who="Ada")
    stores.receive(made, 5, who="Ada", came=Came("2031", date(2020, 8, 1), price="0.40"))
    stores.receive(made, 5, who="Ada", came=Came("1901", date(2019, 1, 1), price="0.30"))
    return made


def held(part: Part) -> tuple[int, int]:
    fresh = Part.objects.get(pk=part.pk)
    assert verify() == []
    return fresh.on_hand, fresh.reserved


def correct(job: Job, n: int, content: dict[str, Any] | None) -> Entry:
    return append(job, {"kind": "correction", "corrects": n, "with": content, "why": "miscounted"}, "Bo")


def test_taking_writes_the_log_and_the_ledger(job: Job, part: Part) -> None:
    wanted = wants.want(job, "1000u 25V", 7, who="Ada", refs="C1, C2", part=part.code.lower())
    reservations.reserve(part, 4, who="Ada", job=job, want=wanted.n)
    old, young = wants.take_for_job(job, part, 7, who="Bo", wanted=wanted.n)
    assert old.data == {"wanted": wanted.n, "part": "C1000u-25", "lot": old.data["lot"], "count": 5, "price": 0.3}
    assert (young.data["count"], young.data["price"]) == (2, 0.4)
    assert [(m.kind, m.on_hand, m.entry) for m in Movement.objects.filter(job=job)] == [
        ("used", -5, old.n),
        ("used", -2, young.n),
    ]
    assert held(part) == (3, 0)
    state = job_state(job)
    assert state.parts == pytest.approx(5 * 0.3 + 2 * 0.4)
    assert state.stores.wants[wanted.n].state == "served"
    assert [b.on_hand for b in explain(part)] == [5, 10, 5, 3]
    assert [(b.movement.pk, b.on_hand) for b in explain(part, newest=1)] == [(explain(part)[-1].movement.pk, 3)]


def test_too_many_writes_nothing(job: Job, part: Part, loaded: LoadedType) -> None:
    other = open_job(loaded)
    reservations.reserve(part, 8, who="Ada", job=other)
    with pytest.raises(StoreError, match=r"allowed: at most 2 free \(10 on hand, 8 reserved for job 2\)"):
        wants.take_for_job(job, part, 3, who="Bo")
    wanted = wants.want(job, "1000u 25V", 1, who="Ada")
    with pytest.raises(LogError, match="count: 2 found; allowed: at most 1, as are still wanted"):
        wants.take_for_job(job, part, 2, who="Bo", wanted=wanted.n)
    assert (held(part), Entry.objects.filter(job=job).count()) == ((10, 8), 1)


def test_an_entry_written_by_hand_moves_the_stock_too(job: Job, part: Part) -> None:
    lot = Lot.objects.filter(part=part).first()
    assert lot is not None
    append(job, {"kind": "part-taken", "part": part.code, "lot": str(lot.pk), "count": "2", "refs": "C1 C2"}, "Ada")
    assert held(part) == (8, 0)
    for wrong, said in (
        ({"part": "other", "lot": lot.pk}, f"part: 'other' found; allowed: {part.code}, of which lot"),
        ({"part": part.code, "lot": 999}, "lot: 999 found; allowed: the number of a lot"),
        ({"part": part.code, "lot": lot.pk, "wanted": 1}, "wanted: 1 found; allowed: an open want: none"),
        ({"part": part.code, "lot": lot.pk, "count": 6}, "count: 6 found; allowed: at most 3, as 2031 holds"),
    ):
        with pytest.raises(LogError) as raised:
            append(job, {"kind": "part-taken", "count": 1, **wrong}, "Ada")
        assert said in str(raised.value)
    assert held(part) == (8, 0)


def test_a_correction_brings_the_stock_right(job: Job, part: Part) -> None:
    (taken,) = wants.take_for_job(job, part, 3, who="Bo")
    content = {"kind": "part-taken", **taken.data}
    correct(job, taken.n, {**content, "count": 4})
    assert held(part) == (6, 0)
    correct(job, taken.n, {**content, "count": 1})
    assert held(part) == (9, 0)
    correct(job, taken.n, None)
    assert (held(part), job_state(job).parts) == ((10, 0), 0)
    correct(job, taken.n, {**content, "count": 5})
    assert held(part) == (5, 0)
    with pytest.raises(LogError, match=r"another part, lot or place found than .*; allowed: correct it to nothing"):
        correct(job, taken.n, {**content, "lot": taken.data["lot"] - 1})
    with pytest.raises(LogError, match="the stores cannot follow a correction of entry 1: count: 1 found"):
        correct(job, taken.n, {**content, "count": 6})
    line = Movement.objects.filter(job=job, corrects=None).get()
    with pytest.raises(StoreError, match="says the same as entry 1 of job 1; allowed: correct that entry"):
        stores.correct(line, who="Bo", why="not taken")
    correct(job, taken.n, {"kind": "note", "text": "it was nothing"})
    assert held(part) == (10, 0)


def test_what_is_brought_back(job: Job, part: Part) -> None:
    (taken,) = wants.take_for_job(job, part, 3, who="Bo")
    back = wants.give_back_from_job(job, taken.n, 1, who="Bo", why="one spare")
    assert held(part) == (8, 0)
    assert job_state(job).parts == pytest.approx(0.6)
    wants.give_back_from_job(job, taken.n, 1, who="Bo", why="a lead is bent", quarantine=True)
    assert (held(part), Part.objects.get(pk=part.pk).quarantined) == ((8, 0), 1)
    with pytest.raises(LogError, match="count: 2 found; allowed: at most 1"):
        wants.give_back_from_job(job, taken.n, 2, who="Bo", why="all of them")
    with pytest.raises(LogError, match=f"after this, entry {taken.n} would not hold: count: 1 found, and 2 came back"):
        correct(job, taken.n, {"kind": "part-taken", **taken.data, "count": 1})
    with pytest.raises(LogError, match=f"after this, entry {back.n} would not hold"):
        correct(job, taken.n, None)
    correct(job, back.n, None)
    assert held(part) == (7, 0)


def test_paid_once_is_counted_once(job: Job, part: Part) -> None:
    wanted = wants.want(job, "1000u 25V", 1, who="Ada", refs=["C1"], repair="av_lead.replace")
    signs = dict.fromkeys(("fitted", "printed", "by_net"), "left")
    append(job, {"kind": "part-out", "ref": "C1", "value": "1000u 25V", **signs}, "Ada")
    append(job, {"kind": "part-in", "ref": "C1", "value": "1000u 25V 105C", "minus": "left", "price": 9}, "Ada")
    append(job, {"kind": "repair", "repair": "av_lead.replace"}, "Ada")
    estimate = job_state(job).parts - 9
    assert estimate > 0
    wants.take_for_job(job, part, 1, who="Ada", wanted=wanted.n)
    assert job_state(job).parts == pytest.approx(0.3)


def test_a_price_in_another_currency_is_shown_and_not_added(job: Job, part: Part) -> None:
    lot = stores.receive(part, 1, who="Ada", came=Came(price="2.50", currency="NOK")).lot
    (entry,) = wants.take_for_job(job, part, 1, who="Ada", lot=lot)
    state = job_state(job)
    assert (entry.data["currency"], state.parts) == ("NOK", 0)
    assert [(o.n, str(o.amount), o.currency) for o in state.money.foreign("EUR")] == [(entry.n, "2.50", "NOK")]


def test_wants_let_go_and_jobs_closed_free_what_was_promised(job: Job, part: Part, loaded: LoadedType) -> None:
    first = wants.want(job, "1000u 25V", 2, who="Ada")
    second = wants.want(job, "1000u 25V", 3, who="Ada")
    wants.reserve_wanted(job, first.n, part, who="Ada")
    wants.reserve_wanted(job, second.n, part, who="Ada")
    assert held(part) == (10, 5)
    wants.let_go(job, first.n, "the old ones are good", who="Ada")
    assert held(part) == (10, 3)
    correct(job, second.n, {"kind": "part-wanted", "what": "1000u 25V", "count": 2})
    assert held(part) == (10, 2)
    with pytest.raises(LogError, match=f"wanted: {first.n} found, which is let go; allowed: an open want: {second.n}"):
        wants.let_go(job, first.n, "again", who="Ada")
    append(job, {"kind": "stage", "stage": "parted out"}, "Ada")
    assert held(part) == (10, 0)
    with pytest.raises(StoreError, match="job: 1 found, which is closed; allowed: an open job"):
        reservations.reserve(part, 1, who="Ada", job=Job.objects.get(pk=job.pk))


def test_open_wants_name_what_would_serve(job: Job, part: Part) -> None:
    better = stores.add_part(name="Reservoir", value="1000u 35V 105C low-impedance", who="Ada")
    stores.add_part(name="too low", value="1000u 16V 105C aluminium", who="Ada")
    stores.add_part(name="too large", value="2200u 35V 105C aluminium", who="Ada")
    resistor = stores.add_part(name="Resistor", value="4k7 1%", who="Ada")
    wants.want(job, "1000u 25V 85C", 2, who="Ada", by="2031-05-01", refs="C1 C2")
    wants.want(job, "4k7", 1, who="Ada")
    wants.want(job, "100n", 1, who="Ada")
    wants.want(job, "belt for the deck", 1, who="Ada")
    wants.want(job, "the usual", 1, who="Ada", part=part.code)
    capacitor, ohms, ceramic, belt, exact = wants.open_wants()
    assert set(capacitor.codes) == {part.code, better.code}
    assert capacitor.codes[0] == part.code or capacitor.acceptable[0].says == "better"
    assert (capacitor.left, capacitor.by, capacitor.refs) == (2, date(2031, 5, 1), ("C1", "C2"))
    assert capacitor.note == "taken for aluminium, as no kind is said"
    assert (ohms.codes, ohms.acceptable[0].says) == ((resistor.code,), "acceptable")
    assert (ceramic.codes, ceramic.note) == (
        (),
        "its kind is not known: write it with its kind, such as film or ceramic",
    )
    assert (belt.codes, exact.codes) == ((), (part.code,))
    assert exact.acceptable[0].free == 10
    stores.edit_part(part, who="Ada", code="RES-1000")
    assert wants.open_wants()[-1].codes == ("RES-1000",)


def test_wants_of_a_list_of_capacitors(job: Job) -> None:
    listed = [("C1", "100u 25V aluminium"), ("C2", "10u 16V aluminium"), ("C3", "100u  25V aluminium"), ("C4", "")]
    first = wants.wants_of(listed, wants.parts_of(job), "ageing")
    assert [(e["what"], e["count"], e["refs"]) for e in first] == [
        ("100u 25V aluminium", 2, ["C1", "C3"]),
        ("10u 16V aluminium", 1, ["C2"]),
    ]
    append(job, first[0], "Ada")
    assert [e["refs"] for e in wants.wants_of(listed, wants.parts_of(job))] == [["C2"]]


def test_verify_says_what_disagrees(job: Job, part: Part) -> None:
    wants.take_for_job(job, part, 3, who="Bo")
    reservations.reserve(part, 1, who="Ada", job=job)
    lot = Lot.objects.filter(part=part).first()
    assert lot is not None
    Part.objects.filter(pk=part.pk).update(on_hand=9, reserved=2, quarantined=1)
    Lot.objects.filter(pk=lot.pk).update(on_hand=1)
    Entry.objects.create(job=job, n=9, at=part.created, who="x", kind="part-returned", data={"taken": 1, "count": 1})
    assert [str(d) for d in verify()] == [
        f"lot {lot.pk} of C1000u-25: on hand 1 kept, 5 by the ledger",
        "C1000u-25: on hand 9 kept, 7 by the ledger",
        "C1000u-25: in quarantine 1 kept, 0 by the ledger",
        "C1000u-25: reserved 2 kept, 1 by the ledger",
        "job 1, entry 9: moved by the log 1 kept, 0 by the ledger",
    ]
