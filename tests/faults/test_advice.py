"""Advice: what bars a step, what comes first, and why, in words that are true."""

from __future__ import annotations

import re
from dataclasses import replace
from random import Random
from typing import Any

import numpy as np
import pytest

from refettle.book.replay import replay
from refettle.book.state import JobState
from refettle.faults import (
    Advice,
    Check,
    Context,
    Done,
    Event,
    GearItem,
    Mode,
    Model,
    Options,
    Reading,
    Repair,
    advise,
    enumerate_sets,
    error_matrix,
    replace_all_minutes,
)
from refettle.faults import replay as suspicions_after
from refettle.faults.advice import DEAR_MINUTES, DEAR_PARTS, EQUAL, WORKING
from refettle.knowledge.compile import DATA_SAVED, FIRST_POWER, compile_type
from refettle.knowledge.loading import load_shipped_type, shipped_types
from tests.book.logs import entry, random_log

SLUGS = sorted(shipped_types())
ONE = Options(depth=1)


# ---------------------------------------------------------------- small models


def a_check(name: str, modes: int, shows: set[int], minutes: float = 2, error: float = 0.02, **more: Any) -> Check:
    """A check that reads bad if one of the modes `shows` is there."""
    rows = np.array([[0.0, 1.0] if m in shows else [1.0, 0.0] for m in range(modes)])
    return Check(name, f"Look at {name}", ("good", "bad"), rows, error_matrix(2, error, error, 0.0), minutes, **more)


def a_repair(name: str, mode: str, minutes: float, **more: Any) -> Repair:
    return Repair(name, f"Mend {name}", {mode: 1.0}, minutes, block=mode.upper(), **more)


def a_model(chances: dict[str, float], checks: list[Check], repairs: list[Repair], single: bool = True) -> Model:
    """One block for each mode, named by its capital; exactly one mode is there, unless `single` is false."""
    modes = tuple(Mode(name, f"fault {name}", name.upper(), chance) for name, chance in chances.items())
    return Model(modes, tuple(checks), tuple(repairs), (GearItem("eye", 0.0, 0.0),), single=single)


def advice_of(model: Model, events: list[Event] | None = None, **context: Any) -> Advice:
    """Advice of a unit seen to fail, unless `context` says otherwise."""
    return advise(suspicions_after(model, events or []), Context(**{"options": ONE, "seen_bad": True, **context}))


def step_of(advice: Advice, name: str) -> Any:
    return next(step for step in advice.steps if step.id == name)


def bars_of(advice: Advice, name: str) -> list[tuple[str, str]]:
    return [(bar.kind, bar.what) for bar in step_of(advice, name).bars]


# ---------------------------------------------------------------- gates

GATED = a_model(
    {"a": 0.6, "b": 0.4},
    [a_check("c", 2, {0}, gates=("first-power", "caution:hot-water"))],
    [a_repair("ra", "a", 300), a_repair("rb", "b", 400, gates=("data-saved",))],
)


@pytest.mark.parametrize("price", [0.0, 5.0])
def test_a_gate_bars_a_step_whatever_it_costs_to_pass(price: float) -> None:
    minutes = dict.fromkeys(("first-power", "caution:hot-water", "data-saved"), price)

    def with_open(*gates: str) -> Advice:
        return advice_of(GATED, options=Options(depth=1, gates_open=gates, gate_minutes=minutes))

    shut = with_open()
    assert bars_of(shut, "c") == [("gate", "first-power"), ("gate", "caution:hot-water")]
    # A repair of hours waits for the telling check as well, whatever gates are open.
    assert bars_of(shut, "rb") == [("gate", "data-saved"), ("cheaper check", "c")]
    assert [bar.text for bar in step_of(shut, "c").bars] == [
        "Before power: the first power-on gate.",
        "Read the caution first: hot water.",
    ]
    assert shut.do is not None
    assert (shut.do.id, shut.do.open) == ("c", False)
    assert shut.gate == shut.do.bars[0]
    half = with_open("first-power")
    assert (half.do and half.do.id, half.gate and half.gate.what) == ("c", "caution:hot-water")
    free = with_open("first-power", "caution:hot-water", "data-saved")
    assert (free.do and free.do.id, free.gate) == ("c", None)
    assert {s.id: [b.kind for b in s.bars] for s in free.steps if s.bars} == {
        "ra": ["cheaper check"],
        "rb": ["cheaper check"],
    }
    assert step_of(shut, "c").minutes == step_of(free, "c").minutes + 2 * price


