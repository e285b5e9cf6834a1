"""Advice: the ranked steps with what bars them, what they split, what they save, and why, in words.

Three states of a job:

- 'find': the unit is known not to work; the steps are ranked by expected minutes to a working unit;
- 'test': it may work now (just repaired, or faulty on the owner's word alone); outputs are looked at first;
- 'works': every look at an output says so, and either the chance that something is still wrong is small or no
  further look at one can tell; prove it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from refettle.faults.evidence import Misfit, NewRun
from refettle.faults.model import GOOD, Array, Bools, Check, Repair
from refettle.faults.planning import Options, Ranked, _support, rank
from refettle.faults.posterior import Suspicions
from refettle.language import mark, several, spoken, tr

EQUAL = 0.03
"""Steps closer than this are shown as equal: the plan's own error is of that size."""
WORKING = 0.95
"""Chance that nothing is wrong at which fault finding ends and proving begins."""
CHEAP = 10.0
"""A check of at most so many minutes is cheap beside a step that cannot be undone, or a dear one [min]."""
DEAR_PARTS, DEAR_MINUTES = 10.0, 25.0
"""A repair of such a price [currency], or so long [min], is dear: a telling cheap check goes first."""
BEYOND_DOUBT = 0.9
"""Suspicion of one block at which the steps that concern it go before equals."""
SAYS_SOMETHING = 0.02
"""Mean change of suspicion below which a short look is not worth going before a longer equal."""
TELLING = 0.1
"""Mean change of suspicion that makes a check worth making before a step that cannot be undone."""
GIVE_UP = mark("Give up: sell as it is or for parts")


@dataclass(frozen=True)
class Context:
    """What the job knows that the model does not.

    Attributes
    ----------
    options : Options
        Lookahead and gates; its `skip` should hold what is never offered (the owner's word).
    points : tuple of str
        Checks that look at the unit's outputs, most wanted first.
    seen_bad : bool
        True if an output was seen to fail since the last repair.
    wanted : collection of str
        Points not looked at since the last repair where the unit was said or seen to fail before it: they come first,
        and until they are looked at nobody says that it works.
    failing : collection of str
        Points where the unit was said or seen to fail since the last repair.
    proofs, consents : collections of str
        Repairs for which the proof, or the owner's consent, is recorded.
    needs_consent : bool
        True for a customer's unit.
    repaired : bool
        True once a repair was made.
    done_since : collection of str
        Checks made since the last repair.
    looked_in_run : collection of str
        Checks made in this run of the unit; to look again tells more after a restart.
    names : mapping
        Block id -> name for people.
    """

    options: Options = field(default_factory=Options)
    points: tuple[str, ...] = ()
    seen_bad: bool = False
    wanted: Collection[str] = ()
    failing: Collection[str] = ()
    proofs: Collection[str] = ()
    consents: Collection[str] = ()
    needs_consent: bool = False
    repaired: bool = False
    needs_proof: Collection[str] = ()
    done_since: Collection[str] = ()
    looked_in_run: Collection[str] = ()
    names: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class OutcomeView:
    """One outcome of a check: how likely, and which blocks are suspected most if it comes."""

    outcome: str
    chance: float
    suspects: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Bar:
    """One thing in the way of a step. `kind`: gate, suspicion, cheaper check, proof, consent."""

    kind: str
    what: str
    text: str


@dataclass(frozen=True)
class Step:
    """A step with figures, what bars it, and its reasons in words."""

    kind: str
    id: str
    name: str
    block: str
    expected: float
    minutes: float
    parts: float = 0.0
    undo: bool = True
    bars: tuple[Bar, ...] = ()
    equal: bool = False
    outcomes: tuple[OutcomeView, ...] = ()
    reasons: tuple[str, ...] = ()
    risks: tuple[str, ...] = ()

    @property
    def open(self) -> bool:
        """True if nothing bars it."""
        return not self.bars


