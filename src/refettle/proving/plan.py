"""The proving plan: a grid of functions and conditions, filled by trials, and the statement it ends in.

A row is one function of the acceptance list (an output, a key, a seat); a column one condition that matters (cold,
warm, after an hour, tapped). Each cell is one of `STATUSES`. An empty cell is `open` and is never a pass; what was
not tested keeps its reason word for word.

A grid is never changed: each function here returns a new one. Trials are counted in series (see `trials.Series`). A
repair or a refit ends a series and begins the next, and what was counted before stays in the grid.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, get_args

from refettle.language import spoken, tr
from refettle.proving.counts import Counts, ProvingError, confident
from refettle.proving.trials import Claim, Series, claim

Status = Literal["pass", "fail", "not tested", "not present", "not applicable", "open"]
Said = Literal["not tested", "not present", "not applicable"]
STATUSES: tuple[Status, ...] = get_args(Status)
SAID: tuple[Said, ...] = get_args(Said)
MOST_NEEDED = 100_000


@dataclass(frozen=True, slots=True)
class Row:
    """One function to prove.

    `conditions` it is proven in, None: all of the grid. `refit_disturbs`: closing the unit can undo it (a ribbon, a
    plug, a shield, a seat), so it is proven again after refit. `trials` wanted in each condition.
    """

    name: str
    conditions: tuple[str, ...] | None = None
    refit_disturbs: bool = True
    trials: int = 1


@dataclass(frozen=True, slots=True)
class Cell:
    """One function in one condition.

    `series` of trials, the last the present one; `said` in place of trials, with the reason `why`. `again` names
    why it must be proven again although it was before.
    """

    row: str
    condition: str
    needed: int = 1
    series: tuple[Series, ...] = ()
    said: Said | None = None
    why: str = ""
    again: Literal["", "repair", "refit"] = ""

    @property
    def counts(self) -> Counts:
        """Of the present series."""
        return self.series[-1].counts if self.series and not self.series[-1].ended else Counts(0, 0)

    @property
    def status(self) -> Status:
        """`open` while trials are missing, also where it has passed before a refit or repair."""
        if self.said is not None:
            return self.said
        if self.counts.bad:
            return "fail"
        return "pass" if self.counts.tries >= self.needed else "open"

    @property
    def name(self) -> str:
        """`picture, cold`."""
        return f"{spoken(self.row)}, {spoken(self.condition)}"


@dataclass(frozen=True, slots=True)
class Grid:
    """Rows, conditions and cells; cells in the order of rows, then conditions."""

    rows: tuple[Row, ...]
    conditions: tuple[str, ...]
    cells: tuple[Cell, ...]

    def cell(self, row: str, condition: str) -> Cell:
        """One cell. ProvingError naming what there is."""
        for each in self.cells:
            if each.row == row and each.condition == condition:
                return each
        names = ", ".join(each.condition for each in self.cells if each.row == row)
        if names:
            raise ProvingError(
                tr(
                    "condition: {condition!r} of {row} found; allowed: {names}",
                    condition=condition,
                    row=row,
                    names=names,
                )
            )
        raise ProvingError(
            tr("row: {row!r} found; allowed: {rows}", row=row, rows=", ".join(each.name for each in self.rows))
        )

    def having(self, *statuses: Status) -> tuple[Cell, ...]:
        """The cells with any of these statuses."""
        return tuple(each for each in self.cells if each.status in statuses)


def plan(rows: Iterable[Row | str], conditions: Sequence[str]) -> Grid:
    """An empty grid from an acceptance list.

    Parameters
    ----------
    rows : Row or str
        A name stands for a row in every condition, one trial each, disturbed by refit.
    conditions : str
        The columns, in the order they are tried.

    Raises
    ------
    ProvingError
        No row or condition, one twice, an empty name, a condition of a row that is no column, or trials below 1.
    """
    made = tuple(Row(each) if isinstance(each, str) else each for each in rows)
    _names("rows", [row.name for row in made])
    _names("conditions", list(conditions))
    cells = []
    for row in made:
        if not 1 <= row.trials <= MOST_NEEDED:
            raise ProvingError(
                tr(
                    "trials of {name}: {trials} found; allowed: 1 to {most_needed}",
                    name=row.name,
                    trials=row.trials,
                    most_needed=MOST_NEEDED,
                )
            )
        wanted = tuple(conditions) if row.conditions is None else row.conditions
        _names(tr("conditions of {name}", name=row.name), list(wanted))
        for condition in wanted:
            if condition not in conditions:
                raise ProvingError(
                    tr(
                        "conditions of {name}: {condition!r} found; allowed: {conditions}",
                        name=row.name,
                        condition=condition,
                        conditions=", ".join(conditions),
                    )
                )
        cells += [Cell(row.name, condition, row.trials) for condition in conditions if condition in wanted]
    return Grid(made, tuple(conditions), tuple(cells))


def _names(what: str, names: list[str]) -> None:
    if not names:
        raise ProvingError(tr("{field}: none found; allowed: at least one", field=what))
    for name in names:
        if not name.strip():
            raise ProvingError(tr("{field}: an empty name found; allowed: a name", field=what))
        if names.count(name) > 1:
            raise ProvingError(tr("{field}: {name!r} found twice; allowed: each once", field=what, name=name))


def _with(grid: Grid, cell: Cell) -> Grid:
    cells = tuple(cell if (c.row, c.condition) == (cell.row, cell.condition) else c for c in grid.cells)
    return replace(grid, cells=cells)


def tried(grid: Grid, row: str, condition: str, *, good: int = 0, bad: int = 0) -> Grid:
    """`good` and `bad` trials more in a cell. What was said of it in place of trials no longer holds.

    ProvingError for a cell there is not, or no trial.
    """
    if good < 0 or bad < 0 or good + bad == 0:
        raise ProvingError(
            tr("trials: {good} good and {bad} bad found; allowed: one or more, none below 0", good=good, bad=bad)
        )
    cell = grid.cell(row, condition)
    more = Counts(bad, good + bad)
    series = cell.series
    if series and not series[-1].ended:
        series = (*series[:-1], replace(series[-1], counts=series[-1].counts + more))
    else:
        series = (*series, Series(more, cell.needed))
    return _with(grid, replace(cell, series=series, said=None, why="", again=""))


def say(grid: Grid, row: str, condition: str, said: Said, why: str = "") -> Grid:
    """Say of a cell that it was not tested, is not present, or does not apply. Its trials stay in the grid.

    ProvingError where not tested has no reason, or trials of the present series say otherwise.
    """
    if said not in SAID:
        raise ProvingError(
            tr(
                "status: {said!r} found; allowed: {allowed}; pass and fail come from trials",
                said=said,
                allowed=", ".join(SAID),
            )
        )
    if said == "not tested" and not why.strip():
        raise ProvingError(
            tr(
                "why: nothing found for {row}, {condition}; allowed: the reason it was not tested",
                row=row,
                condition=condition,
            )
        )
    cell = grid.cell(row, condition)
    if cell.counts.tries:
        raise ProvingError(
            tr(
                "status: {said!r} found for {name} with {counts}; allowed: what the trials say",
                said=said,
                name=cell.name,
                counts=cell.counts,
            )
        )
    return _with(grid, replace(cell, said=said, why=why))


def want(grid: Grid, row: str, condition: str, trials: int) -> Grid:
    """Ask another number of trials of one cell, as for the condition in which the fault showed. ProvingError below 1.

    A series that has begun loses its plan: its count may then be read only as one stopped at any time.
    """
    if not 1 <= trials <= MOST_NEEDED:
        raise ProvingError(
            tr("trials: {trials} found; allowed: 1 to {most_needed}", trials=trials, most_needed=MOST_NEEDED)
        )
    cell = grid.cell(row, condition)
    kept = trials == cell.needed
    series = tuple(each if each.ended or kept else replace(each, planned=None) for each in cell.series)
    return _with(grid, replace(cell, needed=trials, series=series))


def repaired(grid: Grid, rows: Iterable[str] | None = None) -> Grid:
    """After another repair: the cells that it concerns (all by default) are open again, what they showed is kept."""
    return _ended(grid, set(rows) if rows is not None else {row.name for row in grid.rows}, "repair")


def refitted(grid: Grid) -> Grid:
    """After refit: rows that it can disturb are open again in every condition they were tried in."""
    return _ended(grid, {row.name for row in grid.rows if row.refit_disturbs}, "refit")


def _ended(grid: Grid, rows: set[str], by: Literal["repair", "refit"]) -> Grid:
    for name in rows - {row.name for row in grid.rows}:
        raise ProvingError(
            tr("row: {name!r} found; allowed: {rows}", name=name, rows=", ".join(each.name for each in grid.rows))
        )
    cells = []
    for cell in grid.cells:
        if cell.row in rows and cell.counts.tries:
            series = (*cell.series[:-1], replace(cell.series[-1], ended=by))
            cell = replace(cell, series=series, again=by)
        cells.append(cell)
    return replace(grid, cells=tuple(cells))


@dataclass(frozen=True, slots=True)
class Finding:
    """What one cell ends in: its `claim` where there were trials, and the line for the report."""

    row: str
    condition: str
    status: Status
    claim: Claim | None
    text: str


@dataclass(frozen=True, slots=True)
class Statement:
    """What the grid may say at this moment. `proven`: every cell passes, or is not present or not applicable."""

    findings: tuple[Finding, ...]
    confidence: float

    def lines(self, *statuses: Status) -> tuple[str, ...]:
        """The lines of the findings with these statuses."""
        return tuple(each.text for each in self.findings if each.status in statuses)

    @property
    def passed(self) -> tuple[str, ...]:
        """What was shown, each with its claim."""
        return self.lines("pass")

    @property
    def failed(self) -> tuple[str, ...]:
        """What fails."""
        return self.lines("fail")

    @property
    def not_tested(self) -> tuple[str, ...]:
        """What was not tested, word for word, and what is still open; both go to the report."""
        return self.lines("not tested", "open")

    @property
    def absent(self) -> tuple[str, ...]:
        """What is not present or does not apply."""
        return self.lines("not present", "not applicable")

    @property
    def proven(self) -> bool:
        """Whether nothing failed and nothing is missing."""
        return not self.failed and not self.not_tested

    @property
    def text(self) -> str:
        """One sentence over all."""
        words: dict[Status, str] = {
            "pass": tr("passed"), "fail": tr("failed"), "not tested": tr("not tested"), "open": tr("still open"),
            "not present": tr("not present"), "not applicable": tr("not applicable"),
        }  # fmt: skip
        counts = {status: sum(each.status == status for each in self.findings) for status in words}
        said = ", ".join(f"{counts[status]} {word}" for status, word in words.items() if counts[status])
        return tr("of {n}: {said}", n=len(self.findings), said=said)


def statement(grid: Grid, confidence: float = 0.95) -> Statement:
    """What may honestly be said of a grid at this moment, cell by cell; a confidence of 0.5 to 0.9999 for each cell."""
    confident(confidence)
    return Statement(tuple(_finding(cell, confidence) for cell in grid.cells), confidence)


def _finding(cell: Cell, confidence: float) -> Finding:
    if cell.said is not None:
        why = f": {cell.why}" if cell.why else ""
        return Finding(cell.row, cell.condition, cell.said, None, f"{cell.name}: {tr(cell.said)}{why}")
    if not cell.counts.tries:
        text = tr("not tested: nothing recorded")
        if cell.again:
            after = tr("the repair") if cell.again == "repair" else tr("refit")
            text = tr(
                "to be proven again after {after}; before it {counts}", after=after, counts=cell.series[-1].counts
            )
        return Finding(cell.row, cell.condition, "open", None, f"{cell.name}: {text}")
    made = claim(cell.series, confidence, (cell.condition,))
    text = f"{spoken(cell.row)}: {made.text}"
    if cell.status == "fail":
        text = tr("{name}: fails, {counts}", name=cell.name, counts=made.counts)
    elif cell.status == "open":
        missing = cell.needed - made.counts.tries
        text = tr(
            "{name}: {good} good of {needed} wanted; {missing} missing",
            name=cell.name,
            good=made.counts.good,
            needed=cell.needed,
            missing=missing,
        )
    return Finding(cell.row, cell.condition, cell.status, made, text)
