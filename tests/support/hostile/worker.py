"""A process of its own that reads hostile input, and says what came of it; killed from outside when it hangs.

    python -m tests.support.hostile.worker READER SEED FIRST LAST SECONDS WATCH

Before each input its number, the processor time so far and the input itself are written to the file WATCH, so that
they are known when this process does not come back.
"""

from __future__ import annotations

import gc
import json
import mmap
import os
import resource
import struct
import sys
import time
import traceback
import warnings
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

SLOW_S = 2.0
"""[s] Of processor time for one input."""
MOST_MB = 500.0
"""[MB] That one input may take."""
ROOM_MB = 1000.0
"""[MB] Of addresses that an input may ask for: above this, memory is refused by the system."""
HEAD = struct.Struct("<qdqqq")
"""Number of the input, processor time before it, its length; read and refused before it."""
WATCH_BYTES = 8_000_000
Outcome = tuple[str, str]
"""read, refused or a failure, and where."""


def _memory(field: str) -> float:
    """[MB] from what the system says of this process."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(field):
            return float(line.split()[1]) / 1024
    return 0.0


def _forget_peak() -> None:
    Path("/proc/self/clear_refs").write_text("5")


def place_of(error: BaseException) -> str:
    """Kind of error and the innermost two lines of the project, and of whatever it was in."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [f for f in frames if "/src/refettle/" in f.filename] or frames
    inner = frames[-1]
    at = " < ".join(f"{f.filename.rsplit('/refettle/', 1)[-1]}:{f.lineno}" for f in ours[:-3:-1])
    deep = "" if inner in ours else f" in {Path(inner.filename).name}:{inner.lineno}"
    return f"{type(error).__name__} at {at}{deep}"


def attempt(reader: Any, data: bytes) -> tuple[Outcome, float, float, str]:
    """The outcome, the processor time [s], the peak of memory [MB], and the words of an error."""
    _forget_peak()
    before, start, said = _memory("VmRSS"), time.process_time(), ""
    try:
        reader.read(data)
        outcome: Outcome = ("read", "")
    except reader.refusals() as error:
        outcome, said = ("refused", ""), str(error)
        if not said.strip():
            outcome = ("silent refusal", place_of(error))
    except MemoryError as error:
        outcome = ("memory", place_of(error))
    except BaseException as error:  # anything else is a failure, which is what is looked for
        outcome, said = ("crash", place_of(error)), str(error)[:300]
        if isinstance(error, KeyboardInterrupt):
            raise
    seconds, peak = time.process_time() - start, max(0.0, _memory("VmHWM") - before)
    if seconds > SLOW_S and outcome[0] in ("read", "refused"):
        outcome = ("slow", outcome[0])
    if peak > MOST_MB and outcome[0] in ("read", "refused"):
        outcome = ("memory", f"{outcome[0]}, peak over {MOST_MB:.0f} MB")
    return outcome, seconds, peak, said


def smaller(reader: Any, data: bytes, outcome: Outcome, seconds: float = 4.0) -> bytes:
    """A shorter input with the same outcome, as far as that is found in the time."""
    end, size = time.monotonic() + seconds, len(data) // 2
    while size >= 1 and time.monotonic() < end:
        at = 0
        while at < len(data) and time.monotonic() < end:
            less = data[:at] + data[at + size :]
            if attempt(reader, less)[0] == outcome:
                data = less
            else:
                at += size
        size //= 2
    return data


def _book() -> None:
    """An empty bench book."""
    from tests.support.hostile.reader import new_folder

    os.environ["REFETTLE_HOME"] = str(new_folder())
    os.environ["DJANGO_SETTINGS_MODULE"] = "refettle.web.settings"
    for name in [each for each in os.environ if each.startswith("REFETTLE_") and each != "REFETTLE_HOME"]:
        del os.environ[name]
    import django

    django.setup()
    from django.conf import settings
    from django.core.management import call_command

    for folder in (settings.REFETTLE_PHOTOS, settings.REFETTLE_FILES):
        Path(folder).mkdir(parents=True, exist_ok=True)
    call_command("migrate", verbosity=0)


def run(
    reader: Any, seed: int, first: int, last: int, seconds: float, watch: mmap.mmap, say: Callable[..., None]
) -> None:
    """Read the inputs from `first` to before `last`, for `seconds` of processor time at most."""
    tally: dict[str, Any] = {"read": 0, "refused": 0, "slowest": 0.0, "peak": 0.0}
    begun, told, seen, number = time.process_time(), time.monotonic(), set[Outcome](), first
    for number in range(first, last):
        if time.process_time() - begun > seconds:
            break
        data = reader.make(seed, number)
        watch[: HEAD.size] = HEAD.pack(number, time.process_time(), len(data), tally["read"], tally["refused"])
        watch[HEAD.size : HEAD.size + len(data)] = data[: WATCH_BYTES - HEAD.size]
        outcome, took, peak, said = attempt(reader, data)
        tally["slowest"], tally["peak"] = max(tally["slowest"], took), max(tally["peak"], peak)
        if outcome[0] in ("read", "refused"):
            tally[outcome[0]] += 1
        else:
            if outcome not in seen:
                seen.add(outcome)
                least = smaller(reader, data, outcome) if outcome[0] in ("crash", "silent refusal") else data
                say(new=True, number=number, outcome=outcome, said=said, took=took, peak=peak, data=least.hex())
            else:
                say(new=False, number=number, outcome=outcome)
            gc.collect()
        if time.monotonic() - told > 0.5:
            if os.getppid() == 1:  # nobody watches any more
                sys.exit(1)
            say(number=number + 1, **tally)
            told = time.monotonic()
    else:
        number = last
    say(number=number, cpu=time.process_time() - begun, **tally)


def main() -> None:
    """See above."""
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    os.fsync = lambda fd: None  # type: ignore[assignment]  # no waiting for the disk
    name, seed, first, last, seconds, path = sys.argv[1:]
    warnings.simplefilter("ignore")
    if not Path(path).stat().st_size:
        os.truncate(path, WATCH_BYTES)

    from tests.support.hostile.faulty import FAULTY
    from tests.support.hostile.readers import READERS

    out = os.fdopen(os.dup(1), "w")
    os.dup2(2, 1)  # what a library prints is none of ours

    def say(**what: Any) -> None:
        out.write(json.dumps(what) + "\n")
        out.flush()

    asked = [{**READERS, **FAULTY}[each] for each in name.split(",")]
    if any(reader.book for reader in asked):
        _book()
    with Path(path).open("r+b") as file, mmap.mmap(file.fileno(), WATCH_BYTES) as watch:
        for reader in asked:
            for data in (
                reader.valid if reader.name not in FAULTY else ()
            ):  # the imports and the tables, before anything is measured
                with suppress(*reader.refusals()):
                    reader.read(data)
            room = int((_memory("VmSize") + ROOM_MB) * 2**20)
            resource.setrlimit(resource.RLIMIT_AS, (room, resource.RLIM_INFINITY))
            say(reader=reader.name)
            run(reader, int(seed), int(first), int(last), float(seconds), watch, say)
            resource.setrlimit(resource.RLIMIT_AS, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))


if __name__ == "__main__":
    main()
