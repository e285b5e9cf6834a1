"""Is this adapter safe: the verdict is the worst of the facts, and nothing unmeasured is good."""

from dataclasses import replace
from itertools import product

import pytest

from refettle.supply.adapter import Fact, Needed, Offered, check_adapter
from refettle.supply.values import SupplyError

NEEDED = Needed("DC", 9.0, 0.85, "centre negative", "5.5 x 2.1 mm barrel", most_open=16.0)
RIGHT = Offered("DC", 9.0, 1.0, "centre negative", "5,5 × 2,1 mm barrel", loaded=9.2, unloaded=13.0, mains=(220, 240))


def verdicts(offered: Offered, needed: Needed = NEEDED) -> dict[str, str]:
    return {fact.name: fact.verdict for fact in check_adapter(needed, offered).facts}


def test_the_right_one() -> None:
    found = check_adapter(NEEDED, RIGHT)
    assert found.verdict == "safe"
    assert {fact.verdict for fact in found.facts} == {"safe"}
    assert found.todo == ()
    assert "mains" in found.cautions


@pytest.mark.parametrize(
    ("change", "fact", "words"),
    [
        ({"output": "AC"}, "AC or DC", "capacitors burst"),
        ({"loaded": 11.0}, "volts under load", "memory first"),
        ({"loaded": 7.0}, "volts under load", "restarts"),
        ({"loaded": None, "volt": 12.0}, "volts under load", "by its label"),
        ({"unloaded": 17.0}, "volts without load", "the unit stands 16 V"),
        ({"ampere": 0.5}, "amps", "overheats"),
        ({"polarity": "centre positive"}, "polarity", "reversed"),
        ({"plug": "5.5 x 2.5 mm barrel"}, "plug", "breaks contact"),
        ({"mains": (110, 120)}, "mains side", "it burns"),
        ({"ripple": 4.0}, "ripple", "capacitor is dead"),
    ],
)
def test_one_wrong_fact_is_enough(change: dict, fact: str, words: str) -> None:
    found = check_adapter(NEEDED, replace(RIGHT, **change))
    assert found.verdict == "not safe"
    (wrong,) = [each for each in found.facts if each.verdict == "not safe"]
    assert wrong.name == fact
    assert words in wrong.text


@pytest.mark.parametrize("gone", ["output", "loaded", "unloaded", "ampere", "polarity", "plug", "mains"])
def test_what_is_not_known_is_not_safe_and_says_what_to_do(gone: str) -> None:
    found = check_adapter(NEEDED, replace(RIGHT, **{gone: None}))
    assert found.verdict == "not known"
    assert len(found.todo) == 1


def test_a_wrong_fact_outweighs_unknown_ones() -> None:
    fields = ["loaded", "unloaded", "ampere", "plug", "mains"]
    for known in product([True, False], repeat=len(fields)):
        gone = {name: None for name, kept in zip(fields, known, strict=True) if not kept}
        found = check_adapter(NEEDED, replace(RIGHT, polarity="centre positive", **gone))
        assert found.verdict == "not safe"


def test_unloaded_volts_where_nobody_knows_what_the_unit_stands() -> None:
    needed = replace(NEEDED, most_open=None)
    assert verdicts(replace(RIGHT, unloaded=9.5), needed)["volts without load"] == "safe"
    assert verdicts(replace(RIGHT, unloaded=12.5), needed)["volts without load"] == "not known"
    assert verdicts(replace(RIGHT, unloaded=14.5), needed)["volts without load"] == "not safe"


def test_ac_has_no_polarity_and_dc_into_ac_is_not_safe() -> None:
    needed = Needed("AC", 9.0, 1.0, "not polarised", "5.5 x 2.5 mm barrel", most_open=14.0)
    right = Offered("AC", 9.0, 1.2, None, needed.plug, loaded=9.1, unloaded=11.0, mains=(230, 230))
    assert check_adapter(needed, right).verdict == "safe"
    assert check_adapter(needed, replace(right, output="DC", polarity="centre positive")).verdict == "not safe"


def test_facts_found_elsewhere_count() -> None:
    bad = Fact("rails", "not safe", "worked out at nominal mains: drops out")
    assert check_adapter(NEEDED, RIGHT, [bad]).verdict == "not safe"


def test_figures_that_no_adapter_has() -> None:
    with pytest.raises(SupplyError, match="polarity: found 'plus inside'; allowed: centre positive"):
        replace(RIGHT, polarity="plus inside")
    with pytest.raises(SupplyError, match="amps: found -1 A"):
        replace(RIGHT, ampere=-1.0)
    with pytest.raises(SupplyError, match="mains: found 240 to 100 V"):
        replace(RIGHT, mains=(240, 100))
