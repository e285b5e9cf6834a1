"""Where each capacitor sits, which pad the nets call plus, and what lies on the way to an output."""

from __future__ import annotations

import pytest

from refettle.parts.board_reading import BoardReading, read_board
from refettle.parts.circuit import Circuit, Facts, part_kind
from refettle.parts.circuit_path import NoSuchOutputError, output_nets
from tests.parts.boards import GENERATIONS, P, can, layout, netlist, two


@pytest.fixture(params=GENERATIONS)
def reading(request: pytest.FixtureRequest) -> BoardReading:
    """Old layouts have no pin names and need their netlist; newer ones stand alone."""
    return read_board(layout(request.param), netlist() if request.param == 2017 else None)


def test_nets(reading: BoardReading) -> None:
    nets = reading.circuit.nets
    assert {net: (f.kind, f.sign) for net, f in nets.items() if f.kind != "signal"} == {
        "+5V": ("rail", 1), "-12V": ("rail", -1), "GND": ("ground", 0), "IN": ("rail", 1),
        "Net-(F1-Pad1)": ("rail", 1), "/L": ("mains", 0), "/N": ("mains", 0),
    }  # fmt: skip
    assert nets["IN"].reason == "the regulator U1 pin 1 (VI) stands on it"
    assert nets["/L"].reason == "J4 (AC inlet) brings the mains"


@pytest.mark.parametrize(
    ("ref", "role", "plus", "confidence", "text"),
    [
        ("C1", "rail", "1", "likely", "rail IN to GND"),
        ("C2", "rail", "1", "sure", "rail +5V to GND"),
        ("C3", "signal", "1", "sure", "in series between U2 (OUT) through R1 and J2"),
        ("C4", "timing", "1", "likely", "timing or reset: U2 pin ~{RESET} to GND"),
        ("C5", "rail", "1", "sure", "rail +5V to GND"),
        ("C6", "rail", "1", "sure", "negative rail -12V to GND"),
        ("C7", "bias", "1", "likely", "holds U2 VREF still"),
        (
            "C8",
            "mains",
            None,
            "sure",
            "across the mains: a safety capacitor of class X; only the same class may replace it",
        ),
    ],
)
def test_seats(reading: BoardReading, ref: str, role: str, plus: str | None, confidence: str, text: str) -> None:
    seat = reading.seats[ref]
    assert (seat.role, seat.plus, seat.confidence, seat.text) == (role, plus, confidence, text)
    assert seat.reasons


def test_regulator_beside_a_capacitor_is_told(reading: BoardReading) -> None:
    for ref in ("C1", "C2"):
        assert reading.seats[ref].regulators == ("U1",)
    assert any("may need its capacitor's ESR" in reason for reason in reading.seats["C2"].reasons)


def test_three_signs_of_polarity(reading: BoardReading) -> None:
    told = {c.ref: reading.polarity(c) for c in reading.electrolytics}
    assert {ref: p.agreement for ref, p in told.items()} == {
        "C1": "agree", "C2": "agree", "C3": "agree", "C4": "agree", "C6": "agree", "C7": "disagree",
    }  # fmt: skip
    assert (told["C6"].plus, told["C6"].minus) == ("1", "2")
    assert told["C7"].plus is None


def test_no_sound_lists_the_way_to_the_socket_first(reading: BoardReading) -> None:
    way = reading.toward("Audio")
    assert [(w.ref, w.how) for w in way] == [
        ("C3", "in series"), ("C4", "beside the path"), ("C7", "beside the path"), ("C2", "feeds"), ("C9", "feeds"),
    ]  # fmt: skip
    assert way[0].text == "in the signal's way, at the output"
    assert [w.ref for w in reading.toward("AUDIO", every=True) if w.how == "feeds"] == ["C2", "C5", "C9"]


@pytest.mark.parametrize("name", ["J2", "j2.1", "Audio", "AUDIO", "/AUDIO", "audio"])
def test_ways_to_name_an_output(reading: BoardReading, name: str) -> None:
    assert output_nets(reading.circuit, name) == ["/AUDIO"]


