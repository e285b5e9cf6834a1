"""Suspicion: what the log says about which failure modes are present.

Bayesian filtering over enumerated sets of failure modes. Between two repairs, each reading multiplies
the weight of a set by the chance of that reading; a repair moves weight from sets with a mode to sets
without it. Readings from before a repair thus stay tied to the unit as it was then, and what they said of
blocks that the repair does not touch stays in force.

Three things keep repeated readings from counting as independent evidence:

- an instrument may be stuck (half the time at good, half at bad); all readings that share it share that;
- the unmodelled cause gives one outcome per check, the same at each repeat;
- within one run of the unit, an intermittent mode either acts or does not (see `refettle.faults.model`).

What is hidden (is this instrument stuck, which outcome the unmodelled cause gives at this check) is carried
from one stretch of the log to the next for each set of failure modes; given the set, hidden things are taken as
independent of each other there; so they are when the readings of one check are spread over instruments or days.
That is the one approximation, besides the sets left out, whose mass is reported.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, TypeAlias

import numpy as np

from refettle.faults.evidence import Done, Event, Misfit, NewRun, Reading, Tally, counts_of, grades_of
from refettle.faults.hypotheses import Hypotheses, enumerate_sets, grown
from refettle.faults.looks import Looks, log_of
from refettle.faults.model import TRIALS, Array, Bools, Check, Ints, Model, ModelError
from refettle.language import tr

GEAR_FAILED = 0.9
"""Chance that an instrument is at fault whose self-check failed that day (estimate)."""

GroupKey: TypeAlias = tuple[str, str, str]
"""Gear, check (if the gear errs check by check), and the day it was proven on ('' if not)."""


@dataclass
class _Group:
    """Readings that share one instrument, since the last repair or new run.

    `stuck` is (N, 2) or (1, 2): beforehand, the chance under each set that the instrument is stuck at good, at bad.
    """

    stuck: Array
    tallies: dict[str, Tally] = field(default_factory=dict)
    logs: dict[str, Array] = field(default_factory=dict)
    by_level: dict[str, Array] = field(default_factory=dict)
    total: Array = field(default_factory=lambda: np.zeros(0))
    """(N,) log chance of all its readings."""
    _now: Array | None = None

    def copy(self) -> _Group:
        """An independent copy; arrays are replaced, never changed in place, so they are shared."""
        tallies = {c: replace(t, graded=list(t.graded)) for c, t in self.tallies.items()}
        return _Group(self.stuck, tallies, dict(self.logs), dict(self.by_level), self.total)

    def _if_stuck(self) -> Array:
        """(N or 1, 2) log chance that it is stuck at good, at bad, and gives these readings."""
        logs = np.sum([tally.log_stuck() for tally in self.tallies.values()], axis=0)
        return np.asarray(log_of(self.stuck) + logs)

    def _sound(self) -> Array:
        """(N,) log chance that it is sound and gives these readings."""
        return np.asarray(self._log_works() + sum(self.logs.values()))

    def _log_works(self) -> Array:
        return log_of(np.maximum(1.0 - self.stuck.sum(axis=1), 0.0))

    def update_total(self) -> None:
        self._now = None
        sound, stuck = self._sound(), self._if_stuck()
        if sound.min() > -600.0 and stuck.max() < 600.0:
            self.total = log_of(np.exp(sound) + np.exp(stuck).sum(axis=1))
        else:
            self.total = np.logaddexp(sound, np.logaddexp(stuck[:, 0], stuck[:, 1]))

    def stuck_now(self) -> Array:
        """(N, 2) chance under each set that the instrument is stuck at good, at bad, given its readings."""
        if self._now is None:
            shift = np.where(np.isfinite(self.total), self.total, 0.0)[:, None]
            self._now = np.exp(np.minimum(self._if_stuck() - shift, 0.0))
        return self._now

    def shares_now(self, ids: list[str], share: Array, rows: Ints) -> Array:
        """(n, k) chances of the unmodelled cause's outcome at a check, given this group's readings of it (under
        `ids`: one look, trials), whether the instrument is sound or stuck."""
        mine = np.sum([self.logs[c][rows] for c in ids], axis=0)
        rest = sum(logs[rows] for c, logs in self.logs.items() if c not in ids)
        by_level = np.sum([self.by_level[c] for c in ids], axis=0)
        stuck, before = self._if_stuck(), self._log_works()
        if len(self.stuck) > 1:
            stuck, before = stuck[rows], before[rows]
        sound = np.broadcast_to(before + rest, mine.shape)[:, None] + by_level
        return _shares(share, np.logaddexp(sound, np.logaddexp(stuck[:, :1], stuck[:, 1:])))

    def log_most(self) -> float:
        """Log of an upper bound of the chance of its readings under any set."""
        sound = sum(tally.log_most() for tally in self.tallies.values())
        parts = np.append(self._if_stuck().max(axis=0), sound)
        return float(min(np.logaddexp.reduce(parts), 0.0))


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
        self.left_out = sets.left_out
        """Prior mass of the sets not enumerated, and of those dropped since."""
        others = [i for i, mode in enumerate(model.modes) if mode.other]
        if len(others) > 1:
            raise ModelError(tr("two modes marked 'other' found; at most one is allowed"))
        self.looks = Looks(sets.member, others[0] if others else None)
        self._key, self._mode_key, self._prior = sets.key, sets.mode_key, sets.prior
        self._order: Ints | None = None
        self._same: tuple[Any, Ints] | None = None
        self._start = sets.prior.copy()
        self._stuck: dict[GroupKey, Array] = {}
        self._shares: dict[str, Array] = {}
        self._groups: dict[GroupKey, _Group] = {}
        self._log_scale = 0.0
        self._log_most = 0.0
        self._log_start: Array | None = None
        self._weights: Array | None = None

    @property
    def member(self) -> Bools:
        """(N, F) which modes each enumerated set holds."""
        return self.looks.member

    def copy(self) -> Suspicions:
        """An independent copy, for what-if questions."""
        other = copy.copy(self)
        other._groups = {key: group.copy() for key, group in self._groups.items()}
        other._stuck, other._shares = dict(self._stuck), dict(self._shares)
        return other

    # ------------------------------------------------------------ what is believed now

    @property
    def weights(self) -> Array:
        """(N,) posterior chance of each enumerated set; sums to 1."""
        if self._weights is None:
            raw = self._log_raw()
            top = raw.max()
            if not np.isfinite(top):
                raise ModelError(tr("no set of failure modes allows these readings; check the last entry"))
            weights = np.exp(raw - top)
            self._weights = weights / weights.sum()
        return self._weights

    def _log_raw(self) -> Array:
        if self._log_start is None:
            self._log_start = log_of(self._start)
        raw = self._log_start
        for group in self._groups.values():
            raw = raw + group.total
        return raw

    @property
    def log_evidence(self) -> float:
        """Log of the chance of all readings so far, over the enumerated sets."""
        raw = self._log_raw()
        top = float(raw.max())
        if not np.isfinite(top):
            return -np.inf
        return self._log_scale + top + float(np.log(np.exp(raw - top).sum()))

    def suspicion(self) -> Array:
        """(F,) posterior chance that each mode is present."""
        rows, columns = self.looks.pairs
        return np.asarray(np.bincount(columns, self.weights[rows], self.member.shape[1]), float)

    def nothing_wrong(self) -> float:
        """Posterior chance that no mode is present."""
        return float(self.weights[~self.member.any(axis=1)].sum())

    def left_out_probably(self) -> float:
        """Estimate of the posterior mass of the sets left out: as if they explained the readings as well, on
        average, as the enumerated sets of three modes or more do."""
        large = self.member.sum(axis=1) >= min(3, self.member.shape[1])
        prior = float(self._prior[large].sum())
        if self.left_out <= 0 or prior <= 0:
            return 0.0
        mass = self.left_out * float(self.weights[large].sum()) / prior
        return mass / (1.0 + mass)

    def left_out_at_most(self) -> float:
        """Upper bound of the posterior mass of the sets left out: they explain the readings at best as
        well as any set could."""
        if self.left_out <= 0:
            return 0.0
        most = self._log_most + sum(group.log_most() for group in self._groups.values())
        log_ratio = np.log(self.left_out) + most - self.log_evidence
        return float(1.0 / (1.0 + np.exp(-log_ratio))) if log_ratio < 700 else 1.0

    # ------------------------------------------------------------ chances of outcomes

    def _share(self, check: Check) -> Array:
        """(n, k) chances of the unmodelled cause's outcome at a check, for the sets that hold it."""
        base = check.id.removesuffix(TRIALS)
        if base in self._shares:
            return self._shares[base][self.looks.others]
        return np.repeat(self._unread_share(check), len(self.looks.others), axis=0)

    def _share_after(self, check: Check, joins: GroupKey | None = None) -> Array:
        """The same, given all readings so far, taking the groups in turn. With `joins`, as seen by a sound
        instrument of that group, whose readings come last."""
        share = self._share(check)
        last: Array | None = None
        for key, group in self._groups.items():
            ids = [c for c in (check.id, check.id + TRIALS) if c in group.tallies]
            if not ids:
                continue
            if key == joins:
                last = np.sum([group.by_level[c] for c in ids], axis=0)
            else:
                share = group.shares_now(ids, share, self.looks.others)
        return share if last is None else _shares(share, last)

    def outcome_chances(self, check: Check, rows: Ints) -> Array:
        """(n, k) chance of reading each outcome next, given all readings so far, under the sets `rows`."""
        key, group = self._latest_group(check)
        share = self._unread_share(check)
        if self._has_read(check) and len(self.looks.others):
            whole = np.zeros((len(self.member), len(check.outcomes)))
            whole[self.looks.others] = self._share_after(check, key)
            share = whole[rows]
        sound = self.looks.next_outcomes(check, rows, share)
        stuck = group.stuck_now() if group is not None else self._stuck_before(key, check.gear)
        return _with_stuck(sound, stuck[rows] if len(stuck) > 1 else stuck)

    def _has_read(self, check: Check) -> bool:
        return check.id in self._shares or any(
            check.id in g.tallies or check.id + TRIALS in g.tallies for g in self._groups.values()
        )

    def _unread_share(self, check: Check) -> Array:
        """(1, k) chances of the unmodelled cause's outcome at a check not yet made."""
        if self.looks.other is None:
            return np.zeros((1, len(check.outcomes)))
        return np.asarray(check.shows[self.looks.other][None, :])

    def _latest_group(self, check: Check) -> tuple[GroupKey, _Group | None]:
        """The group that the next reading of a check would join, as far as is known now."""
        plain = self._group_key(check, "", False)
        for key in reversed(self._groups):
            if key[:2] == plain[:2]:
                return key, self._groups[key]
        return plain, None

    def fresh_outcome_chances(self, check: Check, member: Array) -> Array:
        """(n, k) chance of each outcome under any sets (n, F), as if nothing had been read yet."""
        looks = Looks(member > 0, self.looks.other)
        sound = looks.next_outcomes(check, np.arange(len(member)), self._unread_share(check))
        fault = self.model.gear[self.model.gear_index[check.gear]].fault_unproven
        return _with_stuck(sound, np.full((1, 2), 0.5 * fault))

    # ------------------------------------------------------------ entries

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
            self._carry(None)
        else:
            self._read(event)

    def _group_key(self, check: Check, proven: str, failed: bool) -> GroupKey:
        gear = self.model.gear[self.model.gear_index[check.gear]]
        session = f"failed {proven}" if failed else proven
        return gear.id, check.id.removesuffix(TRIALS) if gear.per_check else "", session

    def _stuck_before(self, key: GroupKey, gear_id: str) -> Array:
        if key in self._stuck:
            return self._stuck[key]
        gear = self.model.gear[self.model.gear_index[gear_id]]
        session = key[2]
        fault = gear.fault_proven if session else gear.fault_unproven
        if session.startswith("failed"):
            fault = GEAR_FAILED
        return np.full((1, 2), 0.5 * fault)

    def _read(self, reading: Reading) -> None:
        if reading.check not in self.model.check_index:
            raise ModelError(tr("check '{check}' found, which this unit type does not have", check=reading.check))
        check = self.model.checks[self.model.check_index[reading.check]]
        counts = counts_of(check, reading.counts)
        graded = [] if reading.likelihood is None else [grades_of(check, reading.likelihood)]
        if not counts.any() and not graded:
            raise ModelError(tr("check '{id}': no trial found; allowed: at least one", id=check.id))
        key = self._group_key(check, reading.proven, reading.failed)
        if counts.sum() > 1:
            check = self.model.trials.get(check.id, check)
        group = self._groups.get(key)
        if group is None:
            group = self._groups[key] = _Group(self._stuck_before(key, check.gear))
        tally = group.tallies.setdefault(check.id, Tally(check, np.zeros(len(check.outcomes))))
        tally.counts = tally.counts + counts
        tally.graded = tally.graded + graded
        tally.ref = reading.ref
        self._recount(check)
        self._weights = None

    def _recount(self, check: Check) -> None:
        """Work out the likelihoods of all readings of a check, one group after the other: what an earlier
        group says of the unmodelled cause's outcome is known to the later ones."""
        base = check.id.removesuffix(TRIALS)
        share = self._share(check)
        for group in self._groups.values():
            ids = [c for c in (base, base + TRIALS) if c in group.tallies]
            inside = share
            for check_id in ids:
                group.logs[check_id], group.by_level[check_id] = self.looks.log_likelihood(
                    group.tallies[check_id], inside
                )
                if len(self.looks.others):
                    inside = _shares(inside, group.by_level[check_id])
            if ids:
                group.update_total()
                if len(self.looks.others):
                    share = group.shares_now(ids, share, self.looks.others)

    # ------------------------------------------------------------ repairs and new runs

    def _repair(self, done: Done) -> None:
        if done.repair not in self.model.repair_index:
            raise ModelError(tr("repair '{repair}' found, which this unit type does not have", repair=done.repair))
        self._carry(done.repair)

    def _carry(self, repair_id: str | None) -> None:
        """Close this stretch of the log: carry weights, and what is hidden, over a repair or a new run."""
        weights = self.weights
        n = len(weights)
        stuck = {key: self._stuck[key] for key in self._stuck if key not in self._groups}
        stuck |= {key: np.broadcast_to(group.stuck_now(), (n, 2)) for key, group in self._groups.items()}
        shares = dict(self._shares)
        read = {c.removesuffix(TRIALS) for g in self._groups.values() for c in g.tallies}
        for check in (self.model.checks[self.model.check_index[base]] for base in sorted(read)):
            # Where the unmodelled cause can give but one outcome there is nothing to carry.
            if len(self.looks.others) and self._unread_share(check).max() < 1.0:
                shares[check.id] = np.zeros((n, len(check.outcomes)))
                shares[check.id][self.looks.others] = self._share_after(check)
        self._log_most += sum(group.log_most() for group in self._groups.values())
        self._log_scale = self.log_evidence
        mass = np.hstack([np.ones((n, 1)), *stuck.values(), *shares.values()])
        mass *= weights[:, None]
        if repair_id is not None:
            repair = self.model.repairs[self.model.repair_index[repair_id]]
            for mode, chance in repair.fixes.items():
                mass = self._move(mass, self.model.mode_index[mode], chance, present=True)
            if repair.harm > 0 and repair.causes is not None:
                mass = self._move(mass, self.model.mode_index[repair.causes], repair.harm, present=False)
        mass = self._redrawn(mass)
        self._fill_shares(mass, stuck, shares)
        total = float(mass[:, 0].sum())
        self.left_out = 1.0 - (1.0 - self.left_out) * total
        self._start, self._log_start = mass[:, 0] / total, None
        hidden = mass[:, 1:] / np.maximum(mass[:, :1], 1e-300)
        at = 0
        for table in (stuck, shares):
            for key, old in table.items():
                table[key] = hidden[:, at : at + old.shape[1]]  # type: ignore[index]
                at += old.shape[1]
        self._stuck, self._shares, self._groups = stuck, shares, {}
        self._weights = None

    def _fill_shares(self, mass: Array, stuck: Mapping[GroupKey, Array], shares: Mapping[str, Array]) -> None:
        """Where the unmodelled cause came in just now (harm), its outcomes are as if nothing had been read."""
        begin = 1 + sum(table.shape[1] for table in stuck.values())
        others = self.looks.others
        kept = mass[others, begin:]
        mass[:, begin:] = 0.0  # a cause that went and one that comes later are not the same
        at = 0
        for check_id in shares:
            check = self.model.checks[self.model.check_index[check_id]]
            columns = slice(at, at + len(check.outcomes))
            missing = mass[others, 0] - kept[:, columns].sum(axis=1)
            kept[:, columns] += np.maximum(missing, 0.0)[:, None] * self._unread_share(check)
            at += len(check.outcomes)
        mass[others, begin:] = kept

    def _move(self, mass: Array, mode: int, chance: float, present: bool) -> Array:
        """Move, in place, a share of the mass (N, d) of the sets with (or without) a mode to those without
        (with) it; longer by the sets not met before."""
        rows = np.flatnonzero((self.member[:, mode] == present) & (mass[:, 0] > 0))
        moved = mass[rows] * chance
        wanted = self._key[rows] ^ self._mode_key[mode]
        if self._order is None:
            self._order = np.argsort(self._key)
        place = np.minimum(np.searchsorted(self._key, wanted, sorter=self._order), len(self._key) - 1)
        target = self._order[place]
        found = self._key[target] == wanted
        mass[rows] -= moved
        mass[target[found]] += moved[found]
        new = ~found & (moved[:, 0] > 1e-7)
        if new.any():
            extra = self.member[rows[new]].copy()
            extra[:, mode] = not present
            odds = self.model.modes[mode].prior / max(1.0 - self.model.modes[mode].prior, 1e-12)
            prior = self._prior[rows[new]] * (1.0 / odds if present else odds)
            self._prior = np.concatenate([self._prior, prior])
            self._key = np.concatenate([self._key, wanted[new]])
            self._order = None
            self.looks = Looks(np.vstack([self.member, extra]), self.looks.other)
            mass = np.vstack([mass, moved[new]])
        return mass

    def _redrawn(self, mass: Array) -> Array:
        """Mass (N, d) with acting and dormant parts drawn anew: what is there stays, whether it acts does not."""
        same = self._same_but_acting()
        if same is None:
            return mass
        members, which = same
        total = members @ mass
        total /= (members @ self._prior)[:, None]
        out: Array = total.take(which, axis=0)
        out *= self._prior[:, None]
        return out

    def _same_but_acting(self) -> tuple[Any, Ints] | None:
        """Which sets differ only in what acts: a sparse matrix (groups, N) of ones, and each set's group. None where
        no mode comes and goes. Sets are only ever added, so it is kept until some are."""
        pairs = [(i, m.dormant_of) for i, m in enumerate(self.model.modes) if m.dormant_of is not None]
        if not pairs:
            return None
        n = len(self._key)
        if self._same is None or len(self._same[1]) != n:
            from scipy.sparse import csr_matrix  # sums rows several times as fast as numpy's reduceat

            key = self._key.copy()
            for dormant, acting in pairs:
                active = self.model.mode_index[acting]
                holds = self.member[:, dormant]
                key[holds] ^= self._mode_key[dormant]
                key[holds & ~self.member[:, active]] ^= self._mode_key[active]
            _, which = np.unique(key, return_inverse=True)
            members = csr_matrix((np.ones(n), (which, np.arange(n))), shape=(int(which.max()) + 1, n))
            self._same = members, which
        return self._same

    # ------------------------------------------------------------ does anything explain it

    def misfit(self, threshold: float = 0.02) -> Misfit | None:
        """Whether some set of modelled causes explains the readings since the last repair or new run.

        Readings are compared with what a cause made to explain them would give; below `threshold`, nothing
        modelled explains them without a reading error of that size. None if there are no readings.
        """
        found = [(g.logs[c] - g.tallies[c].log_best(), g.tallies[c]) for g in self._groups.values() for c in g.tallies]
        if not found:
            return None
        usable = self._start > 0
        if self.looks.other is not None:
            usable &= ~self.member[:, self.looks.other]
        fits = np.maximum(np.minimum(np.array([f for f, _ in found]), 0.0), -1e6)[:, usable]
        total = fits.sum(axis=0)
        without = (total - fits).max(axis=1)
        worst = int(without.argmax())
        fit = float(np.exp(total.max()))
        tally = found[worst][1]
        base = tally.check.id.removesuffix(TRIALS)
        return Misfit(fit, fit >= threshold, tally.ref, base, float(np.exp(without[worst])))


