"""Reading YAML with the line of every value, in bounded time and memory.

PyYAML's safe loader does the parsing; this module walks its node tree so that each value keeps its
line, a doubled key is an error rather than a silent overwrite, and anchors and aliases (which let a
small file grow without bound) are refused.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from itertools import filterfalse
from typing import Any

import yaml
from yaml.constructor import SafeConstructor

from refettle.knowledge.errors import KnowledgeError, Mistake
from refettle.language import tr

# The C parser, where PyYAML has it, is about ten times as fast and says the same.
_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
MAX_CHARACTERS = 1_000_000
MAX_DEPTH = 20
MAX_VALUES = 50_000
"""Keys, values and brackets; the longest file that is shipped has 1,315."""
LARGEST = 10**15

Path = tuple[str | int, ...]


@dataclass
class Document:
    """Plain data read from a file, and the line (from 1) at which each path in it stands."""

    file: str
    data: Any
    lines: dict[Path, int] = field(default_factory=dict)

    def line(self, path: Path) -> int:
        """The line of `path`, or of the nearest enclosing value that has one."""
        for end in range(len(path), -1, -1):
            if path[:end] in self.lines:
                return self.lines[path[:end]]
        return 0

    def mistake(self, path: Path, found: str, allowed: str) -> Mistake:
        """A mistake at `path` of this document."""
        return Mistake(self.file, self.line(path), ".".join(str(p) for p in path), found, allowed)


def read_document(text: str, file: str) -> Document:
    """Read YAML text.

    Raises
    ------
    KnowledgeError
        Text that is no YAML, is too long or too deep, doubles a key, or uses anchors.
    """
    if len(text) > MAX_CHARACTERS:
        raise KnowledgeError(
            [
                Mistake(
                    file,
                    0,
                    "",
                    tr("{characters:,} characters", characters=len(text)),
                    tr("at most {most:,}", most=MAX_CHARACTERS),
                )
            ]
        )
    _refuse_depth_and_aliases(text, file)
    try:
        node = yaml.compose(text, Loader=_LOADER)
    except yaml.YAMLError as error:
        raise KnowledgeError([_syntax_mistake(error, file)]) from None
    if node is None:
        raise KnowledgeError([Mistake(file, 1, "", tr("an empty file"), tr("one unit type or block kind"))])
    document = Document(file, None)
    mistakes: list[Mistake] = []
    document.data = _plain(node, (), document, mistakes)
    if mistakes:
        raise KnowledgeError(mistakes)
    return document


def _syntax_mistake(error: yaml.YAMLError, file: str) -> Mistake:
    mark = getattr(error, "problem_mark", None)
    problem = getattr(error, "problem", None) or str(error).splitlines()[0]
    return Mistake(
        file, mark.line + 1 if mark else 0, "", tr("text that is no YAML ({problem})", problem=problem), "YAML 1.1"
    )


def _refuse_depth_and_aliases(text: str, file: str) -> None:
    """Check on the event stream, which needs no recursion, before any tree is built."""
    depth = 0
    try:
        for count, event in enumerate(yaml.parse(text, Loader=_LOADER)):
            line = event.start_mark.line + 1 if event.start_mark else 0
            if count > MAX_VALUES:
                raise KnowledgeError(
                    [
                        Mistake(
                            file,
                            line,
                            "",
                            tr("more than {most:,} values", most=MAX_VALUES),
                            tr("at most {most:,}", most=MAX_VALUES),
                        )
                    ]
                )
            if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
                raise KnowledgeError(
                    [Mistake(file, line, "", tr("an anchor or alias (& or *)"), tr("values written out"))]
                )
            if isinstance(event, yaml.CollectionStartEvent):
                depth += 1
            elif isinstance(event, yaml.CollectionEndEvent):
                depth -= 1
            if depth > MAX_DEPTH:
                raise KnowledgeError(
                    [
                        Mistake(
                            file,
                            line,
                            "",
                            tr("nesting deeper than {levels}", levels=MAX_DEPTH),
                            tr("at most {levels} levels", levels=MAX_DEPTH),
                        )
                    ]
                )
    except yaml.YAMLError as error:
        raise KnowledgeError([_syntax_mistake(error, file)]) from None
    except RecursionError:
        raise KnowledgeError(
            [Mistake(file, 0, "", tr("nesting too deep to read"), tr("at most {levels} levels", levels=MAX_DEPTH))]
        ) from None


def _printable(letter: str) -> bool:
    if letter in "\n\t":
        return True
    return unicodedata.category(letter) not in ("Cc", "Cs") and ord(letter) & 0xFFFE != 0xFFFE


def _plain(node: yaml.Node, path: Path, document: Document, mistakes: list[Mistake]) -> Any:
    document.lines.setdefault(path, node.start_mark.line + 1)
    if isinstance(node, yaml.MappingNode):
        out: dict[str, Any] = {}
        for key_node, value_node in node.value:
            key = str(key_node.value) if isinstance(key_node, yaml.ScalarNode) else None
            line = key_node.start_mark.line + 1
            if key is None:
                mistakes.append(Mistake(document.file, line, "", tr("a key that is no plain word"), tr("a word")))
                continue
            here = (*path, key)
            if key in out:
                first = document.lines[here]
                mistakes.append(
                    Mistake(
                        document.file,
                        line,
                        ".".join(str(p) for p in here),
                        tr("the key '{key}' a second time (first on line {first_line})", key=key, first_line=first),
                        tr("each key once"),
                    )
                )
                continue
            document.lines[here] = line
            out[key] = _plain(value_node, here, document, mistakes)
        return out
    if isinstance(node, yaml.SequenceNode):
        return [_plain(item, (*path, i), document, mistakes) for i, item in enumerate(node.value)]
    try:
        value: Any = SafeConstructor().construct_object(node)
    except (yaml.YAMLError, ValueError, IndexError, KeyError, AttributeError) as error:
        why = (str(error) or type(error).__name__).splitlines()[0][:120]
        mistakes.append(document.mistake(path, f"'{node.value}' ({why})", tr("a plain value")))
        return None
    if isinstance(value, int) and abs(value) > LARGEST:
        mistakes.append(
            document.mistake(
                path,
                tr("a whole number of {characters} characters", characters=len(node.value)),
                tr("at most {most:g}", most=LARGEST),
            )
        )
        return None
    if isinstance(value, str) and not value.isprintable() and (odd := next(filterfalse(_printable, value), "")):
        mistakes.append(
            document.mistake(
                path, tr("the control character U+{code:04X}", code=ord(odd)), tr("letters that can be printed")
            )
        )
        return None
    if value is None or isinstance(value, str | int | float | bool):
        return value
    return str(node.value)  # dates and the like stay the text they were written as
