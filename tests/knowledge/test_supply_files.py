"""Supply files: what they hold, and every mistake with its line."""

import numpy as np
import pytest

from refettle.knowledge.errors import KnowledgeError
from refettle.knowledge.loading import load_shipped_type, shipped_types
from refettle.knowledge.supply_files import parse_supply, rails_with, stands_open, supply_of
from refettle.supply.adapter import Offered
from refettle.supply.feed import FlatSource, Winding
from refettle.supply.report import MAINS, assess
from refettle.supply.spread import monte_carlo, worst_case

TEXT = """\
supply: Desk radio
mains: {volts: 230, hertz: 50}
transformer: {volts: 9, amps: 1.2, regulation: 0.2}
rectifier: {wiring: bridge}
reservoir: {farad: 4700u, volts: 25}
regulators:
  rail5: {volts: 5, load_amps: 600m, serves: logic}
"""


def mistakes(text: str) -> str:
    with pytest.raises(KnowledgeError) as raised:
        parse_supply(text, "radio.yaml")
    return str(raised.value)


def test_a_file() -> None:
    loaded = parse_supply(TEXT, "radio.yaml")
    assert loaded.name == "Desk radio"
    assert loaded.supply.reservoir.farad == pytest.approx(4.7e-3)
    assert loaded.supply.regulators[0].ampere == pytest.approx(0.6)
    assert loaded.serves == {"rail5": "logic"}
    assert any(each.startswith("ESR") for each in loaded.assumed)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "4700u",
            "4700 bananas",
            "radio.yaml:5: reservoir.farad: found '4700 bananas'; allowed: a number such as 100n",
        ),
        ("4700u", ".nan", "radio.yaml:5: reservoir.farad:"),
        ("volts: 9", "volts: -9", "radio.yaml:3: transformer.volts: found '-9'"),
        ("bridge", "star", "radio.yaml:4: rectifier.wiring: found 'star'; allowed: half, full or bridge"),
        ("load_amps", "load", "radio.yaml:7: regulators.rail5.load: found the unknown field 'load'"),
        ("amps: 1.2", "regulation: 0.1", "the key 'regulation' a second time"),
        ("{volts: 9, amps: 1.2, ", "{", "allowed: volts and amps of its rating, or open_volts and secondary_ohm"),
        ("supply:", "spread: {load: [1.2, 0.8]}\nsupply:", "radio.yaml:1: spread: found a mapping; allowed: load with"),
        ("rectifier: {wiring: bridge}\n", "", "allowed: a rectifier, unless an adapter gives DC"),
        ("transformer: {volts: 9, amps: 1.2, regulation: 0.2}\n", "", "allowed: exactly one of transformer, adapter"),
    ],
)
def test_mistakes(old: str, new: str, said: str) -> None:
    assert said in mistakes(TEXT.replace(old, new))


def test_adapters_as_feeds() -> None:
    def fed(adapter: str, rectifier: str = "") -> object:
        made = TEXT.replace("transformer: {volts: 9, amps: 1.2, regulation: 0.2}", f"adapter: {adapter}")
        return parse_supply(made.replace("rectifier: {wiring: bridge}\n", rectifier), "radio.yaml").supply.feed

    assert isinstance(fed("{output: DC, volts: 9, amps: 1, open_volts: 13}"), Winding)
    assert isinstance(fed("{output: DC, volts: 9, amps: 1, regulated: true}"), FlatSource)
    assert isinstance(fed("{output: AC, volts: 9, amps: 1, open_volts: 11}", "rectifier: {wiring: bridge}\n"), Winding)
    with pytest.raises(KnowledgeError, match="open_volts, measured without load"):
        fed("{output: DC, volts: 9, amps: 1}")


def test_a_shop_puts_in_its_own_spread() -> None:
    narrow = "\n".join(f"  {name}: [1, 1]" for name in ("volts", "ohm", "esr", "load", "dropout"))
    own = parse_supply(f"{TEXT}spread:\n{narrow}\n  warmer: [0, 0]\n", "radio.yaml").supply
    usual = parse_supply(TEXT, "radio.yaml").supply
    spans = [np.ptp(monte_carlo(each, 100, 1).rails[0].headroom.values) for each in (own, usual)]
    assert spans[0] < 0.9 * spans[1]
    assert worst_case(own)[0].headroom > worst_case(usual)[0].headroom


def test_figures_that_do_not_go_together_are_a_mistake_of_the_file() -> None:
    made = TEXT.replace("transformer: {volts: 9, amps: 1.2, regulation: 0.2}",
                        "adapter: {output: DC, volts: 9, amps: 5, open_volts: 9.2}")  # fmt: skip
    assert "radio.yaml: open volts: found 9.2 V; allowed: more" in mistakes(
        made.replace("rectifier: {wiring: bridge}\n", "")
    )


@pytest.mark.parametrize("slug", sorted(shipped_types()))
def test_shipped_supplies_hold_from_low_to_high_mains(slug: str) -> None:
    unit = load_shipped_type(slug).unit_type
    if unit.supply is None:
        pytest.skip("no supply section")
    loaded = supply_of(unit.supply, slug, f"{slug}.yaml")
    for mains in MAINS:
        case = assess(loaded.supply, mains, serves=loaded.serves)
        assert not [each.text for each in case.findings if each.level == "bad"]
    if "unregulated" in unit.power_on.rails:
        expected = unit.power_on.rails["unregulated"]
        assert assess(loaded.supply).mean == pytest.approx(expected.volts, rel=expected.tolerance)


def test_what_the_unit_stands_and_its_rails_on_another_adapter() -> None:
    section = load_shipped_type("corrigan-duo").unit_type.supply
    assert section is not None
    assert stands_open(section) == pytest.approx(25 / 2**0.5 / 1.1)
    assert stands_open(None) is None
    right = Offered("AC", 9.0, 1.2, None, "5.5 x 2.5 mm barrel", loaded=9.1, unloaded=11.0)
    good, weak = (
        rails_with(section, right),
        rails_with(section, Offered("AC", 9.0, 1.2, None, None, loaded=7.0, unloaded=8.2)),
    )
    assert good is not None
    assert weak is not None
    assert (good.verdict, weak.verdict) == ("safe", "not safe")
    assert "restarts" in weak.text
    assert rails_with(section, Offered("AC", 9.0, 1.2, None, None)) is None
