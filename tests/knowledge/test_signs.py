"""Signs travel as declared: along needs, changed, stopped, past what is bypassed, with a part swapped."""

from __future__ import annotations

from typing import Any

import pytest

from refettle.faults import NO_CHANGE
from refettle.knowledge.compile import DORMANT, OTHER, OWNER
from refettle.knowledge.schema import SIGNS
from tests.knowledge.small import a_kind, a_type, shown

SOURCE = a_kind("source", {"dead": ["dead"], "hum": ["hum"], "low": ["low"]})
CHAIN = {"a": {"kind": "source"}, "b": {"kind": "through", "needs": ["a"]}}

VIEW_OF = {"shows": "view", "name": "View"}


def through(**passes: Any) -> Any:
    return a_kind("through", {"own": ["noise"]}, passes={k.replace("any", "*"): v for k, v in passes.items()})


@pytest.mark.parametrize(
    ("passes", "along", "hum", "dead"),
    [
        ({}, None, "hum", "dead"),
        ({"hum": "garbled"}, None, "garbled", "dead"),
        ({"hum": None}, None, "good", "dead"),
        ({"any": None}, None, "good", "good"),
        ({"any": "restart", "hum": "hum"}, None, "hum", "restart"),
        ({"hum": "garbled"}, {"hum": "low"}, "low", "dead"),  # what is said of the need goes before the kind
        ({"hum": "garbled", "dead": None}, {"hum": None}, "good", "good"),
        ({"hum": "garbled"}, {"*": "part"}, "part", "part"),
        ({"any": None}, {"hum": "hum"}, "hum", "good"),
    ],
)
def test_along_one_need(passes: dict[str, Any], along: dict[str, Any] | None, hum: str, dead: str) -> None:
    blocks = {**CHAIN, "b": {"kind": "through", "needs": {"a": along}}}
    compiled = a_type([SOURCE, through(**passes)], blocks, "b")
    assert shown(compiled, "view", "a.hum") == {hum: 1.0}
    assert shown(compiled, "view", "a.dead") == {dead: 1.0}
    assert shown(compiled, "view", "b.own") == {"noise": 1.0}
    assert shown(compiled, "view", OTHER) == pytest.approx({"good": 0.4} | dict.fromkeys(SIGNS, 0.6 / len(SIGNS)))


def test_two_ways_round_and_the_worst_is_what_shows() -> None:
    kinds = [SOURCE, through(), a_kind("join", {"own": ["slow"]})]
    blocks = {
        "a": {"kind": "source"},
        "left": {"kind": "through", "needs": {"a": {"hum": "noise"}}},
        "right": {"kind": "through", "needs": {"a": {"hum": "part", "dead": None}}},
        "out": {"kind": "join", "needs": ["left", "right"]},
        "aside": {"kind": "through", "needs": ["a"]},
    }
    compiled = a_type(kinds, blocks, ["out", "aside"])
    assert shown(compiled, "view", "a.hum") == {"part": 1.0}  # part is worse than noise and hum
    assert shown(compiled, "view", "a.dead") == {"dead": 1.0}
    points = {"view": VIEW_OF | {"sees": ["aside", "right"]}, "end": VIEW_OF | {"sees": "out"}}
    two = a_type(kinds, blocks, "out", points=points)
    assert [shown(two, "view", mode) for mode in ("left.own", "out.own")] == [{"good": 1.0}] * 2
    assert [shown(two, "end", mode) for mode in ("left.own", "out.own")] == [{"noise": 1.0}, {"slow": 1.0}]


def test_a_mode_with_several_signs_shows_the_worst_that_comes_through() -> None:
    both = a_kind("source", {"both": ["hum", "dead"]})
    assert shown(a_type([both, through()], CHAIN, "b"), "view", "a.both") == {"dead": 1.0}
    assert shown(a_type([both, through(dead=None)], CHAIN, "b"), "view", "a.both") == {"hum": 1.0}


def test_without_goes_past_a_block_and_its_rules() -> None:
    check = {
        "name": "past b",
        "sees": ["c"],
        "without": ["b"],
        "outcomes": {"bad": list(SIGNS)},
        "minutes": 2,
        "how": "h",
    }
    blocks = {**CHAIN, "c": {"kind": "through", "needs": ["b"]}}
    compiled = a_type([SOURCE, through(hum=None)], blocks, "c", checks={"past": check})
    assert shown(compiled, "view", "a.hum") == {"good": 1.0}
    assert shown(compiled, "past", "a.hum") == {"good": 1.0}  # c stops it too
    assert shown(compiled, "past", "b.own") == {"good": 1.0}
    assert shown(compiled, "past", "c.own") == {"bad": 1.0}
    assert shown(compiled, "past", "a.dead") == {"bad": 1.0}
    compiled = a_type([SOURCE, through(hum=None)], CHAIN, "b", checks={"past": {**check, "sees": ["b"]}})
    assert shown(compiled, "past", "a.hum") == {"bad": 1.0}  # b's own rules are out of the way with it