def must_be_passed(state: JobState, step_id: str) -> set[str]:
    """The gates of a step, from what a person reads of it rather than from the model."""
    step = state.compiled.steps[step_id]
    library = state.compiled.loaded.library.cautions
    gates = {f"caution:{c}" for c in step.cautions if library[c].gate}
    if step.powered:
        gates.add(FIRST_POWER)
    point = state.compiled.loaded.unit_type.points.get(step_id)
    if point is not None and point.shows == "save" and state.compiled.loaded.unit_type.must_save:
        gates.add(DATA_SAVED)
    block = state.compiled.loaded.blocks.get(step.block)
    if step.kind == "repair" and state.compiled.loaded.unit_type.must_save and block and block.kind == "battery":
        gates.add(DATA_SAVED)
    return gates


@pytest.mark.parametrize("slug", SLUGS)
@pytest.mark.parametrize("seed", range(3))
def test_no_step_is_open_that_something_bars(slug: str, seed: int) -> None:
    compiled = compile_type(load_shipped_type(slug))
    rng = Random(seed * 1000 + SLUGS.index(slug))
    log = random_log(rng, compiled, rng.randint(4, 12))
    cautions = rng.sample(list(compiled.loaded.library.cautions), rng.choice((0, 3, 12)))
    log += [entry(100 + n, "caution", 900, caution=c) for n, c in enumerate(cautions)]
    state = replay(compiled, log)
    customer = rng.random() < 0.5
    advice = state.advice(customer, depth=1)
    there = state.suspicions.member, state.suspicions.weights
    for step in advice.steps:
        if step.kind == "give up":
            continue
        closed = must_be_passed(state, step.id) - state.gates_open
        assert closed == {bar.what for bar in step.bars if bar.kind == "gate"}, step.id
        assert step.open == (not step.bars)
        if compiled.steps[step.id].undo:
            assert {bar.kind for bar in step.bars} <= {"gate", "cheaper check"}, step.id
            if "cheaper check" in {bar.kind for bar in step.bars}:
                assert step.kind == "repair"
                assert step.parts >= DEAR_PARTS or compiled.steps[step.id].minutes >= DEAR_MINUTES
            continue
        fixes = compiled.model.repairs[compiled.model.repair_index[step.id]].fixes
        columns = [compiled.model.mode_index[mode] for mode in fixes]
        chance = float(there[1][there[0][:, columns].any(axis=1)].sum())
        if chance < 0.45:
            assert "suspicion" in {bar.kind for bar in step.bars}, step.id
        if step.id not in state.proofs:
            assert "proof" in {bar.kind for bar in step.bars}, step.id
        if customer and step.id not in state.consents:
            assert "consent" in {bar.kind for bar in step.bars}, step.id
    if advice.state == "find":
        assert [step.id for step in advice.steps if step.kind == "give up"] == ["give up"]
    if advice.do is not None:
        assert all(bar.kind == "gate" for bar in advice.do.bars)
        assert advice.gate == (advice.do.bars[0] if advice.do.bars else None)
    else:
        assert advice.state == "works"


# ---------------------------------------------------------------- steps that cannot be undone

CUT = a_model(
    {"a": 0.7, "b": 0.3},
    [a_check("c", 2, {0}), a_check("slow", 2, {0}, minutes=11), a_check("deep", 2, {0}, level=2)],
    [a_repair("cut", "a", 60, undo=False, level=2), a_repair("rb", "b", 40)],
)
RECORDED = {"proofs": {"cut"}, "consents": {"cut"}}


