"""Which parts are electrolytics, their value, size and polarity signs."""

from __future__ import annotations

import pytest

from refettle.parts.board import Pad, Part
from refettle.parts.board_capacitors import Kind, find_capacitors, ref_order
from refettle.parts.board_layout import read_layout
from refettle.parts.board_netlist import read_netlist
from refettle.parts.board_reading import read_board
from refettle.parts.board_value import read_value
from tests.parts.boards import GENERATIONS, P, layout, netlist, two

KINDS = {
    "C1": "aluminium", "C2": "aluminium", "C3": "aluminium", "C4": "aluminium", "C5": "other", "C6": "tantalum",
    "C7": "aluminium", "C8": "other", "C9": "perhaps",
}  # fmt: skip


@pytest.mark.parametrize("generation", GENERATIONS)
@pytest.mark.parametrize("with_netlist", [True, False])
def test_exactly_the_electrolytics(generation: int, with_netlist: bool) -> None:
    reading = read_board(layout(generation), netlist(quoted=generation > 2017) if with_netlist else None)
    assert {c.ref: c.kind for c in reading.capacitors} == KINDS
    assert [c.ref for c in reading.electrolytics] == ["C1", "C2", "C3", "C4", "C6", "C7"]
    assert [c.ref for c in reading.perhaps] == ["C9"]
    values = {c.ref: (c.value.farad, c.value.volt) for c in reading.electrolytics}
    assert values == {
        "C1": (470e-6, 16), "C2": (100e-6, 25), "C3": (10e-6, None), "C4": (4.7e-6, None), "C6": (10e-6, 25),
        "C7": (2.2e-6, 50),
    }  # fmt: skip


@pytest.mark.parametrize("generation", GENERATIONS)
def test_sizes(generation: int) -> None:
    found = {c.ref: c.size for c in find_capacitors(read_layout(layout(generation)))}
    assert (found["C1"].diameter, found["C1"].pitch) == (0.0063, 0.0025)
    assert (found["C6"].length, found["C6"].width, found["C6"].pitch) == (0.0035, 0.0028, None)
    assert (found["C9"].length, found["C9"].diameter, found["C9"].pitch) == (0.012, 0.0065, 0.020)


@pytest.mark.parametrize("generation", GENERATIONS)
def test_where_minus_lies_seen_from_the_part_s_own_side(generation: int) -> None:
    found = {c.ref: c.toward_minus for c in find_capacitors(read_layout(layout(generation)))}
    assert {ref: found[ref] for ref in ("C1", "C2", "C3", "C4", "C6")} == {
        "C1": "right", "C2": "up", "C3": "left", "C4": "down", "C6": "left",
    }  # fmt: skip


@pytest.mark.parametrize("generation", GENERATIONS)
def test_print_against_number_is_not_settled_by_us(generation: int) -> None:
    c7 = next(c for c in find_capacitors(read_layout(layout(generation))) if c.ref == "C7")
    assert (c7.by_number, c7.by_print, c7.plus, c7.minus) == ("1", "2", None, None)
    assert "number and print disagree: settle it with a meter" in c7.reasons


def capacitor_kind(
    ref: str, value: str, footprint: str, smd: bool = False, symbol: str = "", descr: str = ""
) -> str | None:
    part = P(ref, value, footprint, (0, 0, 0), two("A", "B"), symbol or "Device:C", descr=descr, smd=smd)
    listed = read_netlist(netlist(parts=(part,))) if symbol else None
    found = find_capacitors(read_layout(layout(2024, (part,))), listed)
    return found[0].kind if found else None


@pytest.mark.parametrize(
    ("ref", "value", "footprint", "smd", "symbol", "kind"),
    [
        ("C1", "10uF", "Cap_Elec_Radial_5mm", False, "", "aluminium"),
        ("C1", "10uF", "Cap_Pol_508_3", False, "", "polarised"),
        ("C1", "10uF", "SM1206POL", True, "", "polarised"),
        ("C1", "330uF", "CP_Elec_6.3x11", True, "", "aluminium"),
        ("C1", "10u", "ELKO_5", False, "", "aluminium"),
        ("C1", "22uF/25V", "C_Axial_L12.0mm", False, "Device:CP", "polarised"),
        ("C1", "22uF", "C_Axial_L12.0mm", False, "Device:C_Polarized_US", "polarised"),
        ("C1", "22uF", "C_Axial_L12.0mm", False, "", "perhaps"),
        ("C1", "47uF", "R_1210_3225Metric", True, "", "perhaps"),
        ("C1", "22uF 10V", "C_0603_1608Metric", True, "", "other"),
        ("C1", "1uF NP", "CP_Radial_D5.0mm", False, "", "bipolar"),
        ("C1", "10p NP0", "C_Disc_D5.0mm", False, "", "other"),
        ("C1", "30pF", "C_Trim_Small", False, "", "trimmer"),
        ("C1", "100nF", "C_Disc_D5.0mm", False, "", "other"),
        ("F1", "750mA", "Cap_Cer_508", False, "", None),
        ("CN1", "PWR", "Pins_2", False, "", None),
        ("CR1", "1A", "Diode", False, "", None),
        ("IC1", "SND", "DIP", False, "", None),
        ("F2", "Polyfuse", "Polyfuse_1812", True, "", None),
    ],
)
def test_kinds(ref: str, value: str, footprint: str, smd: bool, symbol: str, kind: Kind | None) -> None:
    assert capacitor_kind(ref, value, footprint, smd, symbol) == kind


