"""A small board made by hand, written in three generations of the layout format, and its netlist in two.

A supply with a regulator, a sound chip with its reset and its way to a socket, a negative rail, and a mains filter.
Everything on it is invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field

GENERATIONS = (2017, 2024, 2026)
VERSIONS = {2017: "20171130", 2024: "20240108", 2026: "20260206"}


Pads = dict[str, tuple[float, float, str, str, str]]


@dataclass(frozen=True)
class P:
    """One part: pads are number: (x, y, net, pin name, pin type) in mm from the part's place."""

    ref: str
    value: str
    footprint: str
    at: tuple[float, float, float]
    pads: Pads
    symbol: str = "Device:C"
    about: str = ""
    descr: str = ""
    round: float = 0.0
    box: tuple[float, float] = (0.0, 0.0)
    plus: tuple[float, float] | None = None
    back: bool = False
    smd: bool = False
    attr: str = ""
    extra: dict[str, str] = field(default_factory=dict)


def two(
    a: str, b: str, pitch: float = 2.5, names: tuple[str, str] = ("", "")
) -> dict[str, tuple[float, float, str, str, str]]:
    return {"1": (0, 0, a, names[0], "passive"), "2": (pitch, 0, b, names[1], "passive")}


def can(ref: str, value: str, x: float, y: float, turn: float, plus: str, minus: str, wrong: bool = False) -> P:
    """A standing can of 6.3 mm with a plus in the print; `wrong` puts the plus at the other pad."""
    return P(
        ref, value, "Capacitor_THT:CP_Radial_D6.3mm_P2.50mm", (x, y, turn), two(plus, minus), "Device:CP",
        "Polarized capacitor", "CP, Radial series, Electrolytic Capacitor", round=6.3,
        plus=(4.6, -1.5) if wrong else (-2.1, -1.5),
    )  # fmt: skip


R = "Resistor_THT:R_Axial"
PARTS = (
    P(
        "J1", "9V", "Sockets:Barrel_Jack", (10, 10, 0), two("Net-(F1-Pad1)", "GND", 6),
        "Connector:Barrel_Jack", box=(14, 9),
    ),
    P("F1", "1A", "Fuses:Fuse_Holder", (24, 10, 0), two("Net-(F1-Pad1)", "IN", 10), "Device:Fuse", box=(12, 4)),
    P(
        "U1", "L05", "Package:TO-220", (40, 10, 0),
        {
            "1": (0, 0, "IN", "VI", "power_in"), "2": (2.5, 0, "GND", "GND", "power_in"),
            "3": (5, 0, "+5V", "VO", "power_out"),
        },
        "Regulators:L05", "5 V voltage regulator", box=(10, 4.5),
    ),
    can("C1", "470uF/16V", 32, 20, 0, "IN", "GND"),
    can("C2", "100u 25V", 50, 20, 90, "+5V", "GND"),
    P("C5", "100nF", "Capacitor_THT:C_Disc_D5.0mm_P5.00mm", (60, 20, 0), two("+5V", "GND", 5), box=(5, 2.5)),
    P(
        "U2", "SND-1", "Package:DIP-8", (70, 30, 0),
        {
            "1": (0, 0, "/~RESET", "~{RESET}", "input"), "2": (2.54, 0, "Net-(R1-Pad1)", "OUT", "output"),
            "3": (5.08, 0, "Net-(U2-XIN)", "XIN", "input"), "4": (7.62, 0, "GND", "GND", "power_in"),
            "5": (7.62, 7.62, "Net-(U2-REF)", "VREF", "output"), "8": (0, 7.62, "+5V", "VCC", "power_in"),
        },
        "Sound:SND-1", "Sound generator", box=(9, 6.5),
    ),
    P("R1", "1k", R, (80, 24, 0), two("Net-(R1-Pad1)", "Net-(C3-Pad1)", 10), "Device:R", box=(7, 2)),
    can("C3", "10uF", 95, 30, 180, "Net-(C3-Pad1)", "/AUDIO"),
    P("R2", "47k", R, (95, 40, 0), two("/AUDIO", "GND", 10), "Device:R", box=(7, 2)),
    P("J2", "Audio", "Sockets:RCA", (110, 30, 0), two("/AUDIO", "GND", 5), "Connector:Conn_Coaxial", box=(10, 10)),
    P("R3", "10k", R, (60, 40, 0), two("+5V", "/~RESET", 10), "Device:R", box=(7, 2)),
    P("D1", "SD1", "Diode_THT:D_DO35", (60, 45, 0), two("+5V", "/~RESET", 10, ("K", "A")), "Device:D", box=(4, 2)),
    can("C4", "4u7", 75, 45, 270, "/~RESET", "GND"),
    can("C7", "2,2µF 50V", 85, 45, 0, "Net-(U2-REF)", "GND", wrong=True),
    P(
        "J3", "POWER", "Pins:1x03", (10, 40, 0),
        {"1": (0, 0, "+5V", "", "passive"), "2": (2.5, 0, "GND", "", "passive"), "3": (5, 0, "-12V", "", "passive")},
        "Connector:Conn_01x03", box=(8, 2.5),
    ),
    P(
        "C6", "10uF 25V", "Capacitor_Tantalum_SMD:CP_EIA-3528-21_Maker-B", (20, 50, 0), two("GND", "-12V", 3),
        "Device:CP",
        "Polarized capacitor", "Tantalum Capacitor SMD", box=(3.5, 2.8), back=True, smd=True,
    ),
    P("J4", "AC inlet", "Sockets:IEC_60320_C8", (120, 55, 0), two("/L", "/N", 8), "Connector:AC inlet", box=(16, 12)),
    P("C8", "100nF X2 275VAC", "Capacitor_THT:C_Rect_L18.0mm_W7.5mm", (100, 55, 0), two("/L", "/N", 15), box=(18, 7.5)),
    P(
        "C9", "22uF 16V", "Capacitor_THT:C_Axial_L12.0mm_D6.5mm_P20.00mm", (30, 30, 0), two("+5V", "GND", 20),
        box=(12, 6.5),
    ),
    P("H1", "HOLE", "Holes:M3", (5, 5, 0), {}, "Mechanical:Hole", round=3),
)  # fmt: skip


