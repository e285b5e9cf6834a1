"""A WAV file as a capture: the sound card used as an oscilloscope."""

from __future__ import annotations

import io
import struct

import numpy as np

from refettle.captures.bulk import MAX_VALUES
from refettle.captures.cells import FROM_OVER
from refettle.captures.channels import known_unit, make_channel, pick, rescaled
from refettle.captures.model import Capture, CaptureError, Choices, chosen
from refettle.captures.quality import stuck_samples
from refettle.language import several, tr
from refettle.quantities import show

_BITS = {"PCM_U8": 8, "PCM_S8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}


def _missing_bytes(data: bytes) -> int:
    """How many bytes of sound the head promises that are not there."""
    if data[:4] not in (b"RIFF", b"RF64"):
        return 0
    at = 12
    while at + 8 <= len(data):
        size = struct.unpack_from("<I", data, at + 4)[0]
        if data[at : at + 4] == b"data":
            return 0 if size in (0, 0xFFFFFFFF) else max(0, int(size) - (len(data) - at - 8))
        at += 8 + size + (size & 1)
    return 0


def read_wav(data: bytes, choices: Choices) -> Capture:
    """Read a WAV file; in volts where the full scale is known. Raises CaptureError."""
    import soundfile

    try:
        with soundfile.SoundFile(io.BytesIO(data)) as sound:
            rate, many, count = int(sound.samplerate), int(sound.channels), int(sound.frames)
            coding, about = str(sound.subtype), str(sound.subtype_info)
            if count * many > MAX_VALUES:
                raise CaptureError(
                    tr(
                        "{count} samples found; allowed: up to {most} as a capture",
                        count=count * many,
                        most=MAX_VALUES,
                    )
                )
            samples = sound.read(dtype="float64", always_2d=True)
    except (soundfile.LibsndfileError, RuntimeError, ValueError) as error:
        if isinstance(error, CaptureError):
            raise
        reason = str(error).split(":")[-1].strip(" .")
        raise CaptureError(
            tr("a WAV file that cannot be read ({reason}); allowed: a whole WAV, PCM or float", reason=reason)
        ) from None
    if samples.shape[0] < 2 or rate <= 0:
        raise CaptureError(tr("{shape} samples found; allowed: two or more", shape=samples.shape[0]))
    doubts: list[str] = []
    if lost := _missing_bytes(data):
        doubts.append(tr("cut short: {lost} bytes of sound are missing at the end, what is there is read", lost=lost))
    first, last = (1, samples.shape[0]) if choices.rows is None else choices.rows
    if first > samples.shape[0]:
        raise CaptureError(
            tr(
                "rows: from {first} found, the file has {shape}; allowed: up to that",
                first=first,
                shape=samples.shape[0],
            )
        )
    samples = samples[first - 1 : last]
    samples[~(np.abs(samples) < FROM_OVER)] = np.nan
    step = choices.interval or 1.0 / rate
    understood = [
        several(
            "{shape} samples, {rate} a second, {many} channel, {about}",
            "{shape} samples, {rate} a second, {many} channels, {about}",
            many,
            shape=samples.shape[0],
            rate=rate,
            many=many,
            about=about,
        )
    ]
    if choices.interval is not None:
        understood.append(tr("{step} between samples, as chosen", step=show(step, "s", 6)))
    names = [f"CH{n + 1}" for n in range(many)]
    bits = _BITS.get(coding)
    channels = []
    for number in pick(names, choices):
        name = names[number]
        values = samples[:, number]
        top = 1.0 - 2.0 ** (1 - bits) if bits else 1.0
        clipped = stuck_samples(values, -1.0, top) if np.any(np.abs(values) >= top) else 0
        lsb = 2.0 ** (1 - bits) if bits else None
        unit = ""
        if choices.full_scale is not None:
            values, lsb, unit = values * choices.full_scale, lsb and lsb * choices.full_scale, "V"
            understood.append(
                tr("{name}: full scale is {full_scale}, as chosen", name=name, full_scale=show(choices.full_scale, "V"))
            )
        if (said := chosen(choices.units, number, name)) is not None:
            unit, factor = known_unit(said, name)
            values, lsb = values * factor, lsb and lsb * factor
            understood.append(tr("{name}: in {said}, as chosen", name=name, said=said))
        before = values
        values, words = rescaled(values, number, name, choices)
        understood += [f"{name}: {word}" for word in words]
        if lsb is not None and values is not before:
            ratio = float(np.prod([chosen(m, number, name) or 1.0 for m in (choices.scale, choices.probe)]))
            lsb *= abs(ratio)
        channels.append(make_channel(name, unit, values, lsb, clipped))
    if choices.full_scale is None and not choices.units:
        doubts.append(tr("what full scale stands for is not in the file: say the volts of full scale to have volts"))
    if choices.ac_coupled is None:
        doubts.append(
            tr("a sound card blocks the steady part (AC coupled, often from 2 to 20 Hz): a rail's volts are not in it")
        )
    start = (first - 1) * step
    return Capture(step, start, tuple(channels), "wav", tuple(understood), tuple(doubts))
