"""One cell of the proving grid in full: what it needs and why, what may be claimed, what its series showed. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from refettle.book.log import LogError
from refettle.book.proving import NONE, Key, Proving
from refettle.book.soaks import RunningSoak
from refettle.knowledge.schema import Acceptance
from refettle.language import manner, several, tr
from refettle.proving.compare import MOST_EACH, Comparison, compare
from refettle.proving.counts import Counts, ProvingError, percent
from refettle.proving.plan import Cell, Finding
from refettle.proving.sequential import Decision, SequentialTest, boundaries, characteristics, follow, sequential_test
from refettle.proving.trials import Need, chance_of_run, needed

AS_GOOD_AS_CURED = 0.1
"""Of the rate to be ruled out: the rate that the sequential test takes for cured. Chosen, no source."""
TRAP_TRIALS = 3
"""How often the wanted count would be started again, in the sentence on the restart trap."""


@dataclass(frozen=True)
class Place:
    """A cell with its place on the page: `3-2` is the second condition of the third line."""

    at: str
    cell: Cell
    finding: Finding
    tags: tuple[str, ...] = ()

    @property
    def key(self) -> Key:
        """Row and condition."""
        return self.cell.row, self.cell.condition


@dataclass(frozen=True)
class PlaceRow:
    """One line of the acceptance list with its cells."""

    name: str
    places: tuple[Place, ...]


@dataclass(frozen=True)
class Sequential:
    """The sequential test of a cell: its lines, what it says now, and how it errs."""

    test: SequentialTest
    decision: Decision
    rates: str
    lines: str
    errs: str


@dataclass(frozen=True)
class Sheet:
    """One cell in full. `missing` good trials are wanting; `fault` is what was counted of it before the repair."""

    place: Place
    line: Acceptance
    missing: int
    fault: Counts
    need: Need | None
    asked_by_hand: str
    series: tuple[str, ...]
    against_before: Comparison | None
    sequential: Sequential | None
    trap: str
    soak: RunningSoak | None


def rows(made: Proving) -> tuple[PlaceRow, ...]:
    """The grid as the page shows it."""
    found: dict[str, list[tuple[Cell, Finding]]] = {}
    for cell, finding in zip(made.grid.cells, made.statement.findings, strict=True):
        found.setdefault(cell.row, []).append((cell, finding))
    return tuple(
        PlaceRow(
            name,
            tuple(
                Place(f"{r}-{c}", cell, finding, _tags(made, cell)) for c, (cell, finding) in enumerate(cells, start=1)
            ),
        )
        for r, (name, cells) in enumerate(found.items(), start=1)
    )


def _tags(made: Proving, cell: Cell) -> tuple[str, ...]:
    key = cell.row, cell.condition
    tags = [tr("soak runs")] if key in made.running else []
    if cell.again:
        tags.append(tr("again after {again}", again=cell.again))
    if made.before.get(key, NONE).bad:
        tags.append(tr("before: {before}", before=made.before[key]))
    return tuple(tags)


def place_at(made: Proving, at: str) -> Place:
    """The cell at a place; without one the first that fails or is open, else the first. Raises LogError."""
    every = [place for row in rows(made) for place in row.places]
    if not at:
        order = ("fail", "open")
        return next((p for status in order for p in every if p.cell.status == status), every[0])
    found = next((place for place in every if place.at == at), None)
    if found is None:
        raise LogError(
            tr("at: '{found}' found; allowed: {first} to {last}", found=at[:20], first=every[0].at, last=every[-1].at),
            field="at",
        )
    return found


def neighbours(made: Proving, at: str) -> tuple[Place | None, Place | None, Place | None]:
    """The cells before and after this one, and the next one that is open, going round."""
    every = [place for row in rows(made) for place in row.places]
    here = next(n for n, place in enumerate(every) if place.at == at)
    round_again = [*every[here + 1 :], *every[:here]]
    return (
        every[here - 1] if here else None,
        every[here + 1] if here + 1 < len(every) else None,
        next((place for place in round_again if place.cell.status == "open"), None),
    )


def sheet(made: Proving, place: Place) -> Sheet:
    """One cell in full."""
    key, cell = place.key, place.cell
    line = made.lines[cell.row]
    fault = made.counted_before(key)
    need = made.needs.get(key)
    if need is None and fault.bad and not made.repairs:
        need = needed(fault)
    counts = cell.counts if made.repairs else NONE
    series = tuple(
        f"{each.counts}, " + (tr("ended by {ended}", ended=each.ended) if each.ended else tr("the present one"))
        for each in cell.series
    )
    against = None
    if made.repairs and fault.bad and counts.tries and max(fault.tries, counts.tries) <= MOST_EACH:
        against = compare(counts, fault)
    return Sheet(
        place,
        line,
        max(0, cell.needed - cell.counts.tries),
        fault,
        need,
        made.why.get(key, ""),
        series,
        against,
        _sequential(need, made.order.get(key, ())) if need is not None and made.repairs else None,
        _trap(cell, need),
        made.running.get(key),
    )


@lru_cache(maxsize=64)
def _planned(bad_rate: float, language: str) -> tuple[SequentialTest, str] | None:
    try:
        test = sequential_test(max(1e-4, AS_GOOD_AS_CURED * bad_rate), bad_rate)
    except ProvingError:
        return None
    cured, not_cured = characteristics(test, test.good_rate), characteristics(test, test.bad_rate)
    errs = tr(
        "at {good_rate} it fails {fails} of units, {trials:.0f} trials on average; at {bad_rate} "
        "it passes {passes}, {trials_bad:.0f} on average",
        good_rate=percent(test.good_rate),
        fails=percent(cured.fails),
        trials=cured.trials,
        bad_rate=percent(test.bad_rate),
        passes=percent(not_cured.passes),
        trials_bad=not_cured.trials,
    )
    return test, errs


def _sequential(need: Need, order: tuple[bool, ...]) -> Sequential | None:
    planned = _planned(need.rate, manner())
    if planned is None:
        return None
    test, errs = planned
    tries = max(1, len(order))
    passes, fails = boundaries(test, tries)
    at_most = tr("none passes yet") if passes is None else tr("pass with at most {passes} bad", passes=passes)
    lines = several(
        "after {n} trial: {at_most}, fail from {fails} bad.",
        "after {n} trials: {at_most}, fail from {fails} bad.",
        tries,
        at_most=at_most,
        fails=fails,
    ) + tr(
        " Lines: pass at bad \u2264 {slope:.4f} n \u2212 {pass_at:.2f}, fail at bad \u2265 {slope:.4f} n + "
        "{fail_at:.2f}",
        slope=test.slope,
        pass_at=test.pass_at,
        fail_at=test.fail_at,
    )
    rates = tr("{good_rate} against {bad_rate}", good_rate=percent(test.good_rate), bad_rate=percent(test.bad_rate))
    return Sequential(test, follow(test, order), rates, lines, errs)


def _trap(cell: Cell, need: Need | None) -> str:
    """The restart trap, where somebody could step into it: after a bad trial, or in a second series."""
    if not cell.counts.bad and len(cell.series) < 2:
        return ""
    text = tr("The count is not started again without a repair: every trial stays in it.")
    if need is None or need.trials > 2000:
        return text
    tries = TRAP_TRIALS * need.trials
    chance = chance_of_run(need.rate, need.trials, tries)
    return tr(
        "{text} A unit that fails in {rate} of trials shows {good} good in a row somewhere in {tries} trials with a "
        "chance of {chance}.",
        text=text,
        rate=percent(need.rate),
        good=need.trials,
        tries=tries,
        chance=percent(chance),
    )


def compare_cells(made: Proving, first: str, second: str) -> tuple[Place, Place, Comparison]:
    """Whether the first of two cells fails less than the second. Raises LogError."""
    one, two = place_at(made, first), place_at(made, second)
    if one.at == two.at:
        raise LogError(
            tr("second: the same cell twice found ({cell}); allowed: two cells", cell=one.cell.name), field="second"
        )
    try:
        return one, two, compare(one.cell.counts, two.cell.counts)
    except ProvingError as error:
        raise LogError(str(error), field="first") from None
