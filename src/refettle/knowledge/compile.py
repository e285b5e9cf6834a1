"""From a unit type to a fault model: effects followed through the graph, once.

Ids: a failure mode is `block.mode`, a check `block.check` (or a point's id, or a check of the type),
a repair `block.repair` (or a repair of the type). What the owner says of a point is the check
`owner:point`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from refettle import faults
from refettle.faults import graph
from refettle.knowledge.errors import KnowledgeError, Mistake
from refettle.knowledge.loading import LoadedType
from refettle.knowledge.resolving import ResolvedBlock
from refettle.knowledge.schema import ACCESS_LEVELS, SIGNS, Check, FailureMode, Repair, miss_rates
from refettle.language import mark, phrase, tr

OTHER = "other.unknown"
OTHER_PRIOR = 0.04
"""Of 100 faulty units, those whose cause no block kind names (estimate)."""
OTHER_SHOWS = 0.6
"""Chance that such a cause shows at a given look at an output (estimate)."""
MOST_PRIOR = 0.4
"""A learned weight makes no mode likelier than this beforehand: the enumeration needs less than one half."""
OWNER = "owner:"
LOOK = phrase("Look: {name}")
OWNERS_WORD = phrase("Owner's word: {name}")
DORMANT_NAME = phrase("{name}, not acting up just now")
HARM = phrase("{name} (about {chance} in 100)")
NOT_MODELLED = mark("Not modelled")
OTHER_NAME = mark("something not modelled")
DIG = mark("Look further than this file goes")
DIG_HOW = mark(
    "Nothing modelled explains it. Compare with a good unit point by point, ask others who know the type, and add what "
    "you find to the unit type's file."
)
DORMANT = "~"
"""Ends the id of the dormant part of an intermittent failure mode."""
FIRST_POWER = "first-power"
DATA_SAVED = "data-saved"
LIVE = ("mains", "charged-capacitor")
MEET_MAINS = ("mains-input", "ac-adapter", "unit-lead", "bench-adapter")

_GEAR = (
    faults.GearItem("eye", 0.005, 0.005, per_check=True),
    faults.GearItem("ear", 0.005, 0.005, per_check=True),
    faults.GearItem("test-media", 0.01, 0.03, per_check=True),
    faults.GearItem("known-good", 0.005, 0.03, per_check=True),
    faults.GearItem("meter"),
    faults.GearItem("esr-meter"),
    faults.GearItem("scope"),
    faults.GearItem("logic-probe"),
    faults.GearItem("thermometer"),
    faults.GearItem("owner", 0.05, 0.05),
)
"""Chances of being stuck are estimates; a self-check on the day brings them down."""


@dataclass(frozen=True)
class StepInfo:
    """What a person needs to carry out a check or repair, beside the figures of the model."""

    id: str
    kind: str
    name: str
    how: str
    block: str
    minutes: float
    access: str
    cautions: tuple[str, ...]
    gear: str = "eye"
    powered: bool = False
    condition: str = "cold"
    outcomes: tuple[str, ...] = ()
    good: str = "good"
    is_point: bool = False
    needs_running: bool = False
    lifeless: tuple[str, ...] | None = None
    """For a point that shows whether the unit runs at all: the outcomes that say it does not."""
    swap: bool = False
    looks_at: tuple[str, ...] = ()
    fixes: Mapping[str, float] = field(default_factory=dict)
    parts: tuple[tuple[str, int, float], ...] = ()
    undo: bool = True
    proof: str | None = None
    harm: str | None = None
    source: str | None = None
    reads: str | None = None
    """What a file can tell that decides this check, see `schema.Reads`."""


@dataclass(frozen=True, eq=False)
class CompiledType:
    """A unit type with its fault model and the texts of its steps. Equal only to itself."""

    loaded: LoadedType
    model: faults.Model
    steps: Mapping[str, StepInfo]
    block_of_mode: Mapping[str, str]

    def hypotheses(self) -> faults.Hypotheses:
        """The enumerated sets of failure modes; worked out once for each model."""
        return _hypotheses(self)

    def block_name(self, block: str) -> str:
        """A block's name for people."""
        return self.loaded.blocks[block].name if block in self.loaded.blocks else NOT_MODELLED


@lru_cache(maxsize=16)
def _hypotheses(compiled: CompiledType) -> faults.Hypotheses:
    return faults.enumerate_sets(compiled.model)


class _Shows(NamedTuple):
    """Level chances for one look, and for counts over several runs where they differ."""

    look: faults.Array
    trials: faults.Array | None


