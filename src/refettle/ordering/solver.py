"""Programs solved in a process of its own that can be stopped.

SciPy's milp (the HiGHS solver; Huangfu and Hall 2018, doi:10.1007/s12532-017-0130-5) shows nothing until it ends: a run
that is stopped is lost, and what is kept then is what runs before it found.
"""

from __future__ import annotations

import queue
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from math import inf
from threading import Thread
from types import TracebackType
from typing import Any, Literal

from refettle.ordering import child
from refettle.ordering.program import Floats

OVER = 5.0
"""[s] over its time limit before the process is ended: the solver looks at its clock only now and then."""
POLL = 0.05

Stopped = Callable[[], bool]


@dataclass(frozen=True)
class Solution:
    """`values` of the unknowns, None where none were found; `bound` that no solution can be below."""

    state: Literal["optimal", "best so far", "impossible", "nothing yet"]
    values: Floats | None
    bound: float


NOTHING = Solution("nothing yet", None, -inf)


class Solver:
    """A solver to be used in a `with`; its process begins with the first program and ends with the block."""

    def __init__(self, stopped: Stopped | None = None) -> None:
        self._stopped = stopped or (lambda: False)
        self._process: subprocess.Popen[bytes] | None = None
        self._answers: queue.SimpleQueue[dict[str, Any] | None] = queue.SimpleQueue()

    def __enter__(self) -> Solver:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end()

    @property
    def stopped(self) -> bool:
        """True once a stop was asked for."""
        return self._stopped()

    def solve(self, program: dict[str, Floats], seconds: float, gap: float = 0.0) -> Solution:
        """The best there is within `seconds` [s], ended early where it is within `gap` (a share) of the cheapest."""
        import numpy as np

        if self.stopped or seconds <= 0.0:
            return NOTHING
        process = self._begun()
        assert process.stdin is not None
        extra = {"seconds": np.array(seconds), "gap": np.array(gap)}
        try:
            child.send(process.stdin, {**program, **extra})
        except OSError:
            self._end()
            return NOTHING
        until = time.monotonic() + seconds + OVER
        while time.monotonic() < until and not self.stopped:
            try:
                answer = self._answers.get(timeout=POLL)
            except queue.Empty:
                continue
            if answer is None:
                break
            return _solution(answer)
        self._end()
        return NOTHING

    def _begun(self) -> subprocess.Popen[bytes]:
        if self._process is None:
            # -P: the folder of this file holds modules whose names are not for others to find.
            self._process = subprocess.Popen(  # noqa: S603 - our own file, by our own interpreter
                [sys.executable, "-P", child.__file__],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                start_new_session=True,  # Ctrl-C is for us; we end it
            )
            self._answers = queue.SimpleQueue()
            Thread(target=_listen, args=(self._process, self._answers), daemon=True).start()
        return self._process

    def _end(self) -> None:
        if self._process is None:
            return
        process, self._process = self._process, None
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                try:
                    pipe.close()
                except OSError:
                    continue


def _listen(process: subprocess.Popen[bytes], answers: queue.SimpleQueue[dict[str, Any] | None]) -> None:
    assert process.stdout is not None
    try:
        while (answer := child.receive(process.stdout)) is not None:
            answers.put(answer)
    except (OSError, ValueError):
        pass
    answers.put(None)


def _solution(answer: dict[str, Any]) -> Solution:
    values = answer["values"] if len(answer["values"]) else None
    state, bound = int(answer["state"]), float(answer["bound"])
    if state == 0 and values is not None:
        return Solution("optimal", values, bound)
    if state == 2:
        return Solution("impossible", None, inf)
    return Solution("nothing yet" if values is None else "best so far", values, bound)
