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

from refettle.knowledge.crosschecks import Checker, check_kind
from refettle.knowledge.errors import KnowledgeError, Mistake
from refettle.knowledge.parsing import M, parse_model, read_text_file
from refettle.knowledge.reading import Document, Path, read_document
from refettle.knowledge.resolving import Passes, ResolvedBlock, known_blocks, resolve_block
from refettle.knowledge.schema import BlockKind, Caution, PointKind, UnitType
from refettle.language import tr


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
        check_kind(kind, kinds, Checker(documents[key], mistakes, cautions))
    if mistakes:
        raise KnowledgeError(mistakes)
    return Library(kinds, points, cautions)


def shipped_types() -> dict[str, Traversable]:
    """The unit-type files that come with the package, by file name without ending."""
    return {f.name.rsplit(".", 1)[0]: f for f in _yaml_files(_shipped() / "types")}


# ---------------------------------------------------------------- unit types


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
    checker = Checker(document, mistakes, library.cautions)
    checker.caution_ids(("cautions",), unit.cautions)
    blocks: dict[str, ResolvedBlock] = {}
    for block_id in unit.blocks:
        resolved = resolve_block(block_id, unit, library.kinds, checker)
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


def _check_names(unit: UnitType, blocks: Mapping[str, ResolvedBlock], checker: Checker) -> None:
    """Two steps of one name would hide each other."""
    if "other" in blocks:
        checker.add(("blocks", "other"), "'other'", tr("any other name; this one stands for what is not modelled"))
    for block in blocks.values():
        for key in set(block.checks) & set(block.repairs):
            checker.add(
                ("blocks", block.id), tr("a check and a repair both called '{id}'", id=key), tr("a name for each")
            )
    for key in unit.repairs:
        if key in unit.points or key in unit.checks:
            checker.add(("repairs", key), tr("'{id}', which is a point or check too", id=key), tr("a name of its own"))


def _check_whole(unit: UnitType, blocks: Mapping[str, ResolvedBlock], library: Library, checker: Checker) -> None:
    cycle = _find_cycle({b.id: b.needs for b in blocks.values()})
    if cycle:
        checker.add(
            ("blocks", cycle[0], "needs"),
            tr("a circle: {names}", names=tr(" needs ").join(cycle)),
            tr("needs without a circle"),
        )
    _check_names(unit, blocks, checker)
    watched: set[str] = set()
    for key, point in unit.points.items():
        path: Path = ("points", key)
        checker.one_of((*path, "shows"), point.shows, list(library.points), tr("a point kind"))
        checker.caution_ids((*path, "cautions"), point.cautions)
        sees = [point.sees] if isinstance(point.sees, str) else point.sees
        for number, each in enumerate(sees):
            where = (*path, "sees") if isinstance(point.sees, str) else (*path, "sees", number)
            checker.one_of(where, each, list(blocks), tr("a block of this type"))
        watched |= _upstream(blocks, sees)
        if key in unit.checks:
            checker.add(("checks", key), tr("'{id}', which is a point too", id=key), tr("a name of its own"))
    all_modes = [f"{b.id}.{m}" for b in blocks.values() for m in b.modes]
    for key, check in unit.checks.items():
        checker.check(("checks", key), check, all_modes)
        known_blocks(check, ("checks", key), unit, checker, own=False)
        if check.swap:
            checker.add(("checks", key, "swap"), tr("swap: true for the whole unit"), tr("swap in a block's checks"))
    every_check = [f"{b.id}.{c}" for b in blocks.values() for c in b.checks]
    for number, each in enumerate(unit.power_on.proves):
        checker.one_of(("power_on", "proves", number), each, every_check, tr("a check, as block.check"))
    _check_acceptance(unit, [*unit.points, *unit.checks, *every_check], checker)
    fixed: set[str] = set()
    for key, repair in unit.repairs.items():
        checker.repair(("repairs", key), repair, all_modes, library.kinds)
        fixed |= set(repair.fixes)
    for block in blocks.values():
        own = {f"{block.id}.{m}" for r in block.repairs.values() for m in r.fixes} | fixed
        for mode in block.modes:
            if f"{block.id}.{mode}" not in own:
                checker.add(
                    ("blocks", block.id),
                    tr("mode '{mode}', which no repair fixes", mode=mode),
                    tr("modes some repair fixes"),
                )
        if block.id not in watched:
            checker.add(
                ("blocks", block.id),
                tr("'{id}', which no point sees", id=block.id),
                tr("blocks that some point depends on"),
            )


def _check_acceptance(unit: UnitType, checks: list[str], checker: Checker) -> None:
    """Each line a name of its own, one safety line at most, and counts of what there is."""
    seen: set[str] = set()
    safety = False
    for number, line in enumerate(unit.acceptance):
        path: Path = ("acceptance", number)
        if line.name in seen:
            checker.add(path, tr("'{name}' a second time", name=line.name), tr("each line once"))
        if line.safety and safety:
            checker.add(path, tr("a second line with safety"), tr("one"))
        seen.add(line.name)
        safety = safety or line.safety
        for place, each in enumerate(line.counts_of):
            checker.one_of((*path, "counts_of", place), each, checks, tr("a point or a check"))


def load_unit_type(path: FilePath | Traversable, library: Library | None = None) -> LoadedType:
    """A unit type from a file. Raises KnowledgeError with every mistake found."""
    name = str(path) if isinstance(path, FilePath) else path.name
    return parse_unit_type(read_text_file(path, name), name, library)


@lru_cache(maxsize=64)
def load_shipped_type(slug: str) -> LoadedType:
    """A shipped unit type by file name without ending. Raises KeyError for an unknown one."""
    return load_unit_type(shipped_types()[slug])
