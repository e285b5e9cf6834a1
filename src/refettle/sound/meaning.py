"""What the figures of a recording point to, in plain words. Common practice, no source; the limits are estimates."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import log10
from typing import TYPE_CHECKING

from refettle.language import mark, tr
from refettle.sound.figures import Figure
from refettle.sound.hum import Hum

if TYPE_CHECKING:
    from refettle.sound.channels import Channels
    from refettle.sound.flutter import Flutter
    from refettle.sound.reading import ChannelReading

PRACTICE = mark("common practice, no source")
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
        return tr("{mains:.2f} Hz and multiples", mains=mains), (
            tr(
                "the picture's field rate getting into the sound: tuning of the sound, or a dry capacitor in the "
                "modulator"
            ),
            tr("the mains itself, if it runs that slow today"),
        )
    odd = max(levels.get(3, -200.0), levels.get(5, -200.0))
    many = sum(level > max(once, twice) - 30.0 for level in levels.values()) >= 7 or max(levels) >= 12
    if rest > max(once, twice) + MAINLY or (many and rest > max(once, twice) - 12.0):
        return tr("a buzz: {levels} multiples of {base} Hz", levels=len(levels), base=base), (
            tr(
                "rectifier edges or a switching supply or lamp dimmer near, coupled in by an earth loop or an "
                "open screen"
            ),
            tr("a reservoir capacitor gone dry, fed by sharp charging pulses"),
        )
    if once > twice + MAINLY:
        near = (tr("the field of a transformer near a head, lead or coil (odd multiples go with it)"),)
        return tr("mainly once the mains, {base} Hz", base=base), (
            *(near if odd > once - 20.0 and odd > twice else ()),
            tr(
                "an earth loop between the unit and the recorder: run one of them on cells, or isolate, and "
                "record again"
            ),
            tr("an open screen or ground: lead, plug, socket"),
            tr("a half-wave rectifier with a dry reservoir, or a full-wave one with a diode open"),
            *(() if odd > once - 20.0 and odd > twice else near),
        )
    if twice > once + MAINLY:
        return tr("mainly twice the mains, {base} Hz", base=2 * base), (
            tr("ripple after a full-wave rectifier: the reservoir capacitor dry"),
            tr("the regulator out of its range: too little voltage in, or too much current out"),
            tr("a decoupling capacitor of the sound path dry"),
        )
    return tr("once and twice the mains alike, {once} and {twice} Hz", once=base, twice=2 * base), (
        tr("a bridge rectifier with a diode open: half the charging pulses are missing"),
        tr("two causes at once: ripple, and an earth loop or open screen"),
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
        causes = (tr("nothing reaches the recorder: its input, the lead, the unit"), tr("the unit is silent"))
        return [Finding("dead", "", tr("no sound: below −60 dBFS throughout"), causes)]
    for name in stereo.dead:
        other = next(each for each in channels if each.name != name)
        this = next(each for each in channels if each.name == name)
        below = (other.level.value or 0.0) - (this.level.value or 0.0)
        found.append(
            Finding(
                "part",
                name,
                tr("the {name} channel is dead: {below:.0f} dB below the other", name=name, below=below),
                (
                    tr("lead or plug: exchange left and right at the unit and record again"),
                    tr("socket contact or joint"),
                    tr("head lead, amplifier or coupling capacitor of that side"),
                ),
            )
        )
    found += [
        Finding("low", name, tr("the {name} channel is more than 6 dB weaker", name=name),
                (tr("a dry coupling capacitor"), tr("a worn control or dirty switch"), tr("a dirty or tilted head")))
        for name in stereo.weak
    ]  # fmt: skip
    if stereo.swap == "exchanged":
        found.append(
            Finding("", "", tr("left and right are exchanged"), (tr("a lead, plug or socket wired the wrong way"),))
        )
    if stereo.swap == "joined":
        found.append(Finding("", "", stereo.swap_why, (tr("a mono switch or plug"), tr("an open ground of a socket"))))
    if stereo.inverted:
        found.append(
            Finding(
                "",
                "",
                tr("the channels are opposite in polarity"),
                (tr("a plug, head or speaker wired the wrong way"),),
            )
        )
    return found


def _about_level(each: ChannelReading, usual: float | None) -> list[Finding]:
    found = []
    if (each.clipped.value or 0.0) > 0.1 or each.full_scale:
        if each.full_scale:
            causes: tuple[str, ...] = (tr("the recorder's input is too loud: turn it down and record again"),)
        else:
            causes = (
                tr("an amplifier stage that runs out of voltage: supply low, bias off, a leaky coupling capacitor"),
                tr("a square wave by design, as simple beepers give"),
            )
        found.append(
            Finding(
                "" if each.full_scale else "garbled",
                each.name,
                tr("flat tops for {value:.1f} % of the time", value=each.clipped.value or 0.0),
                causes,
            )
        )
    if each.dc.value is not None and abs(each.dc.value) > DC_MUCH:
        causes = (tr("a leaky coupling capacitor at the unit's output"),
                  tr("the recorder's own offset: record with nothing plugged in to compare"))  # fmt: skip
        found.append(
            Finding("", each.name, tr("direct voltage, {value:+.1f} % of full scale", value=each.dc.value), causes)
        )
    if each.tone is not None and (each.tone.thd.value or 0.0) > DISTORTED and not each.full_scale:
        found.append(_about_distortion(each))
    level = each.tone.level.value if each.tone is not None else None
    if usual is not None and level is not None and abs(level - usual) > 6.0:
        sign = "low" if level < usual else "high"
        found.append(
            Finding(
                sign,
                each.name,
                tr(
                    "{usual:.0f} dB {sign} the usual level",
                    usual=abs(level - usual),
                    sign="below" if sign == "low" else "above",
                ),
                (tr("a dry coupling capacitor"),) if sign == "low" else (),
            )
        )
    if each.dropouts.count:
        longest = max(each.dropouts.seconds)
        found.append(
            Finding(
                "restart" if longest >= 0.2 else "noise",
                each.name,
                tr(
                    "{count}, the longest {longest:.0f} ms",
                    count=_count(each.dropouts.count, "dropout"),
                    longest=1000 * longest,
                ),
                (tr("a contact that comes and goes: plug, socket, switch, joint"), tr("on tape: dirt, or worn tape")),
            )
        )
    return found


def _about_distortion(each: ChannelReading) -> Finding:
    assert each.tone is not None
    says = tr("distortion {value:.1f} % (harmonics)", value=each.tone.thd.value or 0.0)
    levels = dict(each.tone.harmonics)
    second, third = levels.get(2, -200.0), levels.get(3, -200.0)
    if second > third + MAINLY:
        causes: tuple[str, ...] = (tr("mainly the second harmonic: a stage with its bias off"),)
    elif third > second + MAINLY:
        causes = (tr("mainly the third harmonic: both half waves limited, too much level, or tape driven too hard"),)
    else:
        causes = (tr("second and third harmonic: a stage near its limits"),)
    return Finding("garbled", each.name, says, causes)


def _about_hum(each: ChannelReading, reference: Figure) -> list[Finding]:
    if not each.hum.lines:
        return []
    pattern, causes = hum_causes(each.hum)
    strongest = max(each.hum.lines, key=lambda line: line.level.value or -200.0)
    says = tr(
        "hum, {pattern}; strongest {hertz:.2f} Hz at {value:.1f} dBFS",
        pattern=pattern,
        hertz=strongest.hertz,
        value=strongest.level.value or 0.0,
    )
    against = relative(each.hum.weighted, reference)
    if against is not None:
        off = abs(against)
        says += (
            tr("; {off:.0f} dB below the usual level, A-weighted", off=off)
            if against < 0
            else tr("; {off:.0f} dB above the usual level, A-weighted", off=off)
        )
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
        return Figure(None, "dBFS", None, tr("hum hides the hiss"))
    return Figure(10.0 * log10(left), "dBFS", 3.0 * (noise.plus_minus or 0.0))


def relative(figure: Figure, reference: Figure) -> float | None:
    """[dB] a level against the reference; None where either is withheld."""
    return None if figure.value is None or reference.value is None else figure.value - reference.value


def _about_noise(each: ChannelReading, reference: Figure) -> list[Finding]:
    found = []
    against = relative(hiss(each), reference)
    if against is not None and against > NOISE_HEARD:
        found.append(
            Finding(
                "noise",
                each.name,
                tr("noise only {against:.0f} dB below the usual level, A-weighted", against=-against),
                (
                    tr("a noisy transistor or leaky capacitor early in the sound path"),
                    tr("a magnetised head"),
                    tr("the recorder itself: record with the lead off to compare"),
                ),
            )
        )
    rate = each.clicks.per_minute.value or 0.0
    if rate > CLICKS_HEARD and each.clicks.count > 2 and not each.clicks.note.startswith("clipped"):
        found.append(
            Finding(
                "noise",
                each.name,
                tr("{count}, {rate:.0f} a minute", count=_count(each.clicks.count, "click"), rate=rate),
                (tr("a dirty control, switch or socket"), tr("a leaky coupling capacitor"), tr("a cracked joint")),
            )
        )
    return found


def other_tape(flutter: Flutter) -> float | None:
    """[Hz] The other usual tone of test tapes, where this one runs at just that."""
    hertz = flutter.hertz.value or 0.0
    return next((t for t in TAPES if t != flutter.nominal and abs(hertz / t - 1.0) < LIKE_OTHER), None)


def _about_tape(flutter: Flutter) -> list[Finding]:
    found = []
    speed, wavers = flutter.speed.value or 0.0, flutter.weighted.value or 0.0
    if abs(speed) > SPEED_OFF:
        off = abs(speed)
        says = tr("{off:.1f} % too fast", off=off) if speed > 0 else tr("{off:.1f} % too slow", off=off)
        deck = (tr("the motor's governor or its setting"), tr("a wrong or slack belt"))
        other = other_tape(flutter)
        if other is None:
            causes = (*deck, tr("a tape of another tone than {nominal:g} Hz", nominal=flutter.nominal))
        else:
            says += tr(
                " if the tape's tone is {nominal:g} Hz; right if it is {other:g} Hz",
                nominal=flutter.nominal,
                other=other,
            )
            causes = (tr("a {other:g} Hz tape: look at its label", other=other), *deck)
        found.append(Finding("slow", "", says, causes))
    if wavers > FLUTTER_MUCH:
        parts = tuple(f"{line.hertz:.2g} Hz, {line.peak:.2f} %: {line.may}" for line in flutter.lines)
        found.append(Finding("slow", "", tr("wow and flutter ±{wavers:.2f} %", wavers=wavers),
                             (*parts, tr("belt, pinch roller, dry bearings"))))  # fmt: skip
    return found
