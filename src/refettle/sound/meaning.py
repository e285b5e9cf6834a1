"""What the figures of a recording point to, in plain words. Common practice, no source; the limits are estimates."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import log10
from typing import TYPE_CHECKING

from refettle.sound.figures import Figure
from refettle.sound.hum import Hum

if TYPE_CHECKING:
    from refettle.sound.channels import Channels
    from refettle.sound.flutter import Flutter
    from refettle.sound.reading import ChannelReading

PRACTICE = "common practice, no source"
HUM_HEARD = -50.0
"""[dB] A-weighted hum against the usual level from which it is heard in pauses: estimate."""
NOISE_HEARD = -40.0
"""[dB] A-weighted noise against the usual level: worse than a good cassette (about -50): estimate."""
DISTORTED = 3.0
"""[%] THD from which a tone is plainly distorted: estimate. Hum and noise, which THD+N holds too, are told apart."""
CLICKS_HEARD = 6.0
"""A minute: estimate."""
DC_MUCH = 1.0
"""[%] of full scale: estimate."""
TAPES = (3150.0, 3000.0)
"""[Hz] Tones of test tapes (IEC 60386, and the older one)."""
LIKE_OTHER = 0.01
"""Share within which a tone is taken for the other tape's: decks and tapes are off by so much (estimate)."""
SPEED_OFF, FLUTTER_MUCH = 2.0, 0.3
"""[%] as in the check of a tape mechanism's speed."""
MAINLY = 6.0
"""[dB] one line above another to be the main one."""
FIELD_RATE = 59.94
"""[Hz] of the picture in 60 Hz countries."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing worth saying.

    `sign` is how it shows in fault finding (dead, part, garbled, hum, noise, restart, slow, low, high), empty where it
    is good to know; `channel` "left", "right", "mono" or "" for all; `points_to` causes, likeliest first.
    """

    sign: str
    channel: str
    says: str
    points_to: tuple[str, ...] = ()
    source: str = PRACTICE


def hum_causes(hum: Hum) -> tuple[str, tuple[str, ...]]:
    """The pattern of the lines in words, and what it points to."""
    levels = {line.multiple: line.level.value or -200.0 for line in hum.lines}
    once, twice = levels.get(1, -200.0), levels.get(2, -200.0)
    rest = max((level for multiple, level in levels.items() if multiple > 2), default=-200.0)
    mains, base = hum.mains.value or 0.0, hum.base
    if base == 60 and abs(mains - FIELD_RATE) < 0.012:
        return f"{mains:.2f} Hz and multiples", (
            "the picture's field rate getting into the sound: tuning of the sound, or a dry capacitor in the modulator",
            "the mains itself, if it runs that slow today",
        )
    odd = max(levels.get(3, -200.0), levels.get(5, -200.0))
    many = sum(level > max(once, twice) - 30.0 for level in levels.values()) >= 7 or max(levels) >= 12
    if rest > max(once, twice) + MAINLY or (many and rest > max(once, twice) - 12.0):
        return f"a buzz: {len(levels)} multiples of {base} Hz", (
            "rectifier edges or a switching supply or lamp dimmer near, coupled in by an earth loop or an open screen",
            "a reservoir capacitor gone dry, fed by sharp charging pulses",
        )
    if once > twice + MAINLY:
        near = ("the field of a transformer near a head, lead or coil (odd multiples go with it)",)
        return f"mainly once the mains, {base} Hz", (
            *(near if odd > once - 20.0 and odd > twice else ()),
            "an earth loop between the unit and the recorder: run one of them on cells, or isolate, and record again",
            "an open screen or ground: lead, plug, socket",
            "a half-wave rectifier with a dry reservoir, or a full-wave one with a diode open",
            *(() if odd > once - 20.0 and odd > twice else near),
        )
    if twice > once + MAINLY:
        return f"mainly twice the mains, {2 * base} Hz", (
            "ripple after a full-wave rectifier: the reservoir capacitor dry",
            "the regulator out of its range: too little voltage in, or too much current out",
            "a decoupling capacitor of the sound path dry",
        )
    return f"once and twice the mains alike, {base} and {2 * base} Hz", (
        "a bridge rectifier with a diode open: half the charging pulses are missing",
        "two causes at once: ripple, and an earth loop or open screen",
    )


