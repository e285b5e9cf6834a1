"""Finding unit-type files: the shipped ones and the bench's own. No database and no framework."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources.abc import Traversable
from pathlib import Path

from refettle.knowledge.loading import LoadedType, load_library, load_unit_type, shipped_types

ENDINGS = (".yaml", ".yml")


class NoSuchTypeError(ValueError):
    """No unit type of this name; says which there are."""


@dataclass(frozen=True)
class TypeFile:
    """A unit-type file that can be chosen. `own`: it lies in the bench's own folder."""

    slug: str
    path: Path | Traversable
    own: bool


def kinds_folder(own_kinds: Path | None) -> Path | None:
    """The folder if it holds any block kind; for `load_library`, which reads a folder once for each start."""
    if own_kinds is None or not own_kinds.is_dir():
        return None
    return own_kinds if any(p.suffix in ENDINGS for p in own_kinds.iterdir()) else None


def available(own_types: Path | None = None) -> dict[str, TypeFile]:
    """Unit-type files by slug (the file's name without ending); one's own goes before a shipped one."""
    found = {slug: TypeFile(slug, path, own=False) for slug, path in shipped_types().items()}
    if own_types is not None and own_types.is_dir():
        for path in sorted(own_types.iterdir()):
            if path.suffix in ENDINGS:
                found[path.stem] = TypeFile(path.stem, path, own=True)
    return dict(sorted(found.items()))


def load_named(name: str, own_types: Path | None = None, own_kinds: Path | None = None) -> LoadedType:
    """A unit type by its slug, or from a file when `name` is a path to one.

    Raises
    ------
    NoSuchTypeError
        Neither a slug nor a file.
    KnowledgeError
        With every mistake in the file.
    """
    library = load_library(kinds_folder(own_kinds))
    known = available(own_types)
    if name in known:
        return load_unit_type(known[name].path, library)
    if name.endswith(ENDINGS) or Path(name).is_file():
        return load_unit_type(Path(name), library)
    raise NoSuchTypeError(f"unit type '{name}' found; allowed: a file, or one of {', '.join(known)}")
