"""Twenty people at once on a served bench book: how long each kind of page takes, what fails, how much memory.

    REFETTLE_HOME=/tmp/shop python benchmarks/load.py [--people 20] [--minutes 5] [--think 8] [--json]

The book is one that `shop.py` filled, named by REFETTLE_HOME and REFETTLE_DATABASE. It is served by `refettle serve` in
a process of its own, as people start it, with sign-in, on a free port of 127.0.0.1; everything goes over that port and
stops after the minutes given. Each person signs in and goes on doing what people at a bench do: looks at the bench and
at what its jobs need next, searches, opens a job and its photos, finds faults and writes down the check advised, notes,
photos, takes units in, looks into the stores, owners, types, experience. In between they think: exponential times with
the mean given, but 1 s at least. While a job's page is open it asks every 5 s what others wrote.

A time is from sending the request to the last byte of the answer. A form's time is that of writing and the redirect;
the page that follows is counted by itself.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import random
import re
import signal
import socket
import subprocess
import sys
import threading
import time
import traceback
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from html import unescape
from io import BytesIO
from pathlib import Path
from urllib.parse import quote, urlencode

from shop import FIRST, LAST, PASSWORD

LEAST_THINK_S, ASKS_S = 1.0, 5.0
CELLS, THUMBS = 8, 6
"""Rows of the bench that are on the screen, and photos of a job."""
ALL = "all of these together"
WORKED_OUT = "next step, until it was worked out"
APART = ("sign in", "photo sent", "a check written", "a unit taken in", WORKED_OUT)
"""Kinds of the table's second part: hashing a password is to take long, a photo of 12 megapixels is decoded, and what a
check means is worked out before it is kept."""


@dataclass
class Told:
    """What all people met."""

    times: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    wrong: Counter[str] = field(default_factory=Counter)
    slowest: list[tuple[float, str, str]] = field(default_factory=list)
    guard: threading.Lock = field(default_factory=threading.Lock)
    counting: bool = False

    def add(self, kind: str, took: float, path: str) -> None:
        """One answer."""
        with self.guard:
            if self.counting:
                self.times[kind].append(1e3 * took)
                if took > 0.15:
                    self.slowest.append((took, kind, path))

    def fault(self, what: str) -> None:
        """Something that should not be."""
        with self.guard:
            self.wrong[what] += 1


class Browser:
    """One person's: cookies, one connection that is kept."""

    def __init__(self, port: int, told: Told) -> None:
        self.port, self.told = port, told
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        self.cookies: dict[str, str] = {}
        self.refresh = False

    def ask(self, kind: str, path: str, body: bytes | None = None, **headers: str) -> tuple[int, str, str]:
        """Status, text and Location of one request; its time is counted under `kind`."""
        head = {"Cookie": "; ".join(f"{k}={v}" for k, v in self.cookies.items()), **headers}
        begun = time.perf_counter()
        for last in (False, True):
            try:
                self.connection.request("POST" if body is not None else "GET", path, body, head)
                answer = self.connection.getresponse()
                data = answer.read()
                break
            except (http.client.RemoteDisconnected, BrokenPipeError, ConnectionResetError):
                self.connection.close()  # kept too long: the server may close it
                if last:
                    raise
        took = time.perf_counter() - begun
        for line in answer.headers.get_all("Set-Cookie", []):
            name, _, rest = line.partition("=")
            self.cookies[name] = rest.partition(";")[0]
        if answer.status >= 400:
            said = re.search(rb'class="(?:error|warn)[^>]*>([^<]{0,160})', data)
            self.told.fault(f"{answer.status} {kind} {path if answer.status >= 500 else ''} {said[1] if said else ''}")
        else:
            self.told.add(kind, took, path)
        self.refresh = "HX-Refresh" in answer.headers
        text = data.decode("utf-8", "replace") if "text" in answer.headers.get("Content-Type", "") else ""
        return answer.status, text, answer.headers.get("Location", "")

    def send(self, kind: str, path: str, fields: list[tuple[str, str]], page: str) -> tuple[int, str, str]:
        """A form of a page: with its token, and that against forged forms."""
        body = urlencode([*self._hidden(page), *fields]).encode()
        return self.ask(kind, path, body, **self._form(), **{"Content-Type": "application/x-www-form-urlencoded"})

    def send_photo(self, kind: str, path: str, data: bytes, page: str) -> tuple[int, str, str]:
        """The photo form of a job."""
        edge = "edge-of-a-part-of-this-form"
        fields = [*self._hidden(page), ("action", "photo"), ("caption", "under load")]
        parts = [f'--{edge}\r\nContent-Disposition: form-data; name="{k}"\r\n\r\n{v}\r\n'.encode() for k, v in fields]
        head = f'--{edge}\r\nContent-Disposition: form-data; name="photo"; filename="p.jpg"\r\n'
        parts += [head.encode(), b"Content-Type: image/jpeg\r\n\r\n", data, f"\r\n--{edge}--\r\n".encode()]
        form = {"Content-Type": f"multipart/form-data; boundary={edge}"}
        return self.ask(kind, path, b"".join(parts), **self._form(), **form)

    def _form(self) -> dict[str, str]:
        return {"Origin": f"http://127.0.0.1:{self.port}"}

    def _hidden(self, page: str) -> list[tuple[str, str]]:
        found = []
        for name in ("csrfmiddlewaretoken", "token"):
            if hit := re.search(f'name="{name}" value="([^"]+)"', page):
                found.append((name, hit[1]))
        return found


