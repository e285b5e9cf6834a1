"""Two recordings of the same thing, before and after a repair: what changed, and whether beyond the uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot

from refettle.language import tr
from refettle.sound.figures import Figure, SoundError
from refettle.sound.hum import Hum, HumLine
from refettle.sound.reading import ChannelReading, SoundReading

SETTING = 0.3
"""[dB] by which a level may differ when a lead is plugged in again at the same setting: estimate."""
BETTER_LOW = -1
BETTER_HIGH = 1


@dataclass(frozen=True, slots=True)
class Change:
    """One figure before and after.

    `difference` is after less before with its 95 % uncertainty, None where either is withheld; `beyond`: more than
    that; `says` "better", "worse", "changed", "the same" or "cannot be compared"; `why` for the last, and for
    a hum found on one side only.
    """

    what: str
    channel: str
    before: Figure
    after: Figure
    difference: Figure | None
    beyond: bool
    says: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class Comparison:
    """All changes, and `notes` on what to mind."""

    changes: tuple[Change, ...]
    notes: tuple[str, ...]


def compare(before: SoundReading, after: SoundReading) -> Comparison:
    """Compare two recordings.

    Levels are compared as they stand, so both must be made at the same setting; where both hold a test tone, hum and
    noise are set against it, and the setting does not matter.

    Raises
    ------
    SoundError
        A different number of channels.
    """
    if len(before.channels) != len(after.channels):
        raise SoundError(
            tr(
                "channels: {before} before and {after} after found; allowed: the same number",
                before=len(before.channels),
                after=len(after.channels),
            )
        )
    notes = []
    against = all(each.tone is not None for each in (*before.channels, *after.channels))
    if not against:
        notes.append(tr("no test tone in both: levels compare only if recorder and volume stood the same"))
    if before.rate != after.rate:
        notes.append(
            tr(
                "recorded at {before} and {after} Hz: noise beyond the lower band differs by itself",
                before=before.rate,
                after=after.rate,
            )
        )
    changes: list[Change] = []
    for one, other in zip(before.channels, after.channels, strict=True):
        changes += _of_channel(one, other, against)
    changes.append(_change("balance", "", before.stereo.balance, after.stereo.balance, 0, 0.0))
    changes.append(
        _change(tr("crosstalk, left to right"), "", before.stereo.crosstalk_left, after.stereo.crosstalk_left, -1, 0.0)
    )
    changes.append(
        _change(
            tr("crosstalk, right to left"), "", before.stereo.crosstalk_right, after.stereo.crosstalk_right, -1, 0.0
        )
    )
    if before.flutter is not None and after.flutter is not None:
        changes.append(_speed(before.flutter.speed, after.flutter.speed))
        changes.append(_change(tr("wow and flutter"), "", before.flutter.weighted, after.flutter.weighted, -1, 0.0))
    kept = [each for each in changes if each.before.value is not None or each.after.value is not None]
    return Comparison(tuple(kept), tuple(notes))


def _of_channel(before: ChannelReading, after: ChannelReading, against: bool) -> list[Change]:
    name = before.name
    shift = 0.0
    spread = 2.0 * SETTING
    if against and before.tone is not None and after.tone is not None:
        shift = (after.tone.level.value or 0.0) - (before.tone.level.value or 0.0)
        spread = 0.1
    changes = []
    if before.tone is not None and after.tone is not None:
        changes.append(_change("tone", name, before.tone.level, after.tone.level, 0, 2.0 * SETTING))
        changes.append(_change("THD+N", name, before.tone.thd_n_db, after.tone.thd_n_db, -1, 0.0))
    else:
        changes.append(_change("level", name, before.level, after.level, 0, 2.0 * SETTING))
    changes.append(_hum(name, before.hum, after.hum, spread, shift))
    changes.append(_change(tr("hum, A-weighted"), name, before.hum.weighted, after.hum.weighted, -1, spread, shift))
    changes += _lines(name, before.hum.lines, after.hum.lines, spread, shift)
    changes.append(
        _change(tr("noise, A-weighted"), name, before.noise.a_weighted, after.noise.a_weighted, -1, spread, shift)
    )
    if before.noise.quasi_peak == after.noise.quasi_peak:
        changes.append(_change(tr("noise, BS.468"), name, before.noise.itu468, after.noise.itu468, -1, spread, shift))
    changes.append(_change("clicks", name, before.clicks.per_minute, after.clicks.per_minute, -1, 0.0))
    changes.append(_change("dropouts", name, before.dropouts.per_minute, after.dropouts.per_minute, -1, 0.0))
    changes.append(_change(tr("flat tops"), name, before.clipped, after.clipped, -1, 0.0))
    changes.append(_change(tr("direct voltage"), name, before.dc, after.dc, 0, 0.0))
    return changes


def _hum(name: str, before: Hum, after: Hum, spread: float, shift: float) -> Change:
    """All hum together; where it is found on one side only, by how much it must at least have changed."""
    change = _change("hum", name, before.level, after.level, -1, spread, shift)
    for here, there, sign, says in ((before, after, 1.0, "better"), (after, before, -1.0, "worse")):
        if here.level.value is None or there.hidden is None:
            continue
        least = here.level.value + sign * shift - there.hidden
        if least > hypot(here.level.plus_minus or 0.0, spread):
            side, moved = ("after", "less") if sign > 0 else ("before", "more")
            why = tr(
                "{side}: {why}; at least {least:.0f} dB {moved}",
                side=side,
                why=there.level.why,
                least=least,
                moved=moved,
            )
            return replace(change, beyond=True, says=says, why=why)
    return change


def _lines(
    name: str, before: tuple[HumLine, ...], after: tuple[HumLine, ...], spread: float, shift: float
) -> list[Change]:
    """The hum lines found in both, by multiple of the mains, up to the sixth."""
    other = {line.multiple: line for line in after}
    found = []
    for line in before:
        if line.multiple in other and line.multiple <= 6:
            what = tr("hum, {multiple} times the mains", multiple=line.multiple)
            found.append(_change(what, name, line.level, other[line.multiple].level, -1, spread, shift))
    return found


def _speed(before: Figure, after: Figure) -> Change:
    change = _change("speed", "", before, after, 0, 0.0)
    if change.beyond and before.value is not None and after.value is not None:
        nearer = abs(after.value) < abs(before.value)
        return Change(*(change.what, "", before, after, change.difference, True, "better" if nearer else "worse"))
    return change


def _change(
    what: str, channel: str, before: Figure, after: Figure, better: int, spread: float, shift: float = 0.0
) -> Change:
    """`better`: -1 where less is better, 1 where more is, 0 where neither. `shift` is taken off the difference."""
    if before.value is None or after.value is None:
        why = before.why if before.value is None else after.why
        side = "before" if before.value is None else "after"
        return Change(what, channel, before, after, None, False, "cannot be compared", f"{side}: {why}")
    value = after.value - before.value - shift
    plus_minus = hypot(before.plus_minus or 0.0, after.plus_minus or 0.0, spread)
    beyond = abs(value) > plus_minus
    says = tr("the same") if not beyond else "changed" if not better else "better" if value * better > 0 else "worse"
    unit = "dB" if before.unit.startswith("dB") else before.unit
    return Change(what, channel, before, after, Figure(value, unit, plus_minus), beyond, says)