@pytest.mark.parametrize("name", ["picture", "J3", "GND", "J2.9", ""])
def test_no_such_output(reading: BoardReading, name: str) -> None:
    with pytest.raises(NoSuchOutputError, match=r"allowed: a net, a part, or a connector: J1 \(9V\), J2 \(Audio\)"):
        reading.toward(name)


def test_without_netlist_an_old_layout_still_tells_rails_by_name() -> None:
    reading = read_board(layout(2017))
    assert reading.seats["C2"].rail == "+5V"
    assert reading.seats["C6"].plus == "1"
    assert reading.seats["C3"].ends[0].ref == "J2"
    assert reading.seats["C4"].role == "timing"  # the net is named RESET


def board(*parts: P) -> BoardReading:
    return read_board(layout(2024, parts))


def chip(**pins: tuple[str, str]) -> P:
    """A chip with pins name: (net, type)."""
    pads = {str(n): (2.54 * n, 0.0, net, name, kind) for n, (name, (net, kind)) in enumerate(pins.items(), start=1)}
    return P("U1", "X-1", "DIP", (0, 0, 0), pads)


def two_parts(first: tuple[str, str, str], second: tuple[str, str, str]) -> tuple[P, P]:
    """Two resistors: designator and nets."""
    made = [P(ref, "10k", "R_Axial", (0, 20, 0), two(a, b, 10), "Device:R") for ref, a, b in (first, second)]
    return made[0], made[1]


def test_vss_beside_a_ground_is_a_negative_rail_and_unsure() -> None:
    seat = board(can("C1", "10u", 0, 0, 0, "GND", "VSS")).seats["C1"]
    assert (seat.role, seat.plus, seat.confidence, seat.plus_confidence) == ("rail", "1", "unsure", "unsure")
    assert "measure it" in seat.reasons[0]


def test_vss_alone_is_ground() -> None:
    seat = board(can("C1", "10u", 0, 0, 0, "VDD", "VSS")).seats["C1"]
    assert (seat.text, seat.plus) == ("rail VDD to VSS", "1")


@pytest.mark.parametrize("net", ["VREF_OUT", "VIDEO", "VSYNC", "VRAM_A0", "VOL", "VPP_ON", "VCC_EN", "~VDP_WAIT", "D0"])
def test_names_that_only_look_like_rails(net: str) -> None:
    assert board(can("C1", "10u", 0, 0, 0, net, "GND")).circuit.nets[net].kind == "signal"


@pytest.mark.parametrize(
    ("net", "sign"),
    [
        ("VCC", 1), ("+5V", 1), ("5V", 1), ("+3V3", 1), ("3.3V_A", 1), ("+3,3V", 1), ("/pwr/VDD_CORE", 1), ("VBAT", 1),
        ("AVCC", 1), ("RTC_VCC", 1), ("+12", 1), ("B+", 1), ("HT", 1), ("-12V", -1), ("VEE", -1), ("-VAA", -1),
        ("VNEG", -1),
    ],
)  # fmt: skip
def test_names_of_rails(net: str, sign: int) -> None:
    facts = board(can("C1", "10u", 0, 0, 0, net, "GND")).circuit.nets[net]
    assert (facts.kind, facts.sign) == ("rail", sign)


@pytest.mark.parametrize("net", ["GND", "AGND", "GNDA", "DGND", "/a/GND", "GNDPWR", "0V", "SGND", "GND1", "PWR_GND"])
def test_names_of_ground(net: str) -> None:
    assert board(can("C1", "10u", 0, 0, 0, "VCC", net)).circuit.nets[net].kind == "ground"


