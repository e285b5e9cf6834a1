"""Whole supplies: rails, heat, parts missing, the spread, and what is said about them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.supply.feed import FlatSource, ac_adapter, dc_adapter, rated_winding
from refettle.supply.model import Fuse, ReservoirPart, Supply, Variant, unloaded_peak, work_out
from refettle.supply.rectifier import Load, Reservoir, steady_state
from refettle.supply.regulator import MISSING, SHUTDOWN, Cooling, Missing, Regulator, regulate
from refettle.supply.report import Case, ageing, assess, bench
from refettle.supply.spread import Spread, monte_carlo, worst_case
from refettle.supply.values import SupplyError

LOGIC = Regulator("rail5", 5.0, 1.0, cooling=Cooling(5.0, 1.0, 10.0))


def supply(**changes) -> Supply:
    """9 V, 0.6 Ω behind a bridge, 4700 µF with 0.08 Ω, 5 V at 1 A."""
    made = {
        "feed": rated_winding(8.0, 1.667, 0.125, 230.0),
        "rectifier": "bridge",
        "reservoir": ReservoirPart(4700e-6, 0.08, volt=25.0, ripple=2.2, endurance=2000.0),
        "regulators": (LOGIC,),
    }
    return Supply(**{**made, **changes})


def said(case: Case, level: str) -> str:
    return "\n".join(f"{each.subject}: {each.text}" for each in case.findings if each.level == level)


def test_dropout_goes_by_the_valley_and_heat_by_the_mean() -> None:
    low, high = assess(supply(), "low"), assess(supply(), "high")
    assert low.rails[0].headroom == pytest.approx(low.valley - 7.0)
    assert low.rails[0].headroom < 0 < high.rails[0].headroom
    assert high.rails[0].heat == pytest.approx((high.mean - 5.0) * 1.0 + 0.006 * high.mean, rel=1e-3)
    assert high.rails[0].heat > low.rails[0].heat


def test_a_worn_reservoir_drops_out_and_what_it_looks_like() -> None:
    logic = assess(supply(), aged=(0.45, 10.0), serves={"rail5": "logic"})
    rail = logic.rails[0]
    assert rail.depth > 0.5
    assert 0.1 < rail.share < 0.9
    assert rail.ripple == pytest.approx(rail.depth, abs=0.1)
    assert "logic restarts" in said(logic, "bad")
    picture = assess(supply(), aged=(0.45, 10.0), serves={"rail5": "picture"})
    assert "two dark bars roll" in said(picture, "bad")
    half = assess(supply(dead_diode=True), serves={"rail5": "sound"})
    assert "50 Hz hum" in said(half, "bad")


@settings(max_examples=40, deadline=None)
@given(st.floats(0.05, 1.0), st.floats(1.0, 15.0), st.floats(0.85, 1.15))
def test_worn_parts_never_help(left: float, grown: float, mains: float) -> None:
    new = assess(supply(), 230 * mains).rails[0]
    worn = assess(supply(), 230 * mains, aged=(left, grown)).rails[0]
    assert worn.headroom <= new.headroom + 1e-6
    assert worn.least <= new.least + 1e-6


def test_no_temperature_beyond_what_the_part_lives_to_see() -> None:
    """As worked out by hand: 3.2 W at 40 °C make 91 °C with 5 + 1 + 10 K/W, and 200 or 248 °C bare."""
    found = assess(supply())
    assert found.rails[0].heat == pytest.approx(3.2, abs=0.15)
    assert found.rails[0].junction == pytest.approx(91, abs=3)
    bare = assess(supply(), missing=["heat-sink"])
    assert bare.rails[0].junction is None
    assert "thermal shutdown expected" in said(bare, "bad")
    assert bare.rails[0].most_heat == pytest.approx((125 - 40) / 65)


@pytest.mark.parametrize("part", MISSING)
def test_nothing_missing_is_the_coolest(part: Missing) -> None:
    whole, without = assess(supply()).rails[0].junction, assess(supply(), missing=[part])
    junction = without.rails[0].junction
    assert whole is not None
    assert junction is None or junction > whole
    assert len(said(without, "watch")) > 0


def test_two_regulators_share_a_reservoir() -> None:
    both = supply(
        regulators=(Regulator("rail5", 5.0, 0.6), Regulator("rail8", 8.0, 0.2)), feed=rated_winding(12, 1.5, 0.2)
    )
    worked = work_out(both)
    assert float(worked.steady.load_mean) == pytest.approx(0.8 + 2 * 0.006, rel=1e-3)
    assert set(worked.regulated) == {"rail5", "rail8"}
    assert worked.regulated["rail8"].headroom < worked.regulated["rail5"].headroom


def test_ripple_rejection_is_what_gets_through_in_regulation() -> None:
    wave = 12.0 + np.sin(np.linspace(0, 2 * np.pi, 512, endpoint=False))
    found = regulate(Regulator("r", 5.0, 0.5, rejection=60.0), wave)
    assert float(found.ripple) == pytest.approx(2e-3, rel=1e-3)
    assert float(found.share) == 0


def test_adapters_as_feeds_give_what_their_label_says() -> None:
    winding = dc_adapter(9.0, 0.85, 13.5, 50.0)
    own = Reservoir(1000e-6, 0.1)
    loaded = steady_state(winding.source(), "bridge", own, Load("current", 0.85), 50.0)
    assert float(loaded.mean) == pytest.approx(9.0, rel=1e-3)
    light = steady_state(winding.source(), "bridge", own, Load("current", 1e-3), 50.0)
    assert float(light.mean) == pytest.approx(13.5, rel=2e-3)
    with pytest.raises(SupplyError, match=r"open volts: found 9\.2 V; allowed: more, to give 9 V at 5 A"):
        dc_adapter(9.0, 5.0, 9.2, 50.0)
    assert ac_adapter(9.0, 1.2, 11.0).ohm == pytest.approx(2 / 1.2)
    flat = assess(supply(feed=FlatSource(9.0), rectifier=None))
    assert flat.mean == pytest.approx(9.0 - 0.2 * 1.006)
    assert flat.ripple == 0


def test_ripple_reaches_what_hangs_on_the_reservoir_itself() -> None:
    motor = supply(regulators=(), loads=(Load("current", 0.5),))
    assert "100 Hz ripple reaches" in said(assess(motor), "good")
    assert "hum in sound" in said(assess(motor, aged=(0.3, 5.0)), "watch")


def test_ratings_that_are_not_known_are_not_good() -> None:
    bare = supply(reservoir=ReservoirPart(4700e-6, 0.08))
    assert "life is not assessed" in said(assess(bare), "not assessed")
    assert any(f.level == "not assessed" and "rated voltage" in f.text for f in bench(bare).findings)


def test_ratings_passed_are_said() -> None:
    small = supply(reservoir=ReservoirPart(4700e-6, 0.08, volt=10.0, ripple=0.5, endurance=2000.0))
    assert "cooked from inside" in said(assess(small), "bad")
    assert any(f.level == "bad" and "may burst" in f.text for f in bench(small).findings)
    greedy = supply(regulators=(Regulator("rail5", 5.0, 3.0),), feed=rated_winding(20, 4, 0.1))
    assert "folds back" in said(assess(greedy), "bad")
    broken = supply(regulators=(), loads=(Load("power", 200.0),))
    assert not assess(broken).held
    assert "breaks down" in said(assess(broken), "bad")


def test_what_stands_at_high_mains_without_load() -> None:
    made = supply()
    assert unloaded_peak(made) == pytest.approx(9 * 2**0.5 * 1.1 - 1.0)
    on_bench = bench(made, running=assess(made))
    assert on_bench.unloaded == unloaded_peak(made)
    assert on_bench.discharge.cautions[0] == "mains"
    assert bench(supply(own_mains=False)).discharge.cautions[0] == "charged-capacitor"


def test_how_far_the_reservoir_may_age() -> None:
    (found,) = ageing(supply(), "nominal")
    assert found.left is not None
    assert found.esr is not None
    assert found.esr == pytest.approx(found.left**-2)
    at, before = (assess(supply(), aged=(found.left + more, found.esr)).rails[0].headroom for more in (0.0, 0.03))
    assert at < 0.01 < before + 0.2
    assert ageing(supply(), "low")[0].left == 1.0
    assert ageing(supply(feed=rated_winding(20, 3, 0.1)), "high")[0].left is None


def test_heat_is_shared_by_the_diodes_that_conduct() -> None:
    whole, dead = assess(supply()), assess(supply(dead_diode=True))
    assert whole.diode_junction - 40 == pytest.approx(50 * whole.rectifier_heat / 4)
    assert dead.diode_junction - 40 == pytest.approx(50 * dead.rectifier_heat / 2)
    with pytest.raises(SupplyError, match="dead diode: found with one diode only"):
        assess(supply(rectifier="half", dead_diode=True))


def test_fuses() -> None:
    def levels(fuse: Fuse) -> dict[str, str]:
        made = supply(fuse=fuse)
        return {
            each.text.split()[0]: each.level
            for each in bench(made, running=assess(made)).findings
            if each.subject == "fuse"
        }

    assert levels(Fuse(0.16)) == {"switch-on": "good", "runs": "good"}
    assert levels(Fuse(0.03))["runs"] == "bad"
    assert levels(Fuse(5.0))["runs"] == "watch"
    assert levels(Fuse(0.16, melting=1e-5))["switch-on"] == "bad"


def test_the_draw_lies_within_the_worst_case() -> None:
    made, aged = supply(), (0.8, 2.0)
    drawn = monte_carlo(made, 400, seed=3, aged=aged)
    (worst,) = worst_case(made, aged=aged)
    rail = drawn.rails[0]
    assert np.nanmin(rail.headroom.values) >= worst.headroom - 1e-6
    assert np.nanmax(rail.heat.values) <= worst.heat + 1e-6
    assert rail.headroom.percentiles[1] < rail.headroom.percentiles[50] < rail.headroom.percentiles[99]
    assert 0 < rail.drops_out < 1
    assert rail.shuts_down == pytest.approx(np.mean(rail.junction.values > SHUTDOWN))
    edges, counts = rail.headroom.histogram(20)
    assert counts.sum() == 400
    assert len(edges) == 21


def test_the_same_seed_draws_the_same() -> None:
    first, second, other = (monte_carlo(supply(), 50, seed).valley.values for seed in (7, 7, 8))
    assert np.array_equal(first, second)
    assert not np.array_equal(first, other)


def test_variants_that_break_down_are_counted() -> None:
    made = supply(regulators=(), loads=(Load("power", 9.0),))
    drawn = monte_carlo(made, 200, seed=1, spread=Spread(load=(0.5, 2.5)))
    assert 0.05 < drawn.broken_down < 0.95
    assert np.isnan(drawn.mean.values).sum() == round(200 * drawn.broken_down)


def test_one_variant_is_the_nominal_case() -> None:
    alone = work_out(supply())
    together = work_out(supply(), Variant(mains=np.array([1.0, 0.9])))
    assert together.steady.mean[0] == pytest.approx(float(alone.steady.mean))
    assert together.regulated["rail5"].heat[0] == pytest.approx(float(alone.regulated["rail5"].heat))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: supply(rectifier=None), "rectifier: found none; allowed: half, full, bridge"),
        (lambda: supply(regulators=()), "load: found no regulator and no load"),
        (lambda: assess(supply(), "medium"), "mains: found 'medium'; allowed: low, nominal, high, or volts"),
        (lambda: assess(supply(), 20.0), "mains: found 0.0869565 times nominal; allowed: from 0.5 to 1.5"),
        (lambda: assess(supply(), missing=["fan"]), "missing: found 'fan'; allowed: heat-sink, pad, paste, clip"),
        (lambda: assess(supply(), aged=(0.0, 1.0)), "aged capacitance: found 0 times nominal"),
        (lambda: monte_carlo(supply(), 3, 0), "variants: found 3; allowed: 10 to 100,000"),
        (lambda: Regulator("r", float("inf"), 1.0), "regulator r: volts: found inf V"),
        (lambda: rated_winding(9.0, 1.0, 20.0), "regulation: found 20; allowed: from 0.01 to 1"),
    ],
)
def test_what_is_refused(call, message: str) -> None:
    with pytest.raises(SupplyError) as raised:
        call()
    assert message in str(raised.value)
