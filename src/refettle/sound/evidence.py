"""A recording as evidence for fault finding: graded likelihoods of what a sound check may show.

For each sign (dead, part, low, ...) the recording gives odds, P(recording | the sign is there) / P(recording | good).
They turn where a listener would call it: 1 to 1 at a middle value, 4 to 1 one half-width further, straight in the
logarithm between, held between 1 to 20 and 50 to 1; the uncertainty of the figure widens the half-width, so that an
unsure figure says little. Middle values and half-widths are estimates. What was not measured says nothing: 1 to 1.

An outcome with several signs takes their mean. Only one thing is taken to be shown, as in the check itself, so the
likelihood of an outcome is that of good times its odds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import hypot, log10, sqrt

from refettle.language import mark, tr
from refettle.sound.figures import Figure, SoundError
from refettle.sound.meaning import (
    CLICKS_HEARD,
    DISTORTED,
    FLUTTER_MUCH,
    HUM_HEARD,
    NOISE_HEARD,
    SPEED_OFF,
    hiss,
    other_tape,
    relative,
)
from refettle.sound.reading import ChannelReading, SoundReading

MOST_GOOD, MOST_BAD = 20.0, 50.0
"""The usual false alarms and misses of a check; a recording is not held to be surer than that."""
SIGNS = ("dead", "high", "restart", "garbled", "part", "low", "hum", "noise", "slow")
SOUND_OUTCOMES: Mapping[str, Sequence[str]] = {
    "no sound": ("dead",),
    "comes and goes": ("restart",),
    "distorted": ("garbled",),
    "one channel missing": ("part",),
    "too loud": ("high",),
    "wrong or unsteady pitch": ("slow",),
    "quiet": ("low",),
    "hum": ("hum",),
    "crackle or hiss": ("noise",),
}
"""The outcomes of the library's point `sound`, with their signs."""
SPEED_OUTCOMES = (mark("steady but off by more than 2 %"), mark("wavers by more than 0.3 %"))
"""The outcomes of the library's check of a tape mechanism with a test tone."""
GOOD = "good"


@dataclass(frozen=True, slots=True)
class Grade:
    """What the recording says of one sign: `odds` bad to good, `figure` it went by, and `why` in words."""

    sign: str
    odds: float
    why: str


def grade(value: float, middle: float, half: float, plus_minus: float = 0.0) -> float:
    """Odds bad to good: 1 at `middle`, 4 at `middle` + `half` (less steep by `plus_minus`, 95 %), within bounds."""
    width = hypot(half, plus_minus / 2.0)
    exponent = max(-4.0, min(4.0, (value - middle) / width))
    return float(min(MOST_BAD, max(1.0 / MOST_GOOD, 4.0**exponent)))


def grades(reading: SoundReading, channel: str | None = None, played: bool = True) -> tuple[Grade, ...]:
    """Odds for each sign, with the reason.

    Parameters
    ----------
    reading : SoundReading
    channel : "left", "right" or "mono", optional
        Only that channel; by default the worst of all.
    played : bool
        The unit was made to give a sound. False: silence was recorded on purpose, and says nothing of the sound.

    Raises
    ------
    SoundError
        A channel that was not recorded.
    """
    names = [each.name for each in reading.channels]
    if channel is not None and channel not in names:
        raise SoundError(tr("channel: {channel!r} found; allowed: {names}", channel=channel, names=", ".join(names)))
    used = [each for each in reading.channels if channel in (None, each.name)]
    alive = [each for each in used if each.name not in reading.stereo.dead]
    found = [_dead(used), _part(reading, channel), _slow(reading)]
    for sign in ("high", "low", "restart", "garbled", "hum", "noise"):
        found.append(_worst(sign, [_of(sign, each, reading) for each in alive]))
    if not played:
        silent = tr("nothing was meant to play")
        found = [each if each.sign in ("hum", "noise", "slow") else Grade(each.sign, 1.0, silent) for each in found]
    return tuple(sorted(found, key=lambda each: SIGNS.index(each.sign)))


