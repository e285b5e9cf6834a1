"""The program as the benchmarks and tests start it: commands of a book, each a process that can be killed."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import TracebackType

HERE = Path(__file__).parent
ROOT = HERE.parents[2]
CLEAN = {k: v for k, v in os.environ.items() if not k.startswith(("REFETTLE_", "DJANGO_"))}


def free_port() -> int:
    """One that was free a moment ago."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def environment(variables: dict[str, str]) -> dict[str, str]:
    """Of a process on the book that these variables name."""
    paths = [str(ROOT / "src"), str(ROOT), os.environ.get("PYTHONPATH", "")]
    return {**CLEAN, **variables, "PYTHONPATH": os.pathsep.join(p for p in paths if p)}


class Command:
    """One command, begun."""

    def __init__(self, out: Path) -> None:
        self.out = out
        self.pid = 0
        self.status: int | None = None
        """Its exit status; negative: the signal it died by."""
        self.begun, self.over = threading.Event(), threading.Event()

    def wait(self, seconds: float) -> int:
        """Its status. Raises TimeoutError."""
        if not self.over.wait(seconds):
            raise TimeoutError(f"process {self.pid} still runs after {seconds:g} s: {self.said()[-500:]}")
        assert self.status is not None
        return self.status

    def send(self, number: int) -> None:
        """A signal, unless it is over."""
        self.begun.wait(30)
        if not self.over.is_set():
            with suppress(ProcessLookupError):
                os.kill(self.pid, number)

    def kill(self) -> None:
        """At once, and see it dead."""
        self.send(signal.SIGKILL)
        self.over.wait(30)

    def ended(self) -> str:
        """What it said before it ended; '' while it runs."""
        return f"status {self.status}: {self.said()}" if self.over.is_set() else ""

    def said(self) -> str:
        """All that it printed so far."""
        return self.out.read_text(encoding="utf-8", errors="replace") if self.out.exists() else ""


class Program:
    """Refettle on one book; commands are forks of it (`loaded`), or whole processes with `fresh`."""

    def __init__(self, variables: dict[str, str], folder: Path) -> None:
        self.variables, self.folder = variables, folder
        folder.mkdir(parents=True, exist_ok=True)
        self.environ = environment(variables)
        self._process = subprocess.Popen(
            [sys.executable, str(HERE / "loaded.py")],
            env=self.environ,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        self._commands: dict[int, Command] = {}
        self._guard = threading.Lock()
        self._ready = threading.Event()
        self._count = 0
        self._ear = threading.Thread(target=self._hear, daemon=True)
        self._ear.start()
        if not self._ready.wait(120):
            raise RuntimeError("the program did not load")

    def __enter__(self) -> Program:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def _hear(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            told = json.loads(line)
            if "ready" in told:
                self._ready.set()
                continue
            command = self._commands[told["id"]]
            if "pid" in told:
                command.pid = told["pid"]
                command.begun.set()
            else:
                command.status = told["status"]
                command.over.set()

    def start(self, *words: str) -> Command:
        """Begin a command."""
        with self._guard:
            self._count += 1
            command = self._commands[self._count] = Command(self.folder / f"said-{self._count}")
            asked = {"id": self._count, "words": words, "out": str(command.out)}
            assert self._process.stdin is not None
            self._process.stdin.write(json.dumps(asked).encode() + b"\n")
            self._process.stdin.flush()
        return command

    def run(self, *words: str, seconds: float = 120) -> Command:
        """A command, until it is over."""
        command = self.start(*words)
        command.wait(seconds)
        return command

    def fresh(self, *words: str) -> subprocess.CompletedProcess[str]:
        """A command as a shell would start it."""
        return subprocess.run(
            [sys.executable, "-m", "refettle.cli.main", *words],
            env=self.environ, capture_output=True, text=True, timeout=600, check=False,
        )  # fmt: skip

    def close(self) -> None:
        """End the program, and what of it still runs."""
        for each in list(self._commands.values()):
            if not each.over.is_set():
                each.kill()
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        try:
            self._process.wait(20)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._ear.join(10)
        self._process.stdout.close()


def answers(port: int, ended: Callable[[], str | bool], seconds: float = 60) -> float:
    """[s] Until a server takes connections. Raises RuntimeError where it ended instead: `ended` gives what it said."""
    began = time.monotonic()
    while time.monotonic() - began < seconds:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
            return time.monotonic() - began
        except OSError:
            if said := ended():
                raise RuntimeError(f"the server ended: {str(said)[-2000:]}") from None
            time.sleep(0.01)
    raise RuntimeError(f"no server after {seconds:g} s")
