"""Workers run one after the other under a watchdog: one that hangs or dies is replaced from the next input on."""

from __future__ import annotations

import json
import mmap
import os
import selectors
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).resolve().parents[3]
HANG_S = 15.0
"""[s] Of processor time for one input, after which the worker is killed; making it smaller is in it."""
WAIT_S = 120.0
"""[s] By the clock for one input, for one that waits and does not work."""


@dataclass
class Failure:
    """One way to fail: the input that showed it, made smaller, and how many inputs did."""

    kind: str
    where: str
    said: str
    number: int
    data: bytes
    count: int = 1


@dataclass
class Result:
    """What came of one reader's inputs. `slowest` [s of processor time], `peak` [MB], `cpu` [s]."""

    reader: str
    read: int = 0
    refused: int = 0
    slowest: float = 0.0
    peak: float = 0.0
    cpu: float = 0.0
    failures: list[Failure] = field(default_factory=list)

    @property
    def failed(self) -> int:
        return sum(each.count for each in self.failures)

    @property
    def inputs(self) -> int:
        return self.read + self.refused + self.failed

    def note(self, kind: str, where: str, said: str, number: int, data: bytes | None) -> None:
        """Count a failure, keeping the first of its kind."""
        for each in self.failures:
            if (each.kind, each.where) == (kind, where):
                each.count += 1
                return
        self.failures.append(Failure(kind, where, said, number, data or b""))


def try_readers(
    names: Sequence[str],
    seed: int,
    inputs: int,
    seconds: float = 1e9,
    progress: Callable[[Result], None] | None = None,
    first: int = 0,
) -> Iterator[Result]:
    """Give each reader its hostile inputs, `seconds` of processor time at most for each.

    KeyboardInterrupt ends it: what was found until then has come, and comes at once for the reader at work.
    """
    left = list(names)
    while left:
        result, start = Result(left[0]), first
        done = [result]
        try:
            while left and start is not None:
                start = _one_worker(left, seed, start, first, inputs, seconds, done, progress)
        except KeyboardInterrupt:
            yield from done
            raise
        yield from done


def _one_worker(
    left: list[str], seed: int, start: int, first: int, inputs: int, seconds: float, done: list[Result],
    progress: Callable[[Result], None] | None,
) -> int | None:  # fmt: skip
    """Run a worker over the readers that are left; the input to go on from if it had to be ended, else None."""
    from tests.support.hostile.worker import HEAD, WATCH_BYTES

    with tempfile.NamedTemporaryFile() as file:
        os.truncate(file.name, WATCH_BYTES)
        names = left if start == first else left[:1]
        words = [
            ",".join(names),
            str(seed),
            str(start),
            str(first + inputs),
            str(max(0.1, seconds - done[-1].cpu)),
            file.name,
        ]
        with (
            mmap.mmap(file.fileno(), WATCH_BYTES) as watch,
            tempfile.TemporaryFile() as errors,
            subprocess.Popen(
                [sys.executable, "-m", "tests.support.hostile.worker", *words],
                cwd=HERE, stdout=subprocess.PIPE, stderr=errors,
                env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
            ) as worker,
            selectors.DefaultSelector() as ready,
        ):  # fmt: skip
            assert worker.stdout is not None
            ready.register(worker.stdout, selectors.EVENT_READ)
            base, ended, held, why = (0, 0, 0.0), False, b"", ""
            began = False
            last = (-1, 0.0, time.monotonic())
            try:
                while not ended:
                    if ready.select(1.0):
                        piece = os.read(worker.stdout.fileno(), 1 << 16)
                        ended = not piece
                        *lines, held = (held + piece).split(b"\n")
                        for line in lines:
                            told = json.loads(line)
                            if "reader" in told:
                                if began:
                                    left.pop(0)
                                    done.append(Result(told["reader"]))
                                began, base = True, (done[-1].read, done[-1].refused, done[-1].cpu)
                            else:
                                _take(done[-1], told, base)
                                if progress is not None:
                                    progress(done[-1])
                    number, cpu, *_ = HEAD.unpack(watch[: HEAD.size])
                    if (number, cpu) != last[:2]:
                        last = (number, cpu, time.monotonic())
                    elif (began and _cpu(worker.pid) - cpu > HANG_S) or time.monotonic() - last[2] > WAIT_S:
                        why = "hang"
                    if why:
                        worker.kill()
                        ended = True
            except KeyboardInterrupt:
                worker.kill()
                raise
            code = worker.wait()
            if code == 0:
                left[: len(names)] = []
                return None
            number, _, size, read, refused = HEAD.unpack(watch[: HEAD.size])
            if not began or not size:
                errors.seek(0)
                raise RuntimeError(f"the worker did not start:\n{errors.read().decode(errors='replace')[-3000:]}")
            errors.seek(0)
            tail = errors.read().decode(errors="replace")[-300:]
            done[-1].read, done[-1].refused = base[0] + read, base[1] + refused
            done[-1].note(why or f"died ({code})", "", tail, number, bytes(watch[HEAD.size : HEAD.size + size]))
            return number + 1


def _take(result: Result, told: dict[str, object], base: tuple[int, int, float]) -> None:
    if "outcome" in told:
        kind, where = told["outcome"]  # type: ignore[misc]
        data = bytes.fromhex(str(told["data"])) if told.get("new") else None
        result.note(kind, where, str(told.get("said", "")), int(told["number"]), data)  # type: ignore[call-overload]
        told = {"slowest": told.get("took", 0.0), "peak": told.get("peak", 0.0)}
    else:
        result.read, result.refused = base[0] + told["read"], base[1] + told["refused"]  # type: ignore[operator]
        result.cpu = base[2] + told.get("cpu", 0.0)  # type: ignore[operator]
    result.slowest = max(result.slowest, float(told["slowest"]))  # type: ignore[arg-type]
    result.peak = max(result.peak, float(told["peak"]))  # type: ignore[arg-type]


def _cpu(pid: int) -> float:
    """[s] Of processor time that a process has taken."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
