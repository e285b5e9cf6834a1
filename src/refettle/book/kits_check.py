"""The second check of each kit, by another route than the count: its weight, or the code of every bag in it.

A kit is ready only when its bags were counted and it passed this. The same person may do both; it is said.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from refettle.book.kits import made_one
from refettle.book.kits_batch import BatchState, bag_code, close_if_done, holding_batch, kit_code, pieces_in
from refettle.book.models_kits import Kit, KitBatch, KitStep, KitVersion
from refettle.book.models_stores import Part
from refettle.book.store import StoreError
from refettle.book.stores_moves import said
from refettle.language import SOURCE, speaking, tr
from refettle.parts.kits import Scale, Weighed, Weighing, perfect_rate, weighing
from refettle.proving.counts import Counts, interval

Kind = KitStep.Kind
CONFIDENCE = 0.95
TARGET = 0.995
"""Kits that are to be right: common practice, no source."""
SCALE = Scale(0.01, 0.01)
"""Where nobody said what scale there is: a pocket scale of 10 mg. Estimate."""


@dataclass(frozen=True)
class WeightPlan:
    """What the scale can say of a kit; `lacking`: codes of parts whose weight the stores do not know."""

    weighing: Weighing | None
    lacking: tuple[str, ...]

    @property
    def proves(self) -> bool:
        """True where a weight is worth taking."""
        return self.weighing is not None and self.weighing.proves

    @property
    def why_not(self) -> str:
        """Why the weight proves nothing; empty where it does."""
        if self.lacking:
            return tr("the stores do not know the weight of {lacking}", lacking=", ".join(self.lacking))
        found = self.weighing
        if found is None or found.proves:
            return ""
        return tr(
            "half of the lightest part is {half:.3g} g, and a good kit's weight varies by "
            "{noise:.2g} g: a missing one would pass in {missed:.0f} of 100",
            half=found.tolerance,
            noise=found.noise,
            missed=100 * found.missed,
        )


def parts_of_kit(state: BatchState, number: int) -> list[tuple[int, str, int]]:
    """(line, part, pieces) of one kit of a batch."""
    return [
        (each.line.n, run.part, run.each)
        for each in state.lines
        for run in each.runs
        if run.first <= number <= run.last
    ]


def _grams(held: Sequence[tuple[int, str, int]]) -> dict[str, float]:
    """Code -> weight of one [g], of those whose weight is known."""
    parts = Part.objects.filter(code__in={code for _, code, _ in held}, gram__gt=0)
    return {part.code: part.gram for part in parts if part.gram is not None}


def weight_plan(state: BatchState, number: int, scale: Scale, tare: float = 0.0) -> WeightPlan:
    """What a kit of this batch must weigh on this scale. Raises KitError."""
    held = parts_of_kit(state, number)
    grams = _grams(held)
    lacking = tuple(dict.fromkeys(code for _, code, _ in held if code not in grams))
    if lacking:
        return WeightPlan(None, lacking)
    lines = [Weighed(tr("line {n} ({code})", n=n, code=code), grams[code], pieces) for n, code, pieces in held]
    return WeightPlan(weighing(lines, scale, tare), ())


def last_scale(batch: KitBatch) -> Scale:
    """The scale used last, in this batch or before; else a small one."""
    for step in KitStep.objects.filter(kind=Kind.CHECKED).order_by("-id")[:200]:
        if isinstance(step.data.get("scale"), dict):
            return Scale(**step.data["scale"])
    return SCALE


def check_by_weight(
    batch: KitBatch, number: int, gram: float, *, who: str, scale: Scale, tare: float = 0.0
) -> Kit | KitStep:
    """Weigh one kit. The kit where it is right, else the mistake that was written.

    Raises
    ------
    StoreError, KitError
        The kit is not to be checked now, or weight proves nothing here.
    """
    with holding_batch(batch) as state:
        who = _may_check(state, number, who)
        planned = weight_plan(state, number, scale, tare)
        if not planned.proves or planned.weighing is None:
            raise StoreError(
                tr(
                    "weight: proves nothing for this kit, as {reason}; allowed: the codes of its bags",
                    reason=planned.why_not,
                ),
                "gram",
            )
        found = planned.weighing
        data = {
            "by": "weight",
            "kit": number,
            "gram": gram,
            "expected": round(found.expected, 4),
            "within": round(found.tolerance, 4),
            "tare": tare,
            "scale": asdict(scale),
        }
        if found.good(gram):
            return _ready(state, number, who, data)
        off = gram - found.expected
        return _mistake(state, number, who, data | {"wrong": 1, "said": _weight_words(state, number, off, found)})


def _weight_words(state: BatchState, number: int, off: float, found: Weighing) -> str:
    """What one part too many or too few would explain the weight."""
    held = parts_of_kit(state, number)
    grams = _grams(held)
    fits = [f"line {n}, {code}" for n, code, _ in held if abs(abs(off) - grams[code]) <= found.tolerance]
    words = f"{abs(off):.2f} g too {'heavy' if off > 0 else 'light'}"
    return words + (f"; one {'more' if off > 0 else 'less'} of {' or '.join(fits)} would explain it" if fits else "")


def codes_from(text: str) -> list[str]:
    """Codes of bags as scanned or typed, parted by spaces, commas or lines."""
    return [code.upper() for code in re.split(r"[\s,;]+", text.strip()) if code]


def check_by_codes(batch: KitBatch, number: int, codes: Sequence[str], *, who: str) -> Kit | KitStep:
    """The code of every bag in the kit, scanned or typed. The kit where they are right, else the mistake written.

    Raises
    ------
    StoreError
        The kit is not to be checked now, or no codes were given.
    """
    if not codes or len(codes) > 1000:
        raise StoreError(tr("codes: {n} found; allowed: the code of each bag in the kit", n=len(codes)), "codes")
    with holding_batch(batch) as state:
        who = _may_check(state, number, who)
        given = Counter(code.strip().upper() for code in codes)
        wanted = Counter(bag_code(batch, each.line) for each in state.lines)
        missing, over = sorted((wanted - given).elements()), sorted((given - wanted).elements())
        data = {"by": "codes", "kit": number, "codes": sorted(given.elements())}
        if not missing and not over:
            return _ready(state, number, who, data)
        words = [f"missing: {', '.join(missing)}"] * bool(missing)
        words += [f"too many or not of this batch: {', '.join(over)}"] * bool(over)
        return _mistake(state, number, who, data | {"wrong": max(len(missing), len(over)), "said": "; ".join(words)})


def _may_check(state: BatchState, number: int, who: str) -> str:
    if not state.filled:
        assert state.current is not None
        raise StoreError(
            tr("kit: line {n} is not in the bags; allowed: after every line", n=state.current.line.n), "kit"
        )
    if number not in state.to_check:
        left = ", ".join(map(str, state.to_check)) or tr("none, all are checked")
        raise StoreError(tr("kit: {n} found; allowed: {allowed}", n=number, allowed=left), "kit")
    return said(who, "who", 200, 1)


def same_person(state: BatchState, who: str) -> bool:
    """True where this person filled a line of the batch."""
    return any(step.who == who for each in state.lines for step in each.steps if step.kind == Kind.FILLED)


def _ready(state: BatchState, number: int, who: str, data: dict[str, object]) -> Kit:
    batch = state.batch
    data = data | {"same_person": same_person(state, who)}
    KitStep.objects.create(batch=batch, kind=Kind.CHECKED, quantity=1, data=data, who=who)
    kit = Kit(code=kit_code(batch, number), batch=batch, number=number)
    bad = _recalled_lots(state, number)
    if bad:
        kit.state = Kit.State.RECALLED
        kit.note = f"with parts of {', '.join(bad)}, recalled"[:500]
    kit.save()
    if not bad:
        made_one(batch.version)
    close_if_done(batch)
    return kit


def _recalled_lots(state: BatchState, number: int) -> list[str]:
    """The recalled lots that a kit has parts of."""
    steps = (step for each in state.lines for step in each.steps if pieces_in(step, number))
    lots = (step.movement.lot for step in steps if step.movement is not None)
    with speaking(SOURCE):  # kept
        return list(dict.fromkeys(f"lot {lot} of {lot.part}" for lot in lots if lot.recalled is not None))


def _mistake(state: BatchState, number: int, who: str, data: dict[str, object]) -> KitStep:
    return KitStep.objects.create(
        batch=state.batch, kind=Kind.MISTAKE, quantity=0, data=data | {"at": "second check"}, who=who
    )


def note_mistake(kit: Kit, *, who: str, note: str) -> KitStep:
    """A mistake found in a kit that had passed: by the buyer, or on the shelf."""
    data = {"at": "after", "kit": kit.number, "said": said(note, "note", 500, 3), "wrong": 1}
    return KitStep.objects.create(batch=kit.batch, kind=Kind.MISTAKE, data=data, who=said(who, "who", 200, 1))


# ---------------------------------------------------------------- how often it goes wrong


@dataclass(frozen=True)
class OwnCounts:
    """Lines found wrong among those checked a second time; what counting caught before is told apart.

    `perfect` is (1 - e)^k for a kit of `lines` lines at the rate found, `perfect_low` and `perfect_high` at its limits.
    """

    checked: int
    wrong: int
    caught_counting: int
    shortages: int
    lines: int
    low: float
    high: float
    perfect: float
    perfect_low: float
    perfect_high: float


def own_counts(lines: int, version: KitVersion | None = None) -> OwnCounts:
    """The bench's own counts, of one version or of all kits, and what they make of a kit of so many lines."""
    steps = KitStep.objects.select_related("batch")
    if version is not None:
        steps = steps.filter(batch__version=version)
    sizes: dict[int, int] = {}
    checked = wrong = caught = shortages = 0
    for step in steps:
        if step.kind == Kind.CHECKED:
            of = step.batch.version_id
            if of not in sizes:
                sizes[of] = step.batch.version.lines.count()
            checked += sizes[of]
        elif step.kind == Kind.MISTAKE and step.data.get("at") == "counting":
            caught += 1
        elif step.kind == Kind.MISTAKE:
            wrong += int(step.data.get("wrong", 1))
        elif step.kind == Kind.SHORT:
            shortages += 1
    counts = Counts(min(wrong, checked), checked)
    limits = interval(counts, CONFIDENCE)
    return OwnCounts(
        checked,
        wrong,
        caught,
        shortages,
        lines,
        limits.low,
        limits.high,
        perfect_rate(counts.rate, lines),
        perfect_rate(limits.high, lines),
        perfect_rate(limits.low, lines),
    )