def barred(model: Model = CUT, events: list[Event] | None = None, **context: Any) -> list[tuple[str, str]]:
    return bars_of(advice_of(model, events, needs_proof={"cut"}, needs_consent=True, **context), "cut")


def test_a_step_that_cannot_be_undone_is_barred_by_each_of_its_bars() -> None:
    assert barred() == [("cheaper check", "c"), ("proof", "cut"), ("consent", "cut")]
    assert barred(done_since={"c"}) == [("proof", "cut"), ("consent", "cut")]
    assert barred(done_since={"c"}, proofs={"cut"}) == [("consent", "cut")]
    assert barred(done_since={"c"}, consents={"cut"}) == [("proof", "cut")]
    assert barred(done_since={"c"}, **RECORDED) == []
    assert barred(proofs={"rb"}, consents={"rb"})[1:] == [("proof", "cut"), ("consent", "cut")]
    free = advice_of(CUT, needs_proof={"cut"}, needs_consent=False, done_since={"c"}, proofs={"cut"})
    assert bars_of(free, "cut") == []  # one's own unit asks nobody's consent
    # What can be undone is barred by a telling cheap check at most, and only if it is dear.
    assert bars_of(advice_of(CUT), "rb") == [("cheaper check", "c")]
    short = replace(CUT, repairs=(CUT.repairs[0], replace(CUT.repairs[1], minutes=DEAR_MINUTES - 1)))
    assert bars_of(advice_of(short), "rb") == []
    parts = replace(short, repairs=(CUT.repairs[0], replace(short.repairs[1], parts=DEAR_PARTS)))
    assert bars_of(advice_of(parts), "rb") == [("cheaper check", "c")]


def test_suspicion_bars_it_until_it_is_likely_enough() -> None:
    doubt: list[Event] = [Reading("slow", {"good": 1})]
    text = step_of(advice_of(CUT, doubt, **RECORDED), "cut").bars[0]
    share = 0.7 * 0.02 / (0.7 * 0.02 + 0.3 * 0.98)
    assert (text.kind, text.text) == ("suspicion", f"It cannot be undone: suspicion {share:.0%}, 50% needed.")
    sure: list[Event] = [Reading("slow", {"bad": 1})]
    assert barred(CUT, sure, **RECORDED) == []  # nothing cheap would change the mind now
    strict = Options(depth=1, once_suspicion=0.995)
    assert [kind for kind, _ in barred(CUT, sure, options=strict, **RECORDED)] == ["suspicion"]


def test_only_a_check_that_is_cheap_and_near_stands_before_it() -> None:
    far = replace(CUT, checks=CUT.checks[1:])  # eleven minutes, or as deep in the unit as the step itself
    assert barred(far, **RECORDED) == []
    assert barred(options=Options(depth=1, skip={"c"}), **RECORDED) == []
    short = replace(CUT, repairs=(replace(CUT.repairs[0], minutes=5.0), CUT.repairs[1]))
    assert barred(short, **RECORDED) == []  # two minutes are not cheap beside five
    blind = replace(CUT, checks=(a_check("c", 2, {0, 1}),))
    assert barred(blind, **RECORDED) == []  # it tells nothing


def test_the_best_step_is_never_one_that_is_barred_for_good() -> None:
    model = a_model({"a": 0.9, "b": 0.1}, [], [a_repair("cut", "a", 5, undo=False), a_repair("rb", "b", 90)])
    advice = advice_of(model, needs_proof={"cut"})
    assert advice.steps[0].id == "cut"
    assert advice.do is not None
    assert advice.do.id == "rb"
    risks = step_of(advice, "cut").risks
    assert "It cannot be undone." in risks


# ---------------------------------------------------------------- equals


def two_repairs(chance: float) -> Advice:
    """Repair `a` of 90 minutes, `b` of 10; `chance` that the cause is b's. No check."""
    repairs = [a_repair("a", "a", 90), a_repair("b", "b", 10)]
    return advice_of(a_model({"a": 1 - chance, "b": chance}, [], repairs))