def _nets(parts: tuple[P, ...]) -> list[str]:
    return sorted({net for part in parts for _, _, net, _, _ in part.pads.values()})


def layout(generation: int, parts: tuple[P, ...] = PARTS, newline: str = "\n") -> bytes:
    """The board's layout as that generation writes it."""
    new = generation > 2017
    quote = '"{}"'.format if new else "{}".format
    out = [
        f"(kicad_pcb (version {VERSIONS[generation]}) ({'generator' if new else 'host'} hand)",
        "  (general (thickness 1.6))",
    ]
    out.append('  (title_block (title "Larkmere 48, sound \\"board\\""))')
    out.append("  (layers (0 F.Cu signal) (31 B.Cu signal))")
    codes = {net: n for n, net in enumerate(["", *_nets(parts)])}
    if generation < 2026:
        out += [f'  (net {code} "{net}")' for net, code in codes.items()]
    out += [_part(part, generation, codes) for part in parts]
    edge, width = quote("Edge.Cuts"), "(stroke (width 0.1) (type solid))" if new else "(width 0.1)"
    for x1, y1, x2, y2 in ((0, 0, 125, 0), (130, 5, 130, 65), (130, 65, 0, 65), (0, 65, 0, 0)):
        out.append(f"  (gr_line (start {x1} {y1}) (end {x2} {y2}) (layer {edge}) {width})")
    if new:
        out.append(f"  (gr_arc (start 125 0) (mid 128.535534 1.464466) (end 130 5) {width} (layer {edge}))")
    else:
        out.append(f"  (gr_arc (start 125 5) (end 125 0) (angle 90) (layer {edge}) {width})")
    out.append('  (gr_text "a \\) bracket (" (at 1 1) (layer F.SilkS))')
    out.append("  (segment (start 1 1) (end 2 2) (width 0.3) (layer F.Cu) (net 1))")
    out.append("  (zone (net 1) (polygon (pts (xy 0 0) (xy 1 1))) (filled_polygon (pts (xy 0 0) (xy 1 1))))")
    return newline.join([*out, ")", ""]).encode()


def _bare(text: object) -> str:
    """Older files quote only what needs it."""
    said = str(text)
    return f'"{said}"' if not said or any(sign in said for sign in ' ()"') else said


