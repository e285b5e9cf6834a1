"""The solver's own process: programs come in by standard input, solutions go out by standard output.

A process of its own, because the solver can be neither asked how far it is nor stopped, and because it writes lines of
its own to standard output from C. Run as a file; imports nothing of this project. What passes is arrays only, as
`.npz` without objects, each behind its length in 8 bytes.
"""

from __future__ import annotations

import io
import os
import struct
import sys
from typing import IO, Any


def send(pipe: IO[bytes], arrays: dict[str, Any]) -> None:
    """Write arrays to a pipe."""
    import numpy as np

    text = io.BytesIO()
    np.savez(text, **arrays)
    pipe.write(struct.pack("<Q", text.tell()))
    pipe.write(text.getbuffer())
    pipe.flush()


def receive(pipe: IO[bytes]) -> dict[str, Any] | None:
    """Read arrays from a pipe; None at its end."""
    import numpy as np

    head = pipe.read(8)
    if len(head) < 8:
        return None
    text = pipe.read(struct.unpack("<Q", head)[0])
    with np.load(io.BytesIO(text), allow_pickle=False) as arrays:
        return dict(arrays)


def solve(program: dict[str, Any]) -> dict[str, Any]:
    """One program: `state` as SciPy's milp tells it, `values` (none found: empty), `bound` under the least."""
    import numpy as np
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_array

    starts, columns = program["starts"].astype(np.int64), program["columns"].astype(np.int32)
    shape = (len(starts) - 1, len(program["cost"]))
    matrix = csr_array((program["weights"], columns, starts), shape=shape)
    result = milp(
        program["cost"],
        integrality=program["whole"].astype(np.int8),
        bounds=Bounds(program["lower"], program["upper"]),
        constraints=LinearConstraint(matrix, program["row_low"], program["row_high"]),
        options={"time_limit": float(program["seconds"]), "mip_rel_gap": float(program["gap"])},
    )
    bound = getattr(result, "mip_dual_bound", None)
    values = np.zeros(0) if result.x is None else np.asarray(result.x)
    return {
        "state": np.array(result.status),
        "values": values,
        "bound": np.array(-np.inf if bound is None else bound),
    }


def main() -> None:
    """Solve what comes in until nothing more does."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # where the solver's own lines go
    while (program := receive(sys.stdin.buffer)) is not None:
        send(answers, solve(program))


if __name__ == "__main__":
    main()