@dataclass(frozen=True)
class Advice:
    """What to do next.

    Attributes
    ----------
    state : str
        'find', 'test' or 'works'.
    steps : tuple of Step
        Cheapest first; barred ones included. `do` is the step to take now, or None.
    gate : Bar or None
        If the best step is only behind a gate that can be passed now, that gate: pass it first.
    replace_all : float
        Minutes of replacing everything without looking, see `replace_all_minutes` [min].
    """

    state: str
    steps: tuple[Step, ...]
    do: Step | None
    gate: Bar | None
    expected: float
    replace_all: float
    nothing_wrong: float
    misfit: Misfit | None


def block_suspicion(suspicions: Suspicions) -> dict[str, float]:
    """Chance that at least one failure mode of each block is present."""
    blocks = [mode.block for mode in suspicions.model.modes]
    weights = suspicions.weights
    return {
        block: float(weights[suspicions.member[:, [b == block for b in blocks]].any(axis=1)].sum())
        for block in dict.fromkeys(blocks)
    }


def replace_all_minutes(suspicions: Suspicions) -> float:
    """Minutes of doing, for every block of the unit, its most thorough repair without looking first, one function
    test, and giving up if it still does not work; parts at the bench rate.

    The order most people fall back to when nothing tells them what to do.
    """
    model = suspicions.model
    best: dict[str, tuple[float, int]] = {}
    bench = {mode.block for mode in model.modes if mode.bench or mode.other}
    for r, repair in enumerate(model.repairs):
        cover = float(sum(repair.fixes.values()))
        if repair.block and repair.block not in bench and (repair.block not in best or cover > best[repair.block][0]):
            best[repair.block] = (cover, r)
    chosen = [r for _, r in best.values()]
    cost = float(sum(model.repair_cost[r] - model.retest for r in chosen)) + model.retest + sum(model.setup)
    left = (1.0 - model.success[chosen]).prod(axis=0)
    faulty = np.where(suspicions.member.any(axis=1), suspicions.weights, 0.0)
    rows, weights = _support(faulty, 4000)
    if not len(rows):
        return cost
    cured = weights @ np.where(suspicions.member[rows], 1.0 - left, 1.0).prod(axis=1) / weights.sum()
    return cost + (1.0 - float(cured)) * model.give_up


def advise(suspicions: Suspicions, context: Context | None = None, detail: int = 6) -> Advice:
    """The next step and the ones after it, with reasons.

    Parameters
    ----------
    suspicions : Suspicions
        After the log so far.
    context : Context
        Gates, consents, outputs; see there.
    detail : int
        How many of the first steps get their outcomes and reasons worked out.
    """
    return _Adviser(suspicions, context or Context(), detail).run()