def test_a_swap_shows_no_change_unless_the_block_itself_is_at_fault() -> None:
    swap = {"swap": {"name": "swap", "swap": True, "minutes": 3, "how": "h"}}
    kinds = [SOURCE, a_kind("through", {"own": ["noise"]}, checks=swap)]
    blocks = {**CHAIN, "c": {"kind": "source", "needs": ["b"]}, "apart": {"kind": "source"}}
    points = {"view": VIEW_OF | {"sees": "c"}, "beside": VIEW_OF | {"sees": "apart"}}
    compiled = a_type(kinds, blocks, "c", points=points)
    outcomes = {mode: shown(compiled, "b.swap", mode) for mode in ("a.dead", "b.own", "c.low", "apart.dead")}
    assert outcomes["b.own"] == {"good": 1.0}
    assert outcomes["a.dead"] == outcomes["c.low"] == {NO_CHANGE: 1.0}
    assert outcomes["apart.dead"] == {"good": 1.0}  # shows at an output that b does not reach
    assert compiled.model.checks[compiled.model.check_index["b.swap"]].outcomes == ("good", NO_CHANGE)


def test_a_fault_that_comes_and_goes_is_acting_or_dormant() -> None:
    active = {"cold": 0.25, "moved": 0.75}
    modes = {"loose": {"name": "loose", "share": 1, "effect": ["dead"], "active": active}}
    tapped = {"name": "tap", "sees": "output", "outcomes": {"none": ["dead"]}, "minutes": 1, "how": "h"}
    seen = {
        "name": "lens",
        "looks_at": ["loose"],
        "outcomes": {"ring": ["loose"]},
        "powered": False,
        "minutes": 1,
        "how": "h",
    }
    kind = a_kind("source", modes, weight=20, checks={"tap": {**tapped, "condition": "moved"}, "lens": seen})
    compiled = a_type([kind], {"a": {"kind": "source"}}, "a")
    model = compiled.model
    priors = {mode.id: mode.prior for mode in model.modes}
    assert (priors["a.loose"], priors["a.loose" + DORMANT]) == pytest.approx((0.05, 0.15))
    # One look in one run; moved, every look is a draw of its own; what is there to be seen is there.
    assert [shown(compiled, "view", mode) for mode in ("a.loose", "a.loose~")] == [{"dead": 1.0}, {"good": 1.0}]
    assert [shown(compiled, "a.tap", mode) for mode in ("a.loose", "a.loose~")] == [{"good": 0.25, "none": 0.75}] * 2
    assert [shown(compiled, "a.lens", mode) for mode in ("a.loose", "a.loose~")] == [{"ring": 1.0}] * 2
    trials = model.trials["view"].shows[[model.mode_index["a.loose"], model.mode_index["a.loose~"]]]
    assert trials[:, 0] == pytest.approx([0.75, 0.75])  # over several runs, the rate of a run
    assert dict(model.repairs[0].fixes) == {"a.loose": 1.0, "a.loose~": 1.0}


def test_the_owner_saw_it_at_home_without_the_gear_of_the_bench() -> None:
    lead = a_kind("lead", {"open": ["dead"]}, bench_gear=True)
    blocks = {"a": {"kind": "source"}, "lead": {"kind": "lead", "needs": ["a"]}}
    compiled = a_type([SOURCE, lead], blocks, "lead")
    assert shown(compiled, "view", "lead.open") == {"dead": 1.0}
    assert shown(compiled, OWNER + "view", "lead.open") == {"good": 1.0}
    assert shown(compiled, OWNER + "view", "a.hum") == {"hum": 1.0}


def test_a_mode_taken_out_leaves_no_trace() -> None:
    esr = {
        "name": "esr",
        "looks_at": ["hum", "low"],
        "outcomes": {"high": ["hum"], "gone": ["low"]},
        "minutes": 1,
        "how": "h",
    }
    hum = {"name": "hum only", "looks_at": ["hum"], "outcomes": {"high": ["hum"]}, "minutes": 1, "how": "h"}
    kind = a_kind("source", {"dead": ["dead"], "hum": ["hum"], "low": ["low"]}, checks={"esr": esr, "hum": hum})
    compiled = a_type([kind], {"a": {"kind": "source", "modes": {"hum": None}}}, "a")
    assert [mode.id for mode in compiled.model.modes] == ["a.dead", "a.low", OTHER]
    assert compiled.steps["a.esr"].outcomes == ("gone",)
    assert "a.hum" not in compiled.steps
    assert compiled.steps["a.new"].fixes == {"a.dead": 1.0, "a.low": 1.0}
