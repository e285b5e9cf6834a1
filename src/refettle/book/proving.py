"""Proving in a job: the grid of the unit type's acceptance list, filled by the log. Pure: no database, no framework.

What is counted before the first repair is the fault's own rate and asks for trials after it. A repair begins a new
series; refit (the strip-down ledger back at nothing off, or the unit said to be closed again) opens again what it can
disturb. A series with bad ones that a further repair follows is added to what was counted before it, as that fault
was not cured; a series that passed settles it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from refettle.book.ledger import Ledger, enter
from refettle.book.log import LogEntry, LogError
from refettle.book.soaks import SPOILING, RunningSoak, begun
from refettle.faults import GOOD
from refettle.knowledge.schema import Acceptance, UnitType
from refettle.language import mark, spoken, tr
from refettle.proving.counts import Counts, ProvingError
from refettle.proving.plan import (
    Cell,
    Finding,
    Grid,
    Row,
    Statement,
    plan,
    refitted,
    repaired,
    say,
    statement,
    tried,
    want,
)
from refettle.proving.trials import Need, needed

Key = tuple[str, str]
"""Row and condition."""
PROVING_KINDS = ("trial", "cell", "want", "soak", "safety")
REPAIRS = ("repair", "part-in")
AT_THE_BENCH = mark("at the bench")
SAFETY = "Electrical safety"
CONFIDENCE = 0.95
NONE = Counts(0, 0)


def acceptance_lines(unit: UnitType) -> dict[str, Acceptance]:
    """The lines by name; a type fed by mains has the electrical safety record though no line names it."""
    lines = {line.name: line for line in unit.acceptance}
    if unit.power_on.feed == "mains" and not any(line.safety for line in unit.acceptance):
        name = SAFETY if SAFETY not in lines else f"{SAFETY} record"
        lines[name] = Acceptance(name=name, safety=True)
    return lines


def acceptance_grid(lines: Mapping[str, Acceptance]) -> Grid:
    """The empty grid of these lines, the conditions in the order in which they are first named."""
    rows = [
        Row(line.name, tuple(line.conditions) or (AT_THE_BENCH,), line.refit_disturbs, line.trials)
        for line in lines.values()
    ]
    conditions = list(dict.fromkeys(condition for row in rows for condition in row.conditions or ()))
    return plan(rows, conditions)


def proving_cautions(unit: UnitType) -> list[str]:
    """Ids of the cautions of trials and soaks: those of the type, and those of mains where it is fed by it."""
    fed = ["mains", "charged-capacitor"] if unit.power_on.feed == "mains" else []
    return list(dict.fromkeys([*unit.cautions, *fed]))


@dataclass
class Proving:
    """What the log says of the grid.

    `before`: counted before the last repair, by cell; `needs`: the trials that asks for; `counted`: of checks since
    the last repair; `why`: of trials asked for by hand; `order`: the present series in its order, True for bad.
    """

    lines: Mapping[str, Acceptance]
    grid: Grid
    mains: bool = False
    repairs: int = 0
    before: dict[Key, Counts] = field(default_factory=dict)
    counted: dict[Key, Counts] = field(default_factory=dict)
    needs: dict[Key, Need] = field(default_factory=dict)
    why: dict[Key, str] = field(default_factory=dict)
    order: dict[Key, tuple[bool, ...]] = field(default_factory=dict)
    running: dict[Key, RunningSoak] = field(default_factory=dict)
    soaked: dict[Key, float] = field(default_factory=dict)
    """Minutes of the last soak that ended well, long enough or not."""
    safety: Mapping[str, Any] | None = None
    """The last record; it holds while `safe`."""
    safe: bool = False
    _ledger: Ledger = field(default_factory=Ledger)
    _opened: bool = False

    @cached_property
    def statement(self) -> Statement:
        """What may be said at this moment, cell by cell."""
        made = statement(self.grid, CONFIDENCE)
        return replace(made, findings=tuple(self._in_words(each) for each in made.findings))

    def _in_words(self, found: Finding) -> Finding:
        """A safety record and a soak are said as what they are, not as a trial."""
        line, key = self.lines[found.row], (found.row, found.condition)
        row, condition = spoken(found.row), spoken(found.condition)
        if line.safety and self.safety is not None and found.status in ("pass", "fail"):
            measured = ", ".join(f"{name} {value}" for name, value in self.safety["measured"].items())
            by = tr("measured by {by} with {instrument}", by=self.safety["by"], instrument=self.safety["instrument"])
            return replace(found, text=f"{row}: {spoken(self.safety['result'])}: {measured}; {by}")
        if line.minutes is None:
            return found
        lasted = f"{self.soaked.get(key, 0.0):.0f}\u202fmin"
        if found.status == "pass":
            return replace(
                found,
                text=tr(
                    "{row}: ran {lasted} without a fault, {condition}", row=row, lasted=lasted, condition=condition
                ),
            )
        if found.status == "fail":
            return replace(found, text=tr("{row}, {condition}: failed in the soak", row=row, condition=condition))
        if found.status == "open" and key in self.soaked:
            return replace(
                found,
                text=tr(
                    "{row}, {condition}: ran {lasted} of {wanted:.0f}\u202fmin wanted",
                    row=row,
                    condition=condition,
                    lasted=lasted,
                    wanted=line.minutes,
                ),
            )
        return found

    @property
    def begun(self) -> bool:
        """Whether anything was tried or said."""
        return any(each.series or each.said for each in self.grid.cells) or bool(self.running)

    @property
    def unproven(self) -> str:
        """What fails or is open, in words; empty where nothing is."""
        fails, still = self.grid.having("fail"), self.grid.having("open")
        said = [tr("{name} fails", name=each.name) for each in fails[:3]]
        if len(fails) > 3:
            said.append(tr("{more} more fail", more=len(fails) - 3))
        if still:
            said.append(
                tr(
                    "{open} of {all} still open, first {first}",
                    open=len(still),
                    all=len(self.grid.cells),
                    first=still[0].name,
                )
            )
        return "; ".join(said)

    def finding(self, key: Key) -> Finding:
        """What one cell ends in."""
        return next(each for each in self.statement.findings if (each.row, each.condition) == key)

    def counted_before(self, key: Key) -> Counts:
        """What was counted of the fault: before the last repair, or so far where none was made."""
        if self.repairs:
            return self.before.get(key, NONE)
        return self.counted.get(key, NONE) + _all(self.grid.cell(*key))


def _all(cell: Cell) -> Counts:
    whole = NONE
    for each in cell.series:
        whole += each.counts
    return whole


def proving(unit: UnitType, entries: Iterable[LogEntry]) -> Proving:
    """The grid after a job's entries.

    Entries that make no sense together (a soak ended that was never begun) are passed over here; `refuse_proving`
    keeps them from being written.

    Raises
    ------
    LogError
        An entry names a line or a condition that the acceptance list does not have; the message says which entry.
    """
    lines = acceptance_lines(unit)
    made = Proving(lines, acceptance_grid(lines), unit.power_on.feed == "mains")
    of_checks = {each: line for line in lines.values() for each in line.counts_of}
    for entry in entries:
        if not entry.void:
            try:
                _enter(made, entry, of_checks)
            except ProvingError as error:
                name = "condition" if str(error).startswith("condition") else "row"
                raise LogError(tr("entry {n}: {error}", n=entry.n, error=error), field=name) from None
    return made


def _enter(made: Proving, entry: LogEntry, of_checks: Mapping[str, Acceptance]) -> None:
    kind, data = entry.kind, entry.data
    was_off = bool(made._ledger.open_lines)
    enter(made._ledger, entry)
    if kind in SPOILING:
        made.running.clear()
    if kind in PROVING_KINDS:
        _PROVE[kind](made, entry)
    elif kind == "check" and data.get("counts") and data["check"] in of_checks:
        line = of_checks[data["check"]]
        key = line.name, (line.conditions or [AT_THE_BENCH])[0]
        tries = sum(data["counts"].values())
        made.counted[key] = made.counted.get(key, NONE) + Counts(tries - data["counts"].get(GOOD, 0), tries)
    elif kind in REPAIRS:
        _repair(made)
    elif was_off and not made._ledger.open_lines:
        _refit(made)
    elif kind == "access":
        if made._opened and data["level"] == "closed":
            _refit(made)
        made._opened = data["level"] != "closed"


def _repair(made: Proving) -> None:
    """Open every cell again; what was counted says how many trials the next series needs."""
    for cell in made.grid.cells:
        key = cell.row, cell.condition
        line = made.lines[cell.row]
        if line.safety or line.minutes is not None:
            continue
        seen, counted = _all(cell), made.counted.get(key, NONE)
        if not made.repairs:
            before = seen + counted
        else:
            before = NONE if cell.status == "pass" else made.before.get(key, NONE)
            if cell.status == "pass":
                made.needs.pop(key, None)
            for each in (cell.counts, counted):
                before += each if each.bad else NONE
        if before.tries:
            made.before[key] = before
        else:
            made.before.pop(key, None)
    if made.repairs:
        made.grid = repaired(made.grid)
    else:  # the series so far were of the unit as it came in: no attempt at a cure
        made.grid = replace(made.grid, cells=tuple(replace(c, series=(), again="") for c in made.grid.cells))
    made.repairs += 1
    made.counted, made.order, made.soaked, made.safe = {}, {}, {}, _referred(made)
    for cell in made.grid.cells:
        key = cell.row, cell.condition
        if (before := made.before.get(key, NONE)).bad:
            attempts = 1 + sum(each.ended == "repair" and each.counts.tries > 0 for each in cell.series)
            made.needs[key] = needed(before, min(0.9999, 1.0 - (1.0 - CONFIDENCE) / attempts))
            made.grid = want(made.grid, *key, max(made.needs[key].trials, made.lines[cell.row].trials))


def _refit(made: Proving) -> None:
    made.grid = refitted(made.grid)
    made.safe = _referred(made)
    for cell in made.grid.cells:
        if cell.again == "refit":
            made.order.pop((cell.row, cell.condition), None)
            made.soaked.pop((cell.row, cell.condition), None)


def _referred(made: Proving) -> bool:
    """A referral still stands when the unit was opened again; a measurement does not."""
    return made.safe and made.safety is not None and made.safety["what"] == "referred"


# ---------------------------------------------------------------- entries of proving


def _key(made: Proving, entry: LogEntry) -> Key:
    cell = made.grid.cell(entry.data["row"], entry.data["condition"])
    return cell.row, cell.condition


def _by_trials(line: Acceptance) -> bool:
    return line.minutes is None and not line.safety


def _trial(made: Proving, entry: LogEntry) -> None:
    key = _key(made, entry)
    if not _by_trials(made.lines[key[0]]):
        return
    good, bad = int(entry.data.get("good", 0)), int(entry.data.get("bad", 0))
    made.grid = tried(made.grid, *key, good=good, bad=bad)
    # Of several written at once the order is not known: the bad ones are taken first.
    made.order[key] = (*made.order.get(key, ()), *[True] * bad, *[False] * good)


def _cell(made: Proving, entry: LogEntry) -> None:
    key = _key(made, entry)
    if not made.grid.cell(*key).counts.tries:
        made.grid = say(made.grid, *key, entry.data["said"], str(entry.data.get("why", "")))


def _want(made: Proving, entry: LogEntry) -> None:
    row, condition = entry.data["row"], entry.data["condition"]
    if condition not in made.grid.conditions:
        made.grid = replace(made.grid, conditions=(*made.grid.conditions, condition))
    if not any((c.row, c.condition) == (row, condition) for c in made.grid.cells):
        if row not in made.lines:
            made.grid.cell(row, condition)  # raises, naming the rows
        rows = list(made.lines)
        cells = sorted([*made.grid.cells, Cell(row, condition)], key=lambda c: rows.index(c.row))
        made.grid = replace(made.grid, cells=tuple(cells))
    made.grid = want(made.grid, row, condition, int(entry.data["trials"]))
    made.why[row, condition] = entry.data["why"]


def _soak(made: Proving, entry: LogEntry) -> None:
    key = _key(made, entry)
    line = made.lines[key[0]]
    if line.minutes is None:
        return
    if entry.data["what"] == "started":
        made.running.setdefault(key, begun(entry))
        return
    soak = made.running.pop(key, None)
    if soak is None:
        return
    if entry.data["outcome"] == "bad":
        made.grid = tried(made.grid, *key, bad=1)
        return
    made.soaked[key] = soak.lasted(entry.at)
    if made.soaked[key] >= line.minutes:
        made.grid = tried(made.grid, *key, good=1)


def _safety(made: Proving, entry: LogEntry) -> None:
    made.safety = entry.data
    referred = entry.data["what"] == "referred"
    made.safe = referred or entry.data.get("result") == "passed"
    line = next((each for each in made.lines.values() if each.safety), None)
    if line is None:
        return
    # The last record counts, not the series of records.
    fresh = Cell(line.name, AT_THE_BENCH)
    cells = tuple(fresh if cell.row == line.name else cell for cell in made.grid.cells)
    made.grid = replace(made.grid, cells=cells)
    if referred:
        made.grid = say(made.grid, line.name, AT_THE_BENCH, "not tested", tr("referred to {by}", by=entry.data["by"]))
    else:
        passed = entry.data["result"] == "passed"
        made.grid = tried(made.grid, line.name, AT_THE_BENCH, good=int(passed), bad=int(not passed))


_PROVE = {"trial": _trial, "cell": _cell, "want": _want, "soak": _soak, "safety": _safety}
