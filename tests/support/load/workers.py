"""Several at work on one job at once, over HTTP, while others read its pages; and what must hold afterwards.

Everybody writes notes, times, checks, photos, and corrections of own notes, with a moment's thought between. No entry
may be lost or stand twice; numbers run as things were committed, so that what was answered for before another was sent
has the lower one; everybody's own entries stand in the order of writing; corrections point at what they correct.
"""

from __future__ import annotations

import random
import statistics
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tests.support.load.browser import Browser, Gone, a_photo
from tests.support.load.cluster import Cluster
from tests.support.load.kept import Kept, Row
from tests.support.load.program import Program, answers, free_port

TYPE, JOB = "corrigan-duo", 1
PAGES = ("/", "/jobs/1/", "/jobs/1/faults/", "/jobs/1/log.jsonl", "/jobs/1/board/", "/jobs/1/money/")
BOUND_S = 20.0
"""[s] That nobody may wait past: a choice, that of the pages of old."""
TELL_S = 30.0


@dataclass(frozen=True)
class Sent:
    """One entry that was answered for, on the clock of the load."""

    who: int
    mark: str
    kind: str
    sent: float
    answered: float


@dataclass
class Worked:
    """What came of it. Waits in s, by what was asked."""

    database: str
    workers: int
    seconds: float = 0.0
    sent: list[Sent] = field(default_factory=list)
    waits: dict[str, list[float]] = field(default_factory=dict)
    entries: int = 0
    wrong: list[str] = field(default_factory=list)

    def counts(self) -> Counter[str]:
        """Acknowledged, by kind."""
        return Counter(each.kind for each in self.sent)

    def wait(self, what: str) -> tuple[int, float, float, float]:
        """How many, and half of them, 95 % of them, all of them waited at most so long."""
        waits = sorted(self.waits.get(what, []))
        if not waits:
            return 0, 0.0, 0.0, 0.0
        return len(waits), statistics.median(waits), waits[min(len(waits) - 1, int(0.95 * len(waits)))], waits[-1]


class Bench:
    """Those who are at it."""

    def __init__(self, port: int, worked: Worked, seconds: float, think: tuple[float, float], seed: int) -> None:
        self.port, self.worked, self.think, self.seed = port, worked, think, seed
        self.until = time.monotonic() + seconds
        self._guard = threading.Lock()

    def run(self, workers: int, readers: int) -> None:
        """All of them, until the time is over."""
        each = [(self._write, n) for n in range(workers)] + [(self._read, n) for n in range(readers)]
        threads = [threading.Thread(target=self._safely, args=one, daemon=True) for one in each]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(max(0.0, self.until - time.monotonic()) + 300)
            if thread.is_alive():
                self.wrong("somebody is still waiting 300 s after the end")

    def wrong(self, says: str) -> None:
        """Noted, a few of each."""
        with self._guard:
            self.worked.wrong.append(says)

    def _safely(self, run: Callable[[int, Browser], None], n: int) -> None:
        browser = Browser(self.port, timeout=120)
        try:
            run(n, browser)
        except Gone as gone:
            self.wrong(f"no answer: {gone}")
        except Exception as error:
            self.wrong(f"{type(error).__name__}: {error}")
        finally:
            browser.close()

    def _waited(self, what: str, began: float) -> float:
        now = time.monotonic()
        with self._guard:
            self.worked.waits.setdefault(what, []).append(now - began)
        if now - began > BOUND_S:
            self.wrong(f"{what}: waited {now - began:.1f} s")
        return now

    def _read(self, n: int, browser: Browser) -> None:
        chance = random.Random(f"{self.seed} reader {n}")
        while time.monotonic() < self.until:
            page = chance.choice(PAGES)
            began = time.monotonic()
            status, content = browser.get(page)
            self._waited("reading a page", began)
            if status != 200:
                self.wrong(f"{page}: status {status}: {content[:200]!r}")
            time.sleep(chance.uniform(*self.think))

    def _write(self, n: int, browser: Browser) -> None:
        chance = random.Random(f"{self.seed} worker {n}")
        notes: list[str] = []
        count = 0
        while time.monotonic() < self.until:
            count += 1
            mark = f"load-w{n}-{count}"
            what = chance.choices(("note", "time", "check", "photo", "correction"), (40, 20, 4, 20, 16))[0]
            if what == "correction" and not notes:
                what = "note"
            path, form, files = f"/jobs/{JOB}/", {"action": what, "token": mark}, None
            if what == "note":
                form["text"] = mark
            elif what == "time":
                form |= {"minutes": "0,5", "what": mark}
            elif what == "check":
                path, outcome = f"/jobs/{JOB}/faults/", chance.choice(("good", "good", "no picture"))
                form |= {"step": "picture", "outcome": outcome, "note": mark}
            elif what == "photo":
                form["caption"] = mark
                files = {"photo": (f"{mark}.jpg", a_photo(chance))}
            else:
                meant = notes.pop(chance.randrange(len(notes)))
                number = next(e["n"] for e in browser.log(JOB) if e.get("text") == meant)
                mark = f"{mark} corrects {meant}"
                path, form = f"/jobs/{JOB}/log/{number}/", {"f-text": f"other words {mark}", "why": mark}
            began = time.monotonic()
            status, _, content = browser.post(path, form, files)
            answered = self._waited("writing a photo" if what == "photo" else "writing an entry", began)
            if status == 302:
                with self._guard:
                    self.worked.sent.append(Sent(n, mark, what, began, answered))
                if what == "note":
                    notes.append(mark)
            else:
                self.wrong(f"{path} {what}: status {status}: {content[:200]!r}")
            time.sleep(chance.uniform(*self.think))


