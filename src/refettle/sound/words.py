"""A reading in words: rows for tables, and one line each for a log."""

from __future__ import annotations

from dataclasses import replace

from refettle.language import decimal, spoken, tr
from refettle.sound.channels import Channels
from refettle.sound.figures import Figure
from refettle.sound.reading import ChannelReading, SoundReading

Row = tuple[str, tuple[str, ...]]
"""What, and its value for each channel (or one for all)."""


def channel_rows(reading: SoundReading) -> list[Row]:
    """Each figure of the channels, side by side."""
    channels = reading.channels
    rows: list[Row] = [
        (tr("level"), _each(channels, lambda c: str(c.level))),
        (tr("peak"), _each(channels, lambda c: str(c.peak))),
        (tr("direct voltage"), _each(channels, lambda c: str(c.dc))),
        (tr("flat tops"), _each(channels, _clipped)),
        (tr("clicks"), _each(channels, lambda c: _events(c.clicks.count, c.clicks.per_minute, c.clicks.note))),
        (tr("dropouts"), _each(channels, _dropouts)),
        (tr("mains"), _each(channels, lambda c: str(c.hum.mains))),
        (tr("hum, all lines"), _each(channels, lambda c: str(c.hum.level))),
        (tr("hum, A-weighted"), _each(channels, lambda c: str(c.hum.weighted))),
    ]
    multiples = sorted({line.multiple for each in channels for line in each.hum.lines})
    rows += [
        (tr("hum, {multiple} x mains", multiple=multiple), _each(channels, lambda c, m=multiple: _line(c, m)))
        for multiple in multiples
    ]
    rows += [
        (tr("noise, 20 Hz to 20 kHz"), _each(channels, lambda c: str(c.noise.plain))),
        (tr("noise, A-weighted"), _each(channels, lambda c: str(c.noise.a_weighted))),
        (tr("noise, BS.468"), _each(channels, _itu)),
        (
            tr("tone"),
            _each(
                channels,
                lambda c: (
                    f"{decimal(c.tone.hertz.value or 0.0, '.2f')} Hz, {c.tone.level}"
                    if c.tone
                    else tr("withheld: {tone_why}", tone_why=c.tone_why)
                ),
            ),
        ),
        ("THD+N", _each(channels, _thd_n)),
        (tr("harmonics"), _each(channels, _harmonics)),
        (tr("tone over noise"), _each(channels, lambda c: str(c.snr))),
    ]
    return rows


def response_rows(reading: SoundReading) -> list[Row]:
    """The response against 1 kHz, where the test tones' sweep was found."""
    at = sorted({hertz for each in reading.channels for hertz, _ in each.response})
    rows: list[Row] = []
    for hertz in at:
        levels = [dict(each.response).get(hertz) for each in reading.channels]
        told = tuple(
            "" if each is None else f"{decimal(round(each, 1) + 0.0, '+.1f')} dB".replace("-", "−") for each in levels
        )
        rows.append((f"{hertz:g} Hz", told))
    return rows


def whole_rows(reading: SoundReading) -> list[tuple[str, str]]:
    """The figures of the recording as a whole: left against right, tape speed, wow and flutter."""
    stereo = reading.stereo
    swap = tr(stereo.swap) if stereo.swap else tr("withheld")
    rows = [
        (tr("balance, right over left"), str(stereo.balance)),
        (tr("polarity"), _polarity(stereo)),
        (tr("left and right"), f"{swap}: {spoken(stereo.swap_why)}"),
        (tr("crosstalk, left to right"), str(stereo.crosstalk_left)),
        (tr("crosstalk, right to left"), str(stereo.crosstalk_right)),
    ]
    flutter = reading.flutter
    if flutter is None:
        return [*rows, (tr("tape speed"), tr("withheld: {flutter_why}", flutter_why=reading.flutter_why))]
    rows += [
        (tr("tape tone"), str(flutter.hertz)),
        (tr("tape speed"), str(flutter.speed)),
        (tr("drift over the recording"), str(flutter.drift)),
        (tr("wow and flutter, weighted"), f"±{flutter.weighted}"),
        (tr("wow and flutter, unweighted"), f"±{flutter.unweighted}"),
        (
            tr("read for"),
            tr("{seconds:.1f} s, {masked:.2f} s of dropouts bridged", seconds=flutter.seconds, masked=flutter.masked),
        ),
    ]
    return rows + [
        (tr("wavers at {hertz:.2f} Hz", hertz=each.hertz), f"±{decimal(each.peak, '.3f')} %: {spoken(each.may)}")
        for each in flutter.lines
    ]


def figures(reading: SoundReading) -> dict[str, str]:
    """Every figure that was read, in words with its uncertainty; those that are withheld are left out."""
    found = {}
    for what, values in (*channel_rows(reading), *response_rows(reading)):
        for each, value in zip(reading.channels, values, strict=True):
            if value and not value.startswith(("withheld", "no ")):
                found[f"{what}, {each.name}"] = value
    for what, value in whole_rows(reading):
        if not value.startswith("withheld"):
            found[what] = value
    return found


def _each(channels: tuple[ChannelReading, ...], say: object) -> tuple[str, ...]:
    assert callable(say)
    return tuple(str(say(each)) for each in channels)


def _clipped(each: ChannelReading) -> str:
    return tr("{clipped} of the time", clipped=each.clipped) + (
        tr(", at the recorder's full scale") if each.full_scale else ""
    )


def _events(count: int, per_minute: Figure, note: str = "") -> str:
    if per_minute.value is None:
        return str(per_minute)
    text = f"{count}" if count == 0 else f"{count}, {per_minute}"
    return f"{text} ({note})" if note else text


def _dropouts(each: ChannelReading) -> str:
    text = _events(each.dropouts.count, each.dropouts.per_minute)
    return (
        tr("{text}, up to {seconds:.0f} ms", text=text, seconds=1000 * max(each.dropouts.seconds))
        if each.dropouts.seconds
        else text
    )


def _line(each: ChannelReading, multiple: int) -> str:
    found = next((line for line in each.hum.lines if line.multiple == multiple), None)
    return "" if found is None else f"{decimal(found.hertz, '.2f')} Hz, {found.level}"


def _itu(each: ChannelReading) -> str:
    return str(each.noise.itu468) + (", " + tr("quasi-peak") if each.noise.quasi_peak else "")


def _thd_n(each: ChannelReading) -> str:
    if each.tone is None:
        return tr("withheld: {tone_why}", tone_why=each.tone_why)
    return f"{replace(each.tone.thd_n, why='')}, {each.tone.thd_n_db}"


def _harmonics(each: ChannelReading) -> str:
    if each.tone is None:
        return ""
    return ", ".join(f"{multiple}: {decimal(level, '.1f')} dB" for multiple, level in each.tone.harmonics).replace(
        "-", "−"
    )


def _polarity(stereo: Channels) -> str:
    if stereo.inverted is None:
        return tr("withheld: the channels have too little in common")
    return tr("opposite") if stereo.inverted else tr("alike")