@pytest.mark.parametrize(("chance", "equal"), [(0.09, True), (0.08, True), (0.06, False), (0.01, False)])
def test_how_close_equals_are(chance: float, equal: bool) -> None:
    advice = two_repairs(chance)
    first, second = (90 + chance * 10, 10 + (1 - chance) * 90)
    assert [s.expected for s in advice.steps[:2]] == pytest.approx([first, second])
    assert (second <= first * (1 + EQUAL)) is equal
    assert [s.equal for s in advice.steps] == [equal, equal, False]
    assert ("within 3\u202f% as good as “Mend b”" in advice.steps[0].reasons[-1]) is equal
    assert advice.do is not None
    assert advice.do.id == "a"  # the shorter one is worth no more for its minutes


@pytest.mark.parametrize(
    ("long", "error", "equal", "first"),
    [
        (10, 0.16, True, "short"),  # 70 minutes to go with the long look, 71.6 with the short one
        (10, 0.18, False, "long"),  # 72.8: no longer an equal
        (3, 0.03, True, "long"),  # an equal, but not half as long
    ],
)
def test_a_much_shorter_equal_that_tells_more_per_minute_goes_first(
    long: float, error: float, equal: bool, first: str
) -> None:
    checks = [a_check("long", 2, {0}, minutes=long, error=0.0), a_check("short", 2, {0}, minutes=2, error=error)]
    model = a_model({"a": 0.5, "b": 0.5}, checks, [a_repair("ra", "a", 60), a_repair("rb", "b", 60)])
    advice = advice_of(model)
    assert advice.steps[0].id == "long"
    assert advice.steps[0].expected == pytest.approx(60 + long)
    assert step_of(advice, "short").expected == pytest.approx(62 + error * 60)
    assert step_of(advice, "short").equal is equal
    assert advice.do is not None
    assert advice.do.id == first
    assert advice.do.reasons


def test_giving_up_is_no_equal_and_comes_first_when_nothing_pays() -> None:
    dear = replace(a_model({"a": 0.5, "b": 0.5}, [], [a_repair("a", "a", 300), a_repair("b", "b", 300)]), give_up=60.0)
    advice = advice_of(dear)
    assert advice.do is not None
    assert (advice.do.kind, advice.do.expected) == ("give up", 60.0)
    assert not any(step.equal for step in advice.steps)
    near = replace(dear, give_up=450.0)
    assert not step_of(advice_of(near), "give up").equal


# ---------------------------------------------------------------- in words


def test_reasons_name_the_runner_up_and_replacing_everything() -> None:
    model = a_model({"a": 0.6, "b": 0.4}, [a_check("c", 2, {0})], [a_repair("ra", "a", 30), a_repair("rb", "b", 80)])
    model = replace(model, retest=3.0, setup=(4.0, 5.0))
    advice = advice_of(model, names={"A": "The feed", "B": "The voice"})
    first, second = advice.steps[0], advice.steps[1]
    assert advice.replace_all == pytest.approx(30 + 80 + 3 + 4 + 5)
    assert first.id == "c"
    gap, saved = second.expected - first.expected, advice.replace_all - first.expected
    assert gap > 1
    assert 1 < saved < 90
    assert first.reasons[-1] == (
        f"Expected {first.expected:.0f} min to a working unit if you start here, {gap:.0f} min less than with the "
        f"runner-up, “{second.name}”; {saved:.0f} min less than replacing everything (2.0 h)."
    )
    assert f"{gap:.0f} min more than with the first" in second.reasons[-1]
    assert "“bad” (60%) points to The feed (99%)" in first.reasons[0]
    assert "“good” (40%) points to The voice (97%)" in first.reasons[0]
    assert [(o.outcome, round(o.chance, 3)) for o in first.outcomes] == [("bad", 0.596), ("good", 0.404)]
    assert first.risks == ("It reads bad by mistake about 2 times in 100, and misses about 2 times in 100.",)
    repair = step_of(advice, "ra")
    assert repair.reasons[0].startswith("Suspicion 60% that what it cures is there (most likely: fault a)")


