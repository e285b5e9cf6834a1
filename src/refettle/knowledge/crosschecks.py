"""What the checks and repairs of a file name must be there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from refettle.knowledge.errors import Mistake
from refettle.knowledge.reading import Document, Path
from refettle.knowledge.schema import SIGNS, BlockKind, Caution, Check, Repair
from refettle.language import tr


@dataclass
class Checker:
    """Holds what a file says against what it may name; `mistakes` grows by what does not fit."""

    document: Document
    mistakes: list[Mistake]
    cautions: Mapping[str, Caution]

    def add(self, path: Path, found: str, allowed: str) -> None:
        """One more mistake, at its line."""
        self.mistakes.append(self.document.mistake(path, found, allowed))

    def one_of(self, path: Path, value: str, allowed: list[str], what: str) -> bool:
        """True if the value is one of those allowed; else a mistake."""
        if value in allowed:
            return True
        names = ", ".join(sorted(allowed)) or tr("(none)")
        self.add(path, f"'{value}'", f"{what}: {names}")
        return False

    def caution_ids(self, path: Path, ids: list[str]) -> None:
        """Each must be a caution of the library."""
        for number, each in enumerate(ids):
            self.one_of((*path, number), each, list(self.cautions), tr("a caution of the library"))

    def check(self, path: Path, check: Check, modes: list[str]) -> None:
        """`modes` are the ids that `looks_at` may name."""
        self.caution_ids((*path, "cautions"), check.cautions)
        for number, mode in enumerate(check.looks_at):
            self.one_of((*path, "looks_at", number), mode, modes, tr("a failure mode"))
        named: set[str] = set()
        for outcome, causes in check.outcomes.items():
            here = (*path, "outcomes", outcome)
            allowed = check.looks_at if check.looks_at else list(SIGNS)
            what = tr("a failure mode of looks_at") if check.looks_at else tr("a sign")
            if not causes:
                self.add(here, tr("an empty list"), tr("at least one {kind}", kind=what))
            for number, cause in enumerate(causes):
                self.one_of((*here, number), cause, allowed, what)
                named.add(cause)
        for mode in check.looks_at:
            if mode not in named:
                self.add(
                    (*path, "looks_at"),
                    tr("'{mode}', which no outcome names", mode=mode),
                    tr("modes that some outcome shows"),
                )

    def repair(self, path: Path, repair: Repair, modes: list[str], kinds: Mapping[str, BlockKind]) -> None:
        """`modes` are the ids that `fixes` may name."""
        self.caution_ids((*path, "cautions"), repair.cautions)
        for mode in repair.fixes:
            self.one_of((*path, "fixes", mode), mode, modes, tr("a failure mode"))
        if not repair.undo and not repair.proof:
            self.add(path, tr("undo: false without 'proof'"), tr("what must be shown before this step is offered"))
        if repair.harm and repair.harm.causes:
            kind, _, mode = repair.harm.causes.rpartition("/")
            here = (*path, "harm", "causes")
            if not kind:
                self.one_of(here, mode, modes, tr("a failure mode or block-kind/mode"))
            elif self.one_of(here, kind, list(kinds), tr("a block kind")):
                self.one_of(here, mode, list(kinds[kind].modes), tr("a failure mode of {kind}", kind=kind))

    def all_fixed(self, path: Path, modes: list[str], fixed: set[str]) -> None:
        """Some repair must fix each failure mode."""
        for mode in modes:
            if mode not in fixed:
                self.add(
                    (*path, "modes", mode),
                    tr("'{mode}', which no repair fixes", mode=mode),
                    tr("modes that some repair fixes"),
                )


def check_kind(kind: BlockKind, kinds: Mapping[str, BlockKind], checker: Checker) -> None:
    """What a block kind names must be there, and every failure mode fixed by some repair."""
    modes = list(kind.modes)
    checker.caution_ids(("cautions",), kind.cautions)
    for key, check in kind.checks.items():
        path = ("checks", key)
        checker.check(path, check, modes)
        if check.sees is not None and check.sees != "output":
            checker.add((*path, "sees"), f"'{check.sees}'", tr("'output' in a block kind"))
        if check.without:
            checker.add((*path, "without"), tr("block names in a block kind"), tr("names only in a unit type"))
    fixed: set[str] = set()
    for key, repair in kind.repairs.items():
        checker.repair(("repairs", key), repair, modes, kinds)
        fixed |= set(repair.fixes)
    checker.all_fixed((), modes, fixed)
    for key in set(kind.checks) & set(kind.repairs):
        checker.add(("repairs", key), tr("'{id}', which is a check too", id=key), tr("a name of its own"))
