"""Suspicion: what the log says about which failure modes are present.

Bayesian filtering over enumerated sets of failure modes. Between two repairs, each reading multiplies
the weight of a set by the chance of that reading; a repair moves weight from sets with a mode to sets
without it. Readings from before a repair thus stay tied to the unit as it was then, and what they said of
blocks that the repair does not touch stays in force.

Two things keep repeated readings from counting as independent evidence:

- an instrument may be stuck (half the time at good, half at bad); all readings that share it share that;
- the unmodelled cause gives one outcome per check, the same at each repeat;
- within one run of the unit, an intermittent mode either acts or does not (see `refettle.faults.model`).

At a repair, an instrument's chance of being stuck is carried over as its marginal, independent of the
set; this is the one approximation besides the sets left out, whose mass is reported.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np

from refettle.faults.hypotheses import Hypotheses, enumerate_sets
from refettle.faults.model import TRIALS, Array, Check, Ints, Model, ModelError

TINY = 1e-300
GEAR_FAILED = 0.9
"""Chance that an instrument is at fault whose self-check failed that day (estimate)."""


@dataclass(frozen=True)
class Reading:
    """A check made: an outcome, or counts over several trials, or a graded likelihood.

    Attributes
    ----------
    counts : mapping of str to int
        Outcome -> number of trials that gave it.
    likelihood : mapping of str to float, optional
        Instead of counts: how likely the reading is for each level, any common scale.
    proven : str
        The day on which its gear passed a self-check, if that is the day of the reading; else ''.
    failed : bool
        True if its gear failed its self-check that day.
    ref : str
        The log entry it came from.
    """

    check: str
    counts: Mapping[str, int] = field(default_factory=dict)
    likelihood: Mapping[str, float] | None = None
    proven: str = ""
    failed: bool = False
    ref: str = ""


@dataclass(frozen=True)
class Done:
    """A repair made."""

    repair: str
    ref: str = ""


@dataclass(frozen=True)
class NewRun:
    """The unit was switched off, left to rest and started anew: what comes and goes is drawn anew."""

    ref: str = ""


Event: TypeAlias = Reading | Done | NewRun


@dataclass(frozen=True)
class Misfit:
    """How well the readings since the last repair fit the best set of modelled causes.

    `fit` is the chance of the readings under that set, relative to a set that explains each of them; `ref`
    is the entry that disagrees most, `fit_without` the fit if it had not been made.
    """

    fit: float
    fits: bool
    ref: str
    check: str
    fit_without: float


@dataclass
class _Group:
    """Readings that share one instrument."""

    fault: float
    likelihoods: dict[str, Array] = field(default_factory=dict)
    counts: dict[str, Array] = field(default_factory=dict)
    soft: dict[str, list[Array]] = field(default_factory=dict)
    stuck_good: float = 1.0
    stuck_bad: float = 1.0
    total: Array | None = None

    def update_total(self) -> None:
        product: Array | None = None
        for each in self.likelihoods.values():
            product = each.copy() if product is None else product * each
        assert product is not None
        stuck = 0.5 * self.fault * (self.stuck_good + self.stuck_bad)
        self.total = (1.0 - self.fault) * product + stuck

    def chance_stuck(self) -> tuple[Array, float, float]:
        """Per set, chance that the instrument works; and, if it does not, that it is stuck good, bad."""
        assert self.total is not None
        both = self.stuck_good + self.stuck_bad
        works = 1.0 - 0.5 * self.fault * both / np.maximum(self.total, TINY)
        share = (self.stuck_good / both, self.stuck_bad / both) if both > 0 else (0.5, 0.5)
        return np.clip(works, 0.0, 1.0), share[0], share[1]


GroupKey: TypeAlias = tuple[str, str, str]


class Suspicions:
    """Weights of the sets of failure modes, updated entry by entry.

    Parameters
    ----------
    model : Model
    hypotheses : Hypotheses, optional
        Enumerated sets; by default `enumerate_sets(model)`. They depend on the model alone, so callers
        keep them between jobs.
    """

    def __init__(self, model: Model, hypotheses: Hypotheses | None = None) -> None:
        self.model = model
        sets = hypotheses if hypotheses is not None else enumerate_sets(model)
        self.member = sets.member
        self.left_out = sets.left_out
        """Prior mass of the sets not enumerated, and of those dropped since."""
        self._key, self._mode_key = sets.key, sets.mode_key
        self._prior = sets.prior
        self._dormant = {
            i: model.mode_index[mode.dormant_of] for i, mode in enumerate(model.modes) if mode.dormant_of is not None
        }
        self._pairs: tuple[Ints, Ints] | None = None
        self._start = sets.prior.copy()
        self._gear_fault: dict[GroupKey, float] = {}
        self._groups: dict[GroupKey, _Group] = {}
        self._refs: dict[tuple[GroupKey, str], str] = {}
        self._log_scale = 0.0
        self._log_sup = 0.0
        self._weights: Array | None = None
        others = [i for i, mode in enumerate(model.modes) if mode.other]
        if len(others) > 1:
            raise ModelError("two modes marked 'other' found; at most one is allowed")
        self.other = others[0] if others else None

    # ------------------------------------------------------------ what is believed now

    @property
    def weights(self) -> Array:
        """(N,) posterior chance of each enumerated set; sums to 1."""
        if self._weights is None:
            raw = self._raw()
            total = raw.sum()
            if not total > 0:
                raise ModelError("no set of failure modes allows these readings; check the last entry")
            self._weights = raw / total
        return self._weights

    def _raw(self) -> Array:
        raw = self._start.copy()
        for group in self._groups.values():
            assert group.total is not None
            raw *= group.total
        return raw

    @property
    def log_evidence(self) -> float:
        """Log of the chance of all readings so far, over the enumerated sets."""
        return self._log_scale + float(np.log(max(self._raw().sum(), TINY)))

    def suspicion(self) -> Array:
        """(F,) posterior chance that each mode is present."""
        rows, columns = self._held()
        return np.bincount(columns, self.weights[rows], self.member.shape[1])

    def nothing_wrong(self) -> float:
        """Posterior chance that no mode is present."""
        return float(self.weights[~self.member.any(axis=1)].sum())

    def left_out_at_most(self) -> float:
        """Upper bound of the posterior mass of the sets left out: they explain the readings at best as
        well as any set could."""
        if self.left_out <= 0:
            return 0.0
        log_sup = self._log_sup + sum(self._group_sup(g) for g in self._groups.values())
        log_ratio = np.log(self.left_out) + log_sup - self.log_evidence
        return float(1.0 / (1.0 + np.exp(-log_ratio))) if log_ratio < 700 else 1.0

    def _group_sup(self, group: _Group) -> float:
        product = 1.0
        for check_id, counts in group.counts.items():
            check = self._check(check_id)
            product *= float(np.prod(check.error.max(axis=0) ** counts))
            for soft in group.soft.get(check_id, []):
                product *= float(soft.max())
        stuck = 0.5 * group.fault * (group.stuck_good + group.stuck_bad)
        return float(np.log(max((1.0 - group.fault) * product + stuck, TINY)))

    # ------------------------------------------------------------ chances of outcomes

    def _levels(self, check: Check, member: Array | None) -> Array:
        """(k, n) cumulative chances of the levels of a check under each set, the unmodelled cause left
        aside. `member` is (n, F), 0 or 1; None stands for all enumerated sets."""
        logs = np.log(np.maximum(np.cumsum(check.shows, axis=1), 1e-30)).T
        logs[-1] = 0.0
        if self.other is not None:
            logs[:, self.other] = 0.0
        if member is not None:
            return np.asarray(np.exp(logs @ member.T))
        # Sets are small: adding over the modes each holds is far cheaper than a full product.
        rows, columns = self._held()
        total = np.ones((len(logs), len(self.member)))
        for level, row in enumerate(logs[:-1]):
            if row.any():
                total[level] = np.exp(np.bincount(rows, row[columns], len(self.member)))
        return total

    def _held(self) -> tuple[Ints, Ints]:
        if self._pairs is None:
            rows, columns = np.nonzero(self.member)
            self._pairs = rows, columns
        return self._pairs

    def _has_other(self, member: Array | None) -> Ints:
        if self.other is None:
            return np.zeros(0, dtype=np.int64)
        return np.flatnonzero((self.member if member is None else member)[:, self.other])

    def _likelihood(self, check: Check, counts: Array, soft: Sequence[Array], member: Array | None = None) -> Array:
        """(n,) chance of the counts and graded readings of one check, instrument sound."""
        # With cumulative chances c and a value v for each level, the mean value is the sum of c * steps(v).
        factors = [(_steps_down(check.error[:, o]), counts[o]) for o in np.flatnonzero(counts)]
        factors += [(_steps_down(each), 1.0) for each in soft]
        cumulative = self._levels(check, member)

        def product(steps: Array) -> Array:
            result = np.ones(steps.shape[1])
            for weights, times in factors:
                result *= (weights @ steps) ** times
            return result

        result = product(cumulative)
        others = self._has_other(member)
        if len(others):
            # The unmodelled cause gives one outcome, the same at each repeat: mix over which.
            mine = cumulative[:, others]
            mixed = np.zeros(len(others))
            for level, share in enumerate(check.shows[self.other]):
                if share > 0:
                    mine[:level] = 0.0
                    mixed += share * product(mine)
            result[others] = mixed
        return result

    def _next_outcomes(self, check: Check, member: Array) -> Array:
        """(n, k) chance of each outcome of one look, instrument sound, nothing read before."""
        steps = np.apply_along_axis(_steps_down, 0, check.error)
        cumulative = self._levels(check, member)
        result = cumulative.T @ steps
        others = self._has_other(member)
        if len(others):
            result[others] = cumulative[:, others].T @ (steps * np.cumsum(check.shows[self.other])[:, None])
        return np.asarray(result)

    def outcome_chances(self, check: Check, rows: Ints) -> Array:
        """(n, k) chance of reading each outcome next, given all readings so far, under the sets `rows`."""
        key = self._group_key(check, "", False)
        group = self._groups.get(key)
        member = self.member[rows].astype(float)
        k = len(check.outcomes)
        if group is not None and check.id in group.likelihoods:
            past = np.maximum(group.likelihoods[check.id][rows], TINY)
            counts, soft = group.counts[check.id], group.soft.get(check.id, [])
            sound = np.column_stack(
                [self._likelihood(check, counts + np.eye(k)[o], soft, member) / past for o in range(k)]
            )
        else:
            sound = self._next_outcomes(check, member)
        if group is not None:
            all_works, good, bad = group.chance_stuck()
            works = all_works[rows]
        else:
            works = np.full(len(rows), 1.0 - self._fault_of(key, check.gear, "", False))
            good = bad = 0.5
        return _with_stuck(sound, works, good, bad)

    def fresh_outcome_chances(self, check: Check, member: Array) -> Array:
        """(n, k) chance of each outcome under any sets (n, F), as if nothing had been read yet."""
        sound = self._next_outcomes(check, member)
        fault = self._fault_of(self._group_key(check, "", False), check.gear, "", False)
        return _with_stuck(sound, np.full(len(member), 1.0 - fault), 0.5, 0.5)

    # ------------------------------------------------------------ entries

    def _check(self, check_id: str) -> Check:
        if check_id.endswith(TRIALS):
            return self.model.trials[check_id.removesuffix(TRIALS)]
        return self.model.checks[self.model.check_index[check_id]]

    def copy(self) -> Suspicions:
        """An independent copy, for what-if questions."""
        other = copy.copy(self)
        other._groups, other._refs = copy.deepcopy(self._groups), dict(self._refs)
        other._gear_fault = dict(self._gear_fault)
        return other

    def _group_key(self, check: Check, proven: str, failed: bool) -> GroupKey:
        gear = self.model.gear[self.model.gear_index[check.gear]]
        session = f"failed {proven}" if failed else proven
        return gear.id, check.id if gear.per_check else "", session

    def _fault_of(self, key: GroupKey, gear_id: str, proven: str, failed: bool) -> float:
        if key in self._gear_fault:
            return self._gear_fault[key]
        gear = self.model.gear[self.model.gear_index[gear_id]]
        if failed:
            return GEAR_FAILED
        return gear.fault_proven if proven else gear.fault_unproven

    def add(self, event: Event) -> None:
        """Take in one entry.

        Raises
        ------
        ModelError
            Unknown check, outcome or repair; counts that are no counts. Nothing is changed then.
        """
        if isinstance(event, Done):
            self._repair(event)
        elif isinstance(event, NewRun):
            self._close_epoch()
            self._start = self._redrawn(self._start)
        else:
            self._read(event)

    def _read(self, reading: Reading) -> None:
        if reading.check not in self.model.check_index:
            raise ModelError(f"check '{reading.check}' found, which this unit type does not have")
        check = self.model.checks[self.model.check_index[reading.check]]
        k = len(check.outcomes)
        counts = np.zeros(k)
        for outcome, count in reading.counts.items():
            if outcome not in check.outcomes:
                allowed = ", ".join(check.outcomes)
                raise ModelError(f"outcome '{outcome}' found for check '{check.id}'; allowed: {allowed}")
            if count < 0 or count != int(count):
                raise ModelError(f"count {count} found for outcome '{outcome}'; allowed: 0, 1, 2, ...")
            counts[check.outcomes.index(outcome)] = count
        soft: Array | None = None
        if reading.likelihood is not None:
            soft = _graded(check, reading.likelihood)
        if not counts.any() and soft is None:
            raise ModelError(f"check '{check.id}': no trial found; allowed: at least one")
        key = self._group_key(check, reading.proven, reading.failed)
        if counts.sum() > 1:
            check = self.model.trials.get(check.id, check)
        group = self._groups.get(key)
        if group is None:
            fault = self._fault_of(key, check.gear, reading.proven, reading.failed)
            group = self._groups[key] = _Group(fault)
        group.counts[check.id] = group.counts.get(check.id, np.zeros(k)) + counts
        if soft is not None:
            group.soft.setdefault(check.id, []).append(soft)
            group.stuck_good *= float(soft[0])
            group.stuck_bad *= float(soft[1:].mean())
        group.likelihoods[check.id] = self._likelihood(check, group.counts[check.id], group.soft.get(check.id, []))
        group.stuck_good *= 0.0 if counts[1:].any() else 1.0
        group.stuck_bad *= 0.0 if counts[0] else float((1.0 / (k - 1)) ** counts[1:].sum())
        group.update_total()
        self._refs[key, check.id] = reading.ref
        self._weights = None

    def _repair(self, done: Done) -> None:
        if done.repair not in self.model.repair_index:
            raise ModelError(f"repair '{done.repair}' found, which this unit type does not have")
        repair = self.model.repairs[self.model.repair_index[done.repair]]
        self._close_epoch()
        weights = self._start
        for mode, chance in repair.fixes.items():
            weights = self._move(weights, self.model.mode_index[mode], chance, present=True)
        if repair.harm > 0 and repair.causes is not None:
            weights = self._move(weights, self.model.mode_index[repair.causes], repair.harm, present=False)
        total = float(weights.sum())
        self.left_out = 1.0 - (1.0 - self.left_out) * total
        self._start = self._redrawn(weights / total)

    def _close_epoch(self) -> None:
        """Make the posterior the new starting point; carry each instrument's chance of being stuck over."""
        weights = self.weights.copy()
        self._log_sup += sum(self._group_sup(g) for g in self._groups.values())
        self._log_scale = self.log_evidence
        for key, group in self._groups.items():
            works, _, _ = group.chance_stuck()
            self._gear_fault[key] = float(weights @ (1.0 - works))
        self._groups, self._refs = {}, {}
        self._start = weights
        self._weights = None

    def _redrawn(self, weights: Array) -> Array:
        """Weights with acting and dormant parts drawn anew: what is there stays, whether it acts does not."""
        if not self._dormant:
            return weights
        key = self._key.copy()
        for dormant, acting in self._dormant.items():
            holds = self.member[:, dormant]
            key[holds] ^= self._mode_key[dormant] ^ self._mode_key[acting]
        _, group = np.unique(key, return_inverse=True)
        mass = np.bincount(group, weights)
        prior = np.bincount(group, self._prior)
        return np.asarray(mass[group] * self._prior / prior[group])

    def _move(self, weights: Array, mode: int, chance: float, present: bool) -> Array:
        """Move a share of the weight of the sets with (or without) a mode to those without (with) it."""
        rows = np.flatnonzero(self.member[:, mode] == present)
        moved = weights[rows] * chance
        rows, moved = rows[moved > 0], moved[moved > 0]
        wanted = self._key[rows] ^ self._mode_key[mode]
        order = np.argsort(self._key)
        place = np.minimum(np.searchsorted(self._key, wanted, sorter=order), len(order) - 1)
        target = order[place]
        found = self._key[target] == wanted
        weights = weights.copy()
        weights[rows] -= moved
        np.add.at(weights, target[found], moved[found])
        new = ~found & (moved > 1e-7)
        if new.any():
            extra = self.member[rows[new]].copy()
            extra[:, mode] = not present
            self.member = np.vstack([self.member, extra])
            self._key = np.concatenate([self._key, wanted[new]])
            self._pairs = None
            odds = np.array([m.prior / (1.0 - m.prior) for m in self.model.modes])
            change = odds[mode] if not present else 1.0 / odds[mode]
            self._prior = np.concatenate([self._prior, self._prior[rows[new]] * change])
            weights = np.concatenate([weights, moved[new]])
        return weights

    # ------------------------------------------------------------ does anything explain it

    def misfit(self, threshold: float = 0.02) -> Misfit | None:
        """Whether some set of modelled causes explains the readings since the last repair.

        Readings are compared with what a set that explains each would give (for counts, with the
        saturated multinomial); below `threshold`, nothing modelled explains them without a reading
        error of that size. None if there are no readings.
        """
        logs: list[Array] = []
        names: list[tuple[GroupKey, str]] = []
        for key, group in self._groups.items():
            for check_id, likelihood in group.likelihoods.items():
                check = self._check(check_id)
                best = _best_possible(check, group.counts[check_id], group.soft.get(check_id, []))
                logs.append(np.log(np.maximum(likelihood, TINY)) - np.log(best))
                names.append((key, check_id))
        if not logs:
            return None
        fits = np.minimum(np.array(logs), 0.0)
        usable = self._start > 0
        if self.other is not None:
            usable &= ~self.member[:, self.other]
        fits = fits[:, usable]
        total = fits.sum(axis=0)
        without = (total - fits).max(axis=1)
        worst = int(without.argmax())
        fit = float(np.exp(total.max()))
        return Misfit(
            fit,
            fit >= threshold,
            self._refs[names[worst]],
            names[worst][1].removesuffix(TRIALS),
            float(np.exp(without[worst])),
        )