def test_replacing_everything_takes_the_most_thorough_repair_of_each_block_of_the_unit() -> None:
    modes = [Mode("a", "a", "A", 0.1), Mode("a2", "a2", "A", 0.1), Mode("lead", "lead", "L", 0.1, bench=True)]
    repairs = (
        Repair("small", "small", {"a": 0.9}, 5, block="A"),
        Repair("large", "large", {"a": 0.9, "a2": 0.9}, 50, parts=10.0, block="A"),
        Repair("lead", "lead", {"lead": 1.0}, 1, block="L"),
        Repair("all", "all", {"a": 1.0, "a2": 1.0}, 200),
    )
    model = Model(tuple(modes), (), repairs, retest=2.0, rate=30.0, give_up=100.0)
    sound = 0.9**3
    # Given that it does not work: a and a2 may stay, and the bench's lead is not replaced.
    cured = (0.99 * 0.99 * 0.9 - sound) / (1 - sound)
    # Ten units of money are twenty minutes at 30 an hour.
    every_set = suspicions_after(model, [], enumerate_sets(model, left_out=1e-12))
    assert replace_all_minutes(every_set) == pytest.approx(50 + 20 + 2 + (1 - cured) * 100)


def test_replacing_everything_is_named_where_it_would_do_better_too() -> None:
    modes = (Mode("a", "a", "A", 0.5), Mode("b", "b", "B", 0.5))
    model = Model(modes, (), (a_repair("ra", "a", 10), a_repair("rb", "b", 10)), retest=30.0, single=True)
    advice = advice_of(model)
    assert advice.do is not None
    assert (advice.replace_all, round(advice.do.expected)) == (50, 60)
    assert "10 min more than replacing everything (50 min)" in advice.do.reasons[-1]


@pytest.mark.parametrize("slug", SLUGS)
def test_reasons_on_a_shipped_type(slug: str) -> None:
    compiled = compile_type(load_shipped_type(slug))
    point = next(s for s in compiled.steps.values() if s.is_point)
    log = [entry(1, "check", check=point.id, outcome=point.outcomes[0])]
    advice = replay(compiled, log).advice(depth=1)
    assert advice.state == "find"
    assert advice.do is not None
    assert "than replacing everything (" in advice.do.reasons[-1]
    assert re.search(r"runner-up, “|as good as “|more than with the first", advice.do.reasons[-1])
    named = [s for s in advice.steps if s.reasons and s.kind != "give up"]
    assert len(named) >= 5
    assert all(re.match(r"Expected \d", s.reasons[-1]) for s in named)


# ---------------------------------------------------------------- find, test, works


def healthy(prior: float, **more: Any) -> Model:
    return a_model({"a": prior}, [a_check("p", 1, {0}, **more)], [a_repair("ra", "a", 30)], single=False)


def test_the_three_states() -> None:
    unseen = {"seen_bad": False, "points": ("p",)}
    first = advice_of(healthy(0.3), **unseen)
    assert (first.state, first.do and first.do.id, first.expected) == ("test", "p", 0.0)
    assert first.nothing_wrong == pytest.approx(0.7)
    assert first.do is not None
    assert first.do.reasons == ("Nobody at this bench has seen it fail yet: see for yourself first.",)
    good: list[Event] = [Reading("p", {"good": 1})]
    works = advice_of(healthy(0.3), good, **unseen)
    assert works.nothing_wrong > WORKING
    assert (works.state, works.steps, works.do) == ("works", (), None)
    assert advice_of(healthy(0.3), good, points=("p",), seen_bad=True).state == "find"
    bad: list[Event] = [Reading("p", {"bad": 2})]
    assert advice_of(healthy(0.3), bad, **unseen).state == "find"  # sure to be wrong, whoever saw it
    mended = [*bad, Done("ra")]
    assert advice_of(healthy(0.3), mended, **unseen).state == "works"
    doubtful = replace(healthy(0.3), repairs=(replace(healthy(0.3).repairs[0], fixes={"a": 0.7}),))
    again = advice_of(doubtful, mended, **unseen)
    assert (again.state, again.do and again.do.id) == ("test", "p")