def likelihood(
    reading: SoundReading,
    outcomes: Mapping[str, Sequence[str]] = SOUND_OUTCOMES,
    channel: str | None = None,
    played: bool = True,
) -> dict[str, float]:
    """Graded likelihoods for the outcomes of a check, largest 1: what a log entry of that check carries.

    Parameters
    ----------
    reading : SoundReading
    outcomes : mapping of outcome to its signs
        By default those of the library's point `sound`. `good` is added.
    channel, played : optional
        As in `grades`; `channel` for a point that sees one channel.

    Raises
    ------
    SoundError
        No outcome, an unknown sign, or an outcome called good.
    """
    if not outcomes or GOOD in outcomes:
        raise SoundError(
            tr("outcomes: {outcomes} found; allowed: one or more bad ones, with their signs", outcomes=list(outcomes))
        )
    odds = {each.sign: each.odds for each in grades(reading, channel, played)}
    unknown = [sign for signs in outcomes.values() for sign in signs if sign not in odds]
    if unknown or not all(outcomes.values()):
        raise SoundError(
            tr("signs: {unknown} found; allowed: {signs}", unknown=", ".join(unknown) or "none", signs=", ".join(SIGNS))
        )
    return _scaled({name: sum(odds[sign] for sign in signs) / len(signs) for name, signs in outcomes.items()})


def speed_likelihood(reading: SoundReading, outcomes: Sequence[str] = SPEED_OUTCOMES) -> dict[str, float]:
    """Graded likelihoods for a speed check: `outcomes` names off speed, then wavering.

    Raises
    ------
    SoundError
        The recording holds no tape tone, or not two outcomes.
    """
    if len(outcomes) != 2:
        raise SoundError(
            tr("outcomes: {outcomes} found; allowed: two, off speed and wavering", outcomes=list(outcomes))
        )
    if reading.flutter is None:
        raise SoundError(
            tr("speed: {flutter_why}; allowed: a recording of a test tape", flutter_why=reading.flutter_why)
        )
    off, wavers = _speed_odds(reading)
    return _scaled({outcomes[0]: off, outcomes[1]: wavers})


def _scaled(odds: dict[str, float]) -> dict[str, float]:
    most = max(1.0, *odds.values())
    return {GOOD: 1.0 / most, **{name: value / most for name, value in odds.items()}}


def _worst(sign: str, found: list[Grade]) -> Grade:
    """Of several channels the worst; those that were not measured count only where none was."""
    told = [each for each in found if each.odds != 1.0]
    return max(told or found, key=lambda each: each.odds) if found else Grade(sign, 1.0, tr("no sound to judge it by"))


def _dead(used: list[ChannelReading]) -> Grade:
    level = max(each.level.value or -200.0 for each in used)
    return Grade("dead", grade(-level, 55.0, 5.0), tr("loudest channel {level:.0f} dBFS", level=level))


def _part(reading: SoundReading, channel: str | None) -> Grade:
    if len(reading.channels) == 1:
        return Grade("part", 1.0, tr("one channel was recorded"))
    levels = {each.name: each.level.value or -200.0 for each in reading.channels}
    below = max(levels.values()) - (min(levels.values()) if channel is None else levels[channel])
    if max(levels.values()) < -55.0:
        return Grade("part", 1.0, tr("both channels silent"))
    return Grade("part", grade(below, 20.0, 5.0), tr("one channel {below:.0f} dB below the other", below=below))


def _of(sign: str, each: ChannelReading, reading: SoundReading) -> Grade:
    reference = reading.reference
    if sign in ("high", "low"):
        return _loudness(sign, each, reference)
    if sign == "restart":
        if each.dropouts.per_minute.value is None:
            return Grade(sign, 1.0, f"{each.name}: {each.dropouts.per_minute.why}")
        long = sum(seconds >= 0.1 for seconds in each.dropouts.seconds)
        return Grade(
            sign,
            grade(float(long), 0.7, 0.6),
            tr("{name}: {long} dropouts of 0.1 s and more", name=each.name, long=long),
        )
    if sign == "garbled":
        return _distortion(each)
    if sign == "hum":
        return _hum(each, reference)
    return _noise(each, reference)


def _loudness(sign: str, each: ChannelReading, reference: Figure) -> Grade:
    if reference.why != "as told" or reference.value is None:
        return Grade(sign, 1.0, tr("{name}: how loud it should be was not told", name=each.name))
    level = each.tone.level.value if each.tone is not None else each.level.value
    above = (level if level is not None else -200.0) - reference.value
    value = above if sign == "high" else -above
    return Grade(
        sign,
        grade(value, 8.0, 3.0, 2.0),
        tr("{name}: {above:+.0f} dB against the usual level", name=each.name, above=above),
    )