class _Compiler:
    def __init__(self, loaded: LoadedType, rate: float) -> None:
        self.loaded, self.unit, self.rate = loaded, loaded.unit_type, rate
        self.blocks = loaded.blocks
        self.nodes = [graph.Node(b.id, b.needs, b.passes) for b in self.blocks.values()]
        self.mode_ids: list[str] = []
        self.mode_data: list[tuple[ResolvedBlock, FailureMode]] = []
        for block in self.blocks.values():
            for key, mode in block.modes.items():
                self.mode_ids.append(f"{block.id}.{key}")
                self.mode_data.append((block, mode))
        # An intermittent mode comes in two parts: acting in this run, or dormant.
        self.split = [m for m, (_, mode) in enumerate(self.mode_data) if 0.0 < self._rate(mode, "cold") < 1.0]
        self.count = len(self.mode_ids) + len(self.split) + 1
        self._reach: dict[tuple[int, frozenset[str]], Mapping[str, frozenset[str]]] = {}
        self.checks: list[faults.Check] = []
        self.repairs: list[faults.Repair] = []
        self.steps: dict[str, StepInfo] = {}

    # -------------------------------------------------------- modes

    def modes(self) -> tuple[faults.Mode, ...]:
        out: list[faults.Mode] = []
        dormant: list[faults.Mode] = []
        for mode_id, (block, mode) in zip(self.mode_ids, self.mode_data, strict=True):
            prior = block.weight / 100.0 * mode.share / sum(m.share for m in block.modes.values())
            if prior >= 0.5:
                raise KnowledgeError(
                    [
                        Mistake(
                            self.loaded.file,
                            0,
                            f"blocks.{block.id}.weight",
                            tr(
                                "{weight:g}, which makes {mode} present in {share:.0f} of 100 units",
                                weight=block.weight,
                                mode=mode_id,
                                share=100 * prior,
                            ),
                            tr("weights that keep every mode below 50 of 100"),
                        )
                    ]
                )
            rate = self._rate(mode, "cold")
            acting = prior * rate if 0.0 < rate < 1.0 else prior
            out.append(faults.Mode(mode_id, _title(mode.name), block.id, acting, block.bench_gear))
            if acting < prior:
                name = DORMANT_NAME.format(name=_title(mode.name))
                dormant.append(
                    faults.Mode(mode_id + DORMANT, name, block.id, prior - acting, block.bench_gear, dormant_of=mode_id)
                )
        out += dormant
        out.append(faults.Mode(OTHER, OTHER_NAME, "other", OTHER_PRIOR, other=True))
        return tuple(out)

    def _signs(self, mode: int, sees: Iterable[str], without: frozenset[str]) -> frozenset[str]:
        key = (mode, without)
        if key not in self._reach:
            block, data = self.mode_data[mode]
            self._reach[key] = graph.reach(self.nodes, block.id, data.effect, without)
        found = self._reach[key]
        return frozenset().union(*(found.get(block, frozenset()) for block in sees))

    def _rate(self, mode: FailureMode, condition: str) -> float:
        if not isinstance(mode.active, dict):
            return float(mode.active)
        return float(mode.active.get(condition, mode.active.get("cold", 1.0)))  # type: ignore[call-overload]

    # -------------------------------------------------------- checks

    def _shows_signs(
        self,
        outcomes: Sequence[Sequence[str]],
        sees: Iterable[str],
        without: frozenset[str],
        condition: str,
        bench: bool = True,
        other: float = OTHER_SHOWS,
    ) -> _Shows:
        """Level chances from signs; `outcomes` worst first."""
        k = len(outcomes) + 1
        rates = np.zeros((len(self.mode_ids), k))
        rates[:, 0] = 1.0
        sees = list(sees)
        for m, (block, mode) in enumerate(self.mode_data):
            if block.bench_gear and not bench:
                continue
            signs = self._signs(m, sees, without)
            for place, wanted in enumerate(outcomes):
                if signs & set(wanted):
                    rate = self._rate(mode, condition)
                    rates[m, k - 1 - place] = rate
                    rates[m, 0] = 1.0 - rate
                    break
        return self._parts(rates, condition == "cold", other)

    def _parts(self, rates: faults.Array, same_run: bool, other: float) -> _Shows:
        """Rows for acting and dormant parts and the unmodelled cause, for one look and for trials.

        `same_run`: one look sees the parts of this run; else (warmed up, tapped) each look is a draw of its own.
        """
        k = rates.shape[1]
        unknown = np.full((1, k), other / (k - 1))
        unknown[0, 0] = 1.0 - other
        per_trial = np.vstack([rates, rates[self.split], unknown])
        if not (same_run and self.split):
            return _Shows(per_trial, None)
        look = per_trial.copy()
        for n, m in enumerate(self.split):
            if rates[m, 0] < 1.0:
                look[m] = rates[m]
                look[m, 0] = 0.0
                look[m] /= look[m].sum()
                look[len(self.mode_ids) + n] = np.eye(k)[0]
        return _Shows(look, per_trial)

    def _shows_modes(self, check: Check, prefix: str) -> _Shows:
        outcomes = list(check.outcomes.values())
        k = len(outcomes) + 1
        shows = np.zeros((len(self.mode_ids), k))
        shows[:, 0] = 1.0
        for place, causes in enumerate(outcomes):
            for cause in causes:
                m = self.mode_ids.index(prefix + cause)
                # What is looked at without power is there to be seen whether it acts up or not.
                rate = self._rate(self.mode_data[m][1], check.condition) if check.powered else 1.0
                if shows[m, 0] == 1.0:
                    shows[m, 0] = 1.0 - rate
                    shows[m, k - 1 - place] = rate
        return self._parts(shows, check.powered and check.condition == "cold", 0.0)

    def _cautions(self, step: Check | Repair, block: ResolvedBlock | None) -> list[str]:
        """Cautions of a step here: its own, its block's, and the unit's wherever the lid is off or power is on.

        Kinds name the mains cautions on every step under the lid, because they may sit in mains gear; they
        are dropped where an adapter or cells feed the unit, except at the blocks that meet the mains.
        """
        inside = step.access != "closed"
        whole = self.unit.cautions if inside or (isinstance(step, Check) and step.powered) else []
        found = _unique([*step.cautions, *(block.cautions if block else ()), *whole])
        if self.unit.power_on.feed == "mains" or not inside or (block is not None and block.kind in MEET_MAINS):
            return found
        return [c for c in found if c not in LIVE or c in self.unit.cautions]

    def _gates(self, powered: bool, cautions: Iterable[str]) -> tuple[str, ...]:
        gates = [FIRST_POWER] if powered else []
        gates += [f"caution:{c}" for c in cautions if self.loaded.library.cautions[c].gate]
        return tuple(gates)

    def _add_check(
        self,
        check_id: str,
        check: Check,
        block: str,
        shows: _Shows,
        outcomes: list[str],
        cautions: list[str],
    ) -> None:
        ids = ("good", *reversed(outcomes))
        misses = miss_rates(check.miss, outcomes)[::-1]
        error = faults.error_matrix(len(ids), check.false_alarm, misses, check.mix)
        self.checks.append(
            faults.Check(
                id=check_id,
                name=_title(check.name),
                outcomes=ids,
                shows=shows.look,
                trial_shows=shows.trials,
                error=error,
                minutes=check.minutes,
                extra=check.harm,
                level=ACCESS_LEVELS.index(check.access),
                gear=check.gear,
                gates=self._gates(check.powered, cautions),
                block=block,
            )
        )
        self.steps[check_id] = StepInfo(
            id=check_id,
            kind="check",
            name=_title(check.name),
            how=check.how,
            block=block,
            minutes=check.minutes,
            access=check.access,
            cautions=tuple(cautions),
            gear=check.gear,
            powered=check.powered,
            condition=check.condition,
            outcomes=tuple(outcomes),
            good=check.good,
            swap=check.swap,
            needs_running=check.needs_running,
            looks_at=tuple(check.looks_at),
            source=check.source,
            reads=check.reads,
        )

    def block_checks(self, block: ResolvedBlock) -> None:
        for key, check in block.checks.items():
            check_id = f"{block.id}.{key}"
            cautions = self._cautions(check, block)
            if check.looks_at:
                shows = self._shows_modes(check, f"{block.id}.")
                self._add_check(check_id, check, block.id, shows, list(check.outcomes), cautions)
                continue
            if check.swap:
                sees = self._downstream_outputs(block.id)
                shows = self._shows_signs([list(SIGNS)], sees, frozenset({block.id}), check.condition, other=0.95)
                self._add_check(check_id, check, block.id, shows, [faults.NO_CHANGE], cautions)
                continue
            self._seeing(check_id, check, block.id, cautions)

    def _seeing(self, check_id: str, check: Check, block: str, cautions: list[str]) -> None:
        named = [check.sees] if isinstance(check.sees, str) else list(check.sees or [])
        sees = [block if each == "output" else each for each in named]
        signs = list(check.outcomes.values())
        shows = self._shows_signs(signs, sees, frozenset(check.without), check.condition)
        self._add_check(check_id, check, block, shows, list(check.outcomes), cautions)

    def _downstream_outputs(self, block: str) -> list[str]:
        sees: list[str] = []
        for point in self.unit.points.values():
            watched = [point.sees] if isinstance(point.sees, str) else list(point.sees)
            if self._upstream(watched) & {block}:
                sees += [w for w in watched if w not in sees]
        return sees

    def _upstream(self, start: Iterable[str]) -> set[str]:
        seen: set[str] = set()
        todo = list(start)
        while todo:
            here = todo.pop()
            if here not in seen:
                seen.add(here)
                todo += list(self.blocks[here].needs)
        return seen

    def points(self) -> None:
        for key, point in self.unit.points.items():
            kind = self.loaded.library.points[point.shows]
            sees = [point.sees] if isinstance(point.sees, str) else list(point.sees)
            signs = [list(s) for s in kind.outcomes.values()]
            outcomes = list(kind.outcomes)
            cautions = _unique([*point.cautions, *self.unit.cautions])
            shows = self._shows_signs(signs, sees, frozenset(), point.condition)
            gates = self._gates(True, cautions)
            if point.shows == "save" and self.unit.must_save:
                gates += (DATA_SAVED,)  # the trial itself may cost what is kept
            self.checks.append(
                faults.Check(
                    id=key,
                    name=point.name,
                    outcomes=("good", *reversed(outcomes)),
                    shows=shows.look,
                    trial_shows=shows.trials,
                    error=faults.error_matrix(
                        len(outcomes) + 1, kind.false_alarm, miss_rates(kind.miss, outcomes)[::-1], kind.mix
                    ),
                    minutes=point.minutes or kind.minutes,
                    gear=kind.gear,
                    gates=gates,
                    block=sees[0],
                )
            )
            self.steps[key] = StepInfo(
                id=key,
                kind="check",
                name=LOOK.format(name=point.name),
                how=point.how or kind.how,
                block=sees[0],
                minutes=point.minutes or kind.minutes,
                access="closed",
                cautions=tuple(cautions),
                gear=kind.gear,
                powered=True,
                condition=point.condition,
                outcomes=tuple(outcomes),
                good=kind.good,
                is_point=True,
                needs_running=kind.needs_running,
                reads=kind.reads,
                lifeless=tuple(o for o, s in kind.outcomes.items() if set(s) <= {"dead", "restart"})
                if kind.shows_life
                else None,
            )
            told = self._shows_signs(signs, sees, frozenset(), point.condition, bench=False)
            self.checks.append(
                faults.Check(
                    id=OWNER + key,
                    name=OWNERS_WORD.format(name=point.name),
                    outcomes=("good", *reversed(outcomes)),
                    shows=told.look,
                    error=faults.error_matrix(len(outcomes) + 1, 0.1, 0.15, 0.2),
                    minutes=1.0,
                    gear="owner",
                    block=sees[0],
                )
            )

    # -------------------------------------------------------- repairs

    def _add_repair(self, repair_id: str, repair: Repair, block: str, prefix: str, cautions: list[str]) -> None:
        causes = None
        gates = self._gates(False, cautions)
        if self.unit.must_save and block in self.blocks and self.blocks[block].kind == "battery":
            gates += (DATA_SAVED,)
        if repair.harm and repair.harm.causes:
            kind, _, mode = repair.harm.causes.rpartition("/")
            homes = [b for b in self.blocks.values() if b.kind == kind] if kind else []
            named = [f"{b.id}.{mode}" for b in homes] if kind else [prefix + mode]
            causes = next((n for n in named if n in self.mode_ids), None)
        fixes = {prefix + mode: chance for mode, chance in repair.fixes.items()}
        split = {self.mode_ids[m] for m in self.split}
        both = fixes | {mode + DORMANT: chance for mode, chance in fixes.items() if mode in split}
        harm = repair.harm
        self.repairs.append(
            faults.Repair(
                id=repair_id,
                name=_title(repair.name),
                fixes=both,
                minutes=repair.minutes,
                parts=sum(p.count * p.price for p in repair.parts),
                level=ACCESS_LEVELS.index(repair.access),
                undo=repair.undo,
                harm=harm.chance if harm else 0.0,
                harm_minutes=harm.minutes if harm else 0.0,
                causes=causes,
                gates=gates,
                block=block,
            )
        )
        self.steps[repair_id] = StepInfo(
            id=repair_id,
            kind="repair",
            name=_title(repair.name),
            how=repair.how,
            block=block,
            minutes=repair.minutes,
            access=repair.access,
            cautions=tuple(cautions),
            fixes=fixes,
            parts=tuple((p.part, p.count, p.price) for p in repair.parts),
            undo=repair.undo,
            proof=repair.proof,
            harm=HARM.format(name=harm.what, chance=f"{100 * harm.chance:.0f}") if harm else None,
            source=repair.source,
        )

    def all_repairs(self) -> None:
        for block in self.blocks.values():
            for key, repair in block.repairs.items():
                cautions = self._cautions(repair, block)
                self._add_repair(f"{block.id}.{key}", repair, block.id, f"{block.id}.", cautions)
        for key, repair in self.unit.repairs.items():
            self._add_repair(key, repair, "", "", self._cautions(repair, None))
        dig = Repair(
            name=DIG,
            fixes={OTHER: 0.4},
            minutes=150,
            access="board",
            cautions=["static"] if "static" in self.loaded.library.cautions else [],
            how=DIG_HOW,
        )
        self._add_repair("other.search", dig, "other", "", self._cautions(dig, None))

    # -------------------------------------------------------- the whole

    def run(self) -> CompiledType:
        modes = self.modes()
        self.points()
        for block in self.blocks.values():
            self.block_checks(block)
        for key, check in self.unit.checks.items():
            cautions = self._cautions(check, None)
            if check.looks_at:
                self._add_check(key, check, "", self._shows_modes(check, ""), list(check.outcomes), cautions)
            else:
                self._seeing(key, check, "", cautions)
        self.all_repairs()
        value = self.unit.value
        lost = max(value.working - max(value.as_is, value.parts), 1.0)
        model = faults.Model(
            modes=modes,
            checks=tuple(self.checks),
            repairs=tuple(self.repairs),
            gear=_GEAR,
            setup=(float(self.unit.access.get("open", 10)), float(self.unit.access.get("board", 15))),
            retest=self.unit.retest,
            give_up=lost * 60.0 / self.rate,
            rate=self.rate,
        )
        block_of_mode = {m.id: m.block for m in modes}
        return CompiledType(self.loaded, model, self.steps, block_of_mode)