def _part(part: P, generation: int, codes: dict[str, int]) -> str:
    new = generation > 2017
    side = "B" if part.back else "F"
    quote = '"{}"'.format if new else _bare
    x, y, turn = part.at
    out = [
        f"({'footprint' if new else 'module'} {quote(part.footprint)} (layer {quote(side + '.Cu')}) (at {x} {y} {turn})"
    ]
    if part.descr:
        out.append(f'(descr "{part.descr}")')
    if part.attr:
        out.append(f"(attr {part.attr})")
    texts = {"reference": part.ref, "value": part.value}
    for what, text in texts.items():
        tail = f"(at 0 -4 {turn}) (layer {quote(side + '.SilkS')}) (effects (font (size 1 1)))"
        out.append(
            f'(property "{what.capitalize()}" "{text}" {tail})' if new else f"(fp_text {what} {quote(text)} {tail})"
        )
    out += [f'(property "{name}" "{text}" (at 0 0 0) (layer "F.Fab"))' for name, text in part.extra.items() if new]
    middle = sum(pad[0] for pad in part.pads.values()) / max(1, len(part.pads))
    fab = quote(f"{side}.Fab")
    if part.round:
        out.append(f"(fp_circle (center {middle} 0) (end {middle + part.round / 2} 0) (layer {fab}) (width 0.1))")
    if part.box[0]:
        half_w, half_h = part.box[0] / 2, part.box[1] / 2
        corners = [(-half_w, -half_h), (half_w, -half_h), (half_w, half_h), (-half_w, half_h)]
        for (x1, y1), (x2, y2) in zip(corners, corners[1:] + corners[:1], strict=True):
            out.append(f"(fp_line (start {middle + x1} {y1}) (end {middle + x2} {y2}) (layer {fab}) (width 0.1))")
    if part.plus is not None:
        px, py = part.plus
        silk = quote(f"{side}.SilkS")
        if new:  # newer prints draw their plus as two lines, older ones write it
            out.append(f"(fp_line (start {px - 0.3} {py}) (end {px + 0.3} {py}) (layer {silk}))")
            out.append(f"(fp_line (start {px} {py - 0.3}) (end {px} {py + 0.3}) (layer {silk}))")
        else:
            out.append(f"(fp_text user + (at {px} {py} {turn}) (layer {silk}) (effects (font (size 1 1))))")
    for number, (px, py, net, name, kind) in part.pads.items():
        shape = "smd rect" if part.smd else f"thru_hole {'rect' if number == '1' else 'circle'}"
        where = f'"{side}.Cu"' if part.smd else "*.Cu *.Mask"
        joined = f'(net "{net}")' if generation >= 2026 else f'(net {codes[net]} "{net}")'
        more = f' (pinfunction "{name}") (pintype "{kind}")' if new else ""
        drill = "" if part.smd else " (drill 0.8)"
        out.append(
            f"(pad {quote(number)} {shape} (at {px} {py} {turn}) (size 1.6 1.6){drill} (layers {where}) {joined}{more})"
        )
    if not part.pads:
        out.append('(pad "" np_thru_hole circle (at 0 0) (size 3 3) (drill 3) (layers *.Cu))')
    return "  " + "\n    ".join(out) + "\n  )"


def netlist(quoted: bool = True, parts: tuple[P, ...] = PARTS) -> bytes:
    """The netlist as newer versions (quoted) or older ones write it."""
    quote = '"{}"'.format if quoted else _bare
    out = [f"(export (version {quote('E' if quoted else 'D')})", "  (design (source sound.sch))", "  (components"]
    for part in parts:
        library, symbol = part.symbol.split(":")
        out.append(f"    (comp (ref {quote(part.ref)}) (value {quote(part.value)}) (footprint {quote(part.footprint)})")
        out.append(f'      (libsource (lib {quote(library)}) (part {quote(symbol)}) (description "{part.about}")))')
    out.append("  )\n  (libparts")
    for symbol in sorted({part.symbol for part in parts}):
        example = next(part for part in parts if part.symbol == symbol)
        library, name = symbol.split(":")
        out.append(f"    (libpart (lib {quote(library)}) (part {quote(name)}) (pins")
        for number, (_, _, _, pin, kind) in example.pads.items():
            out.append(f'      (pin (num {quote(number)}) (name "{pin or "~"}") (type {quote(kind)}))')
        out.append("    ))")
    out.append("  )\n  (nets")
    for code, net in enumerate(_nets(parts), start=1):
        out.append(f'    (net (code {quote(code)}) (name "{net}")')
        for part in parts:
            for number, pad in part.pads.items():
                if pad[2] == net:
                    out.append(f"      (node (ref {quote(part.ref)}) (pin {quote(number)}))")
        out.append("    )")
    return "\n".join([*out, "  ))", ""]).encode()