class Person:
    """Somebody at the bench."""

    def __init__(self, n: int, browser: Browser, think: float, until: Callable[[], bool], photos: list[bytes]) -> None:
        self.name = f"{FIRST[n % len(FIRST)]} {LAST[(n * 7) % len(LAST)]}"
        self.browser, self.mean, self.over = browser, think, until
        self.rng = random.Random(f"person {n}")
        self.photos, self.page_of_job, self.jobs = photos, (0, 0), [1]
        self.highest = 1

    def run(self) -> None:
        """Until time is over."""
        try:
            self.sign_in()
            doings = [(each, weight) for each, weight in self.doings().items()]
            while not self.over():
                self.think()
                if not self.over():
                    self.rng.choices([d for d, _ in doings], [w for _, w in doings])[0]()
        except Exception:
            self.browser.told.fault(f"a person stopped: {traceback.format_exc(limit=3)}")

    def doings(self) -> dict[Callable[[], None], float]:
        """What people do, and how often beside each other."""
        return {
            self.bench: 12, self.search: 6, self.closed: 3, self.search_closed: 4, self.job: 14, self.old_job: 4,
            self.faults: 14, self.check: 10, self.note: 8, self.photo: 3, self.money: 2, self.proving: 2,
            self.handover: 1, self.stores: 4, self.part: 4, self.low: 1, self.owners: 3, self.owner: 3,
            self.types: 2, self.experience: 1.5, self.advice: 0.5, self.take_in: 1.5, self.help: 1,
        }  # fmt: skip

    def think(self) -> None:
        """Do nothing for a while, but that an open page of a job asks what others wrote."""
        left = max(LEAST_THINK_S, self.rng.expovariate(1.0 / self.mean))
        while left > 0 and not self.over():
            nap = min(left, ASKS_S)
            time.sleep(nap)
            left -= nap
            number, n = self.page_of_job
            if number and nap == ASKS_S:
                self.get("what others wrote", f"/jobs/{number}/since/?n={n}", **{"HX-Request": "true"})

    def get(self, kind: str, path: str, **headers: str) -> str:
        return self.browser.ask(kind, path, None, **headers)[1]

    def page(self, kind: str, path: str) -> str:
        """A page of no job."""
        self.page_of_job = (0, 0)
        return self.get(kind, path)

    def job_page(self, kind: str, path: str, number: int) -> str:
        """A page of a job, which then asks what others write. Where it is being worked out it is asked for again."""
        text, begun, waited = self.get(kind, path), time.perf_counter(), False
        while 'hx-trigger="every 500ms"' in text and not self.over():
            time.sleep(0.5)
            waited = True
            self.get("whether it is worked out", path, **{"HX-Request": "true"})
            if self.browser.refresh:
                text = self.get(kind, path)
        if waited and not self.over():
            self.browser.told.add(WORKED_OUT, time.perf_counter() - begun, path)
        hit = re.search(r"/since/\?n=(\d+)", text)
        self.page_of_job = (number, int(hit[1])) if hit else (0, 0)
        return text

    def sign_in(self) -> None:
        page = self.get("sign in, the page", "/sign-in/")
        self.browser.send("sign in", "/sign-in/", [("name", self.name), ("password", PASSWORD), ("next", "/")], page)
        self.bench()

    # ---- the bench

    def bench(self, path: str = "/", kind: str = "the bench") -> None:
        page = self.page(kind, path)
        self.jobs = [
            int(n) for n in re.findall(r'data-label="Job" class="figure" data-value="(\d+)"', page)
        ] or self.jobs
        self.highest = max(self.highest, *self.jobs)
        for cell in re.findall(r'hx-get="(/jobs/\d+/next/)"', page)[:CELLS]:
            self.get("what a job needs next", cell, **{"HX-Request": "true"})
        pages = re.search(r"Page (\d+) of (\d+)", page)
        if kind == "the bench" and pages and int(pages[2]) > 1 and self.rng.random() < 0.7:
            self.think()
            self.bench(f"/?page={self.rng.randint(2, int(pages[2]))}", "the bench, a later page")

    def search(self) -> None:
        self.bench(f"/?q={quote(self.words())}", "the bench, searched")

    def closed(self) -> None:
        page = self.rng.choice((1, 1, 1, 2, 3, self.rng.randint(1, 380)))
        self.page("closed jobs", f"/closed/?page={page}")

    def search_closed(self) -> None:
        self.page("closed jobs, searched", f"/closed/?q={quote(self.words())}")

    def words(self) -> str:
        """What people look for."""
        rng = self.rng
        return rng.choice(
            (str(rng.randint(1, 20_000)), rng.choice(LAST), f"{rng.choice(FIRST)} {rng.choice(LAST)}",
             f"shelf {rng.randint(1, 99)}", f"LA-{rng.randint(10_000, 150_000)}", "larkmere mk 3", "duo")
        )  # fmt: skip

    # ---- a job

    def number(self) -> int:
        return self.rng.choice(self.jobs)

    def job(self, number: int = 0, kind: str = "a job") -> str:
        number = number or self.number()
        page = self.job_page(kind, f"/jobs/{number}/", number)
        for address in list(dict.fromkeys(re.findall(r'src="(/photos/[0-9a-f]+/thumb)"', page)))[:THUMBS]:
            self.get("a photo, small", address)
        return page

    def old_job(self) -> None:
        self.job(self.rng.randint(1, max(2, self.highest - 800)), "a job closed long ago")

    def faults(self, number: int = 0, kind: str = "its fault finding") -> tuple[int, str]:
        number = number or self.number()
        return number, self.job_page(kind, f"/jobs/{number}/faults/", number)

    def check(self) -> None:
        """Write down the check that is advised, as mostly comes of it: good."""
        number, page = self.faults()
        self.think()
        action = re.search(r'name="action" value="(check|repair)"', page)
        step = re.search(
            r'name="step" value="([^"]+)"><input type="hidden" name="action" value="(?:check|repair)"', page
        )
        outcomes = re.findall(r'<button class="outcome[^"]*" name="outcome" value="([^"]+)"', page)
        if not (action and step) or (action[1] == "check" and not outcomes):
            return self.note(number)
        fields = [("action", action[1]), ("step", unescape(step[1]))]
        if action[1] == "check":
            fields.append(("outcome", unescape(self.rng.choice([outcomes[0], *outcomes]))))
        path = f"/jobs/{number}/faults/"
        status, _, _ = self.browser.send("a check written", path, fields, page)
        if status == 302:
            self.faults(number, "its fault finding, after a check")
        return None

    def note(self, number: int = 0) -> None:
        number = number or self.number()
        page = self.job(number)
        self.think()
        status, _, _ = self.browser.send(
            "a note written",
            f"/jobs/{number}/",
            [("action", "note"), ("text", f"Looked again at {time.time():.0f}.")],
            page,
        )
        if status == 302:
            self.job(number)

    def photo(self) -> None:
        number = self.number()
        page = self.job(number)
        self.think()
        path = f"/jobs/{number}/"
        if (
            self.browser.send_photo("photo sent", path, self.photos[self.rng.randrange(len(self.photos))], page)[0]
            == 302
        ):
            self.job(number)

    def money(self) -> None:
        number = self.number()
        self.job_page("its money", f"/jobs/{number}/money/", number)

    def proving(self) -> None:
        number = self.number()
        self.job_page("its proving", f"/jobs/{number}/proving/", number)

    def handover(self) -> None:
        number = self.rng.randint(1, max(2, self.highest - 800))
        self.job_page("its handover", f"/jobs/{number}/handover/", number)

    def take_in(self) -> None:
        types = re.findall(r'name="type" value="([^"]+)"', self.page("taking in, the types", "/take-in/"))
        if not types:
            return self.browser.told.fault("no type to take in")
        path = f"/take-in/{self.rng.choice(types)}/"
        page = self.page("taking in, the form", path)
        self.think()
        point = re.search(r'name="(complaint-[^"]+)"><option value="">[^<]*</option><option value="([^"]+)"', page)
        fields = [("said", "It does nothing."), ("owner-kind", "own"), ("rattle", "none")]
        fields += [(point[1], unescape(point[2]))] if point else []
        status, _, location = self.browser.send("a unit taken in", path, fields, page)
        if status == 302:
            number = int(re.findall(r"\d+", location)[0])
            self.job(number)
            self.think()
            self.faults(number, "its fault finding, first time")
        return None

    # ---- the rest

    def stores(self) -> None:
        self.page("stores", "/stores/" if self.rng.random() < 0.3 else f"/stores/?q={quote(self.part_words())}")

    def part_words(self) -> str:
        return self.rng.choice(("4u7 50v", "100u 25V", "electrolytic 10u", "4k7", "drawer 77", "100n film", "belt 70"))

    def part(self) -> None:
        page = self.page("stores", f"/stores/?q={quote(self.part_words())}")
        parts = re.findall(r'href="(/stores/P[^"/]+/)"', page)
        if parts:
            self.think()
            self.page("a part", self.rng.choice(parts))

    def low(self) -> None:
        self.page("what is low", "/stores/reorder/")

    def owners(self) -> None:
        self.page("owners", f"/owners/?q={quote(self.rng.choice(LAST))}" if self.rng.random() < 0.7 else "/owners/")

    def owner(self) -> None:
        page = self.page("owners", f"/owners/?q={quote(self.rng.choice(FIRST))}")
        found = re.findall(r'href="(/owners/\d+/)"', page)
        if found:
            self.think()
            self.page("an owner", self.rng.choice(found))

    def types(self) -> None:
        found = re.findall(r'href="(/types/[^"/]+/)"', self.page("unit types", "/types/"))
        if found:
            self.page("a unit type", self.rng.choice(found))

    def experience(self) -> None:
        self.page("experience", "/experience/")

    def advice(self) -> None:
        self.page("how good the advice was", "/experience/advice/")

    def help(self) -> None:
        self.page("help", "/help/")


