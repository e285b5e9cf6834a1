"""The served book killed at random moments under load, started again, and looked at: what was acknowledged is there.

The load of a round: three who write notes, checks, corrections, board files and take-ins over HTTP, one who sends
photos, one who writes by the command line, and now and then a backup. The moment of the kill is random.
"""

from __future__ import annotations

import contextlib
import json
import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.support.load.browser import Browser, Gone, a_parts_list, a_photo
from tests.support.load.cluster import Cluster
from tests.support.load.kept import Kept
from tests.support.load.program import HERE, Command, Program, answers, environment, free_port

TYPE = "corrigan-duo"
JOBS = {"notes": 1, "photos": 2, "mixed": 3, "commands": 4}
SERVER, COMMANDS, HARD, AT_ONCE, ALONE = (
    "server", "server and commands", "server and PostgreSQL, SIGKILL", "server and PostgreSQL, immediate stop",
    "PostgreSQL alone, SIGKILL",
)  # fmt: skip
STARTS_S = 60.0


@dataclass
class Tally:
    """What came of it."""

    database: str
    rounds: int = 0
    kills: Counter[str] = field(default_factory=Counter)
    acknowledged: Counter[str] = field(default_factory=Counter)
    unanswered: int = 0
    """Requests and commands cut off: kept whole or not at all."""
    kept: int = 0
    backups: int = 0
    cut_off: int = 0
    """Backups killed while they were made."""
    books: int = 0
    jobs_replayed: int = 0
    unfinished: int = 0
    """Files without a name left behind by a kill."""
    slowest_start: float = 0.0
    seconds: float = 0.0
    wrong: list[str] = field(default_factory=list)