def test_rail_behind_a_coil_but_not_a_converter_s_switched_end() -> None:
    coil = P("L1", "10uH", "L_Axial", (0, 10, 0), two("VCC", "Net-(C1-Pad1)"), "Device:L")
    quiet = board(coil, can("C1", "10u", 0, 0, 0, "Net-(C1-Pad1)", "GND"))
    assert quiet.seats["C1"].text == "rail Net-(C1-Pad1) (from VCC) to GND"
    diode = P("D1", "SD1", "D_DO35", (0, 15, 0), two("OUT", "Net-(C1-Pad1)"), "Device:D")
    switched = board(coil, diode, can("C1", "10u", 0, 0, 0, "Net-(C1-Pad1)", "GND"))
    assert switched.seats["C1"].role != "rail"


def test_rectified_winding_is_a_rail_with_the_diode_s_sign() -> None:
    parts = [
        P("TR1", "9-0-9", "Transformer_small", (0, 0, 0), two("AC1", "GND"), "Device:Transformer_1P_1S"),
        P("D1", "SD1", "D_DO35", (0, 10, 0), two("PLUS9", "AC1", names=("K", "A")), "Device:D"),
        P("D2", "SD1", "D_DO35", (0, 15, 0), two("AC1", "MINUS9", names=("K", "A")), "Device:D"),
        can("C1", "1000u", 0, 20, 0, "PLUS9", "GND"),
        can("C2", "1000u", 0, 30, 0, "GND", "MINUS9"),
    ]
    seats = board(*parts).seats
    assert (seats["C1"].role, seats["C1"].plus) == ("rail", "1")
    assert (seats["C2"].role, seats["C2"].plus) == ("rail", "1")


def test_delay_at_a_chip_and_the_usual_reset_circuit() -> None:
    logic = chip(A1=("Net-(C1-Pad1)", "input"), VCC=("VCC", "power_in"), GND=("GND", "power_in"))
    delay = [
        logic,
        two_parts(("R1", "VCC", "Net-(C1-Pad1)"), ("R9", "VCC", "X"))[0],
        can("C1", "10u", 0, 0, 0, "Net-(C1-Pad1)", "GND"),
    ]
    assert (board(*delay).seats["C1"].role, board(*delay).seats["C1"].confidence) == ("timing", "unsure")
    diode = P("D1", "SD1", "D_DO35", (0, 30, 0), two("VCC", "Net-(C1-Pad1)"), "Device:D")
    seat = board(*delay, diode).seats["C1"]
    assert (seat.role, seat.confidence) == ("timing", "likely")
    assert "the usual reset circuit" in seat.reasons[-1]


def test_bias_point_between_two_resistors() -> None:
    parts = (*two_parts(("R1", "VCC", "MID"), ("R2", "MID", "GND")), can("C1", "10u", 0, 0, 0, "MID", "GND"))
    seat = board(*parts).seats["C1"]
    assert (seat.role, seat.plus, seat.text) == ("bias", "1", "holds the bias point at R1, R2 still")


def test_crystal_and_feedback() -> None:
    crystal = P("Y1", "4 MHz", "Crystal_HC49", (0, 0, 0), two("X1", "X2"), "Device:Crystal")
    small = P("C1", "22p", "C_Disc", (0, 0, 0), two("X1", "GND"))
    assert board(crystal, small).seats["C1"].role == "timing"
    amp = chip(OUT=("OUT", "output"), IN=("IN", "input"), VCC=("VCC", "power_in"))
    seat = board(amp, P("C1", "1n", "C_Disc", (0, 0, 0), two("OUT", "IN"))).seats["C1"]
    assert seat.text == "across U1, from pin to pin: feedback or bootstrap"


def test_a_negative_rail_near_a_coupling_capacitor_leaves_its_polarity_open() -> None:
    pull = two_parts(("R1", "/OUT", "GND"), ("R2", "/OUT", "GND"))[0]
    single = chip(OUT=("S", "output"), VCC=("VCC", "power_in"), GND=("GND", "power_in"))
    double = chip(OUT=("S", "output"), VCC=("VCC", "power_in"), VEE=("-12V", "power_in"))
    coupling = can("C1", "10u", 0, 0, 0, "S", "/OUT")
    assert board(single, pull, coupling).seats["C1"].plus == "1"
    assert board(double, pull, coupling).seats["C1"].plus is None


