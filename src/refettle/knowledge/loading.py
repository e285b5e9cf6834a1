"""Loading block kinds and unit types: reading, checking, merging what a type overrides.

Everything that can be wrong is reported at once, each mistake with its file and line.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path as FilePath
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from refettle.knowledge.errors import KnowledgeError, Mistake
from refettle.knowledge.reading import Document, Path, read_document
from refettle.knowledge.schema import (
    SIGNS,
    BlockKind,
    Caution,
    Check,
    FailureMode,
    PointKind,
    Repair,
    UnitType,
)

M = TypeVar("M", bound=BaseModel)
MAX_BYTES = 4_000_000
Passes = dict[str, str | None]


@dataclass(frozen=True)
class Library:
    """Block kinds, point kinds and cautions by id."""

    kinds: Mapping[str, BlockKind]
    points: Mapping[str, PointKind]
    cautions: Mapping[str, Caution]


def library_text(library: Library, kinds: Collection[str], points: Collection[str]) -> str:
    """What a unit type uses of a library, as JSON text: kept with a job, so that its replay stays the same when the
    library changes. `library_from_text` gives it back."""
    used = {
        "kinds": {k: v.model_dump(mode="json") for k, v in library.kinds.items() if k in kinds},
        "points": {k: v.model_dump(mode="json") for k, v in library.points.items() if k in points},
        "cautions": {k: v.model_dump(mode="json") for k, v in library.cautions.items()},
    }
    return json.dumps(used, ensure_ascii=False)


def library_from_text(text: str) -> Library:
    """A library from `library_text`. Raises ValueError (pydantic's) if the text is no such library."""
    data = json.loads(text)
    return Library(
        {k: BlockKind.model_validate(v) for k, v in data["kinds"].items()},
        {k: PointKind.model_validate(v) for k, v in data["points"].items()},
        {k: Caution.model_validate(v) for k, v in data["cautions"].items()},
    )


@dataclass(frozen=True)
class ResolvedBlock:
    """A block of a unit type with everything taken over from its kind, overrides applied."""

    id: str
    name: str
    kind: str
    bench_gear: bool
    weight: float
    needs: Mapping[str, Passes]
    passes: Passes
    modes: Mapping[str, FailureMode]
    checks: Mapping[str, Check]
    repairs: Mapping[str, Repair]
    cautions: tuple[str, ...] = ()
    part: str | None = None


@dataclass(frozen=True)
class LoadedType:
    """A unit type ready for use: its file's text and hash, and its blocks resolved."""

    file: str
    text: str
    unit_type: UnitType
    blocks: Mapping[str, ResolvedBlock]
    library: Library
    library_text: str
    """What it uses of the library, see `library_text`."""
    sha256: str
    """Of the file's text and of what it uses of the library: the same hash, the same fault model."""

    @property
    def name(self) -> str:
        """The unit type's name as printed."""
        return self.unit_type.unit_type


# ---------------------------------------------------------------- reading one model


def _words(error: Any) -> tuple[str, str]:
    """What was found and what is allowed, from one pydantic error."""
    kind, ctx, value = error["type"], error.get("ctx", {}), error.get("input")
    found = f"'{str(value)[:60]}'" if isinstance(value, str | int | float | bool) else type(value).__name__
    if isinstance(value, dict | list):
        found = "a mapping" if isinstance(value, dict) else "a list"
    if value is None:
        found = "nothing"
    if kind == "missing":
        return "nothing", "a value; this field is needed"
    if kind == "extra_forbidden":
        return f"the unknown field '{error['loc'][-1]}'", "the fields named in the documentation"
    if kind == "literal_error":
        return found, str(ctx.get("expected", "")).replace("'", "")
    if kind == "value_error":
        return found, str(ctx.get("error", error["msg"]))
    message = error["msg"].removeprefix("Input should be ").removeprefix("Value error, ")
    return found, message


def _real_path(document: Document, base: Path, loc: tuple[Any, ...]) -> Path:
    """The part of pydantic's location that stands in the file (unions add names of their own)."""
    path = base
    for piece in loc:
        if (*path, piece) in document.lines:
            path = (*path, piece)
    return path


def _mistakes(error: ValidationError, document: Document, base: Path) -> list[Mistake]:
    by_place: dict[tuple[Path, str], list[str]] = {}
    for each in error.errors(include_url=False):
        path = _real_path(document, base, each["loc"])
        found, allowed = _words(each)
        if each["type"] == "missing":
            allowed = f"'{each['loc'][-1]}', which is needed here"
        if "[key]" in each["loc"]:
            found, allowed = (
                f"the name '{each['input']}'",
                "letters, digits, _ and - , starting with a letter",
            )
        alternatives = by_place.setdefault((path, found), [])
        if allowed not in alternatives:
            alternatives.append(allowed)
    return [document.mistake(path, found, ", or ".join(texts)) for (path, found), texts in by_place.items()]


def parse_model(model: type[M], data: Any, document: Document, base: Path, mistakes: list[Mistake]) -> M | None:
    """The model of a mapping that stands at `base` of a document; None, with `mistakes` grown, where it is none."""
    if not isinstance(data, dict):
        mistakes.append(document.mistake(base, type(data).__name__, "a mapping of fields"))
        return None
    try:
        return model.model_validate(data)
    except ValidationError as error:
        mistakes += _mistakes(error, document, base)
        return None


def read_text_file(path: FilePath | Traversable, name: str) -> str:
    """A file's text.

    Raises
    ------
    KnowledgeError
        Missing, too large, or no UTF-8 text.
    """
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise KnowledgeError([Mistake(name, 0, "", error.strerror or str(error), "a readable file")]) from None
    if len(raw) > MAX_BYTES:
        raise KnowledgeError([Mistake(name, 0, "", f"{len(raw):,} bytes", f"at most {MAX_BYTES:,}")])
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise KnowledgeError(
            [Mistake(name, line, "", f"byte 0x{raw[error.start]:02x}, which is no UTF-8", "text in UTF-8")]
        ) from None


# ---------------------------------------------------------------- cross-checks of checks and repairs


@dataclass
class _Checker:
    document: Document
    mistakes: list[Mistake]
    cautions: Mapping[str, Caution]

    def add(self, path: Path, found: str, allowed: str) -> None:
        self.mistakes.append(self.document.mistake(path, found, allowed))

    def one_of(self, path: Path, value: str, allowed: list[str], what: str) -> bool:
        if value in allowed:
            return True
        names = ", ".join(sorted(allowed)) or "(none)"
        self.add(path, f"'{value}'", f"{what}: {names}")
        return False

    def caution_ids(self, path: Path, ids: list[str]) -> None:
        for number, each in enumerate(ids):
            self.one_of((*path, number), each, list(self.cautions), "a caution of the library")

    def check(self, path: Path, check: Check, modes: list[str]) -> None:
        """`modes` are the ids that `looks_at` may name."""
        self.caution_ids((*path, "cautions"), check.cautions)
        for number, mode in enumerate(check.looks_at):
            self.one_of((*path, "looks_at", number), mode, modes, "a failure mode")
        named: set[str] = set()
        for outcome, causes in check.outcomes.items():
            here = (*path, "outcomes", outcome)
            allowed = check.looks_at if check.looks_at else list(SIGNS)
            what = "a failure mode of looks_at" if check.looks_at else "a sign"
            if not causes:
                self.add(here, "an empty list", f"at least one {what}")
            for number, cause in enumerate(causes):
                self.one_of((*here, number), cause, allowed, what)
                named.add(cause)
        for mode in check.looks_at:
            if mode not in named:
                self.add((*path, "looks_at"), f"'{mode}', which no outcome names", "modes that some outcome shows")

    def repair(self, path: Path, repair: Repair, modes: list[str], kinds: Mapping[str, BlockKind]) -> None:
        self.caution_ids((*path, "cautions"), repair.cautions)
        for mode in repair.fixes:
            self.one_of((*path, "fixes", mode), mode, modes, "a failure mode")
        if not repair.undo and not repair.proof:
            self.add(path, "undo: false without 'proof'", "what must be shown before this step is offered")
        if repair.harm and repair.harm.causes:
            kind, _, mode = repair.harm.causes.rpartition("/")
            here = (*path, "harm", "causes")
            if not kind:
                self.one_of(here, mode, modes, "a failure mode or block-kind/mode")
            elif self.one_of(here, kind, list(kinds), "a block kind"):
                self.one_of(here, mode, list(kinds[kind].modes), f"a failure mode of {kind}")

    def all_fixed(self, path: Path, modes: list[str], fixed: set[str]) -> None:
        for mode in modes:
            if mode not in fixed:
                self.add((*path, "modes", mode), f"'{mode}', which no repair fixes", "modes that some repair fixes")


def _check_kind(kind: BlockKind, kinds: Mapping[str, BlockKind], checker: _Checker) -> None:
    modes = list(kind.modes)
    checker.caution_ids(("cautions",), kind.cautions)
    for key, check in kind.checks.items():
        path = ("checks", key)
        checker.check(path, check, modes)
        if check.sees is not None and check.sees != "output":
            checker.add((*path, "sees"), f"'{check.sees}'", "'output' in a block kind")
        if check.without:
            checker.add((*path, "without"), "block names in a block kind", "names only in a unit type")
    fixed: set[str] = set()
    for key, repair in kind.repairs.items():
        checker.repair(("repairs", key), repair, modes, kinds)
        fixed |= set(repair.fixes)
    checker.all_fixed((), modes, fixed)
    for key in set(kind.checks) & set(kind.repairs):
        checker.add(("repairs", key), f"'{key}', which is a check too", "a name of its own")


# ---------------------------------------------------------------- the library


def _shipped() -> Traversable:
    return resources.files("refettle.knowledge") / "library"


def _yaml_files(folder: Traversable | FilePath) -> list[Traversable | FilePath]:
    if not folder.is_dir():
        return []
    return sorted((f for f in folder.iterdir() if f.name.endswith((".yaml", ".yml"))), key=lambda f: f.name)


def read_table(model: type[M], name: str, mistakes: list[Mistake]) -> dict[str, M]:
    """The entries of a shipped file that maps ids to entries of one model; `mistakes` grows by what is wrong in it."""
    document = read_document(read_text_file(_shipped() / name, name), name)
    table: dict[str, M] = {}
    for key, data in document.data.items():
        parsed = parse_model(model, data, document, (key,), mistakes)
        if parsed is not None:
            table[key] = parsed
    return table


def load_library(own_kinds: FilePath | None = None) -> Library:
    """The shipped block kinds, point kinds and cautions, and the kinds in the folder `own_kinds`.

    A kind of one's own with the id of a shipped one takes its place.

    Raises
    ------
    KnowledgeError
        With every mistake in every file.
    """
    return _shipped_library() if own_kinds is None else _read_library(own_kinds)


@lru_cache(maxsize=1)
def _shipped_library() -> Library:
    return _read_library(None)


def _read_library(own_kinds: FilePath | None) -> Library:
    mistakes: list[Mistake] = []
    cautions = read_table(Caution, "cautions.yaml", mistakes)
    points = read_table(PointKind, "points.yaml", mistakes)
    kinds: dict[str, BlockKind] = {}
    documents: dict[str, Document] = {}
    folders: list[tuple[Traversable | FilePath, str]] = [(_shipped() / "kinds", "kinds/")]
    if own_kinds is not None:
        folders.append((own_kinds, f"{own_kinds}/"))
    for folder, prefix in folders:
        for file in _yaml_files(folder):
            name = prefix + file.name
            try:
                document = read_document(read_text_file(file, name), name)
            except KnowledgeError as error:
                mistakes += error.mistakes
                continue
            kind = parse_model(BlockKind, document.data, document, (), mistakes)
            if kind is not None:
                kinds[kind.block_kind] = kind
                documents[kind.block_kind] = document
    for key, kind in kinds.items():
        _check_kind(kind, kinds, _Checker(documents[key], mistakes, cautions))
    if mistakes:
        raise KnowledgeError(mistakes)
    return Library(kinds, points, cautions)


def shipped_types() -> dict[str, Traversable]:
    """The unit-type files that come with the package, by file name without ending."""
    return {f.name.rsplit(".", 1)[0]: f for f in _yaml_files(_shipped() / "types")}


# ---------------------------------------------------------------- unit types


def _merge(kind_part: Mapping[str, Any], override: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """Apply a unit type's changes to one of a kind's tables; null takes an entry out."""
    merged: dict[str, dict[str, Any]] = {k: v.model_dump(exclude_unset=True) for k, v in kind_part.items()}
    for key, change in override.items():
        if change is None:
            merged.pop(key, None)
        else:
            merged[key] = {**merged.get(key, {}), **change}
    return merged


def _resolve_table(
    model: type[M],
    table: str,
    kind: BlockKind,
    block_id: str,
    override: Mapping[str, Any],
    checker: _Checker,
) -> dict[str, M]:
    base: Path = ("blocks", block_id, table)
    shipped: Mapping[str, M] = getattr(kind, table)
    for key, change in override.items():
        if change is None and key not in shipped:
            checker.add((*base, key), f"'{key}', which the kind does not have", ", ".join(shipped) or "nothing")
    resolved: dict[str, M] = {}
    for key, data in _merge(shipped, override).items():
        if key not in override:
            resolved[key] = shipped[key]
            continue
        parsed = parse_model(model, data, checker.document, (*base, key), checker.mistakes)
        if parsed is not None:
            resolved[key] = parsed
    return resolved


def _prune(removed: set[str], table: Mapping[str, Any]) -> dict[str, Any]:
    """Drop what names failure modes of the kind that the type took out."""
    if not removed:
        return dict(table)
    kept: dict[str, Any] = {}
    for key, item in table.items():
        if isinstance(item, Repair):
            fixes = {m: p for m, p in item.fixes.items() if m not in removed}
            if fixes:
                kept[key] = item.model_copy(update={"fixes": fixes})
        elif item.looks_at:
            looks = [m for m in item.looks_at if m not in removed]
            outcomes = {o: [m for m in c if m not in removed] for o, c in item.outcomes.items()}
            outcomes = {o: c for o, c in outcomes.items() if c}
            if looks and outcomes:
                kept[key] = item.model_copy(update={"looks_at": looks, "outcomes": outcomes})
        else:
            kept[key] = item
    return kept


def _resolve_block(block_id: str, unit: UnitType, library: Library, checker: _Checker) -> ResolvedBlock | None:
    block = unit.blocks[block_id]
    base: Path = ("blocks", block_id)
    if not checker.one_of((*base, "kind"), block.kind, list(library.kinds), "a block kind"):
        return None
    kind = library.kinds[block.kind]
    needs: dict[str, Passes] = {}
    given: Mapping[str, Mapping[Any, Any] | None]
    given = block.needs if isinstance(block.needs, dict) else dict.fromkeys(block.needs)
    for number, (need, passes) in enumerate(given.items()):
        path = (*base, "needs", need if isinstance(block.needs, dict) else number)
        if checker.one_of(path, need, [b for b in unit.blocks if b != block_id], "another block"):
            needs[need] = {str(sign): out for sign, out in (passes or {}).items()}
    modes = _resolve_table(FailureMode, "modes", kind, block_id, block.modes, checker)
    checks = _resolve_table(Check, "checks", kind, block_id, block.checks, checker)
    repairs = _resolve_table(Repair, "repairs", kind, block_id, block.repairs, checker)
    removed = {m for m, change in block.modes.items() if change is None}
    checks, repairs = _prune(removed, checks), _prune(removed, repairs)
    for key, check in checks.items():
        if key in block.checks:
            checker.check((*base, "checks", key), check, list(modes))
        _known_blocks(check, (*base, "checks", key), unit, checker, own=True)
    for key, repair in repairs.items():
        if key in block.repairs:
            checker.repair((*base, "repairs", key), repair, list(modes), library.kinds)
    if not modes:
        checker.add(base, "a block without failure modes", "at least one")
    return ResolvedBlock(
        id=block_id,
        name=block.name or kind.name,
        kind=block.kind,
        bench_gear=kind.bench_gear,
        weight=block.weight if block.weight is not None else kind.weight,
        needs=needs,
        passes={str(sign): out for sign, out in kind.passes.items()},
        modes=modes,
        checks=checks,
        repairs=repairs,
        cautions=tuple(kind.cautions),
        part=block.part,
    )


def _known_blocks(check: Check, path: Path, unit: UnitType, checker: _Checker, own: bool) -> None:
    sees = [check.sees] if isinstance(check.sees, str) else list(check.sees or [])
    for each in sees:
        if not (own and each == "output"):
            checker.one_of((*path, "sees"), each, list(unit.blocks), "a block of this type")
    for number, each in enumerate(check.without):
        checker.one_of((*path, "without", number), each, list(unit.blocks), "a block of this type")


def _find_cycle(needs: Mapping[str, Mapping[str, Passes]]) -> list[str] | None:
    state: dict[str, int] = {}
    for start in needs:
        stack: list[tuple[str, list[str]]] = [(start, list(needs[start]))]
        trail = [start]
        if state.get(start):
            continue
        state[start] = 1
        while stack:
            node, left = stack[-1]
            if not left:
                state[node] = 2
                stack.pop()
                trail.pop()
                continue
            following = left.pop()
            if state.get(following) == 1:
                return [*trail[trail.index(following) :], following]
            if not state.get(following) and following in needs:
                state[following] = 1
                trail.append(following)
                stack.append((following, list(needs[following])))
    return None


def _upstream(blocks: Mapping[str, ResolvedBlock], start: list[str]) -> set[str]:
    seen: set[str] = set()
    todo = list(start)
    while todo:
        here = todo.pop()
        if here in seen or here not in blocks:
            continue
        seen.add(here)
        todo += list(blocks[here].needs)
    return seen


def parse_unit_type(text: str, file: str, library: Library | None = None) -> LoadedType:
    """A unit type from its text.

    Parameters
    ----------
    text, file : str
        The YAML text, and the name to use in messages.
    library : Library, optional
        The block kinds to use; the shipped ones by default.

    Raises
    ------
    KnowledgeError
        With every mistake found.
    """
    library = library or load_library()
    document = read_document(text, file)
    mistakes: list[Mistake] = []
    unit = parse_model(UnitType, document.data, document, (), mistakes)
    if unit is None:
        raise KnowledgeError(mistakes)
    checker = _Checker(document, mistakes, library.cautions)
    checker.caution_ids(("cautions",), unit.cautions)
    blocks: dict[str, ResolvedBlock] = {}
    for block_id in unit.blocks:
        resolved = _resolve_block(block_id, unit, library, checker)
        if resolved is not None:
            blocks[block_id] = resolved
    if mistakes:
        raise KnowledgeError(mistakes)
    _check_whole(unit, blocks, library, checker)
    if mistakes:
        raise KnowledgeError(mistakes)
    kinds = {b.kind for b in unit.blocks.values()}
    used = library_text(library, kinds, {p.shows for p in unit.points.values()})
    digest = hashlib.sha256(f"{text}\0{used}".encode()).hexdigest()
    return LoadedType(file, text, unit, blocks, library, used, digest)


def _check_names(unit: UnitType, blocks: Mapping[str, ResolvedBlock], checker: _Checker) -> None:
    """Two steps of one name would hide each other."""
    if "other" in blocks:
        checker.add(("blocks", "other"), "'other'", "any other name; this one stands for what is not modelled")
    for block in blocks.values():
        for key in set(block.checks) & set(block.repairs):
            checker.add(("blocks", block.id), f"a check and a repair both called '{key}'", "a name for each")
    for key in unit.repairs:
        if key in unit.points or key in unit.checks:
            checker.add(("repairs", key), f"'{key}', which is a point or check too", "a name of its own")


def _check_whole(unit: UnitType, blocks: Mapping[str, ResolvedBlock], library: Library, checker: _Checker) -> None:
    cycle = _find_cycle({b.id: b.needs for b in blocks.values()})
    if cycle:
        checker.add(("blocks", cycle[0], "needs"), "a circle: " + " needs ".join(cycle), "needs without a circle")
    _check_names(unit, blocks, checker)
    watched: set[str] = set()
    for key, point in unit.points.items():
        path: Path = ("points", key)
        checker.one_of((*path, "shows"), point.shows, list(library.points), "a point kind")
        checker.caution_ids((*path, "cautions"), point.cautions)
        sees = [point.sees] if isinstance(point.sees, str) else point.sees
        for number, each in enumerate(sees):
            where = (*path, "sees") if isinstance(point.sees, str) else (*path, "sees", number)
            checker.one_of(where, each, list(blocks), "a block of this type")
        watched |= _upstream(blocks, sees)
        if key in unit.checks:
            checker.add(("checks", key), f"'{key}', which is a point too", "a name of its own")
    all_modes = [f"{b.id}.{m}" for b in blocks.values() for m in b.modes]
    for key, check in unit.checks.items():
        checker.check(("checks", key), check, all_modes)
        _known_blocks(check, ("checks", key), unit, checker, own=False)
        if check.swap:
            checker.add(("checks", key, "swap"), "swap: true for the whole unit", "swap in a block's checks")
    every_check = [f"{b.id}.{c}" for b in blocks.values() for c in b.checks]
    for number, each in enumerate(unit.power_on.proves):
        checker.one_of(("power_on", "proves", number), each, every_check, "a check, as block.check")
    _check_acceptance(unit, [*unit.points, *unit.checks, *every_check], checker)
    fixed: set[str] = set()
    for key, repair in unit.repairs.items():
        checker.repair(("repairs", key), repair, all_modes, library.kinds)
        fixed |= set(repair.fixes)
    for block in blocks.values():
        own = {f"{block.id}.{m}" for r in block.repairs.values() for m in r.fixes} | fixed
        for mode in block.modes:
            if f"{block.id}.{mode}" not in own:
                checker.add(("blocks", block.id), f"mode '{mode}', which no repair fixes", "modes some repair fixes")
        if block.id not in watched:
            checker.add(
                ("blocks", block.id),
                f"'{block.id}', which no point sees",
                "blocks that some point depends on",
            )


def _check_acceptance(unit: UnitType, checks: list[str], checker: _Checker) -> None:
    """Each line a name of its own, one safety line at most, and counts of what there is."""
    seen: set[str] = set()
    safety = False
    for number, line in enumerate(unit.acceptance):
        path: Path = ("acceptance", number)
        if line.name in seen:
            checker.add(path, f"'{line.name}' a second time", "each line once")
        if line.safety and safety:
            checker.add(path, "a second line with safety", "one")
        seen.add(line.name)
        safety = safety or line.safety
        for place, each in enumerate(line.counts_of):
            checker.one_of((*path, "counts_of", place), each, checks, "a point or a check")


def load_unit_type(path: FilePath | Traversable, library: Library | None = None) -> LoadedType:
    """A unit type from a file. Raises KnowledgeError with every mistake found."""
    name = str(path) if isinstance(path, FilePath) else path.name
    return parse_unit_type(read_text_file(path, name), name, library)


@lru_cache(maxsize=64)
def load_shipped_type(slug: str) -> LoadedType:
    """A shipped unit type by file name without ending. Raises KeyError for an unknown one."""
    return load_unit_type(shipped_types()[slug])