class Load:
    """Those who write, for one round."""

    def __init__(self, program: Program, port: int, chance: random.Random, tag: str) -> None:
        self.program, self.port, self.chance, self.tag = program, port, chance, tag
        self.stop, self.first = threading.Event(), threading.Event()
        self.marks: list[tuple[str, str]] = []
        self.labels: list[str] = []
        self.backups: list[str] = []
        self.cut_off = self.unanswered = 0
        self.refused: list[str] = []
        self.running: list[Command] = []
        self.threads: list[threading.Thread] = []

    def begin(self, backups: Path | None, count: int = 3) -> None:
        """Start them all."""
        work: list[tuple[Callable[..., None], tuple[Any, ...]]] = [
            (self._notes, (n,)) for n in range(max(1, count - 1))
        ]
        work += [(self._mixed, ()), (self._photos, ()), (self._commands, ())]
        if backups is not None:
            work.append((self._backups, (backups,)))
        self.threads = [threading.Thread(target=self._safely, args=(run, args), daemon=True) for run, args in work]
        for each in self.threads:
            each.start()

    def end(self) -> None:
        """Wait until all have stopped."""
        self.stop.set()
        for each in self.threads:
            each.join(120)
            if each.is_alive():
                raise RuntimeError("somebody who writes did not stop within 120 s")

    def _safely(self, run: Callable[..., None], args: tuple[Any, ...]) -> None:
        try:
            run(*args)
        except Exception as error:
            self.refused.append(f"{run.__name__}: {type(error).__name__}: {error}")

    def _acknowledge(self, kind: str, mark: str) -> None:
        self.marks.append((kind, mark))
        if kind != "by command":  # the server is at work
            self.first.set()

    def _mark(self, who: str, n: int) -> str:
        return f"load-{self.tag}-{who}-{n}"

    def _posted(self, browser: Browser, path: str, form: dict[str, str], files: Any = None) -> str | None:
        """Where it leads; None if there was no answer, or one that says that it failed."""
        try:
            status, leads, content = browser.post(path, form, files)
        except Gone:
            self.unanswered += 1
            self.stop.wait(0.01)
            return None
        if status == 302:
            return leads
        if status < 500:
            self.refused.append(f"{path} {form}: status {status}: {content[:300]!r}")
        self.unanswered += 1
        self.stop.wait(0.02)
        return None

    def _notes(self, who: int) -> None:
        browser, n = Browser(self.port), 0
        while not self.stop.is_set():
            n += 1
            mark = self._mark(f"notes{who}", n)
            form = {"action": "note", "text": mark, "token": mark}
            if self._posted(browser, f"/jobs/{JOBS['notes']}/", form) is not None:
                self._acknowledge("note", mark)
        browser.close()

    def _photos(self) -> None:
        browser, n = Browser(self.port), 0
        while not self.stop.is_set():
            n += 1
            mark = self._mark("photos", n)
            files = {"photo": (f"{mark}.jpg", a_photo(self.chance))}
            form = {"action": "photo", "caption": mark}
            if self._posted(browser, f"/jobs/{JOBS['photos']}/", form, files) is not None:
                self._acknowledge("photo", mark)
        browser.close()

    def _mixed(self) -> None:
        browser, n, job = Browser(self.port), 0, JOBS["mixed"]
        while not self.stop.is_set():
            n += 1
            mark = self._mark("mixed", n)
            turn = n % 4
            if turn == 0:
                form = {"action": "check", "step": "picture", "outcome": "good", "note": mark}
                if self._posted(browser, f"/jobs/{job}/faults/", form) is not None:
                    self._acknowledge("check", mark)
            elif turn == 1:
                files = {"file": (f"{mark}.csv", a_parts_list(mark))}
                if self._posted(browser, f"/jobs/{job}/board/", {"action": "file"}, files) is not None:
                    self._acknowledge("board file", mark)
            elif turn == 2:
                form = {"label": mark, "owner-kind": "own", "said": mark, "rattle": "none"}
                if self._posted(browser, f"/take-in/{TYPE}/", form) is not None:
                    self.labels.append(mark)
                    self._acknowledge("take-in", mark)
            else:
                self._corrected(browser, job, mark)
        browser.close()

    def _corrected(self, browser: Browser, job: int, mark: str) -> None:
        """A note, and then its correction."""
        if self._posted(browser, f"/jobs/{job}/", {"action": "note", "text": mark}) is None:
            return
        self._acknowledge("note", mark)
        try:
            n = next(e["n"] for e in browser.log(job) if e.get("text") == mark)
        except (Gone, RuntimeError):
            return
        again = f"{mark}b"
        form = {"f-text": "other words", "why": f"{again} corrects {mark}"}
        if self._posted(browser, f"/jobs/{job}/log/{n}/", form) is not None:
            self._acknowledge("correction", f"{again} corrects {mark}")

    def _commands(self) -> None:
        n = 0
        while not self.stop.is_set():
            n += 1
            mark = self._mark("commands", n)
            command = self.program.start("job", "log", str(JOBS["commands"]), "note", f"text={mark}")
            self.running.append(command)
            status = command.wait(120)
            if status == 0:
                self._acknowledge("by command", mark)
            else:
                self.unanswered += 1
                self.stop.wait(0.05)

    def _backups(self, folder: Path) -> None:
        if self.stop.wait(self.chance.uniform(0, 0.3)):
            return
        command = self.program.start("backup", str(folder), "--json")
        self.running.append(command)
        status = command.wait(120)
        if status == 0:
            self.backups.append(json.loads(command.said()[command.said().index("{") :])["name"])
        else:
            self.cut_off += 1