def test_non_polar_electrolytic_by_its_description() -> None:
    descr = "C, Radial series, Non-Polar Electrolytic Capacitor"
    assert capacitor_kind("C1", "1uF", "C_Radial_D5.0mm", descr=descr) == "bipolar"


@pytest.mark.parametrize(
    ("said", "kind"), [("Polarized capacitor", "polarised"), ("Unpolarized capacitor", "perhaps"), ("", "perhaps")]
)
def test_newer_layouts_describe_their_parts(said: str, kind: str) -> None:
    extra = {"Description": said}
    part = P("C1", "22uF", "C_Axial_L12.0mm", (0, 0, 0), two("A", "B"), extra=extra)
    assert find_capacitors(read_layout(layout(2024, (part,))))[0].kind == kind
    part = P("C1", "22uF", "CP_Radial", (0, 0, 0), two("A", "B"), extra=extra)
    assert find_capacitors(read_layout(layout(2024, (part,))))[0].kind == "aluminium"


def test_pins_named_for_their_sign() -> None:
    part = P("C1", "1uF", "CP_Radial", (0, 0, 0), two("A", "B", names=("-", "+")))
    c1 = find_capacitors(read_layout(layout(2024, (part,))))[0]
    assert (c1.by_number, c1.plus, c1.minus) == ("2", "2", "1")


def test_rating_from_a_field_of_its_own() -> None:
    part = P("C1", "1uF", "CP_Radial", (0, 0, 0), two("A", "B"), extra={"Voltage": "50"})
    assert find_capacitors(read_layout(layout(2024, (part,))))[0].value.volt == 50


def test_three_leads_with_plus_at_one_end() -> None:
    def pad(number: str, x: float) -> Pad:
        return Pad(number, x, 0.0, 1e-3, 1e-3, 0.0, True, True, "")

    from refettle.parts.board import Board

    part = Part("C1", "10uF", "Cap_Pol", "front", 0, 0, 0, (pad("2", 0.0), pad("1", -0.00254), pad("2", 0.00254)), None)
    c1 = find_capacitors(Board((part,), (), ""))[0]
    assert (c1.plus, c1.minus, c1.toward_minus) == ("1", "2", "right")
    assert c1.size.pitch == pytest.approx(0.00254)


def test_order_of_designators() -> None:
    assert sorted(["C10", "C2", "C1A", "CE1", "C1"], key=ref_order) == ["C1", "C1A", "C2", "C10", "CE1"]


@pytest.mark.parametrize(
    ("text", "farad", "volt"),
    [
        ("220uF", 220e-6, None), ("10uF/16V", 10e-6, 16), ("100u 25V", 100e-6, 25), ("100µF", 100e-6, None),
        ("4,7uF", 4.7e-6, None), ("4u7", 4.7e-6, None), ("0.1uF 100V", 0.1e-6, 100), ("470/16", 470e-6, 16),
        ("470/16V", 470e-6, 16), ("10u 6V3", 10e-6, 6.3), ("1500MFD 10V", 1500e-6, 10), (".47u", 0.47e-6, None),
        ("1F 5.5V", 1.0, 5.5), ("100", 100e-6, None), ("22OnF", None, None), ("0", None, None), ("", None, None),
        ("16V", None, 16), ("CP1", None, None), ("1000 μF 6.3 V", 1000e-6, 6.3), ("330n", 330e-9, None),
    ],
)  # fmt: skip
def test_values(text: str, farad: float | None, volt: float | None) -> None:
    read = read_value(text, polarised=True)
    assert (read.farad, read.volt) == (farad, volt)


def test_a_bare_number_is_microfarad_only_on_an_electrolytic() -> None:
    assert read_value("100", polarised=True).note == "100 without a unit is taken for 100\u2009µF"
    assert read_value("100", polarised=False).farad is None
