"""Versions of kits; batches one value at a time; the second check; the trace both ways."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.db import IntegrityError, transaction
from django.db.models import Sum

from refettle.book import kits, kits_batch, kits_check, kits_cost, kits_trace
from refettle.book.kits_match import match
from refettle.book.kits_settle import use
from refettle.book.log import LogError
from refettle.book.models import Job
from refettle.book.models_kits import Kit, KitStep
from refettle.book.models_stores import Lot, Movement, Part, Reservation
from refettle.book.store import StoreError, append, job_state
from refettle.book.stores_counting import correct
from refettle.parts.kit_list import read_list
from refettle.parts.kits import Scale
from tests.book.kits_bench import ADA, BO, came, codes, fill_all, kit_of_three, make, part

pytestmark = pytest.mark.django_db
FINE = Scale(0.01, 0.005, 0.01, 0.002)


def on_hand(code: str) -> int:
    return Part.objects.get(code=code).on_hand


# ---------------------------------------------------------------- what belongs in


def test_the_stores_parts_that_may_serve_come_first() -> None:
    for code, farad, volt in (("A", 100e-6, 16.0), ("B", 100e-6, 25.0), ("C", 120e-6, 35.0), ("D", 10e-6, 25.0)):
        part(code, farad, volt)
    (found,) = match(read_list("C1: 100u 25V 105C aluminium"))
    assert [o.part.code for o in found.offered][:1] == ["B"]
    refused = {o.part.code: o.reasons for o in found.offered if o.says == "refused"}
    assert "A" in refused
    assert refused["A"]
    assert "D" not in {o.part.code for o in found.offered}


def test_a_part_that_the_rules_refuse_does_not_get_into_a_kit() -> None:
    part("LOW", 100e-6, 16.0)
    line = kits.LineTyped("LOW", 1, "C1", wanted="100u 25V 105C aluminium")
    with pytest.raises(StoreError, match=r"line 1: LOW found for 100u 25V 105C aluminium, refused"):
        kits.new_version([line], slug="larkmere-48", name="x", who=ADA)


def test_a_change_is_a_new_version_and_the_old_one_stays() -> None:
    old = kit_of_three()
    lines = kits.typed_of(old)
    lines[0] = kits.LineTyped("E100", 3, "C1, C4", spares=1, wanted=lines[0].wanted)
    head = {"slug": old.slug, "revision": old.revision, "region": old.region, "name": old.name, "who": BO}
    new = kits.new_version(lines[:2], **head)  # type: ignore[arg-type]
    assert (old.number, new.number) == (1, 2)
    assert [x.quantity for x in kits.find_version(old.pk).lines.all()] == [2, 1, 3]
    assert kits.differences(old, new) == [
        "gone: 3 × F1 for C8, C9",
        "C1, C4: pieces 2 is now 3",
        "C1, C4: spares none is now 1",
    ]
    assert kits.newest() == [new]
    other = kits.new_version(lines, **{**head, "region": "North America"})  # type: ignore[arg-type]
    assert other.number == 1


def test_buildable_counts_alternates_and_names_the_line() -> None:
    version = kit_of_three(a=100, b=5, c=90)
    found = kits.buildable_now(version)
    assert found.count == 9  # 5 of E10 and 4 of E10B
    assert [line.refs for line in kits.limiting(version, found)] == ["C7"]
    assert kits.plan_for(version, 12).missing == {"E10": 3}


# ---------------------------------------------------------------- a batch


def test_one_value_at_a_time_and_the_count_must_be_right() -> None:
    batch = kits_batch.begin(kit_of_three(), 10, who=ADA)
    assert Part.objects.get(code="E100").reserved == 20
    with pytest.raises(StoreError, match=r"line: 2 found; allowed: 1, one value at a time"):
        kits_batch.fill(batch, 2, 10, who=ADA)
    with pytest.raises(StoreError, match=r"counted: 19 found; allowed: 20"):
        kits_batch.fill(batch, 1, 19, who=ADA)
    assert on_hand("E100") == 40
    steps = kits_batch.fill(batch, 1, 20, who=ADA)
    assert (on_hand("E100"), Part.objects.get(code="E100").reserved) == (20, 0)
    assert [(s.movement.lot.code, s.quantity) for s in steps if s.movement] == [("2501", 20)]
    with pytest.raises(StoreError, match=r"line: 1 found, which is filled"):
        kits_batch.fill(batch, 1, 20, who=ADA)
    with pytest.raises(StoreError, match=r"kit: line 2 is not in the bags"):
        kits_check.check_by_codes(batch, 1, codes(batch), who=BO)


def test_two_batches_do_not_promise_the_same_parts() -> None:
    version = kit_of_three()
    kits_batch.begin(version, 8, who=ADA)
    with pytest.raises(StoreError, match=r"kits: 8 found; allowed: at most 2, line 3 limits; 8 need 18 more of F1"):
        kits_batch.begin(version, 8, who=ADA)
    fewer = kits_batch.begin(version, 8, who=ADA, fewer=True)
    assert fewer.count == 2
    (short,) = fewer.steps.filter(kind="short")
    assert (short.line.part.code, short.quantity) == ("F1", 18)


def test_a_kit_is_ready_only_after_both_checks() -> None:
    batch = kits_batch.begin(kit_of_three(), 2, who=ADA)
    fill_all(batch)
    assert not Kit.objects.exists()
    wrong = kits_check.check_by_codes(batch, 1, [*codes(batch)[:2], codes(batch)[0]], who=BO)
    assert isinstance(wrong, KitStep)
    assert wrong.data["said"] == f"missing: B{batch.pk}-3; too many or not of this batch: B{batch.pk}-1"
    assert not Kit.objects.exists()
    first = kits_check.check_by_codes(batch, 1, codes(batch), who=BO)
    assert isinstance(first, Kit)
    assert (first.state, first.code) == ("ready", f"K{batch.pk}-1")
    batch.refresh_from_db()
    assert batch.done is None
    kits_check.check_by_codes(batch, 2, codes(batch), who=ADA)
    batch.refresh_from_db()
    assert batch.done is not None
    said = list(batch.steps.filter(kind="checked").values_list("data__same_person", flat=True))
    assert said == [False, True]


def test_weight_finds_a_missing_part_and_says_which() -> None:
    batch = kits_batch.begin(kit_of_three(), 2, who=ADA)
    fill_all(batch)
    weighs = 2 * 1.0 + 0.5 + 3 * 0.3 + 1.2
    light = kits_check.check_by_weight(batch, 1, weighs - 0.5, who=BO, scale=FINE, tare=1.2)
    assert isinstance(light, KitStep)
    assert light.data["said"] == "0.50 g too light; one less of line 2, E10 would explain it"
    assert isinstance(kits_check.check_by_weight(batch, 1, weighs + 0.05, who=BO, scale=FINE, tare=1.2), Kit)


def test_where_weight_proves_nothing_codes_are_asked_for() -> None:
    batch = kits_batch.begin(kit_of_three(), 1, who=ADA)
    fill_all(batch)
    with pytest.raises(StoreError, match=r"weight: proves nothing.*would pass in .* of 100; allowed: the codes"):
        kits_check.check_by_weight(batch, 1, 3.4, who=BO, scale=Scale(0.5, 0.3))
    Part.objects.filter(code="F1").update(gram=None)
    with pytest.raises(StoreError, match=r"the stores do not know the weight of F1"):
        kits_check.check_by_weight(batch, 1, 3.4, who=BO, scale=FINE)
    assert not Kit.objects.exists()


def test_shortage_and_mistake_are_counted_apart() -> None:
    version = kit_of_three()
    batch = kits_batch.begin(version, 4, who=ADA)
    kits_batch.short(batch, 1, 2, who=ADA, note="two bent")
    kits_batch.miscounted(batch, 1, 7, who=ADA)
    fill_all(batch)
    kits_check.check_by_codes(batch, 1, codes(batch)[:2], who=BO)
    state = kits_batch.state_of(batch)
    assert (state.shortages, state.mistakes) == (1, 2)
    for n in range(1, 5):
        kits_check.check_by_codes(batch, n, codes(batch), who=BO)
    own = kits_check.own_counts(25, version)
    assert (own.checked, own.wrong, own.caught_counting, own.shortages) == (12, 1, 1, 1)
    assert own.perfect == pytest.approx((11 / 12) ** 25)
    # Clopper-Pearson, 95 %, for 1 of 12: 0.21 % to 38.48 % (tables of binomial limits; from memory)
    assert (100 * own.low, 100 * own.high) == (pytest.approx(0.21, abs=0.005), pytest.approx(38.48, abs=0.005))
    assert own.perfect_low < own.perfect < own.perfect_high


def test_fewer_kits_give_the_parts_back_to_their_lots() -> None:
    batch = kits_batch.begin(kit_of_three(), 10, who=ADA)
    kits_batch.fill(batch, 1, 20, who=ADA)
    kits_batch.make_fewer(batch, 7, who=ADA)
    assert on_hand("E100") == 26
    assert Part.objects.get(code="F1").reserved == 21
    kits_batch.fill(batch, 2, 7, who=ADA)
    kits_batch.fill(batch, 3, 21, who=ADA)
    kits_check.check_by_codes(batch, 1, codes(batch), who=BO)
    with pytest.raises(StoreError, match="kits: 7 found; allowed: 1 to 6"):
        kits_batch.make_fewer(batch, 7, who=ADA)
    kits_batch.drop(batch, who=ADA, why="the board has another revision")
    assert [on_hand(code) for code in ("E100", "E10", "F1")] == [38, 19, 27]
    assert not Reservation.objects.filter(closed=None).exists()
    with pytest.raises(StoreError, match="which is dropped"):
        kits_check.check_by_codes(batch, 2, codes(batch), who=BO)


# ---------------------------------------------------------------- trace


def test_trace_both_ways_and_recall() -> None:
    version = kit_of_three(a=10, c=15)  # lots of E100: five and five, so that kit 3 has one of each
    made = make(version, 5)
    old, new = Lot.objects.get(code="2501"), Lot.objects.get(code="2510")
    held = [[(x.lot.code, x.pieces) for x in kits_trace.lots_of(kit) if x.line.n == 1] for kit in made]
    assert held == [[("2501", 2)], [("2501", 2)], [("2501", 1), ("2510", 1)], [("2510", 2)], [("2510", 2)]]
    assert [x.number for x in kits_trace.kits_of(old)] == [1, 2, 3]
    assert [x.pieces for x in kits_trace.kits_of(new)] == [1, 2, 2]
    kits_trace.sell(made[0], to="Tobias Rook", price="9.50")
    found = kits_trace.recall(old, who=ADA, why="leaks")
    assert [x.code for x in found.marked] == [made[1].code, made[2].code]
    assert [x.kit.sold_to for x in found.sold if x.kit] == ["Tobias Rook"]
    assert (found.aside, found.left) == (0, 0)  # all of the lot is in kits
    with pytest.raises(StoreError, match="is recalled; allowed: ready"):
        kits_trace.sell(made[1], to="Tobias Rook")
    made[3].refresh_from_db()
    assert made[3].state == "ready"


def test_a_kit_on_the_bench_is_marked_as_it_gets_ready_and_the_rest_put_aside() -> None:
    version = kit_of_three(a=12, c=15)
    kits.wish(version, 3, who=ADA)
    batch = kits_batch.begin(version, 2, who=ADA)
    kits_batch.fill(batch, 1, 4, who=ADA)
    old = Lot.objects.get(code="2501")
    found = kits_trace.recall(old, who=ADA, why="leaks")
    assert ([x.state for x in found.being_made], found.aside, found.left) == (["being made"] * 2, 2, 0)
    kits_batch.fill(batch, 2, 2, who=ADA)
    kits_batch.fill(batch, 3, 6, who=ADA)
    kit = kits_check.check_by_codes(batch, 1, codes(batch), who=BO)
    assert isinstance(kit, Kit)
    assert (kit.state, kit.note) == ("recalled", "with parts of lot 2501 of E100, recalled")
    assert kits.to_make(version) == 2  # three are wanted, one is on the bench: a recalled one does not count


def test_taken_apart_goes_back_and_what_was_recalled_into_quarantine() -> None:
    version = kit_of_three(a=10, c=15)
    kit = make(version, 5)[2]
    old = Lot.objects.get(code="2501")
    kits_trace.take_apart(kit, who=ADA, bad={3: 1}, recalled=old)
    old.refresh_from_db()
    assert (old.on_hand, old.quarantined) == (0, 1)
    assert (on_hand("E100"), on_hand("E10"), on_hand("F1")) == (1, 16, 2)
    with pytest.raises(StoreError, match="is taken apart"):
        kits_trace.take_apart(kit, who=ADA)


def test_selling_moves_nothing() -> None:
    kit = make(kit_of_three(), 1)[0]
    lines = Movement.objects.count()
    kits_trace.sell(kit, to="Ines Aldane", price="12,40")
    kit.refresh_from_db()
    assert Movement.objects.count() == lines
    assert (kit.state, kit.price, kit.currency) == ("sold", Decimal("12.40"), "EUR")
    assert not Reservation.objects.filter(closed=None).exists()


def test_sums_of_the_stores_are_those_of_the_ledger() -> None:
    kit = make(kit_of_three(), 3)[1]
    kits_trace.take_apart(kit, who=ADA)
    for each in Part.objects.annotate(total=Sum("movements__on_hand")):
        assert each.on_hand == each.total


def test_lines_of_a_version_and_of_the_ledger_that_filled_kits_stay_as_they_are() -> None:
    version = kit_of_three()
    kit = make(version, 1)[0]
    for line in version.lines.all():
        line.quantity = 9
        with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
            line.save()
    movement = kits_trace.lots_of(kit)[0].step.movement
    assert movement is not None
    with pytest.raises(StoreError, match="it belongs to kit batch"):
        correct(movement, who=ADA, why="a slip")


def test_cost_by_lots_and_by_what_was_paid_last() -> None:
    version = kit_of_three(a=20, b=100, c=100)
    dear = Part.objects.get(code="E100")
    came(dear, 10, "2520", price="0.40")
    found = kits_cost.cost_of(version, 12, rate=30)  # E100: 20 at 0.10, 4 at 0.40
    assert found.lines[0].sum == Decimal("3.60")
    assert found.price.parts == pytest.approx((3.60 + 1.20 + 3.60) / 12)
    assert found.price.labour == pytest.approx(2.5)
    found = kits_cost.cost_of(version, 20, rate=30)  # 40 of E100 where there are 30: ten more at the last price
    assert found.lines[0].sum == Decimal("10.00")
    assert not found.unpriced


# ---------------------------------------------------------------- in a job


def test_a_kit_used_in_a_job_is_paid_once_and_moves_nothing(job: Job) -> None:
    first, second = make(kit_of_three(), 2)
    lines = Movement.objects.count()
    entry = use(first, job, who=ADA)
    assert (first.state, first.job) == ("used", job)
    assert Movement.objects.count() == lines
    assert entry.data["price"] == pytest.approx(0.60)  # six parts at 0.10
    put = {"kind": "part-in", "ref": "C1", "value": "100u 25V", "minus": "left", "price": 0.5}
    out = {"kind": "part-out", "ref": "C1", "value": "100u 25V", "fitted": "left", "printed": "left", "by_net": "left"}
    append(job, {"kind": "caution", "caution": "mains"}, ADA)
    append(job, {"kind": "caution", "caution": "charged-capacitor"}, ADA)
    append(job, out, ADA)
    append(job, put, ADA)
    assert job_state(job).parts == pytest.approx(0.60)
    for code in (first.code, "K999-1"):
        with pytest.raises(LogError, match=r"kit: .*; allowed: (once|the code of a ready kit)"):
            append(job, {"kind": "kit-used", "kit": code}, ADA)
    kits_trace.sell(second, to="Ines Aldane")
    with pytest.raises(LogError, match="which is sold; allowed: the code of a ready kit"):
        append(job, {"kind": "kit-used", "kit": second.code}, ADA)
    append(job, {"kind": "correction", "corrects": entry.n, "with": None, "why": "another unit"}, ADA)
    first.refresh_from_db()
    assert (first.state, first.job) == ("ready", None)
    assert job_state(job).parts == pytest.approx(0.50)