def test_an_input_from_outside_may_stand_at_any_voltage() -> None:
    amp = chip(IN=("S", "input"), VCC=("VCC", "power_in"), GND=("GND", "power_in"))
    socket = P("J1", "IN", "RCA", (0, 0, 0), two("/IN", "GND"), "Connector:Conn_Coaxial")
    assert board(amp, socket, can("C1", "10u", 0, 0, 0, "S", "/IN")).seats["C1"].plus is None


def test_mains_through_fuse_and_switch_and_never_across_the_transformer() -> None:
    parts = [
        P("J1", "Mains inlet", "Inlet", (0, 0, 0), two("L", "N"), "Connector:Conn"),
        P("F1", "1A", "Fuse", (0, 0, 0), two("L", "L1"), "Device:Fuse"),
        P("S1", "Power", "Switch", (0, 0, 0), two("L1", "L2"), "Switch:SW"),
        P(
            "TR1", "9V", "Transformer", (0, 0, 0),
            {str(n): (float(n), 0, net, "", "") for n, net in enumerate(("L2", "N", "SEC", "GND"), start=1)},
            "Device:Transformer",
        ),
        P("C1", "47n", "C_Rect", (0, 0, 0), two("L2", "N")),
        P("C2", "2n2 Y1", "C_Disc", (0, 0, 0), two("L2", "CHASSIS")),
        P("C3", "100n", "C_Disc", (0, 0, 0), two("SEC", "GND")),
    ]  # fmt: skip
    seats = board(*parts).seats
    assert (seats["C1"].role, seats["C1"].safety, seats["C1"].confidence) == ("mains", "X", "likely")
    assert (seats["C2"].role, seats["C2"].safety, seats["C2"].confidence) == ("mains", "Y", "sure")
    assert seats["C3"].role != "mains"


def test_both_ends_on_one_net_and_no_net() -> None:
    seats = board(can("C1", "1u", 0, 0, 0, "A", "A"), P("C2", "1u", "CP_Radial", (0, 0, 0), {})).seats
    assert (seats["C1"].role, seats["C1"].text) == ("unknown", "both ends on A")
    assert seats["C2"].text == "on no net"


def test_no_ground_by_name_takes_the_busiest_net() -> None:
    caps = [can(f"C{n}", "1u", 10 * n, 0, 0, f"N{n}", "BUSY") for n in range(9)]
    facts = board(*caps).circuit.nets["BUSY"]
    assert (facts.kind, facts.confidence) == ("ground", "unsure")


@pytest.mark.parametrize(
    ("ref", "about", "value", "ends", "kind"),
    [
        ("SLOT1", "", "", 50, "connector"), ("MCU1", "Connector:Conn_01x20", "", 20, "connector"),
        ("T1", "", "", 3, "transistor"), ("T1", "", "", 6, "transformer"), ("X1", "", "4MHz", 2, "crystal"),
        ("RR1", "Pins:Conn_SIP", "", 9, "network"), ("U3", "", "L7805CV", 3, "regulator"), ("R7", "", "", 3, "pot"),
        ("U4", "Regulator_Linear:X", "", 3, "regulator"), ("J7", "", "", 2, "connector"), ("LS1", "", "", 2, "speaker"),
        ("JP1", "Pins:Conn", "", 2, "switch"), ("?", "", "", 2, "other"),
    ],
)  # fmt: skip
def test_part_kinds(ref: str, about: str, value: str, ends: int, kind: str) -> None:
    assert part_kind(ref, about, value, ends) == kind


def test_circuit_from_plain_values() -> None:
    pins = {("R1", "1"): ("A", "", ""), ("R1", "2"): ("GND", "", ""), ("Q9", "1"): ("A", "", "")}
    circuit = Circuit({"R1": Facts("resistor", "1k", "")}, pins)
    assert circuit.through("R1", "A") == "GND"
    assert [pin.ref for pin in circuit.near("A")] == ["R1"]  # Q9 is no part of it