def out_of_order(sent: list[Sent], rows: list[Row]) -> list[str]:
    """What stands in another order than it was written in, in words."""
    number = {row.mark: row.n for row in rows if row.mark}
    found = []
    own: dict[int, list[Sent]] = {}
    for each in sent:
        own.setdefault(each.who, []).append(each)
    for who, theirs in own.items():
        numbers = [number.get(each.mark, 0) for each in sorted(theirs, key=lambda s: s.sent)]
        if numbers != sorted(set(numbers)):
            found.append(f"the entries of worker {who} do not stand in the order of writing")
    # Whatever was answered for before this one was sent has a lower number: one pass over both, by time.
    answered = sorted((each for each in sent if each.mark in number), key=lambda s: s.answered)
    highest, at = 0, 0
    for each in sorted((s for s in sent if s.mark in number), key=lambda s: s.sent):
        while at < len(answered) and answered[at].answered < each.sent:
            highest = max(highest, number[answered[at].mark])
            at += 1
        if number[each.mark] <= highest:
            found.append(f"{each.mark} is entry {number[each.mark]}, and entry {highest} was there before it was sent")
    return found


def work(
    folder: Path, seconds: float, *, cluster: Cluster | None = None, workers: int = 10, readers: int = 2,
    think: tuple[float, float] = (0.5, 2.5), seed: int = 1,
) -> Worked:  # fmt: skip
    """So many at one job for so long."""
    worked = Worked("PostgreSQL" if cluster else "SQLite", workers)
    variables = {"REFETTLE_HOME": str(folder / "home"), "REFETTLE_TZ": "UTC"}
    if cluster is not None:
        variables["REFETTLE_DATABASE"] = cluster.database()
    with Program(variables, folder / "said") as program:
        if program.run("job", "new", TYPE).status != 0:
            raise RuntimeError("no job could be opened")
        port = free_port()
        server = program.start("serve", "--port", str(port), "--no-browser")
        answers(port, server.ended)
        began = time.monotonic()
        Bench(port, worked, seconds, think, seed).run(workers, readers)
        worked.seconds = time.monotonic() - began
        kept = Kept(variables)
        rows = [row for row in kept.entries() if row.job == JOB]
        worked.entries = len(rows)
        worked.wrong += kept.wrong([each.mark for each in worked.sent])
        if len(rows) != len(worked.sent):
            worked.wrong.append(f"{len(rows)} entries are there, {len(worked.sent)} were answered for")
        as_committed = [n for (n,) in kept.rows("SELECT n FROM book_entry ORDER BY id")]
        if as_committed != sorted(as_committed):
            worked.wrong.append("the numbers do not run as the entries were committed")
        worked.wrong += out_of_order(worked.sent, rows)
        doctor = program.run("doctor", seconds=600)
        if doctor.status != 0:
            worked.wrong.append(f"doctor: {doctor.said()[-1000:]}")
        if said := server.said().partition("Stop it with Ctrl-C.\n")[2]:
            worked.wrong.append(f"the server said: {said[:1000]}")
    return worked