class Book:
    """One book, from its first job to the restored copy."""

    def __init__(self, folder: Path, cluster: Cluster | None, tally: Tally, chance: random.Random) -> None:
        self.folder, self.cluster, self.tally, self.chance = folder, cluster, tally, chance
        self.variables = {"REFETTLE_HOME": str(folder / "home"), "REFETTLE_TZ": "UTC"}
        if cluster is not None:
            self.variables["REFETTLE_DATABASE"] = cluster.database()
        self.backups = folder / "backups"
        folder.mkdir(parents=True)
        self.program = Program(self.variables, folder / "said")
        self.kept = Kept(self.variables)
        self.marks: list[str] = []
        self.labels: list[str] = []
        self.made: list[str] = []
        self.server: Command | None = None
        self.port = 0
        for name in JOBS:
            self._must("job", "new", TYPE, "--label", name)
        self._must("backup", str(self.backups), also=(1,))

    def _must(self, *words: str, also: tuple[int, ...] = ()) -> Command:
        command = self.program.run(*words)
        if command.status not in (0, *also):
            raise RuntimeError(f"refettle {' '.join(words)}: status {command.status}: {command.said()[-2000:]}")
        return command

    def close(self) -> None:
        """End everything."""
        self.program.close()

    def serve(self) -> None:
        """Begin to serve; it need not answer yet."""
        self.port = free_port()
        self.server = self.program.start("serve", "--port", str(self.port), "--no-browser")

    def _served(self, began: float) -> None:
        """Until a page was shown."""
        assert self.server is not None
        answers(self.port, self.server.ended, STARTS_S)
        browser = Browser(self.port)
        while True:
            try:
                status, content = browser.get(f"/jobs/{JOBS['notes']}/log.jsonl")
            except Gone:
                status, content = 0, b""
            if status == 200:
                break
            if time.monotonic() - began > STARTS_S:
                raise RuntimeError(f"no page after {STARTS_S:g} s: status {status}: {content[:500]!r}")
            time.sleep(0.05)
        browser.close()
        self.tally.slowest_start = max(self.tally.slowest_start, time.monotonic() - began)

    def round(self, number: int, kind: str, span: float = 1.5) -> None:
        """Load, a kill, a start, a look."""
        tally = self.tally
        if self.server is None:
            began = time.monotonic()
            self.serve()
            self._served(began)
        assert self.server is not None
        load = Load(self.program, self.port, self.chance, f"{tally.books}-{number}")
        load.begin(self.backups if number % (4 if self.cluster is None else 5) == 1 else None)
        if not load.first.wait(STARTS_S):
            raise RuntimeError(f"nothing was acknowledged in {STARTS_S:g} s: {load.refused[:3]} {self.server.said()}")
        time.sleep(self.chance.uniform(0, span))
        self._kill(kind, load)
        load.end()
        began = time.monotonic()
        if self.cluster is not None and kind in (HARD, AT_ONCE, ALONE):
            self.cluster.start()
        if kind != ALONE:
            self.serve()
        doctor = self.program.start("doctor", "--json")
        self.marks += [mark for _, mark in load.marks]
        self.labels += load.labels
        self.made += load.backups
        wrong = self.kept.wrong(self.marks, self.labels)
        wrong += [f"refused: {each}" for each in load.refused]
        wrong += self._backups_wrong()
        if doctor.wait(120) != 0:
            wrong.append(f"doctor: {doctor.said()[:1500]}")
        self._served(began)
        tally.rounds += 1
        tally.kills[kind] += 1
        tally.acknowledged.update(each for each, _ in load.marks)
        tally.unanswered += load.unanswered
        tally.backups += len(load.backups)
        tally.cut_off += load.cut_off
        tally.wrong += [f"round {number}, {kind}: {each}" for each in wrong]

    def _kill(self, kind: str, load: Load) -> None:
        assert self.server is not None
        if kind == ALONE:
            assert self.cluster is not None
            self.cluster.stop(signal.SIGKILL)
            return
        if kind == COMMANDS:
            for each in list(load.running):
                each.send(signal.SIGKILL)
        self.server.kill()
        if kind in (HARD, AT_ONCE):
            assert self.cluster is not None
            self.cluster.stop(signal.SIGKILL if kind == HARD else signal.SIGQUIT)

    def _backups_wrong(self) -> list[str]:
        """Every backup that is listed is whole; one that was cut off is not listed."""
        from refettle.book.backup_store import Store

        kept = Store(self.backups)
        every = kept.every()
        found = [f"backup {each.name}: {each.wrong}" for each in every if each.body is None]
        found += [f"backup {each.name} lacks content" for each in every if each.body and not kept.whole(each)]
        names = [each.name for each in every]
        found += [f"backup {name} was acknowledged and is not there" for name in self.made[-5:] if name not in names]
        return found

    # ------------------------------------------------------------ the end

    def finish(self) -> None:
        """Stop, back up, verify, restore, and replay on both sides."""
        assert self.server is not None
        self.tally.unfinished += self.kept.unfinished()
        self.server.send(signal.SIGTERM)
        said: list[str] = []
        if self.server.wait(60) != 0:
            said.append(f"serve ended with {self.server.status}: {self.server.said()[-500:]}")
        time.sleep(1.1)  # names of backups are seconds
        for words in (("backup", str(self.backups)), ("backup", "list", str(self.backups)), ("doctor",)):
            command = self.program.run(*words)
            if command.status != 0:
                said.append(f"refettle {' '.join(words)}: {command.said()[-800:]}")
        verified = self.program.fresh("backup", "verify", str(self.backups))
        if verified.returncode != 0:
            said.append(f"verify: {verified.stdout[-800:]} {verified.stderr[-800:]}")
        if list(self.backups.rglob(".new-*")):
            said.append("a whole backup left unfinished files of an earlier one")
        said += self._restored()
        self.tally.kept += len(self.kept.entries())
        self.tally.books += 1
        self.tally.wrong += [f"book {self.tally.books}: {each}" for each in said]

    def _restored(self) -> list[str]:
        home = self.folder / "restored"
        back = self.program.fresh("restore", str(self.backups), "--to", str(home))
        if back.returncode not in (0, 1 if self.cluster else 0):  # 1: REFETTLE_DATABASE names another place
            return [f"restore: {back.stdout[-800:]} {back.stderr[-800:]}"]
        here = {"REFETTLE_HOME": str(home), "REFETTLE_TZ": "UTC"}
        sides = [("the book", replayed(self.variables)), ("its restored backup", replayed(here))]
        if self.cluster is not None:
            there = {**here, "REFETTLE_DATABASE": self.cluster.database()}
            moved = _run(here, "book", "move", "--to", there["REFETTLE_DATABASE"])
            if moved.returncode != 0:
                return [f"move: {moved.stderr[-800:]}"]
            sides.append(("that moved to PostgreSQL", replayed(there)))
        first, *others = sides
        self.tally.jobs_replayed += first[1].count(b"\n")
        return [
            f"{name} replays otherwise than the book: {_differ(first[1], other)}"
            for name, other in others
            if other != first[1]
        ]


