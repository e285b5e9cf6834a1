"""Sets of failure modes, enumerated best-first by prior odds.

With independent modes, the prior of a set is the prior of the empty set times the product of its
members' odds; so the sets above any threshold are found by extending shorter ones, and the mass of all
sets left out is known exactly: one minus the sum of those kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from refettle.faults.model import Array, Bools, Ints, Keys, Model, ModelError

MAX_FAULTS = 6


@dataclass(frozen=True, eq=False)
class Hypotheses:
    """Enumerated sets of failure modes.

    Attributes
    ----------
    member : (N, F) bool array
        Which modes each set holds.
    prior : (N,) array
        Prior chance of each set.
    left_out : float
        Prior mass of all sets not enumerated.
    key : (N,) uint64 array
        A hash of each set, so that sets can be found again after a repair.
    mode_key : (F,) uint64 array
        A set's key is the exclusive-or of its modes' keys.
    """

    member: Bools
    prior: Array
    left_out: float
    key: Keys
    mode_key: Keys

    def __len__(self) -> int:
        return len(self.prior)


def _keys(count: int) -> Keys:
    # A fixed seed: the keys are identities, not chances.
    return np.random.default_rng(20240517).integers(1, 2**63, size=count, dtype=np.uint64)


def _above(log_odds: Array, threshold: float, cap: int) -> list[Ints] | None:
    """All sets with summed log odds >= threshold, by size, as index arrays; None if more than cap.

    `log_odds` is sorted, largest first, and all are below 0.
    """
    sizes: list[Ints] = [np.zeros((1, 0), dtype=np.int64)]
    total = np.zeros(1)
    last = np.full(1, -1, dtype=np.int64)
    count = 1
    n = len(log_odds)
    for _ in range(MAX_FAULTS):
        # For each set, the modes after its last that keep it above the threshold form one run.
        end = np.searchsorted(-log_odds, -(threshold - total), side="right")
        runs = np.maximum(0, np.minimum(end, n) - (last + 1))
        made = int(runs.sum())
        if made == 0:
            break
        count += made
        if count > cap:
            return None
        parent = np.repeat(np.arange(len(total)), runs)
        offset = np.arange(made) - np.repeat(np.cumsum(runs) - runs, runs)
        added = last[parent] + 1 + offset
        sizes.append(np.column_stack([sizes[-1][parent], added]))
        total = total[parent] + log_odds[added]
        last = added
    return sizes


def enumerate_sets(model: Model, left_out: float = 0.005, cap: int = 20_000) -> Hypotheses:
    """Enumerate sets best-first until the mass left out is at most `left_out`, or `cap` sets.

    Parameters
    ----------
    model : Model
        Its modes' priors are used; with `model.single`, the sets are exactly the single modes.
    left_out : float
        Wanted bound on the prior mass of sets not enumerated, in (0, 1).
    cap : int
        At most this many sets; the mass then left out is larger, and is reported.

    Raises
    ------
    ModelError
        If `left_out` or `cap` are out of range.
    """
    if not 0.0 < left_out < 1.0 or cap < 1:
        raise ModelError(f"left_out {left_out}, cap {cap} found; allowed: 0 to 1, and at least 1")
    prior = np.array([mode.prior for mode in model.modes])
    f = len(prior)
    keys = _keys(f)
    if model.single:
        member = np.eye(f, dtype=bool)
        return Hypotheses(member, prior / prior.sum(), 0.0, keys.copy(), keys)
    if prior.max() >= 0.5:
        # Best-first extension needs odds below 1; a type with such a mode is no fault model.
        worst = model.modes[int(prior.argmax())]
        raise ModelError(f"mode {worst.id}: prior {worst.prior:.3g} found; allowed: below 0.5")
    log_odds = np.log(prior) - np.log1p(-prior)
    order = np.argsort(-log_odds, kind="stable")
    ordered = log_odds[order]
    empty = float(np.log1p(-prior).sum())

    # Bisect on the threshold: the fewest sets that reach the wanted mass, else the most that fit the cap.
    best: list[Ints] | None = None
    best_mass = -1.0
    low, high = -60.0, 0.0
    while high - low > 1e-3:
        middle = 0.5 * (low + high)
        sizes = _above(ordered, middle, cap)
        if sizes is None:
            low = middle
            continue
        mass = sum(float(np.exp(empty + ordered[s].sum(axis=1)).sum()) for s in sizes)
        enough = mass >= 1.0 - left_out
        if enough or mass > best_mass:
            best, best_mass = sizes, mass
        if enough and mass <= 1.0 - 0.8 * left_out:
            break
        low, high = (middle, high) if enough else (low, middle)
    if best is None:
        best = [np.zeros((1, 0), dtype=np.int64)]
    member = np.zeros((sum(len(s) for s in best), f), dtype=bool)
    row = 0
    for s in best:
        if s.shape[1]:
            member[np.arange(row, row + len(s))[:, None], order[s]] = True
        row += len(s)
    mass_of_each = np.exp(empty + member @ log_odds)
    rank = np.argsort(-mass_of_each, kind="stable")
    member, chance = member[rank], mass_of_each[rank]
    return Hypotheses(member, chance, max(0.0, 1.0 - float(chance.sum())), set_keys(member, keys), keys)


def few_sets(model: Model) -> Hypotheses:
    """The sets of one failure mode, and the one of none, where that may be."""
    f = len(model.modes)
    prior, keys = np.array([mode.prior for mode in model.modes]), _keys(f)
    member = np.eye(f, dtype=bool)
    if model.single:
        return Hypotheses(member, prior / prior.sum(), 0.0, keys.copy(), keys)
    member = np.vstack([np.zeros((1, f), dtype=bool), member])
    chance = np.exp(np.log1p(-prior).sum()) * np.append(1.0, prior / (1.0 - prior))
    return Hypotheses(member, chance, max(0.0, 1.0 - float(chance.sum())), set_keys(member, keys), keys)


def grown(model: Model, sets: Hypotheses, around: Bools) -> Hypotheses:
    """`sets` and all sets that differ by one mode from one of `around` (n, F); the mass left out shrinks by theirs.

    What was left out beforehand for being rare may be what the readings ask for: the neighbours of the sets that they
    favour are worth having.
    """
    if model.single:
        return sets
    f = around.shape[1]
    keys = (set_keys(around, sets.mode_key)[:, None] ^ sets.mode_key).ravel()
    _, first = np.unique(keys, return_index=True)
    first = first[~np.isin(keys[first], sets.key)]
    member = around[first // f].copy()
    toggled = first % f
    member[np.arange(len(first)), toggled] ^= True
    prior = np.array([mode.prior for mode in model.modes])
    mass = np.exp(np.log1p(-prior).sum() + member @ (np.log(prior) - np.log1p(-prior)))
    return Hypotheses(
        np.vstack([sets.member, member]),
        np.concatenate([sets.prior, mass]),
        max(0.0, sets.left_out - float(mass.sum())),
        np.concatenate([sets.key, keys[first]]),
        sets.mode_key,
    )


def set_keys(
    member: Bools,
    mode_key: Keys,
) -> Keys:
    """The key of each set: the exclusive-or of its members' keys."""
    return np.asarray(np.bitwise_xor.reduce(np.where(member, mode_key, np.uint64(0)), axis=1), np.uint64)
