"""Type numbers that look like values or dates: logic families, well-known chips, registered semiconductors.

Only the shape of the number is read, and a short list of numbers met on old boards; common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from refettle.language import mark, tr
from refettle.parts.markings_reading import Reading, Reason

_LOGIC = re.compile(r"([A-Z]{0,3})(54|74)(ALS|AS|AC|ACT|F|H|HC|HCT|HCU|L|LS|S|LV|BCT|C)?(\d{2,4})([A-Z]{0,2})")
_REGISTERED = (
    (re.compile(r"1N\d{2,4}[A-Z]?"), mark("diode by its register number")),
    (re.compile(r"[23]N\d{2,4}[A-Z]?"), mark("transistor by its register number")),
    (re.compile(r"2S[A-DJK]\d{2,4}[A-Z]{0,2}"), mark("transistor by its register number")),
    (re.compile(r"[AB][A-Z][A-Z]?\d{2,3}[A-C]?"), mark("semiconductor by its European type code")),
)
_SHORT = re.compile(r"[A-DJK]\d{3,4}[A-Z]?")
_KNOWN: dict[str, str] = {
    "processor or its helper": """
        6502 6504 6507 6510 6512 6520 6522 6526 6529 6532 6545 6551 6567 6569 6581 6800 6802 6803 6808 6809 6810 6820
        6821 6840 6844 6845 6847 6850 6852 6883 8008 8031 8035 8039 8048 8049 8050 8051 8052 8080 8085 8086 8087 8088
        8155 8156 8185 8205 8212 8214 8216 8224 8226 8228 8237 8238 8243 8250 8251 8253 8254 8255 8257 8259 8271 8272
        8275 8279 8282 8283 8284 8286 8287 8288 8289 8355 8748 8749 8751 8755 9918 9928 9929""",
    "memory": """
        2101 2102 2107 2111 2112 2114 2147 2148 2167 2316 2332 2364 2532 2564 2708 2716 2732 2764 4027 4044 4116 4164
        4256 4416 4464 5101 6116 6264 27128 27256 41256 41464 62256""",
    "analogue chip": "555 556 565 566 567 709 723 733 741 747 748 1458 1488 1489 4136 4558",
    "voltage regulator": "7805 7806 7808 7809 7810 7812 7815 7818 7824 7905 7906 7908 7909 7912 7915 7918 7924",
}
KNOWN = {number: about for about, numbers in _KNOWN.items() for number in numbers.split()}
_CMOS = re.compile(r"4[05]\d\d")


def known_number(token: str) -> str:
    """What kind of chip has that bare number; empty where none is known."""
    if token in KNOWN:
        return KNOWN[token]
    if re.fullmatch(r"(?:54|74)\d{2,3}", token):
        return tr("logic chip of the 7400 family")
    if _CMOS.fullmatch(token):
        return tr("logic chip of the 4000 family")
    return ""


def read_types(token: str) -> Iterator[Reading]:
    """Readings as a type number: 74LS86, 8255, 2N2222A, C1815."""
    about = known_number(token)
    if about:
        why = Reason(4, tr("{token} is the number of a well-known {about}", token=token, about=about))
        yield Reading("type number", tr("known number"), (why,), number=token, characteristic=about)
    found = _LOGIC.fullmatch(token)
    if found and not about and (found[1] or found[3] or found[5]):
        why = Reason(
            5,
            tr(
                "{first_digits}{family} and a number: the 7400 logic family",
                first_digits=found[2],
                family=found[3] or "",
            ),
        )
        about = tr("logic chip of the 7400 family")
        yield Reading("type number", tr("7400 logic family"), (why,), number=token, characteristic=about)
        return
    for pattern, said in _REGISTERED:
        if pattern.fullmatch(token):
            why = Reason(4, tr("the shape of a {said}", said=tr(said)))
            yield Reading(
                "type number", tr("register of semiconductors"), (why,), number=token, characteristic=tr(said)
            )
            return
    if _SHORT.fullmatch(token):
        base = 2 if len(token) > 4 and token[1] in "12345" else 1
        why = Reason(base, tr("transistors numbered 2S{token} are printed without the 2S", token=token))
        said = tr("transistor, in full 2S{token}", token=token)
        yield Reading("type number", tr("register of semiconductors"), (why,), number=token, characteristic=said)