def findings(
    channels: Sequence[ChannelReading],
    stereo: Channels,
    flutter: Flutter | None,
    reference: Figure,
    usual_dbfs: float | None,
) -> tuple[Finding, ...]:
    """Everything worth saying about a recording, worst first."""
    found: list[Finding] = []
    found += _about_sides(stereo, channels)
    for each in channels:
        if each.name in stereo.dead:
            continue
        found += _about_level(each, usual_dbfs)
        found += _about_hum(each, reference)
        found += _about_noise(each, reference)
    found = _joined(found)
    if flutter is not None:
        found += _about_tape(flutter)
    order = ("dead", "part", "restart", "garbled", "high", "low", "hum", "noise", "slow", "")
    return tuple(sorted(found, key=lambda finding: order.index(finding.sign)))


def _joined(found: list[Finding]) -> list[Finding]:
    """The same thing with the same causes in both channels, told once."""
    out: list[Finding] = []
    for each in found:
        same = next(
            (one for one in out if (one.sign, one.points_to) == (each.sign, each.points_to) and one.channel), None
        )
        if same is None or not each.channel or same.channel == each.channel:
            out.append(each)
        else:
            says = f"{same.channel}: {same.says}; {each.channel}: {each.says}"
            out[out.index(same)] = Finding(each.sign, "", says, each.points_to, each.source)
    return out


def _about_sides(stereo: Channels, channels: Sequence[ChannelReading]) -> list[Finding]:
    found = []
    if len(stereo.dead) == len(channels):
        causes = ("nothing reaches the recorder: its input, the lead, the unit", "the unit is silent")
        return [Finding("dead", "", "no sound: below −60 dBFS throughout", causes)]
    for name in stereo.dead:
        other = next(each for each in channels if each.name != name)
        this = next(each for each in channels if each.name == name)
        below = (other.level.value or 0.0) - (this.level.value or 0.0)
        found.append(
            Finding(
                "part",
                name,
                f"the {name} channel is dead: {below:.0f} dB below the other",
                ("lead or plug: exchange left and right at the unit and record again", "socket contact or joint",
                 "head lead, amplifier or coupling capacitor of that side"),
            )
        )  # fmt: skip
    found += [
        Finding("low", name, f"the {name} channel is more than 6 dB weaker",
                ("a dry coupling capacitor", "a worn control or dirty switch", "a dirty or tilted head"))
        for name in stereo.weak
    ]  # fmt: skip
    if stereo.swap == "exchanged":
        found.append(Finding("", "", "left and right are exchanged", ("a lead, plug or socket wired the wrong way",)))
    if stereo.swap == "joined":
        found.append(Finding("", "", stereo.swap_why, ("a mono switch or plug", "an open ground of a socket")))
    if stereo.inverted:
        found.append(
            Finding("", "", "the channels are opposite in polarity", ("a plug, head or speaker wired the wrong way",))
        )
    return found


def _about_level(each: ChannelReading, usual: float | None) -> list[Finding]:
    found = []
    if (each.clipped.value or 0.0) > 0.1 or each.full_scale:
        if each.full_scale:
            causes: tuple[str, ...] = ("the recorder's input is too loud: turn it down and record again",)
        else:
            causes = (
                "an amplifier stage that runs out of voltage: supply low, bias off, a leaky coupling capacitor",
                "a square wave by design, as simple beepers give",
            )
        found.append(Finding("" if each.full_scale else "garbled", each.name,
                             f"flat tops for {each.clipped.value or 0.0:.1f} % of the time", causes))  # fmt: skip
    if each.dc.value is not None and abs(each.dc.value) > DC_MUCH:
        causes = ("a leaky coupling capacitor at the unit's output",
                  "the recorder's own offset: record with nothing plugged in to compare")  # fmt: skip
        found.append(Finding("", each.name, f"direct voltage, {each.dc.value:+.1f} % of full scale", causes))
    if each.tone is not None and (each.tone.thd.value or 0.0) > DISTORTED and not each.full_scale:
        found.append(_about_distortion(each))
    level = each.tone.level.value if each.tone is not None else None
    if usual is not None and level is not None and abs(level - usual) > 6.0:
        sign = "low" if level < usual else "high"
        found.append(Finding(sign, each.name, f"{abs(level - usual):.0f} dB {'below' if sign == 'low' else 'above'} "
                             "the usual level", ("a dry coupling capacitor",) if sign == "low" else ()))  # fmt: skip
    if each.dropouts.count:
        longest = max(each.dropouts.seconds)
        found.append(
            Finding("restart" if longest >= 0.2 else "noise", each.name,
                    f"{_count(each.dropouts.count, 'dropout')}, the longest {1000 * longest:.0f} ms",
                    ("a contact that comes and goes: plug, socket, switch, joint", "on tape: dirt, or worn tape"))
        )  # fmt: skip
    return found


