"""A batch of kits: one value at a time into a line of bags, the full line counted before the next value is offered.

Bag 1 is filled first and the oldest lot goes first, so that the ledger tells which lot went into which kit.
What lacks (a shortage) and what went wrong (a mistake) are different things and are written apart.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from django.db import transaction
from django.utils import timezone

from refettle.book import stores
from refettle.book.kits import free_for, needs_of
from refettle.book.kits_match import find_part
from refettle.book.models_kits import Kit, KitBatch, KitLine, KitStep, KitVersion
from refettle.book.models_stores import Part
from refettle.book.reservations import held_for, let_all_go, let_go, reserve
from refettle.book.store import StoreError
from refettle.book.stores_moves import quantity, said
from refettle.language import tr
from refettle.parts.kits import buildable, plan

MOST = 500
Kind = KitStep.Kind


@dataclass(frozen=True)
class Run:
    """Kits `first` to `last` of a batch take this part for a line."""

    part: str
    first: int
    last: int
    each: int

    @property
    def kits(self) -> int:
        """How many kits."""
        return self.last - self.first + 1

    @property
    def pieces(self) -> int:
        """Pieces for all of them."""
        return self.kits * self.each


@dataclass(frozen=True)
class LineState:
    """Where one line of a batch stands: open, filled; what is said of shortages and mistakes on it."""

    line: KitLine
    runs: tuple[Run, ...]
    filled: bool
    steps: tuple[KitStep, ...] = field(default=())

    @property
    def pieces(self) -> int:
        """Pieces in the full line of bags."""
        return sum(run.pieces for run in self.runs)


@dataclass(frozen=True)
class BatchState:
    """A batch as its steps leave it."""

    batch: KitBatch
    lines: tuple[LineState, ...]
    kits: dict[int, Kit]
    shortages: int
    mistakes: int

    @property
    def current(self) -> LineState | None:
        """The value that is being filled; None when all are."""
        return next((each for each in self.lines if not each.filled), None)

    @property
    def filled(self) -> bool:
        """True when every line is in the bags."""
        return self.current is None

    @property
    def to_check(self) -> list[int]:
        """Kits that are filled and not checked a second time."""
        return [n for n in range(1, self.batch.count + 1) if n not in self.kits] if self.filled else []

    @property
    def open(self) -> bool:
        """True while something can be done to it."""
        return self.batch.done is None and self.batch.dropped is None


def kit_code(batch: KitBatch, number: int) -> str:
    """What a kit is called, printed on its label before it is ready."""
    return f"K{batch.pk}-{number}"


def bag_code(batch: KitBatch, line: KitLine) -> str:
    """What a bag is called: the batch and the line."""
    return f"B{batch.pk}-{line.n}"


def find_batch(pk: int) -> KitBatch:
    """A batch by its number. Raises StoreError."""
    found = KitBatch.objects.filter(pk=pk).select_related("version").first()
    if found is None:
        known = ", ".join(str(n) for n in KitBatch.objects.order_by("-pk").values_list("pk", flat=True)[:20])
        raise StoreError(tr("batch: {n} found; allowed: one of {allowed}", n=pk, allowed=known or "none yet"), "batch")
    return found


def state_of(batch: KitBatch) -> BatchState:
    """The batch as its steps leave it."""
    steps = list(batch.steps.select_related("line", "movement__lot__part").order_by("id"))
    lines = []
    for line in batch.version.lines.select_related("part").order_by("n"):
        mine = tuple(step for step in steps if step.line_id == line.pk)
        runs = runs_of(batch, line)
        done = sum(s.quantity for s in mine if s.kind == Kind.FILLED) > 0
        lines.append(LineState(line, runs, done, mine))
    kits = {kit.number: kit for kit in batch.kits.order_by("number")}
    count = {kind: sum(step.kind == kind for step in steps) for kind in Kind}
    return BatchState(batch, tuple(lines), kits, count[Kind.SHORT], count[Kind.MISTAKE])


def runs_of(batch: KitBatch, line: KitLine) -> tuple[Run, ...]:
    """Which kits take which part for a line, as the batch was begun, down to the kits that it still makes."""
    runs, first = [], 1
    for code, kits in batch.parts.get(str(line.n), [[line.part.code, batch.count]]):
        last = min(first + kits - 1, batch.count)
        if last >= first:
            runs.append(Run(code, first, last, line.quantity))
        first += kits
    return tuple(runs)


# ---------------------------------------------------------------- begin


def begin(version: KitVersion, count: Any, *, who: str, fewer: bool = False) -> KitBatch:
    """Begin a batch and promise it its parts.

    Parameters
    ----------
    version : KitVersion
    count : int
        Kits to make, 1 to 500.
    who : str
    fewer : bool
        Make as many as the parts allow; what lacks is written as a shortage.

    Raises
    ------
    StoreError
        Fewer can be made: says how many, which line limits and what lacks.
    """
    asked = quantity(count, "kits")
    who = said(who, "who", 200, 1)
    if asked > MOST:
        raise StoreError(tr("kits: {n} found; allowed: 1 to {most}", n=asked, most=MOST), "kits")
    if version.withdrawn:
        raise StoreError(tr("kit: {version} is withdrawn; allowed: a version that is made", version=version), "kit")
    with transaction.atomic():
        needs = needs_of(version)
        codes = sorted({code for need in needs for code in need.parts})
        parts = {part.code: part for part in Part.objects.select_for_update().filter(code__in=codes).order_by("pk")}
        free = free_for(needs)
        most = buildable(needs, free)
        wanted = plan(needs, free, asked)
        if asked > most.count and not (fewer and most.count):
            lacks = ", ".join(f"{n} more of {code}" for code, n in wanted.missing.items())
            raise StoreError(
                tr(
                    "kits: {asked} found; allowed: at most {most}, line {lines} limits; {asked} need {lacks}",
                    asked=asked,
                    most=most.count,
                    lines=" and ".join(most.limits),
                    lacks=lacks,
                ),
                "kits",
            )
        made = plan(needs, free, min(asked, most.count))
        pairs = list(zip(needs, made.fills, strict=True))
        filled = {need.name: [[p, fill[p]] for p in need.parts if fill.get(p)] for need, fill in pairs}
        batch = KitBatch.objects.create(version=version, count=made.count, who=who, parts=filled)
        pieces: dict[str, int] = {}
        for need, fill in pairs:
            for code, kits in fill.items():
                pieces[code] = pieces.get(code, 0) + kits * need.quantity
        for code in sorted(pieces, key=lambda c: parts[c].pk):
            reserve(parts[code], pieces[code], who=who, batch=batch)
        for code, n in wanted.missing.items() if asked > most.count else ():
            line = next(line for line in version.lines.all() if line.part.code == code)
            data = {"part": code, "kits": asked, "at": "begin"}
            KitStep.objects.create(batch=batch, line=line, kind=Kind.SHORT, quantity=n, data=data, who=who)
    return batch


# ---------------------------------------------------------------- fill


@contextmanager
def holding_batch(batch: KitBatch) -> Iterator[BatchState]:
    """A transaction in which nobody else changes this batch. StoreError where it is closed."""
    with transaction.atomic():
        fresh = KitBatch.objects.select_for_update().get(pk=batch.pk)
        batch.count, batch.done, batch.dropped, batch.parts = fresh.count, fresh.done, fresh.dropped, fresh.parts
        if fresh.done is not None or fresh.dropped is not None:
            word = tr("done") if fresh.done is not None else tr("dropped")
            raise StoreError(
                tr("batch: {n} found, which is {state}; allowed: an open batch", n=batch.pk, state=word), "batch"
            )
        yield state_of(batch)


def _line(state: BatchState, n: int) -> LineState:
    found = next((each for each in state.lines if each.line.n == n), None)
    if found is None:
        raise StoreError(tr("line: {n} found; allowed: 1 to {last}", n=n, last=len(state.lines)), "line")
    return found


def fill(batch: KitBatch, n: int, counted: Any, *, who: str) -> list[KitStep]:
    """The bags of one value are full and were counted: take the parts out of the stores.

    A count that is not the right one is written as a mistake (see `miscounted`) and refused by the caller.

    Raises
    ------
    StoreError
        It is not this line's turn, or the count is not right.
    """
    found = quantity(counted, "counted", 0)
    who = said(who, "who", 200, 1)
    with holding_batch(batch) as state:
        here = _line(state, n)
        if here.filled:
            raise StoreError(tr("line: {n} found, which is filled; allowed: the next one", n=n), "line")
        if state.current is not here:
            assert state.current is not None
            raise StoreError(
                tr("line: {n} found; allowed: {next}, one value at a time", n=n, next=state.current.line.n), "line"
            )
        if found != here.pieces:
            raise StoreError(
                tr(
                    "counted: {found} found; allowed: {pieces} in the full line of bags",
                    found=found,
                    pieces=here.pieces,
                ),
                "counted",
            )
        made = []
        for run in here.runs:
            part, offset = find_part(run.part), 0
            for movement in stores.take_into_kit(part, run.pieces, batch, who=who):
                pieces = -movement.on_hand
                data = {"part": run.part, "first": run.first, "offset": offset, "each": run.each}
                step = KitStep.objects.create(
                    batch=batch,
                    line=here.line,
                    kind=Kind.FILLED,
                    quantity=pieces,
                    data=data,
                    movement=movement,
                    who=who,
                )
                offset += pieces
                made.append(step)
        return made


def expected(batch: KitBatch, n: int) -> int:
    """Pieces that belong into the full line of bags."""
    return _line(state_of(batch), n).pieces


def miscounted(batch: KitBatch, n: int, found: int, *, who: str) -> KitStep:
    """The full line of bags held another number than it should: a mistake, found by counting."""
    with holding_batch(batch) as state:
        here = _line(state, n)
        data = {"at": "counting", "found": found, "should": here.pieces}
        return KitStep.objects.create(
            batch=batch, line=here.line, kind=Kind.MISTAKE, quantity=found - here.pieces, data=data, who=who
        )


def short(batch: KitBatch, n: int, lacking: Any, *, who: str, note: str = "") -> KitStep:
    """The drawer held fewer than the book says: a shortage. Nothing moves: count the drawer, go on or make fewer."""
    number = quantity(lacking, "lacking")
    with holding_batch(batch) as state:
        data = {"at": "filling", "note": said(note, "note", 500)}
        return KitStep.objects.create(
            batch=batch,
            line=_line(state, n).line,
            kind=Kind.SHORT,
            quantity=number,
            data=data,
            who=said(who, "who", 200, 1),
        )


def make_fewer(batch: KitBatch, count: Any, *, who: str) -> None:
    """Make fewer kits than begun: what the others hold or were promised goes back. The last bags go first."""
    number = quantity(count, "kits")
    who = said(who, "who", 200, 1)
    with holding_batch(batch) as state:
        ready = max(state.kits, default=0)
        if not max(1, ready) <= number < batch.count:
            raise StoreError(
                tr("kits: {n} found; allowed: {least} to {most}", n=number, least=max(1, ready), most=batch.count - 1),
                "kits",
            )
        _empty(state, range(number + 1, batch.count + 1), who)
        batch.count = number
        KitBatch.objects.filter(pk=batch.pk).update(count=number)
        _promise_only_what_is_needed(state)
        close_if_done(batch)


def _promise_only_what_is_needed(state: BatchState) -> None:
    """Let go what was promised beyond what the lines not yet filled need."""
    need: dict[str, int] = {}
    for each in state.lines:
        if not each.filled:
            for run in runs_of(state.batch, each.line):
                need[run.part] = need.get(run.part, 0) + run.pieces
    for held in held_for(batch=state.batch):
        keep = min(held.quantity, need.get(held.part.code, 0))
        need[held.part.code] = need.get(held.part.code, 0) - keep
        if held.quantity > keep:
            let_go(held, held.quantity - keep)


def drop(batch: KitBatch, *, who: str, why: str) -> None:
    """Give a batch up: kits that are ready stay, all else goes back into its lots."""
    who, reason = said(who, "who", 200, 1), said(why, "why", 300, 3)
    with holding_batch(batch) as state:
        _empty(state, [n for n in range(1, batch.count + 1) if n not in state.kits], who, reason)
        let_all_go(batch=batch)
        batch.dropped = timezone.now()
        KitBatch.objects.filter(pk=batch.pk).update(dropped=batch.dropped)


def pieces_in(step: KitStep, number: int) -> int:
    """How many pieces of the lot behind a step went into one kit."""
    if step.kind != Kind.FILLED or step.quantity <= 0:
        return 0
    each, offset = int(step.data["each"]), int(step.data["offset"])
    start = (number - int(step.data["first"])) * each
    return max(0, min(start + each, offset + step.quantity) - max(start, offset))


def kits_in(step: KitStep) -> range:
    """The kits that the lot behind a step went into."""
    if step.kind != Kind.FILLED or step.quantity <= 0:
        return range(0)
    each, offset, first = step.data["each"], step.data["offset"], step.data["first"]
    return range(first + offset // each, first + (offset + step.quantity - 1) // each + 1)


def _empty(state: BatchState, numbers: Any, who: str, note: str = "") -> None:
    """What these kits hold goes back into the lots it came from."""
    numbers = list(numbers)
    for each in state.lines:
        for step in each.steps:
            pieces = sum(pieces_in(step, n) for n in numbers)
            if pieces:
                put_back(step, pieces, who=who, kits=numbers, note=note)


def put_back(
    step: KitStep, pieces: int, *, who: str, kits: list[int], note: str = "", quarantine: bool = False
) -> KitStep:
    """So many pieces of a step back into their lot, by a line of the ledger and a step of their own."""
    assert step.movement is not None
    what = f"kit batch {step.batch_id}{': ' if note else ''}{note}"
    movement = stores.give_back(step.movement.lot, pieces, who=who, quarantine=quarantine, note=what)
    return KitStep.objects.create(
        batch=step.batch,
        line=step.line,
        kind=Kind.FILLED,
        quantity=-pieces,
        data={"back": step.pk, "kits": kits},
        movement=movement,
        who=who,
    )


def close_if_done(batch: KitBatch) -> None:
    """A batch whose kits are all ready is done."""
    if batch.kits.count() >= batch.count and batch.done is None:
        batch.done = timezone.now()
        KitBatch.objects.filter(pk=batch.pk).update(done=batch.done)
        let_all_go(batch=batch)