def _shares(share: Array, log_chance: Array) -> Array:
    """Rows of `share` times the exponential of `log_chance`, summing to 1; unchanged where that is 0."""
    raw = log_of(share) + log_chance
    best = raw.max(axis=1, keepdims=True)
    raw = np.exp(raw - np.where(np.isfinite(best), best, 0.0))
    total = raw.sum(axis=1, keepdims=True)
    return np.where(total > 0, raw / np.maximum(total, 1e-300), share)


def _with_stuck(sound: Array, stuck: Array) -> Array:
    k = sound.shape[1]
    result = (1.0 - stuck.sum(axis=1))[:, None] * sound
    result[:, 0] += stuck[:, 0]
    result[:, 1:] += stuck[:, 1:] / (k - 1)
    return np.asarray(result)


def replay(
    model: Model, events: Iterable[Event], hypotheses: Hypotheses | None = None, grow: int = 0, rounds: int = 2
) -> Suspicions:
    """Suspicions after all events, in order.

    With `grow`, the log is gone through again, `rounds` times, each time with the neighbours of the `grow` heaviest
    sets as well (see `hypotheses.grown`), so that combinations too rare to be enumerated beforehand are there once the
    readings ask for them. Heaviest before each repair and at the end: a repair changes which they are.
    """
    events = list(events)
    sets = hypotheses if hypotheses is not None else enumerate_sets(model)
    suspicions, heavy = _through(model, events, sets, grow)
    for _ in range(rounds if grow and events else 0):
        if suspicions.left_out <= 0:
            break
        sets = grown(model, sets, heavy)
        suspicions, heavy = _through(model, events, sets, grow)
    return suspicions


def _through(model: Model, events: Iterable[Event], sets: Hypotheses, grow: int) -> tuple[Suspicions, Bools]:
    suspicions = Suspicions(model, sets)
    heavy: list[Bools] = []

    def note() -> None:
        count = min(grow, len(suspicions.weights))
        if count:
            heavy.append(suspicions.member[np.argpartition(-suspicions.weights, count - 1)[:count]])

    for event in events:
        if isinstance(event, Done):
            note()
        suspicions.add(event)
    note()
    return suspicions, np.vstack(heavy) if heavy else suspicions.member[:0]