def _about_distortion(each: ChannelReading) -> Finding:
    assert each.tone is not None
    says = f"distortion {each.tone.thd.value or 0.0:.1f} % (harmonics)"
    levels = dict(each.tone.harmonics)
    second, third = levels.get(2, -200.0), levels.get(3, -200.0)
    if second > third + MAINLY:
        causes: tuple[str, ...] = ("mainly the second harmonic: a stage with its bias off",)
    elif third > second + MAINLY:
        causes = ("mainly the third harmonic: both half waves limited, too much level, or tape driven too hard",)
    else:
        causes = ("second and third harmonic: a stage near its limits",)
    return Finding("garbled", each.name, says, causes)


def _about_hum(each: ChannelReading, reference: Figure) -> list[Finding]:
    if not each.hum.lines:
        return []
    pattern, causes = hum_causes(each.hum)
    strongest = max(each.hum.lines, key=lambda line: line.level.value or -200.0)
    says = f"hum, {pattern}; strongest {strongest.hertz:.2f} Hz at {strongest.level.value or 0.0:.1f} dBFS"
    against = relative(each.hum.weighted, reference)
    if against is not None:
        says += f"; {abs(against):.0f} dB {'below' if against < 0 else 'above'} the usual level, A-weighted"
    heard = against is not None and against > HUM_HEARD
    return [Finding("hum" if heard else "", each.name, re.sub(r"-(?=\d)", "−", says), causes)]


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def hiss(each: ChannelReading) -> Figure:
    """[dBFS] A-weighted noise less the hum in it; withheld where the hum is nearly all of it."""
    noise, hum = each.noise.a_weighted, each.hum.weighted
    if noise.value is None or hum.value is None:
        return noise
    left = 10.0 ** (noise.value / 10.0) - 10.0 ** (hum.value / 10.0)
    if left < 0.2 * 10.0 ** (noise.value / 10.0):
        return Figure(None, "dBFS", None, "hum hides the hiss")
    return Figure(10.0 * log10(left), "dBFS", 3.0 * (noise.plus_minus or 0.0))


def relative(figure: Figure, reference: Figure) -> float | None:
    """[dB] a level against the reference; None where either is withheld."""
    return None if figure.value is None or reference.value is None else figure.value - reference.value


def _about_noise(each: ChannelReading, reference: Figure) -> list[Finding]:
    found = []
    against = relative(hiss(each), reference)
    if against is not None and against > NOISE_HEARD:
        found.append(
            Finding("noise", each.name, f"noise only {-against:.0f} dB below the usual level, A-weighted",
                    ("a noisy transistor or leaky capacitor early in the sound path", "a magnetised head",
                     "the recorder itself: record with the lead off to compare"))
        )  # fmt: skip
    rate = each.clicks.per_minute.value or 0.0
    if rate > CLICKS_HEARD and each.clicks.count > 2 and not each.clicks.note.startswith("clipped"):
        found.append(
            Finding("noise", each.name, f"{_count(each.clicks.count, 'click')}, {rate:.0f} a minute",
                    ("a dirty control, switch or socket", "a leaky coupling capacitor", "a cracked joint"))
        )  # fmt: skip
    return found


def other_tape(flutter: Flutter) -> float | None:
    """[Hz] The other usual tone of test tapes, where this one runs at just that."""
    hertz = flutter.hertz.value or 0.0
    return next((t for t in TAPES if t != flutter.nominal and abs(hertz / t - 1.0) < LIKE_OTHER), None)


def _about_tape(flutter: Flutter) -> list[Finding]:
    found = []
    speed, wavers = flutter.speed.value or 0.0, flutter.weighted.value or 0.0
    if abs(speed) > SPEED_OFF:
        says = f"{abs(speed):.1f} % too {'fast' if speed > 0 else 'slow'}"
        deck = ("the motor's governor or its setting", "a wrong or slack belt")
        other = other_tape(flutter)
        if other is None:
            causes = (*deck, f"a tape of another tone than {flutter.nominal:g} Hz")
        else:
            says += f" if the tape's tone is {flutter.nominal:g} Hz; right if it is {other:g} Hz"
            causes = (f"a {other:g} Hz tape: look at its label", *deck)
        found.append(Finding("slow", "", says, causes))
    if wavers > FLUTTER_MUCH:
        parts = tuple(f"{line.hertz:.2g} Hz, {line.peak:.2f} %: {line.may}" for line in flutter.lines)
        found.append(Finding("slow", "", f"wow and flutter ±{wavers:.2f} %",
                             (*parts, "belt, pinch roller, dry bearings")))  # fmt: skip
    return found