def test_looking_again_in_the_same_run_waits_for_a_new_one() -> None:
    """A fault that comes and goes: once looked at in this run, only a restart can show more."""
    rows = np.array([[0.0, 1.0], [1.0, 0.0]])
    trials = np.array([[0.5, 0.5], [0.5, 0.5]])
    check = Check("p", "Look at p", ("good", "bad"), rows, error_matrix(2, 0.001, 0.001, 0), 1, trial_shows=trials)
    modes = (Mode("a", "a", "A", 0.15), Mode("a~", "a, dormant", "A", 0.15, dormant_of="a"))
    model = Model(modes, (check,), (Repair("r", "r", {"a": 1.0, "a~": 1.0}, 10, block="A"),))
    events: list[Event] = [Reading("p", {"good": 1})]
    context = {"seen_bad": False, "points": ("p",), "looked_in_run": {"p"}}
    after_restart = advice_of(model, events, **context)
    assert (after_restart.state, after_restart.do and after_restart.do.id) == ("test", "p")


def test_a_unit_taken_in_and_a_unit_that_works_for_days() -> None:
    compiled = compile_type(load_shipped_type("wexcombe-table"))
    points = [s.id for s in compiled.steps.values() if s.is_point]
    assert replay(compiled, []).advice(depth=1).state == "test"
    bad = [entry(1, "check", check="dial_lamp", outcome="dark")]
    assert replay(compiled, bad).advice(depth=1).state == "find"
    mended = [*bad, entry(2, "repair", 1, repair="mains_lead.clean-plug")]
    good = [
        entry(3 + 2 * day + n, "check", 2 + 24 * day, check=point, outcome="good")
        for day in range(9)
        for n, point in enumerate(points)
    ]
    assert replay(compiled, [*mended, *good[: len(points)]]).advice(depth=1).state == "test"
    advice = replay(compiled, [*mended, *good]).advice(depth=1)
    assert (advice.state, advice.do) == ("works", None)
    assert advice.nothing_wrong >= WORKING


# ---------------------------------------------------------------- evidence that fits nothing


@pytest.mark.parametrize("place", [1, 2, 4])
def test_evidence_that_fits_nothing_names_the_entry_that_disagrees_most(place: int) -> None:
    compiled = compile_type(load_shipped_type("larkmere-48"))
    good = [{"check": p, "outcome": "good"} for p in ("picture", "sound", "keys")]
    odd = {"check": "rail5.out-volts", "outcome": "no volts"}  # and yet there is a picture
    order = [*good[: place - 1], odd, *good[place - 1 :]]
    log = [entry(n, "check", **fields) for n, fields in enumerate(order, 1)]
    misfit = replay(compiled, log).advice(depth=1).misfit
    assert misfit is not None
    assert (misfit.fits, misfit.ref, misfit.check) == (False, str(place), "rail5.out-volts")
    assert misfit.fit < 0.02 < misfit.fit_without
    taken_back = [*log, entry(9, "correction", corrects=place)]
    mended = replay(compiled, taken_back).advice(depth=1).misfit
    assert mended is not None
    assert mended.fits


def test_evidence_that_fits_says_so_and_none_says_nothing() -> None:
    compiled = compile_type(load_shipped_type("larkmere-48"))
    assert replay(compiled, []).advice(depth=1).misfit is None
    log = [
        entry(1, "check", check="picture", outcome="no picture"),
        entry(2, "check", check="rail5.out-volts", outcome="no volts"),
    ]
    fits = replay(compiled, log).advice(depth=1).misfit
    assert fits is not None
    assert fits.fits
    assert fits.fit > 0.5
