"""Processes beside a server's own that work out suspicions, advice and what else takes long.

Threads of one Python process share one lock: while one of them reckons for a second, the pages of all others wait for
turns. So a server starts this program, sends it what is to be worked out, and waits without holding that lock. Nothing
is decided here and nothing kept for good: the process may be ended at any time. Where it ended, or does not answer, the
server starts another, and works out by itself what it was waiting for. One process is for what somebody waits for;
another, which gives way to everything else on the machine, for what nobody asked for yet.

What is sent is a function's name and its values, pickled, over pipes that nobody else holds. A fault model is sent once
and then named by a number.
"""

from __future__ import annotations

import contextlib
import io
import itertools
import logging
import os
import pickle
import select
import struct
import subprocess
import sys
from collections import OrderedDict
from collections.abc import Callable
from functools import lru_cache
from threading import Lock
from typing import IO, Any, ParamSpec, TypeVar

from refettle.book import elsewhere
from refettle.knowledge.compile import CompiledType
from refettle.language import manner, speaking

P = ParamSpec("P")
R = TypeVar("R")
MODELS = 32
"""Fault models that the process holds; others are sent again."""
ANSWERS_WITHIN_S = 120.0
"""[s] A choice: far longer than anything takes."""
GIVES_WAY, LATER_GIVES_WAY = 3, 8
"""How far what is waited for gives way to the pages of others, and what nobody waits for yet to both. A choice: where
each wants the same core, the one gets half as much as the pages and the other a sixth."""
HEAD = struct.Struct("<Q")

log = logging.getLogger("refettle")


class GoneError(Exception):
    """The process ended, or does not answer."""


class _MissingError(Exception):
    """A fault model that is not held (any more)."""


# ---------------------------------------------------------------- what goes over the pipes

_numbers = itertools.count(1)


@lru_cache(maxsize=4 * MODELS)
def _number_of(compiled: CompiledType) -> int:
    return next(_numbers)


class _Pickler(pickle.Pickler):
    def __init__(self, file: IO[bytes], whole: set[int]) -> None:
        super().__init__(file, protocol=pickle.HIGHEST_PROTOCOL)
        self._whole = whole

    def persistent_id(self, obj: Any) -> Any:
        if not isinstance(obj, CompiledType):
            return None
        number = _number_of(obj)
        return number, pickle.dumps(obj, pickle.HIGHEST_PROTOCOL) if number in self._whole else b""


class _Unpickler(pickle.Unpickler):
    def __init__(self, file: IO[bytes], models: OrderedDict[int, CompiledType]) -> None:
        super().__init__(file)
        self._models = models

    def persistent_load(self, pid: Any) -> Any:
        number, whole = pid
        if whole:
            self._models[number] = pickle.loads(whole)  # noqa: S301 - from the process that started this one
            while len(self._models) > MODELS:
                self._models.popitem(last=False)
        if number not in self._models:
            raise _MissingError(number)
        self._models.move_to_end(number)
        return self._models[number]


def _pack(asked: Any, whole: set[int]) -> bytes:
    out = io.BytesIO()
    _Pickler(out, whole).dump(asked)
    return out.getvalue()


def _send(file: IO[bytes], data: bytes) -> None:
    file.write(HEAD.pack(len(data)))
    file.write(data)
    file.flush()


def _receive(file: IO[bytes]) -> bytes:
    head = file.read(HEAD.size)
    if len(head) < HEAD.size:
        raise GoneError("it ended")
    (length,) = HEAD.unpack(head)
    data = file.read(length)
    if len(data) < length:
        raise GoneError("it ended")
    return data


# ---------------------------------------------------------------- the server's side


