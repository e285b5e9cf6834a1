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
        raise InstrumentError(f"{raw[:20]!r} answered; allowed: a block, which begins with # and a figure from 1 to 9")
    width = int(found[1])
    digits = raw[2 : 2 + width]
    if len(digits) < width or not digits.isdigit():
        raise InstrumentError(f"{raw[:20]!r} answered; allowed: # and {width} figures of length")
    size = int(digits)
    block = raw[2 + width : 2 + width + size]
    if len(block) < size:
        raise InstrumentError(f"a block of {size} bytes announced, {len(block)} came; allowed: the whole block")
    return block


def parse_samples(raw: bytes, description: Description) -> Floats:
    """The samples in an answer, as they stand. InstrumentError where they are none."""
    if description.form == "text":
        body = parse_block(raw) if raw.startswith(b"#") else raw
        cells = body.decode("ascii", "replace").strip().strip(",;").replace(";", ",").split(",")
        if len(cells) > MAX_VALUES:
            raise InstrumentError(f"{len(cells)} samples answered; allowed: up to {MAX_VALUES}")
        values = np.empty(len(cells))
        for n, cell in enumerate(cells):
            try:
                values[n] = float(cell)
            except ValueError:
                raise InstrumentError(f"sample {n + 1}: {cell.strip()[:40]!r} answered; allowed: a number") from None
        values[~(np.abs(values) < FROM_OVER)] = np.nan
        return values
    block = parse_block(raw)
    kind = np.dtype(_TYPES[description.form]).newbyteorder(">" if description.big_endian else "<")
    if len(block) % kind.itemsize:
        raise InstrumentError(
            f"a block of {len(block)} bytes answered; allowed: whole samples of {kind.itemsize} bytes"
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
        raise InstrumentError(f"channel: {channel!r} found; allowed: letters and figures, up to 12")
    if description.channels and channel not in description.channels:
        raise InstrumentError(f"channel: {channel!r} found; allowed: {', '.join(description.channels)}")
    if description.identity:
        says = session.ask("*IDN?")
        if description.identity.casefold() not in says.casefold():
            raise InstrumentError(f"{says[:80]!r} answers; the description is of {description.identity!r}")

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
            raise InstrumentError(f"step: {step:g} s answered; allowed: above 0, to 1e6 s")
        if scale == 0.0:
            raise InstrumentError("scale: 0 answered; allowed: a number other than 0")
        codes = parse_samples(session.ask_raw(named(description.data)), description)
    finally:
        for command in description.after:
            session.tell(named(command))
    if codes.size < 2:
        raise InstrumentError(f"{codes.size} sample answered; allowed: two or more: is the channel on?")
    whole = description.form in ("i8", "u8", "i16", "u16")
    clipped: int | None = None
    if whole:
        limits = np.iinfo(_TYPES[description.form])
        clipped = max(stuck_samples(codes, float(limits.min), float(limits.max)), stuck_samples(codes))
    values = (codes - zero) * scale + offset
    name = channel.upper() if channel[0].isalpha() else f"CH{channel}"
    made = make_channel(name, description.unit, values, abs(scale) if whole else None, clipped)
    understood = [f"{codes.size} samples over SCPI, {show(step, 's', 6)} apart"]
    if whole:
        understood.append(f"{name}: codes of {show(scale, description.unit, 5)}, zero at {zero:g}")
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
        raise InstrumentError(f"{key}: {figure} found, the preamble has {len(preamble)} places; allowed: up to that")
    try:
        value = float(answer)
    except ValueError:
        raise InstrumentError(f"{key}: {answer[:40]!r} answered; allowed: a number") from None
    if not isfinite(value) or abs(value) >= FROM_OVER:
        raise InstrumentError(f"{key}: {answer[:40]!r} answered; allowed: a finite number")
    return value