def _title(name: str) -> str:
    return name[:1].upper() + name[1:]


def _unique(items: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(items))


@lru_cache(maxsize=128)
def _compiled(sha256: str, rate: float, holder: _Holder) -> CompiledType:
    return _Compiler(holder.loaded, rate).run()


@dataclass(frozen=True)
class _Holder:
    """Lets the cache go by the file's hash rather than by the loaded object."""

    sha256: str
    loaded: LoadedType = field(compare=False, hash=False)


def compile_type(loaded: LoadedType, rate: float = 30.0) -> CompiledType:
    """The fault model of a unit type.

    Parameters
    ----------
    loaded : LoadedType
    rate : float
        Bench rate [currency per hour], which turns parts and value into minutes.

    Raises
    ------
    KnowledgeError
        If the weights make a mode present in half of all faulty units or more.
    """
    return _compiled(loaded.sha256, rate, _Holder(loaded.sha256, loaded))


Factors = tuple[tuple[str, float], ...]
"""Block and what its weight is to be multiplied by, sorted by block."""


@lru_cache(maxsize=1024)
def weighted(compiled: CompiledType, factors: Factors) -> CompiledType:
    """The same type with the weights of some blocks multiplied, as experience has it; see `book.experience`.

    Raises
    ------
    ValueError
        A block that the type does not have.
    """
    if not factors:
        return compiled
    by_block = dict(factors)
    unknown = sorted(set(by_block) - set(compiled.loaded.blocks))
    if unknown:
        allowed = ", ".join(compiled.loaded.blocks)
        raise ValueError(f"factors: '{unknown[0]}' found; allowed: a block of this unit type: {allowed}")
    modes = tuple(replace(m, prior=_times(m.prior, by_block.get(m.block, 1.0))) for m in compiled.model.modes)
    return replace(compiled, model=replace(compiled.model, modes=modes))


def _times(prior: float, factor: float) -> float:
    return max(prior, MOST_PRIOR) if prior * factor > MOST_PRIOR else prior * factor