class Reckoner:
    """A process, started when it is first needed; one thing is worked out at a time. `nice`: how far it gives way to
    others, as the operating system counts it (0 to 19)."""

    def __init__(self, nice: int = 0) -> None:
        self._nice = nice
        self._process: subprocess.Popen[bytes] | None = None
        self._one = Lock()
        self._over = False

    def call(self, function: Callable[..., Any], args: tuple[Any, ...]) -> Any:
        """`function(*args)`. Raises what it raises."""
        with self._one:
            try:
                good, value = self._asked(function, args)
            except (GoneError, OSError) as error:
                self._end()
                if not self._over:
                    log.warning("the process that works out suspicions: %s; it is started anew", error)
                return function(*args)
        if good:
            return value
        raise value

    def _asked(self, function: Callable[..., Any], args: tuple[Any, ...]) -> tuple[bool, Any]:
        if self._over:
            raise GoneError("the server stops")
        if self._process is not None and self._process.poll() is not None:
            self._end()
        process = self._process = self._process or _started(self._nice)
        assert process.stdin is not None
        assert process.stdout is not None
        whole: set[int] = set()
        while True:
            _send(process.stdin, _pack((manner(), function, args), whole))
            ready, _, _ = select.select([process.stdout], [], [], ANSWERS_WITHIN_S) if os.name == "posix" else (1, 0, 0)
            if not ready:
                raise GoneError(f"no answer within {ANSWERS_WITHIN_S:.0f} s")
            said, value = pickle.loads(_receive(process.stdout))  # noqa: S301 - of the process started here
            if said != "missing":
                return said == "done", value
            whole.add(value)

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()

    def stop(self) -> None:
        """End it; from now on everything is worked out by this process itself."""
        self._over = True
        if self._process is not None:
            self._process.kill()  # who waits for an answer gets none, and goes on by itself
        with self._one:
            self._end()


def _started(nice: int) -> subprocess.Popen[bytes]:
    # Its own group: a Ctrl-C is for the server, which ends it.
    own: dict[str, Any] = {"start_new_session": True} if os.name == "posix" else {}
    program = [sys.executable, "-P", "-m", __spec__.name, str(nice)]
    return subprocess.Popen(program, stdin=subprocess.PIPE, stdout=subprocess.PIPE, **own)  # noqa: S603


def start() -> tuple[Reckoner, Reckoner]:
    """Let what takes long be worked out by processes beside this one: what somebody waits for, and the rest."""
    now, later = Reckoner(GIVES_WAY), Reckoner(LATER_GIVES_WAY)
    elsewhere.let(now.call, later.call)
    return now, later


def once(function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
    """`function(*args)`, worked out by a process for this alone, which takes its memory with it: for what takes so long
    that nobody else is to wait for it. Raises what it raises."""
    assert not kwargs
    made = Reckoner()
    try:
        result: R = made.call(function, args)
        return result
    finally:
        made.stop()


def stop(*reckoners: Reckoner) -> None:
    """Work out everything here again, and end the processes."""
    elsewhere.let(None)
    for each in reckoners:
        each.stop()


# ---------------------------------------------------------------- the process itself


def main() -> None:
    """Answer until nobody asks any more."""
    if hasattr(os, "nice") and len(sys.argv) > 1:
        os.nice(int(sys.argv[1]))
    asks, tells = sys.stdin.buffer, os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # what anything prints is no answer
    models: OrderedDict[int, CompiledType] = OrderedDict()
    while True:
        try:
            data = _receive(asks)
            answer = _answer(data, models)
            _send(tells, answer)
        except GoneError:
            return
        except BrokenPipeError:  # the server was stopped meanwhile: nobody reads the answer
            os._exit(0)  # what is still in the buffer must not be tried again


def _answer(data: bytes, models: OrderedDict[int, CompiledType]) -> bytes:
    try:
        language, function, args = _Unpickler(io.BytesIO(data), models).load()
        with speaking(language):
            said: tuple[str, Any] = ("done", function(*args))
    except _MissingError as missing:
        said = ("missing", missing.args[0])
    except Exception as error:
        said = ("raised", error)
    try:
        return pickle.dumps(said, pickle.HIGHEST_PROTOCOL)
    except Exception as error:  # an error that cannot be sent
        return pickle.dumps(("raised", RuntimeError(f"{type(said[1]).__name__}: {said[1]} ({error})")))


if __name__ == "__main__":
    main()