class _Adviser:
    def __init__(self, suspicions: Suspicions, context: Context, detail: int) -> None:
        self.s, self.context, self.detail = suspicions, context, detail
        self.model = suspicions.model
        self.blocks = list(dict.fromkeys(mode.block for mode in self.model.modes))
        self.rows, self.weights = _support(suspicions.weights, 2500)
        self.weights = self.weights / self.weights.sum()
        self.member = suspicions.member[self.rows]
        self.suspicion = suspicions.suspicion()
        self._chances: dict[str, Array] = {}
        of_block = np.array([[mode.block == b for mode in self.model.modes] for b in self.blocks])
        self.block_member = (self.member.astype(np.float32) @ of_block.T.astype(np.float32)) > 0

    def name(self, block: str) -> str:
        return spoken(self.context.names.get(block, block))

    def chances(self, check: Check) -> Array:
        if check.id not in self._chances:
            self._chances[check.id] = self.s.outcome_chances(check, self.rows)
        return self._chances[check.id]

    # ------------------------------------------------------------ the whole

    def run(self) -> Advice:
        nothing = self.s.nothing_wrong()
        misfit = self.s.misfit()
        everything = replace_all_minutes(self.s)
        if not self.context.seen_bad and (self.context.wanted or nothing >= 1 - WORKING):
            tests = self._tests()
            if (nothing >= WORKING and not self.context.wanted) or not tests:
                return Advice("works", (), None, None, 0.0, everything, nothing, misfit)
            steps = self._steps(tests, everything, testing=True)
            return Advice("test", steps, *self._now(steps), 0.0, everything, nothing, misfit)
        ranked = rank(self.s, self.context.options)
        steps = self._steps(ranked, everything, testing=False)
        expected = steps[0].expected if steps else 0.0
        return Advice("find", steps, *self._now(steps), expected, everything, nothing, misfit)

    def _now(self, steps: tuple[Step, ...]) -> tuple[Step | None, Bar | None]:
        """The step to take now; and the gate to pass first, if it is only behind one.

        Steps within 3 % of the best are equal as far as the plan can tell. Of those, what concerns a block suspected
        beyond doubt goes first; else one that takes at most half as long and tells more per minute of what may be
        behind the failure: a two-minute look before a long job.
        """
        free = [s for s in steps if all(bar.kind == "gate" for bar in s.bars)]
        if not free:
            return None, None
        best = free[0]
        if best.equal:
            equals = [s for s in free if s.equal]
            best = next((s for s in equals if self._concerns(s)), None) or self._shorter(best, equals)
        return best, next(iter(best.bars), None)

    def _concerns(self, step: Step) -> bool:
        """True if a step looks at or treats the one block that is suspected beyond doubt."""
        chances = self.weights @ self._culprits
        top = int(chances.argmax())
        if chances[top] < BEYOND_DOUBT:
            return False
        if step.kind == "repair":
            repair = self.model.repairs[self.model.repair_index[step.id]]
            return any(self.model.modes[self.model.mode_index[m]].block == self.blocks[top] for m in repair.fixes)
        return step.block == self.blocks[top]

    def _shorter(self, best: Step, equals: list[Step]) -> Step:
        tell = {s.id: self._tells(s) / max(s.minutes, 1.0) for s in equals if s.minutes <= 0.5 * best.minutes}
        shorter = [s for s in equals if s.id in tell and tell[s.id] * max(s.minutes, 1.0) >= SAYS_SOMETHING]
        tell[best.id] = self._tells(best) / max(best.minutes, 1.0)
        return max([best, *shorter], key=lambda s: tell[s.id])

    def _tells(self, step: Step) -> float:
        """Mean change of the suspicion of the block that a step says most of, counting only modes that alone would
        give every failure seen: a fault beside the matter is no reason to look now."""
        if step.kind == "repair":
            repair = self.model.repairs[self.model.repair_index[step.id]]
            mask = [self.model.mode_index[m] for m in repair.fixes]
            chance = float(self.weights[(self.member & self._explaining)[:, mask].any(axis=1)].sum())
            return 2.0 * chance * (1.0 - chance)
        if step.kind != "check":
            return 0.0
        joint = self.chances(self.model.checks[self.model.check_index[step.id]]).T * self.weights
        before = self.weights @ self._culprits
        change = np.abs(joint @ self._culprits - joint.sum(axis=1)[:, None] * before).sum(axis=0)
        return float(change.max())

    @cached_property
    def _explaining(self) -> Bools:
        """(F,) modes that alone would give every failure seen."""
        able = np.ones(len(self.model.modes), dtype=bool)
        for point in self.context.failing:
            able &= self.model.checks[self.model.check_index[point]].shows[:, 0] < 1.0
        for i, mode in enumerate(self.model.modes):
            if mode.dormant_of is not None:
                able[i] = able[self.model.mode_index[mode.dormant_of]]
        return able

    @cached_property
    def _culprits(self) -> Array:
        """(n, blocks) whether a set holds such a mode of each block."""
        of_block = np.array([[mode.block == b for mode in self.model.modes] for b in self.blocks])
        held = (self.member & self._explaining).astype(float) @ of_block.T.astype(float)
        return np.asarray(np.minimum(held, 1.0))

    def _tests(self) -> list[Ranked]:
        """Looks at outputs that can still tell whether the unit works: those not yet made in this run first, and
        the most telling per minute."""
        works = ~self.member.any(axis=1)
        prior = float(self.weights[works].sum())
        found: list[tuple[bool, float, Ranked]] = []
        options = self.context.options
        fresh: Suspicions | None = None
        for point in self.context.points:
            check = self.model.checks[self.model.check_index[point]]
            if point in self.context.looked_in_run:
                if fresh is None:
                    fresh = self.s.copy()
                    fresh.add(NewRun())
                joint = fresh.outcome_chances(check, self.rows).T * fresh.weights[self.rows]
                joint /= joint.sum()
            else:
                joint = self.chances(check).T * self.weights
            total = joint.sum(axis=1)
            good = joint[:, works].sum(axis=1)
            change = float(np.abs(good - prior * total).sum())
            closed = [g for g in check.gates if g not in options.gates_open]
            minutes = check.minutes + sum(options.gate_minutes.get(g, 0.0) for g in closed)
            if change > 0.002 or point in self.context.wanted:
                again = point in self.context.looked_in_run
                found.append((again, -round(change / minutes, 9), Ranked("check", point, 0.0, minutes)))
        found.sort(key=lambda each: (each[2].id not in self.context.wanted, each[0], each[1], each[2].id))
        return [ranked for _, _, ranked in found]

    # ------------------------------------------------------------ one step

    def _steps(self, ranked: list[Ranked], everything: float, testing: bool) -> tuple[Step, ...]:
        best = ranked[0].expected if ranked else 0.0
        close = sum(r.expected <= best * (1 + EQUAL) and r.kind != "give up" for r in ranked) > 1
        out = [
            replace(
                self._step(r, testing),
                equal=not testing and close and r.kind != "give up" and r.expected <= best * (1 + EQUAL),
            )
            for r in ranked
        ]
        chosen, _ = self._now(tuple(out))
        wanted = set(range(min(self.detail, len(out)))) | {n for n, s in enumerate(out) if s is chosen or s.equal}
        for n in wanted:
            out[n] = self._explain(out[n], out, n, everything, testing)
        return tuple(out)

    def _step(self, ranked: Ranked, testing: bool) -> Step:
        if ranked.kind == "check":
            check = self.model.checks[self.model.check_index[ranked.id]]
            bars = tuple(self._gate_bars(check.gates))
            return Step(
                "check",
                check.id,
                check.name,
                check.block,
                ranked.expected,
                ranked.minutes,
                bars=bars,
            )
        if ranked.kind == "repair":
            repair = self.model.repairs[self.model.repair_index[ranked.id]]
            return Step(
                "repair",
                repair.id,
                repair.name,
                repair.block,
                ranked.expected,
                ranked.minutes,
                repair.parts,
                repair.undo,
                tuple(self._gate_bars(repair.gates)) + tuple(self._once_bars(repair)),
            )
        name = GIVE_UP
        return Step("give up", "give up", name, "", ranked.expected, ranked.minutes)

    def _gate_bars(self, gates: Collection[str]) -> list[Bar]:
        closed = [g for g in gates if g not in self.context.options.gates_open]
        return [Bar("gate", g, gate_words(g)) for g in closed]

    def _once_bars(self, repair: Repair) -> list[Bar]:
        if repair.undo:
            return self._dear_bars(repair)
        bars: list[Bar] = []
        wanted = self.context.options.once_suspicion
        mask = [self.model.mode_index[m] for m in repair.fixes]
        chance = float(self.weights[self.member[:, mask].any(axis=1)].sum())
        if chance < wanted:
            text = tr("It cannot be undone: suspicion {chance:.0%}, {wanted:.0%} needed.", chance=chance, wanted=wanted)
            bars.append(Bar("suspicion", repair.id, text))
        cheaper = self._cheaper_check(repair, mask) if chance >= wanted else None
        if cheaper is not None:
            text = tr(
                "It cannot be undone, and a telling check is still cheap: {name} ({minutes:.0f} min).",
                name=spoken(cheaper.name),
                minutes=cheaper.minutes,
            )
            bars.append(Bar("cheaper check", cheaper.id, text))
        if repair.id in self.context.needs_proof and repair.id not in self.context.proofs:
            bars.append(Bar("proof", repair.id, tr("It cannot be undone: what must be shown first is not recorded.")))
        if self.context.needs_consent and repair.id not in self.context.consents:
            bars.append(Bar("consent", repair.id, tr("It cannot be undone: the owner's consent is not recorded.")))
        return bars

    def _dear_bars(self, repair: Repair) -> list[Bar]:
        if repair.parts < DEAR_PARTS and repair.minutes < DEAR_MINUTES:
            return []
        cheaper = self._cheaper_check(repair, [self.model.mode_index[m] for m in repair.fixes])
        if cheaper is None:
            return []
        text = tr(
            "A telling check is cheap beside it: {name} ({minutes:.0f} min).",
            name=spoken(cheaper.name),
            minutes=cheaper.minutes,
        )
        return [Bar("cheaper check", cheaper.id, text)]

    def _cheaper_check(self, repair: Repair, mask: list[int]) -> Check | None:
        present = self.member[:, mask].any(axis=1)
        prior = float(self.weights[present].sum())
        limit = min(CHEAP, repair.minutes / 3.0)
        best: tuple[float, Check] | None = None
        for check in self.model.checks:
            if check.minutes > limit or check.id in self.context.options.skip:
                continue
            if check.id in self.context.done_since:
                continue
            if check.level > max(repair.level - 1, self.context.options.level):
                continue
            joint = self.chances(check).T * self.weights
            change = float(np.abs(joint[:, present].sum(axis=1) - prior * joint.sum(axis=1)).sum())
            if change >= TELLING and (best is None or change / check.minutes > best[0]):
                best = (change / check.minutes, check)
        return best[1] if best else None

    # ------------------------------------------------------------ in words

    def _explain(self, step: Step, out: list[Step], n: int, everything: float, testing: bool) -> Step:
        if step.kind == "check":
            step = self._explain_check(step, testing)
        elif step.kind == "repair":
            step = self._explain_repair(step)
        reasons = list(step.reasons)
        if not testing and step.kind != "give up":
            reasons.append(self._saving(step, out, n, everything))
        return replace(step, reasons=tuple(reasons))

    def _explain_check(self, step: Step, testing: bool) -> Step:
        check = self.model.checks[self.model.check_index[step.id]]
        joint = self.chances(check).T * self.weights
        total = joint.sum(axis=1)
        views = []
        for o, outcome in enumerate(check.outcomes):
            after = (joint[o] @ self.block_member) / max(total[o], 1e-300)
            top = np.argsort(-after, kind="stable")[:3]
            suspects = tuple((self.blocks[i], float(after[i])) for i in top if after[i] >= 0.03)
            views.append(OutcomeView(outcome, float(total[o]), suspects))
        views.sort(key=lambda v: (v.outcome == GOOD, -v.chance))
        why = tr("Nothing has been seen to fail since the last repair: look whether it works.")
        if not self.context.repaired:
            why = tr("Nobody at this bench has seen it fail yet: see for yourself first.")
        reasons = [why if testing else self._split_words(views)]
        false_alarm, missed = 1.0 - check.error[0, 0], float(check.error[1:, 0].mean())
        risks = (
            tr(
                "It reads bad by mistake about {false_alarm}, and misses about {missed}.",
                false_alarm=_in_words(false_alarm),
                missed=_in_words(missed),
            ),
        )
        return replace(step, outcomes=tuple(views), reasons=tuple(reasons), risks=risks)

    def _split_words(self, views: list[OutcomeView]) -> str:
        before = dict(zip(self.blocks, self.weights @ self.block_member, strict=True))
        pieces = []
        for view in sorted(views, key=lambda v: -v.chance)[:3]:
            if view.chance < 0.02:
                continue
            risen = [b for b, p in view.suspects if p > before[b] + 0.02][:2]
            fallen = max(before, key=lambda b: before[b])
            label = tr("“{outcome}” ({chance:.0%})", outcome=spoken(view.outcome), chance=view.chance)
            if risen:
                names = tr(" or ").join(
                    tr("{name} ({chance:.0%})", name=self.name(b), chance=dict(view.suspects)[b]) for b in risen
                )
                pieces.append(tr("{label} points to {names}", label=label, names=names))
            elif dict(view.suspects).get(fallen, 0.0) < before[fallen] - 0.02:
                pieces.append(tr("{label} speaks against {name}", label=label, name=self.name(fallen)))
            else:
                pieces.append(tr("{label} changes little", label=label))
        return "; ".join(pieces) + "." if pieces else ""

    def _explain_repair(self, step: Step) -> Step:
        repair = self.model.repairs[self.model.repair_index[step.id]]
        mask = [self.model.mode_index[m] for m in repair.fixes]
        chance = float(self.weights[self.member[:, mask].any(axis=1)].sum())
        likely = max(repair.fixes, key=lambda m: self.suspicion[self.model.mode_index[m]])
        mode = self.model.modes[self.model.mode_index[likely]]
        reasons = (
            tr(
                "Suspicion {chance:.0%} that what it cures is there (most likely: {name}); if so, it "
                "cures it in about {cured:.0f} of 100.",
                chance=chance,
                name=spoken(mode.name),
                cured=100 * repair.fixes[likely],
            ),
        )
        risks: list[str] = []
        if repair.harm > 0:
            risks.append(tr("Something else is damaged about {often}.", often=_in_words(repair.harm)))
        if not repair.undo:
            risks.append(tr("It cannot be undone."))
        return replace(step, reasons=reasons, risks=tuple(risks))

    def _saving(self, step: Step, out: list[Step], n: int, everything: float) -> str:
        words = tr("Expected {time} to a working unit if you start here", time=_minutes(step.expected))
        rivals = [s for s in out if s.id != step.id and s.kind != "give up"]
        if step.equal:
            others = [s.name for s in rivals if s.equal]
            words += tr("; within 3\u202f% as good as “{name}”", name=spoken(others[0]))
            words += tr(" and {n} more", n=len(others) - 1) if len(others) > 1 else ""
        elif n == 0 and rivals:
            gap = rivals[0].expected - step.expected
            if gap > 0:
                words += tr(
                    ", {time} less than with the runner-up, “{name}”", time=_minutes(gap), name=spoken(rivals[0].name)
                )
        elif out and step.id != out[0].id:
            words += tr(", {time} more than with the first", time=_minutes(step.expected - out[0].expected))
        saved = everything - step.expected
        if saved >= 0:
            words += tr(
                "; {time} less than replacing everything ({all})", time=_minutes(saved), all=_minutes(everything)
            )
        else:
            words += tr(
                "; {time} more than replacing everything ({all})", time=_minutes(-saved), all=_minutes(everything)
            )
        return words + "."


def gate_words(gate: str) -> str:
    """What must be done to open a gate."""
    if gate == "first-power":
        return tr("Before power: the first power-on gate.")
    if gate == "data-saved":
        return tr("Before a battery comes out: save the data it holds.")
    if gate.startswith("caution:"):
        return tr("Read the caution first: {name}.", name=spoken(gate.removeprefix("caution:").replace("-", " ")))
    return tr("First: {gate}.", gate=gate)


def _in_words(chance: float) -> str:
    for many in (100, 1000):
        times = round(many * chance)
        if times:
            return several("once in {many}", "{n} times in {many}", times, many=many)
    return tr("less than once in 1000")


def _minutes(minutes: float) -> str:
    if minutes < 90:
        return tr("{minutes:.0f} min", minutes=minutes)
    return tr("{hours:.1f} h", hours=minutes / 60)