# ---------------------------------------------------------------- the server


def free_port() -> int:
    """One that is free now."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def memory_of(pid: int) -> list[float]:
    """[MB] resident, of a process and each of its children (Linux)."""
    each_of, todo = [], [pid]
    while todo:
        each = todo.pop()
        try:
            status = Path(f"/proc/{each}/status").read_text()
            todo += [int(c) for t in Path(f"/proc/{each}/task").iterdir() for c in (t / "children").read_text().split()]
        except OSError:
            continue
        if hit := re.search(r"VmRSS:\s+(\d+) kB", status):
            each_of.append(int(hit[1]) / 1000)
    return each_of


def served(port: int) -> subprocess.Popen[str]:
    """`refettle serve`, ready to be asked."""
    environ = {**os.environ, "REFETTLE_SIGN_IN": "yes", "REFETTLE_TZ": "UTC"}
    program = Path(sys.executable).with_name("refettle")
    server = subprocess.Popen(
        [program, "serve", "--no-browser", "--port", str(port)], env=environ, stdout=subprocess.PIPE, text=True
    )
    assert server.stdout is not None
    for line in server.stdout:
        if "is open at" in line:
            threading.Thread(target=server.stdout.read, daemon=True).start()
            return server
    raise SystemExit("refettle serve did not start; what it said stands above")


def pictures(count: int) -> list[bytes]:
    """Photos of 12 megapixels as a phone writes them, drawn, each another."""
    import numpy as np
    from PIL import Image

    rng = np.random.default_rng(7)
    out = []
    for n in range(count):
        small = rng.integers(0, 255, (60, 80, 3)).astype("uint8")
        image = Image.fromarray(small).resize((4000, 3000), Image.Resampling.BICUBIC)
        file = BytesIO()
        image.save(file, "JPEG", quality=88 + n % 5)
        out.append(file.getvalue())
    return out


def at(values: list[float], share: float) -> float:
    """The value that so many of a share are not above."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def table(told: Told, kinds: list[str]) -> str:
    """Markdown."""
    lines = ["| page | asked for | p50 [ms] | p95 [ms] | p99 [ms] | slowest [ms] |", "|---|---|---|---|---|---|"]
    for kind in kinds:
        v = told.times[kind]
        lines.append(f"| {kind} | {len(v)} | {at(v, 0.5):.0f} | {at(v, 0.95):.0f} | {at(v, 0.99):.0f} | {max(v):.0f} |")
    return "\n".join(lines)


