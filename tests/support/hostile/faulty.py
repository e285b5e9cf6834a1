"""Readers that do what no reader may, to see that the watch sees it."""

from __future__ import annotations

import os
import time

from tests.support.hostile.reader import Reader


def _spin(data: bytes) -> None:
    end = time.process_time() + (60 if b"hang" in data else 0.1 if b"slow" in data else 0)
    while time.process_time() < end:
        pass


def _crash(data: bytes) -> None:
    if b"x" in data:
        raise KeyError(data[:1])
    raise ValueError("refused in words" if b"y" in data else "")


def _hog(data: bytes) -> int:
    return len(bytearray(b"\1") * (700_000_000 if b"700" in data else 3_000_000_000 if b"3000" in data else 1))


def _as_it_is(*examples: bytes) -> dict[str, object]:
    return {"examples": lambda: examples, "plain": (lambda rng, data, others: data,), "refusals": lambda: (ValueError,)}


FAULTY = {
    "hangs": Reader("hangs", read=_spin, **_as_it_is(b"", b"hang")),  # type: ignore[arg-type]
    "slow": Reader("slow", read=_spin, **_as_it_is(b"slow")),  # type: ignore[arg-type]
    "crashes": Reader("crashes", read=_crash, **_as_it_is(b"aaxbb", b"y", b"")),  # type: ignore[arg-type]
    "dies": Reader("dies", read=lambda d: os._exit(9) if d else None, **_as_it_is(b"", b"a")),  # type: ignore[arg-type]
    "hogs": Reader("hogs", read=_hog, **_as_it_is(b"1", b"700", b"3000")),  # type: ignore[arg-type]
}
