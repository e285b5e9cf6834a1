"""Make the catalogues that are read at run time from those people write: texts/LANGUAGE/*.po to one .mo.

Called while the package is built (hatch_build.py), before the tests, and by scripts/texts.py. Needs Babel.
"""

from __future__ import annotations

import os
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

TEXTS = Path(__file__).resolve().parents[1] / "src" / "refettle" / "texts"


def catalogue(folder: Path) -> Catalog:
    """All texts of a language: the files of `folder` in the order of their names, the first translation counts."""
    whole = Catalog(locale=folder.name)
    for each in sorted(folder.glob("*.po")):
        with each.open("rb") as file:
            for message in read_po(file, locale=folder.name, abort_invalid=True):
                translated = all(message.string) if isinstance(message.string, tuple | list) else message.string
                if message.id and translated and whole.get(message.id, message.context) is None:
                    whole.add(message.id, message.string, context=message.context)
    return whole


def target(folder: Path) -> Path:
    """Where the catalogue of a language is read at run time."""
    return folder / "LC_MESSAGES" / "django.mo"


def compile_all(texts: Path = TEXTS, only_stale: bool = False) -> list[Path]:
    """Write the catalogue of each language; with `only_stale` those alone that are older than what they come from."""
    written = []
    for folder in sorted(each for each in texts.iterdir() if each.is_dir() and list(each.glob("*.po"))):
        made = target(folder)
        newest = max(each.stat().st_mtime for each in folder.glob("*.po"))
        if only_stale and made.exists() and made.stat().st_mtime >= newest:
            continue
        made.parent.mkdir(exist_ok=True)
        part = made.with_suffix(f".{os.getpid()}")
        with part.open("wb") as file:
            write_mo(file, catalogue(folder))
        part.replace(made)  # at once: another process may be reading
        written.append(made)
    return written
