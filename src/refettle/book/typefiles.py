"""Finding unit-type files: the shipped ones and the bench's own. No database and no framework."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources.abc import Traversable
from pathlib import Path

from refettle.knowledge.loading import Library, LoadedType, load_library, load_unit_type, shipped_types
from refettle.language import tr

ENDINGS = (".yaml", ".yml")


class NoSuchTypeError(ValueError):
    """No unit type of this name; says which there are."""


@dataclass(frozen=True)
class TypeFile:
    """A unit-type file that can be chosen. `own`: it lies in the bench's own folder."""

    slug: str
    path: Path | Traversable
    own: bool


Stamp = tuple[tuple[str, int, int], ...]
"""Name, time of change and size of files: changes when one of them does."""


def _stamp(paths: Iterable[Path]) -> Stamp:
    stats = [(p.name, p.stat()) for p in sorted(paths)]
    return tuple((name, s.st_mtime_ns, s.st_size) for name, s in stats)


def own_library(own_kinds: Path | None) -> Library:
    """The shipped library with the kinds in the folder `own_kinds`, read anew when a file there changes.

    Raises
    ------
    KnowledgeError
        With every mistake in every file.
    """
    files = [p for p in own_kinds.iterdir() if p.suffix in ENDINGS] if own_kinds and own_kinds.is_dir() else []
    return _library(own_kinds if files else None, _stamp(files))


@lru_cache(maxsize=4)
def _library(folder: Path | None, stamp: Stamp) -> Library:
    return load_library(folder)


@lru_cache(maxsize=256)
def _load(path: Path | Traversable, stamp: Stamp, library: _ById) -> LoadedType:
    return load_unit_type(path, library.library)


class _ById:
    """Lets a cache go by which library it is, not by all that is in it."""

    def __init__(self, library: Library) -> None:
        self.library = library

    def __hash__(self) -> int:
        return id(self.library)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _ById) and other.library is self.library


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
    library = own_library(own_kinds)
    known = available(own_types)
    if name in known:
        path = known[name].path
        stamp = _stamp([path]) if isinstance(path, Path) else ()
        return _load(path, stamp, _ById(library))  # type: ignore[arg-type]
    try:
        there = Path(name).is_file()
    except OSError:  # a name too long, say
        there = False
    if there or name.endswith(ENDINGS):
        return load_unit_type(Path(name), library)
    raise NoSuchTypeError(
        tr("unit type '{name}' found; allowed: a file, or one of {known}", name=name, known=", ".join(known))
    )