def main() -> None:
    """Serve, load, report."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--people", type=int, default=20)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--think", type=float, default=8.0, help="mean [s]")
    parser.add_argument("--settle", type=float, default=30.0, help="[s] at the start that are not counted")
    parser.add_argument("--alone", action="store_true", help="the processor's time of each page, without a server")
    parser.add_argument("--slow", action="store_true", help="name the slowest requests")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    if "REFETTLE_HOME" not in os.environ:
        raise SystemExit("set REFETTLE_HOME to the folder that shop.py filled")
    if args.alone:
        alone()
        return
    photos = pictures(12)
    before = os.getloadavg()[0]
    port = free_port()
    begun = time.monotonic()
    server = served(port)
    opened = time.monotonic() - begun
    told, stop = Told(), threading.Event()
    memory: list[list[float]] = []
    try:
        people = [Person(n, Browser(port, told), args.think, stop.is_set, photos) for n in range(args.people)]
        threads = [threading.Thread(target=person.run, daemon=True) for person in people]
        for thread in threads:
            thread.start()
            time.sleep(min(0.5, args.settle / max(1, args.people) / 2))
        time.sleep(args.settle / 2)
        told.counting = True
        end = time.monotonic() + 60 * args.minutes
        while time.monotonic() < end and server.poll() is None:
            memory.append(memory_of(server.pid))
            time.sleep(1)
        told.counting = False
        stop.set()
        for thread in threads:
            thread.join(timeout=70)
        if server.poll() is not None:
            told.fault(f"the server stopped with {server.returncode}")
    finally:
        stop.set()
        if server.poll() is None:
            server.send_signal(signal.SIGINT)
            try:
                server.wait(timeout=30)
            except subprocess.TimeoutExpired:
                server.kill()
    report(args, told, memory, opened, before)


def alone() -> None:
    """The processor's time of each kind of page, one after the other, in this process, where nobody waits for it."""
    os.environ |= {"REFETTLE_TZ": "UTC"}
    os.environ.pop("REFETTLE_SIGN_IN", None)
    from refettle.web.start import start

    start()
    from django.test import Client

    from refettle.book.models import Job, Part

    numbers = list(Job.objects.filter(closed=None).order_by("number").values_list("number", flat=True))
    job, old, part = f"/jobs/{numbers[len(numbers) // 2]}/", "/jobs/7/", Part.objects.order_by("pk")[7].code
    pages = {
        "help": "/help/", "the bench": "/", "the bench, a later page": "/?page=3",
        "the bench, searched": "/?q=larkmere",
        "closed jobs": "/closed/", "closed jobs, searched": f"/closed/?q={LAST[18]}", "a job": job,
        "what others wrote": f"{job}since/?n=3", "what a job needs next": f"{job}next/",
        "its fault finding": f"{job}faults/",
        "its money": f"{job}money/", "its proving": f"{job}proving/", "a job closed long ago": old,
        "its handover": f"{old}handover/", "stores, searched": "/stores/?q=4k7", "a part": f"/stores/{part}/",
        "what is low": "/stores/reorder/", "owners": "/owners/", "owners, searched": f"/owners/?q={LAST[18]}",
        "an owner": "/owners/5/", "unit types": "/types/", "a unit type": "/types/larkmere-48/",
        "taking in": "/take-in/larkmere-48/", "experience": "/experience/",
        "how good the advice was": "/experience/advice/",
    }  # fmt: skip
    client = Client(SERVER_NAME="127.0.0.1")
    print("| page | first time [ms] | then, least of 3 [ms] |\n|---|---|---|")
    for kind, path in pages.items():
        took = []
        for _ in range(4):
            begun = time.thread_time()
            answer = client.get(path)
            assert answer.status_code in (200, 204), f"{path}: {answer.status_code}"
            took.append(1e3 * (time.thread_time() - begun))
        print(f"| {kind} | {took[0]:.0f} | {min(took[1:]):.0f} |", flush=True)


