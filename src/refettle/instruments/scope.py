"""A trace from an oscilloscope, by its description."""

from __future__ import annotations

import re
from collections.abc import Callable
from math import isfinite

import numpy as np

from refettle.captures.bulk import MAX_VALUES
from refettle.captures.cells import FROM_OVER
from refettle.captures.channels import make_channel
from refettle.captures.model import Capture, Floats
from refettle.captures.quality import stuck_samples
from refettle.instruments.description import Description, Figure, place_of
from refettle.instruments.errors import InstrumentError
from refettle.instruments.session import Session
from refettle.language import tr
from refettle.quantities import show

_TYPES = {"i8": "i1", "u8": "u1", "i16": "i2", "u16": "u2", "f32": "f4", "f64": "f8"}


def parse_block(raw: bytes) -> bytes:
    """The bytes of a block of definite length (IEEE 488.2, 8.7.9: #, how many figures, the length, the bytes).

    Raises
    ------
    InstrumentError
        No such block, or one cut short.
    """
    found = re.match(rb"#([1-9])", raw)
    if not found:
        raise InstrumentError(
            tr("{raw!r} answered; allowed: a block, which begins with # and a figure from 1 to 9", raw=raw[:20])
        )
    width = int(found[1])
    digits = raw[2 : 2 + width]
    if len(digits) < width or not digits.isdigit():
        raise InstrumentError(
            tr("{raw!r} answered; allowed: # and {width} figures of length", raw=raw[:20], width=width)
        )
    size = int(digits)
    block = raw[2 + width : 2 + width + size]
    if len(block) < size:
        raise InstrumentError(
            tr("a block of {size} bytes announced, {block} came; allowed: the whole block", size=size, block=len(block))
        )
    return block


def parse_samples(raw: bytes, description: Description) -> Floats:
    """The samples in an answer, as they stand. InstrumentError where they are none."""
    if description.form == "text":
        body = parse_block(raw) if raw.startswith(b"#") else raw
        cells = body.decode("ascii", "replace").strip().strip(",;").replace(";", ",").split(",")
        if len(cells) > MAX_VALUES:
            raise InstrumentError(
                tr("{count} samples answered; allowed: up to {most}", count=len(cells), most=MAX_VALUES)
            )
        values = np.empty(len(cells))
        for n, cell in enumerate(cells):
            try:
                values[n] = float(cell)
            except ValueError:
                raise InstrumentError(
                    tr("sample {n}: {strip!r} answered; allowed: a number", n=n + 1, strip=cell.strip()[:40])
                ) from None
        values[~(np.abs(values) < FROM_OVER)] = np.nan
        return values
    block = parse_block(raw)
    kind = np.dtype(_TYPES[description.form]).newbyteorder(">" if description.big_endian else "<")
    if len(block) % kind.itemsize:
        raise InstrumentError(
            tr(
                "a block of {block} bytes answered; allowed: whole samples of {itemsize} bytes",
                block=len(block),
                itemsize=kind.itemsize,
            )
        )
    values = np.frombuffer(block, kind).astype(np.float64)
    values[~(np.abs(values) < FROM_OVER)] = np.nan
    return values


def read_trace(session: Session, description: Description, channel: str = "1") -> Capture:
    """Fetch the trace on the screen.

    Parameters
    ----------
    session : Session
    description : Description
    channel : str
        What stands for `{channel}` in its commands.

    Raises
    ------
    InstrumentError
        No answer, nonsense, another instrument than described, or figures that cannot be.
    """
    if not re.fullmatch(r"[A-Za-z0-9_]{1,12}", channel):
        raise InstrumentError(tr("channel: {channel!r} found; allowed: letters and figures, up to 12", channel=channel))
    if description.channels and channel not in description.channels:
        raise InstrumentError(
            tr(
                "channel: {channel!r} found; allowed: {channels}",
                channel=channel,
                channels=", ".join(description.channels),
            )
        )
    if description.identity:
        says = session.ask("*IDN?")
        if description.identity.casefold() not in says.casefold():
            raise InstrumentError(
                tr(
                    "{says!r} answers; the description is of {identity!r}",
                    says=says[:80],
                    identity=description.identity,
                )
            )

    def named(command: str) -> str:
        return command.replace("{channel}", channel)

    try:
        for command in description.before:
            session.tell(named(command))
        preamble = session.ask(named(description.preamble)).split(",") if description.preamble else []
        step = _figure(session, "step", description.step, preamble, named)
        start = _figure(session, "start", description.start, preamble, named)
        scale = _figure(session, "scale", description.scale, preamble, named)
        zero = _figure(session, "zero", description.zero, preamble, named)
        offset = _figure(session, "offset", description.offset, preamble, named)
        if not 1e-15 <= step <= 1e6:
            raise InstrumentError(tr("step: {step:g} s answered; allowed: above 0, to 1e6 s", step=step))
        if scale == 0.0:
            raise InstrumentError(tr("scale: 0 answered; allowed: a number other than 0"))
        codes = parse_samples(session.ask_raw(named(description.data)), description)
    finally:
        for command in description.after:
            session.tell(named(command))
    if codes.size < 2:
        raise InstrumentError(tr("{size} sample answered; allowed: two or more: is the channel on?", size=codes.size))
    whole = description.form in ("i8", "u8", "i16", "u16")
    clipped: int | None = None
    if whole:
        limits = np.iinfo(_TYPES[description.form])
        clipped = max(stuck_samples(codes, float(limits.min), float(limits.max)), stuck_samples(codes))
    values = (codes - zero) * scale + offset
    name = channel.upper() if channel[0].isalpha() else f"CH{channel}"
    made = make_channel(name, description.unit, values, abs(scale) if whole else None, clipped)
    understood = [tr("{size} samples over SCPI, {step} apart", size=codes.size, step=show(step, "s", 6))]
    if whole:
        understood.append(
            tr("{name}: codes of {unit}, zero at {zero:g}", name=name, unit=show(scale, description.unit, 5), zero=zero)
        )
    return Capture(step, start, (made,), "csv", tuple(understood), ())


def _figure(session: Session, key: str, figure: Figure, preamble: list[str], named: Callable[[str], str]) -> float:
    if isinstance(figure, float):
        return figure
    place = place_of(figure)
    if place is None:
        answer = session.ask(named(figure))
    elif place < len(preamble):
        answer = preamble[place].strip()
    else:
        raise InstrumentError(
            tr(
                "{field}: {place} found, the preamble has {places} places; allowed: up to that",
                field=key,
                place=figure,
                places=len(preamble),
            )
        )
    try:
        value = float(answer)
    except ValueError:
        raise InstrumentError(
            tr("{field}: {answer!r} answered; allowed: a number", field=key, answer=answer[:40])
        ) from None
    if not isfinite(value) or abs(value) >= FROM_OVER:
        raise InstrumentError(
            tr("{field}: {answer!r} answered; allowed: a finite number", field=key, answer=answer[:40])
        )
    return value
