"""The posterior by brute force, written from the definitions alone.

A *world* says everything that is not seen: which failure modes are present, what the unmodelled cause
gives at each check, and whether each instrument works or is stuck. All worlds are enumerated; each trial
adds up every combination of what the modes present show on that look; a repair splits each world into what
may come of it. Plain Python, no arrays, no trick: slow, and easy to read against the definitions.

Definitions relied on:

- modes are present independently, or exactly one is;
- a mode alone shows a level by its chances, on each look anew; a set shows the worst of what its members
  show; then the reading may err by the error matrix (a graded reading comes with its own likelihoods);
- the unmodelled cause gives one outcome at each check, the same every time;
- an intermittent mode that is there has its acting part, its dormant part, or (as a set may hold any modes)
  both; a restart or a repair draws anew which, by their prior odds, given that it is there;
- counts over more than one trial follow the chances per trial, where the check has such;
- an instrument works, or is stuck at good, or stuck at bad (half and half), for all readings of one
  session that share it; stuck at bad, it reads any of the bad outcomes alike;
- a repair removes each mode it treats with its chance, then brings in its own mode with its chance of harm;
- at a repair or restart, what is hidden (instruments, the unmodelled cause) is carried over for each set of
  modes, but as if independent given the set (`forget=True`, what `Suspicions` states that it does); or
  nothing is forgotten (`forget=False`).
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import product

from refettle.faults import Check, Done, Event, Model, Reading

OK, STUCK_GOOD, STUCK_BAD = "ok", "stuck good", "stuck bad"
FAILED = 0.9  # stated chance that an instrument is at fault whose self-check failed that day

Session = tuple[str, str, str]
World = tuple[frozenset[int], tuple[tuple[str, int], ...], tuple[tuple[Session, str], ...]]


def prior_of(model: Model, present: frozenset[int]) -> float:
    """Prior chance of exactly these modes."""
    if model.single:
        if len(present) != 1:
            return 0.0
        return model.modes[min(present)].prior / sum(mode.prior for mode in model.modes)
    chance = 1.0
    for i, mode in enumerate(model.modes):
        chance *= mode.prior if i in present else 1.0 - mode.prior
    return chance


def all_sets(model: Model) -> list[frozenset[int]]:
    """Every set of modes that may be present beforehand."""
    f = len(model.modes)
    if model.single:
        return [frozenset([i]) for i in range(f)]
    return [frozenset(i for i in range(f) if bits >> i & 1) for bits in range(2**f)]


class Brute:
    """Weights of all worlds, entry by entry.

    `weight` sums to the chance of the readings so far (graded ones relative to their largest likelihood).
    """

    def __init__(self, model: Model, start: Iterable[frozenset[int]] | None = None, forget: bool = True) -> None:
        self.model, self.forget = model, forget
        sets = all_sets(model) if start is None else list(start)
        self.weight: dict[World, float] = {(s, (), ()): prior_of(model, s) for s in sets}
        others = [i for i, mode in enumerate(model.modes) if mode.other]
        self.other = others[0] if others else None
        self._shown: dict[tuple[str, bool, frozenset[int], int], list[float]] = {}

    # ------------------------------------------------------------ one look

    def _levels(self, check: Check, trials: bool, present: frozenset[int], unknown: int) -> list[float]:
        """Chance of each level on one look, or in one of several trials; `unknown` is what the unmodelled
        cause gives, if present."""
        key = (check.id, trials, present, unknown)
        if key not in self._shown:
            k = len(check.outcomes)
            chances = [0.0] * k
            modes = [m for m in present if m != self.other]
            shows = check.trial_shows if trials and check.trial_shows is not None else check.shows
            for levels in product(range(k), repeat=len(modes)):
                chance = 1.0
                for mode, level in zip(modes, levels, strict=True):
                    chance *= float(shows[mode][level])
                given = [unknown] if self.other in present else []
                chances[max([0, *levels, *given])] += chance
            self._shown[key] = chances
        return self._shown[key]

    def _reading(self, reading: Reading, check: Check, levels: list[float], state: str) -> float:
        """Chance of what was read, given the chances of the levels on each look and the instrument."""
        k = len(check.outcomes)
        chance = 1.0
        for outcome, count in reading.counts.items():
            o = check.outcomes.index(outcome)
            if state == OK:
                one = sum(levels[j] * float(check.error[j][o]) for j in range(k))
            elif state == STUCK_GOOD:
                one = 1.0 if o == 0 else 0.0
            else:
                one = 0.0 if o == 0 else 1.0 / (k - 1)
            for _ in range(count):
                chance *= one
        if reading.likelihood is not None:
            graded = [float(reading.likelihood.get(o, 0.0)) for o in check.outcomes]
            graded = [each / max(graded) for each in graded]
            if state == OK:
                chance *= sum(p * g for p, g in zip(levels, graded, strict=True))
            elif state == STUCK_GOOD:
                chance *= graded[0]
            else:
                chance *= sum(graded[1:]) / (k - 1)
        return chance

    # ------------------------------------------------------------ entries

    def _session(self, reading: Reading, check: Check) -> tuple[Session, float]:
        gear = next(g for g in self.model.gear if g.id == check.gear)
        when = f"failed {reading.proven}" if reading.failed else reading.proven
        session = (gear.id, check.id if gear.per_check else "", when)
        fault = gear.fault_proven if reading.proven else gear.fault_unproven
        return session, FAILED if reading.failed else fault

    def _unfold_unknown(self, check: Check) -> dict[World, float]:
        """The worlds with what the unmodelled cause gives at this check spelled out."""
        unfolded: dict[World, float] = {}
        for (present, unknown, gear), weight in self.weight.items():
            if self.other not in present or check.id in dict(unknown):
                key = present, unknown, gear
                unfolded[key] = unfolded.get(key, 0.0) + weight
                continue
            for level, share in enumerate(check.shows[self.other]):
                if weight * share > 0:
                    key = present, tuple(sorted((*unknown, (check.id, level)))), gear
                    unfolded[key] = unfolded.get(key, 0.0) + weight * float(share)
        return unfolded

    def _unfold(self, check: Check, session: Session, fault: float) -> dict[World, float]:
        """The same, and with the state of the instrument spelled out."""
        unfolded: dict[World, float] = {}
        for (present, unknown, gear), weight in self._unfold_unknown(check).items():
            if session in dict(gear):
                unfolded[present, unknown, gear] = weight
                continue
            for state, chance in ((OK, 1.0 - fault), (STUCK_GOOD, fault / 2), (STUCK_BAD, fault / 2)):
                if weight * chance > 0:
                    unfolded[present, unknown, (*gear, (session, state))] = weight * chance
        return unfolded

    def add(self, event: Event) -> None:
        if isinstance(event, Reading):
            self.weight = self._after(event)
            return
        if isinstance(event, Done):
            self._repair(event)
        self._redraw()
        if self.forget:
            self._forget()

    def _after(self, reading: Reading) -> dict[World, float]:
        check = next(c for c in self.model.checks if c.id == reading.check)
        session, fault = self._session(reading, check)
        after = {}
        for (present, unknown, gear), weight in self._unfold(check, session, fault).items():
            trials = sum(reading.counts.values()) > 1
            levels = self._levels(check, trials, present, dict(unknown).get(check.id, 0))
            chance = self._reading(reading, check, levels, dict(gear)[session])
            if weight * chance > 0:
                after[present, unknown, gear] = weight * chance
        return after

    def _repair(self, done: Done) -> None:
        repair = next(r for r in self.model.repairs if r.id == done.repair)
        number = {mode.id: i for i, mode in enumerate(self.model.modes)}
        for name, chance in repair.fixes.items():
            self._split(number[name], chance, present=True)
        if repair.causes is not None:
            self._split(number[repair.causes], repair.harm, present=False)

    def _split(self, mode: int, chance: float, present: bool) -> None:
        split: dict[World, float] = {}
        for (s, unknown, gear), weight in self.weight.items():
            comes = [(s, 1.0)]
            if (mode in s) == present:
                comes = [(s, 1.0 - chance), (s ^ {mode}, chance)]
            for each, share in comes:
                if share > 0:
                    # What the unmodelled cause gave goes with it; another one may give something else.
                    key = each, unknown if self.other in each else (), gear
                    split[key] = split.get(key, 0.0) + weight * share
        self.weight = split

    def _redraw(self) -> None:
        """Which part of each intermittent mode acts, drawn anew."""
        number = {mode.id: i for i, mode in enumerate(self.model.modes)}
        for i, mode in enumerate(self.model.modes):
            if mode.dormant_of is None:
                continue
            acting, both = number[mode.dormant_of], {i, number[mode.dormant_of]}
            parts = [frozenset({acting}), frozenset({i}), frozenset(both)]
            odds = [1.0, 1.0, 1.0]
            for n, part in enumerate(parts):
                for each in both:
                    prior = self.model.modes[each].prior
                    odds[n] *= prior if each in part else 1.0 - prior
            drawn: dict[World, float] = {}
            for (s, unknown, gear), weight in self.weight.items():
                options = zip(parts, odds, strict=True) if s & both else [(frozenset(), sum(odds))]
                for part, share in options:
                    key = (s - both) | part, unknown, gear
                    drawn[key] = drawn.get(key, 0.0) + weight * share / sum(odds)
            self.weight = drawn

    def _forget(self) -> None:
        """Given the set of modes, replace what is hidden by independent draws with the same chances."""
        for check in self.model.checks:
            if any(check.id in dict(unknown) for _, unknown, _ in self.weight):
                self.weight = self._unfold_unknown(check)  # also where it was brought in only now
        whole: dict[frozenset[int], float] = {}
        hidden: dict[frozenset[int], dict[str | Session, dict[int | str, float]]] = {}
        for (present, unknown, gear), weight in self.weight.items():
            whole[present] = whole.get(present, 0.0) + weight
            mine = hidden.setdefault(present, {})
            for name, value in (*unknown, *gear):
                chances = mine.setdefault(name, {})
                chances[value] = chances.get(value, 0.0) + weight
        self.weight = {}
        for present, weight in whole.items():
            things = sorted(hidden[present].items(), key=repr)
            for values in product(*(chances.items() for _, chances in things)):
                unknown = tuple((n, v) for (n, _), (v, _) in zip(things, values, strict=True) if isinstance(n, str))
                gear = tuple((n, v) for (n, _), (v, _) in zip(things, values, strict=True) if not isinstance(n, str))
                share = weight
                for (_, chances), (_, mass) in zip(things, values, strict=True):
                    share *= mass / sum(chances.values())
                if share > 0:
                    self.weight[present, unknown, gear] = share

    # ------------------------------------------------------------ what follows

    @property
    def evidence(self) -> float:
        """Chance of all readings so far."""
        return sum(self.weight.values())

    def sets(self) -> dict[frozenset[int], float]:
        """Posterior chance of each set."""
        total = self.evidence
        found: dict[frozenset[int], float] = {}
        for (present, _, _), weight in self.weight.items():
            found[present] = found.get(present, 0.0) + weight / total
        return found

    def suspicion(self) -> list[float]:
        """Posterior chance of each mode."""
        sets = self.sets()
        return [sum(p for s, p in sets.items() if i in s) for i in range(len(self.model.modes))]

    def next_outcome(self, check: Check, present: frozenset[int], day: str = "") -> list[float]:
        """Chance of each outcome of one more look, under one set, given all readings so far."""
        now = sum(w for (s, _, _), w in self.weight.items() if s == present)
        chances = []
        for outcome in check.outcomes:
            after = self._after(Reading(check.id, {outcome: 1}, proven=day))
            chances.append(sum(w for (s, _, _), w in after.items() if s == present) / now)
        return chances