def _run(variables: dict[str, str], *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "refettle.cli.main", *words],
        env=environment(variables), capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip


def replayed(variables: dict[str, str]) -> bytes:
    """What `replayed.py` prints of a book."""
    script = [sys.executable, str(HERE / "replayed.py")]
    done = subprocess.run(script, env=environment(variables), capture_output=True, timeout=600, check=False)
    if done.returncode:
        raise RuntimeError(done.stderr.decode()[-2000:])
    return done.stdout


def _differ(one: bytes, other: bytes) -> str:
    for a, b in zip(one.splitlines(), other.splitlines(), strict=False):
        if a != b:
            at = next((i for i, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), 0)
            return f"{a[max(0, at - 60) : at + 60]!r} is {b[max(0, at - 60) : at + 60]!r}"
    return "the number of jobs"


def kinds(on_postgresql: bool, number: int) -> str:
    """What is killed in a round: mostly the server; the rest in turn."""
    if on_postgresql and number % 5 == 4:
        return (HARD, AT_ONCE, ALONE)[number // 5 % 3]
    return COMMANDS if number % 3 == 1 else SERVER


def kill_often(
    folder: Path, rounds: int, *, cluster: Cluster | None = None, per_book: int = 100, seed: int = 1,
    tell: Callable[[Tally], None] = lambda tally: None,
) -> Tally:  # fmt: skip
    """So many rounds, with a new book after every `per_book`."""
    tally = Tally("PostgreSQL" if cluster else "SQLite")
    chance = random.Random(seed)
    began = time.monotonic()
    number = 0
    while number < rounds:
        book = Book(folder / f"book-{tally.books}", cluster, tally, chance)
        with contextlib.closing(book):
            for _ in range(min(per_book, rounds - number)):
                book.round(number, kinds(cluster is not None, number))
                number += 1
                tally.seconds = time.monotonic() - began
                tell(tally)
            book.finish()
        tally.seconds = time.monotonic() - began
        tell(tally)
    return tally
