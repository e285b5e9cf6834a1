"""The channels of a capture that a ripple reading may be made from."""

from __future__ import annotations

from typing import Literal

from refettle.captures import Capture, CaptureError, Channel
from refettle.language import tr

MOST_MISSING = 0.02
"""Share of the samples that may be gaps, bridged by a straight line."""


def ripple_channel(capture: Capture, which: str | int, unit: Literal["V", "A"]) -> Channel:
    """A channel of the rail [V] or of the current [A], by name or number.

    Raises
    ------
    CaptureError
        No such channel, another unit, a recording whose full scale is not known, or too many gaps.
    """
    found = capture.channel(which)
    if found.unit not in (unit, ""):
        raise CaptureError(
            tr("channel {name}: in {unit}; allowed: {wanted}", name=found.name, unit=found.unit, wanted=unit)
        )
    if not found.unit and capture.kind == "wav":
        raise CaptureError(
            tr(
                "channel {name}: shares of full scale found; allowed: {unit}, so give the full scale in volts",
                name=found.name,
                unit=unit,
            ),
            asks="full_scale",
        )
    if found.missing > MOST_MISSING * len(capture):
        most = 100.0 * MOST_MISSING
        raise CaptureError(
            tr(
                "channel {name}: {missing} samples missing; allowed: up to {most:g} in 100",
                name=found.name,
                missing=found.missing,
                most=most,
            )
        )
    return found