def _steps_down(values: Array) -> Array:
    return np.append(values[:-1] - values[1:], values[-1])


def _with_stuck(sound: Array, works: Array, good: float, bad: float) -> Array:
    k = sound.shape[1]
    stuck = np.full(k, bad / (k - 1))
    stuck[0] = good
    return works[:, None] * sound + (1.0 - works)[:, None] * stuck


def _graded(check: Check, likelihood: Mapping[str, float]) -> Array:
    unknown = set(likelihood) - set(check.outcomes)
    if unknown:
        raise ModelError(f"outcome '{min(unknown)}' found; allowed: {', '.join(check.outcomes)}")
    graded = np.array([float(likelihood.get(o, 0.0)) for o in check.outcomes])
    if not np.isfinite(graded).all() or (graded < 0).any() or not graded.any():
        raise ModelError("a graded reading needs likelihoods of at least 0, one of them above 0")
    return graded / graded.max()


def _best_possible(check: Check, counts: Array, soft: Sequence[Array]) -> float:
    n = counts.sum()
    best = float(np.prod([(c / n) ** c * check.error[:, o].max() ** c for o, c in enumerate(counts) if c]))
    for each in soft:
        best *= float(each.max())
    return max(best, TINY)


def replay(model: Model, events: Iterable[Event], hypotheses: Hypotheses | None = None) -> Suspicions:
    """Suspicions after all events, in order."""
    suspicions = Suspicions(model, hypotheses)
    for event in events:
        suspicions.add(event)
    return suspicions
