"""A capture as CSV that `read_capture` reads back with every figure."""

from __future__ import annotations

import csv
import io

import numpy as np

from refettle.captures.model import Capture
from refettle.captures.preamble import UNITLESS
from refettle.language import tr


def write_csv(capture: Capture) -> str:
    """Interval and start above, a heading with units, one row for each sample; a gap is written nan."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow([tr("Sample interval"), repr(float(capture.step)), "s"])
    rows.writerow(["Start", repr(float(capture.start)), "s"])
    rows.writerow([f"{channel.name} [{channel.unit or UNITLESS}]" for channel in capture.channels])
    rows.writerows(np.column_stack([channel.values for channel in capture.channels]).tolist())
    return out.getvalue()