def report(args: argparse.Namespace, told: Told, memory: list[list[float]], opened: float, before: float) -> None:
    """What came of it."""
    pages = [each for kind, v in told.times.items() if kind not in APART for each in v]
    if pages:
        told.times[ALL] = pages
    kinds = sorted(told.times, key=lambda kind: (kind != ALL, -at(told.times[kind], 0.95)))
    rate = sum(len(v) for kind, v in told.times.items() if kind != ALL) / (60 * args.minutes)
    whole = [sum(each) for each in memory]
    quarters = [max(whole[k * len(whole) // 4 : (k + 1) * len(whole) // 4] or [0.0]) for k in range(4)]
    parts = " + ".join(f"{each:.0f}" for each in (memory[-1] if memory else []))
    if args.json:
        pages = {k: {"count": len(v), **{f"p{p}": at(v, p / 100) for p in (50, 95, 99)}} for k, v in told.times.items()}
        print(json.dumps({"pages": pages, "wrong": told.wrong, "memory_mb": quarters, "per_second": rate,
                          "opened_s": opened, "load": [before, os.getloadavg()[0]]}, indent=2))  # fmt: skip
        return
    after = os.getloadavg()[0]
    print(
        f"{args.people} people, {args.minutes:g} min, think {args.think:g} s, {rate:.1f} requests a second; open after"
    )
    print(f"{opened:.1f} s; load of the machine {before:.1f} before, {after:.1f} at the end\n")
    print(table(told, [k for k in kinds if k not in APART]), "\n")
    print(table(told, [k for k in kinds if k in APART]), "\n")
    print("memory of the server [MB], at most in each quarter of the time: " + ", ".join(f"{q:.0f}" for q in quarters))
    print(f"at the end, itself and the processes beside it: {parts}")
    print(f"wrong: {sum(told.wrong.values())}")
    for what, count in told.wrong.most_common(20):
        print(f"  {count} × {what}")
    if args.slow:
        for took, kind, path in sorted(told.slowest, reverse=True)[:40]:
            print(f"  {1e3 * took:.0f} ms {kind} {path}")


if __name__ == "__main__":
    main()
