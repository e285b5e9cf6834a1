"""The catalogues of texts shown on pages: collect what the code says, compile, and see what is still missing.

    python scripts/texts.py collect    write every text of the code into src/refettle/texts/LANGUAGE/AREA.po
    python scripts/texts.py compile    make what is read at run time
    python scripts/texts.py check      exit status 1 where a text has no translation, or placeholders differ

A new language: add it to refettle.language.LANGUAGES, make its folder in texts/, and collect.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import os
import re
import string
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import yaml
from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po, write_po
from compile_texts import TEXTS, compile_all

ROOT = TEXTS.parents[2]
SOURCE = TEXTS.parent
AREAS = {
    "pages": ("web/templates",),
    "web": ("web",),
    "book": ("book",),
    "library": ("knowledge/library",),
    "knowledge": ("knowledge", "faults", "proving", "quantities.py", "language.py"),
    "parts": ("parts", "supply", "money", "ordering"),
    "measuring": ("captures", "sound", "instruments", "drawing", "whitening"),
}
"""What goes into which file, the first that fits."""
# In the shipped library: what these hold is said to people, whatever hangs below them.
SHOWN_KEYS: frozenset[str] = frozenset({
    "about", "accessories", "acceptance", "ask", "conditions", "defer", "do", "first", "good", "hazard", "how",
    "law", "limit", "loses", "must_save", "name", "never_leave", "never_mix", "never_seal", "note", "parts",
    "pending", "plug", "polarity", "proof", "public_says", "says", "source", "weight_basis", "what", "why",
})  # fmt: skip
SHOWN_NAMES: frozenset[str] = frozenset({"outcomes"})
"""Of these the names of the entries are said to people, not what they hold."""
UNSHOWN_KEYS: frozenset[str] = frozenset({"by", "counts_of"})
UNSHOWN_WORDS: frozenset[str] = frozenset({
    "REFETTLE_TZ", "REFETTLE_CURRENCY", "REFETTLE_RATE", "REFETTLE_WHO", "JPEG", "PNG", "WEBP", "boschloo", "fisher",
    "barnard", "a5", "a6", "uva", "w/w", "w/v", "refettle job",
})  # fmt: skip
"""Members of fixed sets that are no words."""
_IN_TAGS = re.compile(r"""[:=]_\((["'])(.+?)\1\)""")  # `{{ words|default:_("none") }}`
_PERCENT = re.compile(r"%\((\w+)\)s")


class Text(NamedTuple):
    """One text of the code: in the singular, with its plural and context if it has them."""

    one: str
    many: str = ""
    context: str = ""


def _python(path: Path) -> Iterator[Text]:
    tree = ast.parse(path.read_text())
    calls = [each for each in ast.walk(tree) if isinstance(each, ast.Call) and isinstance(each.func, ast.Name)]
    for call in sorted(calls, key=lambda each: (each.lineno, each.col_offset)):
        name = call.func.id if isinstance(call.func, ast.Name) else ""
        given = (each.value if isinstance(each, ast.Constant) else None for each in call.args)
        texts = [each for each in given if isinstance(each, str) and each]
        if name == "tr_in" and len(texts) > 1:
            yield Text(texts[1], context=texts[0])
        elif name == "several" and len(texts) > 1:
            yield Text(*texts[:2])
        elif name in ("tr", "mark", "phrase") and texts:
            yield Text(texts[0])
    yield from _fixed_words(tree)


def _fixed_words(tree: ast.Module) -> Iterator[Text]:
    """The members of every `Literal[...]`: the words of fixed sets, which a page shows as they are kept. An entry's own
    `kind: Literal["..."]` is no word of a set."""
    for node in ast.walk(tree):
        if not (isinstance(node, ast.Subscript) and isinstance(node.value, ast.Name) and node.value.id == "Literal"):
            continue
        members = node.slice.elts if isinstance(node.slice, ast.Tuple) else [node.slice]
        words = [each.value for each in members if isinstance(each, ast.Constant) and isinstance(each.value, str)]
        if len(members) > 1:
            yield from (
                Text(each) for each in words if len(re.findall("[^\\W\\d_]", each)) > 1 and each not in UNSHOWN_WORDS
            )


def _template(path: Path) -> Iterator[Text]:
    from django.template import Engine
    from django.template.base import Node
    from django.templatetags.i18n import BlockTranslateNode, TranslateNode

    engine = Engine.get_default()
    yield from (Text(found) for _, found in _IN_TAGS.findall(path.read_text()))
    for node in engine.from_string(path.read_text()).nodelist.get_nodes_by_type(Node):
        if isinstance(node, TranslateNode):
            context = node.message_context.var if node.message_context else ""
            yield Text(str(node.filter_expression.var.literal).replace("%", "%%"), context=str(context))
        elif isinstance(node, BlockTranslateNode):
            one, _ = node.render_token_list(node.singular)
            many = node.render_token_list(node.plural)[0] if node.plural else ""
            context = node.message_context.var if node.message_context else ""
            yield Text(_trim(node, one), _trim(node, many), str(context))


def _trim(node: Any, text: str) -> str:
    return " ".join(line.strip() for line in text.strip().split("\n")) if node.trimmed else text


def _library(path: Path) -> Iterator[Text]:
    def walk(value: Any, shown: bool) -> Iterator[Text]:
        if isinstance(value, dict):
            for key, each in value.items():
                if key in SHOWN_NAMES:
                    yield from (Text(name) for name in each)
                elif key not in UNSHOWN_KEYS:
                    yield from walk(each, shown or key in SHOWN_KEYS)
        elif isinstance(value, list):
            for each in value:
                yield from walk(each, shown)
        elif shown and isinstance(value, str) and value.strip():
            yield Text(value)

    yield from walk(yaml.safe_load(path.read_text()), False)


def area_of(path: Path) -> str:
    """The catalogue that the texts of a file go into; empty for what is not translated."""
    inside = path.relative_to(SOURCE).as_posix()
    return next((a for a, heads in AREAS.items() if any((inside + "/").startswith(h + "/") for h in heads)), "")


def collected() -> dict[str, dict[Text, list[str]]]:
    """Every text of the code by area, with the files it stands in; a text of two areas is in the first alone."""
    _django()
    found: dict[str, dict[Text, list[str]]] = {area: {} for area in AREAS}
    seen: dict[Text, str] = {}
    paths = sorted(p for p in SOURCE.rglob("*") if p.suffix in (".py", ".html", ".yaml") and area_of(p))
    for path in sorted(paths, key=lambda p: list(AREAS).index(area_of(p))):
        reader = {".py": _python, ".html": _template, ".yaml": _library}[path.suffix]
        for text in reader(path):
            area = seen.setdefault(text, area_of(path))
            places = found[area].setdefault(text, [])
            if (place := path.relative_to(ROOT).as_posix()) not in places:
                places.append(place)
    return found


def _django() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "refettle.web.settings")
    import django

    django.setup()


def languages() -> list[Path]:
    """The folders of the languages that are translated to."""
    return sorted(each for each in TEXTS.iterdir() if each.is_dir())


def written(folder: Path) -> dict[Text, Any]:
    """What the files of a language hold: a translation, or one for each form of the number."""
    done: dict[Text, Any] = {}
    for each in sorted(folder.glob("*.po")):
        with each.open("rb") as file:
            for message in read_po(file, locale=folder.name, abort_invalid=True):
                if message.id:
                    done[_key(message)] = message.string
    return done


def _key(message: Any) -> Text:
    one, many = message.id if isinstance(message.id, tuple | list) else (message.id, "")
    return Text(one, many, message.context or "")


def collect() -> None:
    """Bring the files up to date with the code. Translations of texts that stand nowhere any more are dropped."""
    texts = collected()
    for folder in languages():
        done = written(folder)
        for area, found in texts.items():
            catalogue = Catalog(
                locale=folder.name,
                project="Refettle",
                charset="utf-8",
                fuzzy=False,
                creation_date=datetime(2026, 1, 1, tzinfo=UTC),
            )
            for text, places in found.items():
                catalogue.add(
                    (text.one, text.many) if text.many else text.one,
                    done.get(text, ("", "") if text.many else ""),
                    [(place, None) for place in places],
                    context=text.context or None,
                )
            with (folder / f"{area}.po").open("wb") as file:
                write_po(file, catalogue, width=0, omit_header=False, include_lineno=False)


def placeholders(text: str) -> list[str]:
    """The names that stand for values in a text, of either kind, with their formats."""
    names = [f"%({each})" for each in _PERCENT.findall(text)]
    with contextlib.suppress(ValueError):  # a brace that is a brace
        names += [f"{{{name}:{spec}}}" for _, name, spec, _ in string.Formatter().parse(text) if name]
    return sorted(names)


def wrong() -> list[str]:
    """What is missing or does not fit, a line each."""
    lines = []
    texts = {text for found in collected().values() for text in found}
    for folder in languages():
        done = written(folder)
        for text in sorted(texts):
            found = done.get(text)
            forms = list(found) if isinstance(found, tuple | list) else [found or ""]
            if not all(forms):
                lines.append(f"{folder.name}: no translation of {text.one!r}")
                continue
            for form, source in zip(forms, [text.one, text.many or text.one], strict=False):
                loose = set(placeholders(form)) ^ set(placeholders(source))
                if loose - {"{n:}", "%(counter)"}:
                    lines.append(f"{folder.name}: other placeholders in {form!r} than in {source!r}")
        lines += [f"{folder.name}: {text.one!r} stands nowhere in the code" for text in sorted(set(done) - texts)]
    return lines


def main() -> int:
    """Do what was asked; 1 where the check found something."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("what", choices=["collect", "compile", "check"])
    what = asked.parse_args().what
    if what == "collect":
        collect()
    elif what == "compile":
        compile_all()
    else:
        lines = wrong()
        print(*lines, sep="\n")
        return int(bool(lines))
    return 0


if __name__ == "__main__":
    sys.exit(main())
