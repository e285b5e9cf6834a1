"""Where what takes long is worked out: here, or where a server says (see `reckoner`). Pure: no process is started here.

What is worked out is a function of the fault model and of plain values, so that it does not matter where, nor when: it
is kept by what it is made of, and never by which job it is for.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import wraps
from threading import Event, Lock, RLock
from typing import Any, Generic, ParamSpec, TypeVar

P = ParamSpec("P")
R = TypeVar("R")
Caller = Callable[[Callable[..., Any], tuple[Any, ...]], Any]

_here = RLock()
_caller: Caller | None = None
_later: Caller | None = None
_unhurried: ContextVar[bool] = ContextVar("unhurried", default=False)


def work_out(function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
    """`function(*args)`, worked out elsewhere where somebody was named for it; here, one after the other: two at once
    would only hold each other up. `function` stands in a module by its name."""
    caller = _later if _unhurried.get() and _later is not None else _caller
    if caller is None:
        with _here:
            return function(*args, **kwargs)
    assert not kwargs
    result: R = caller(function, args)
    return result


def is_elsewhere() -> bool:
    """True where somebody was named: a server, whose pages are not to wait."""
    return _caller is not None


def let(caller: Caller | None, later: Caller | None = None) -> None:
    """Name who works things out, and who what nobody waits for (by default the same); None: this process itself."""
    global _caller, _later
    _caller, _later = caller, later


@contextmanager
def unhurried() -> Iterator[None]:
    """Nobody waits for what is worked out inside: it is not to stand before what somebody waits for."""
    before = _unhurried.set(True)
    try:
        yield
    finally:
        _unhurried.reset(before)


class _Answer:
    def __init__(self) -> None:
        self.there = Event()
        self.value: Any = None
        self.failed = False


class _Kept(Generic[P, R]):
    def __init__(self, function: Callable[P, R], most: int) -> None:
        self._function, self._most = function, most
        self._answers: OrderedDict[Hashable, _Answer] = OrderedDict()
        self._guard = Lock()

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        assert not kwargs
        while True:
            with self._guard:
                answer = self._answers.get(args)
                mine = answer is None
                if answer is None:
                    answer = self._answers[args] = _Answer()
                else:
                    self._answers.move_to_end(args)
            if not mine:
                answer.there.wait()
                if answer.failed:  # for who asked first; it is tried again, and fails for this one by itself
                    continue
                return answer.value  # type: ignore[no-any-return]
            return self._fill(answer, args)

    def _fill(self, answer: _Answer, args: Any) -> R:
        try:
            answer.value = self._function(*args)  # type: ignore[call-arg]
        except BaseException:
            answer.failed = True
            with self._guard:
                if self._answers.get(args) is answer:
                    del self._answers[args]
            raise
        finally:
            answer.there.set()
        with self._guard:
            for key in list(self._answers)[: max(0, len(self._answers) - self._most)]:
                if self._answers[key].there.is_set():
                    del self._answers[key]
        value: R = answer.value
        return value

    def holds(self, *args: P.args, **kwargs: P.kwargs) -> bool:
        """True where the answer is there."""
        assert not kwargs
        with self._guard:
            answer = self._answers.get(args)
        return answer is not None and answer.there.is_set() and not answer.failed

    def forget(self) -> None:
        """Let go of all that is kept."""
        with self._guard:
            self._answers.clear()


def kept(most: int) -> Callable[[Callable[P, R]], _Kept[P, R]]:
    """Keeps the last answers of a function, as `functools.lru_cache` does, and works out none twice at once: who asks
    for one that is being worked out waits for it, and nobody else does."""

    def keeping(function: Callable[P, R]) -> _Kept[P, R]:
        made = _Kept(function, most)
        wraps(function)(made)
        return made

    return keeping