def _distortion(each: ChannelReading) -> Grade:
    if each.full_scale:
        return Grade("garbled", 1.0, tr("{name}: the recorder was overdriven", name=each.name))
    clipped = each.clipped.value or 0.0
    if each.tone is not None:
        thd = each.tone.thd.value or 0.05
        odds = grade(20.0 * log10(thd / DISTORTED), 0.0, 5.0, 1.0)
        return Grade("garbled", odds, tr("{name}: harmonics {thd:.2g} % or less", name=each.name, thd=thd))
    if clipped > 1.0:
        return Grade(
            "garbled",
            grade(log10(clipped), 0.5, 0.5),
            tr("{name}: flat tops {clipped:.1f} % of the time", name=each.name, clipped=clipped),
        )
    return Grade("garbled", 1.0, tr("{name}: no test tone to tell distortion by", name=each.name))


def _hum(each: ChannelReading, reference: Figure) -> Grade:
    if reference.value is None:
        return Grade("hum", 1.0, f"{each.name}: {reference.why}")
    against = relative(each.hum.weighted, reference)
    if against is None and not each.hum.problem and each.hum.mains.value is None and each.noise.plain.value is not None:
        # No line at all: it lies below the noise, A-weighted.
        against = relative(each.noise.a_weighted, reference)
        if against is not None and against > HUM_HEARD:
            return Grade("hum", 1.0, tr("{name}: noise hides any hum", name=each.name))
    if against is None:
        return Grade("hum", 1.0, f"{each.name}: {each.hum.weighted.why or each.noise.plain.why}")
    plus_minus = hypot(each.hum.weighted.plus_minus or 0.0, reference.plus_minus or 0.0)
    odds = grade(against, HUM_HEARD, 5.0, plus_minus)
    return Grade(
        "hum",
        odds,
        tr("{name}: hum {against:.0f} dB against the usual level, A-weighted", name=each.name, against=against),
    )


def _noise(each: ChannelReading, reference: Figure) -> Grade:
    level = hiss(each)
    against = relative(level, reference)
    rate, crackle = each.clicks.per_minute.value or 0.0, _crackle(each)
    if against is None:
        return Grade(
            "noise",
            max(1.0, crackle),
            tr("{name}: {count} clicks; hiss cannot be set against", name=each.name, count=each.clicks.count),
        )
    odds = grade(against, NOISE_HEARD, 5.0, hypot(level.plus_minus or 0.0, reference.plus_minus or 0.0))
    why = tr(
        "{name}: noise {against:.0f} dB against the usual level, {rate:.0f} clicks a minute",
        name=each.name,
        against=against,
        rate=rate,
    )
    return Grade("noise", max(odds, crackle), why)


def _crackle(each: ChannelReading) -> float:
    """Odds by the clicks: a few in a short recording, or none, say little."""
    if each.clicks.note.startswith("clipped") or each.clicks.per_minute.plus_minus is None:
        return 1.0
    some = each.clicks.count + 0.5
    minutes = 2.0 * sqrt(each.clicks.count + 1.0) / each.clicks.per_minute.plus_minus
    return grade(log10(some / minutes), log10(CLICKS_HEARD), 0.4, 2.0 * 0.434 / sqrt(some))


def _speed_odds(reading: SoundReading) -> tuple[float, float]:
    flutter = reading.flutter
    assert flutter is not None
    off = grade(
        abs(flutter.speed.value or 0.0), 0.75 * SPEED_OFF, 0.25 * SPEED_OFF, (flutter.speed.plus_minus or 0) + 0.5
    )
    if other_tape(flutter) is not None:
        off = 1.0  # the other test tape as likely as a deck that happens to be off by just that
    value, plus_minus = flutter.weighted.value or 0.0, flutter.weighted.plus_minus or 0.0
    wavers = grade(value, 0.85 * FLUTTER_MUCH, 0.2 * FLUTTER_MUCH, plus_minus)
    return off, wavers


def _slow(reading: SoundReading) -> Grade:
    if reading.flutter is None:
        return Grade("slow", 1.0, reading.flutter_why)
    off, wavers = _speed_odds(reading)
    speed, weighted = reading.flutter.speed.value or 0.0, reading.flutter.weighted.value or 0.0
    why = tr("speed {speed:+.2f} %, wow and flutter {weighted:.2f} %", speed=speed, weighted=weighted)
    return Grade("slow", max(off, wavers), why)
