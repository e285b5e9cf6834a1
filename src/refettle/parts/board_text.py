"""Pull reader of the s-expression text of board layouts and netlists: lists in round brackets, words, quoted strings.

Our own because the libraries tried read the whole file into a tree (a 3.2 MB board took 0.9 to 1.4 s and 14 to 18
times its size in memory), or refuse the versions before 2022. Here one list at a time is held, and lists nobody asked
for (tracks, zones) are passed over. Time and memory grow with the length of the text and no faster.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Union

from refettle.language import tr

MAX_BYTES = 128_000_000
MAX_DEPTH = 64  # real boards stay under 12
MAX_TOKENS = 2_000_000  # in one list that is held whole

Node = list[Union[str, "Node"]]

_TOKEN = re.compile(rb'[()]|"[^"\\]*+(?:\\.[^"\\]*+)*+"|[^\s()"]++|"', re.DOTALL)
_BRACKET = re.compile(rb'[()]|"[^"\\]*+(?:\\.[^"\\]*+)*+"|"', re.DOTALL)
_INSIDE = rb'[^()"]++|"[^"\\]*+(?:\\.[^"\\]*+)*+"'
_SHALLOW = re.compile(rb"(?:" + _INSIDE + rb"|\((?:" + _INSIDE + rb")*+\))*+\)", re.DOTALL)  # rest of a list two deep
_ESCAPE = re.compile(r"\\(.)", re.DOTALL)
_ESCAPED = {"n": "\n", "r": "\r", "t": "\t"}
_OPEN, _CLOSE, _QUOTE = ord("("), ord(")"), ord('"')


class BoardError(ValueError):
    """A board, netlist or parts list that cannot be read; the message names the line, what was found and allowed."""

    def __init__(self, message: str, line: int | None = None) -> None:
        super().__init__(message if line is None else tr("line {line}: {message}", line=line, message=message))
        self.line = line


class Reader:
    """Reads one text from front to back.

    `root()` enters the outermost list; `children()` then gives the name of each list in the list entered last. For
    each name, take the list whole with `node()`, pass over it with `skip()`, or go in with `children()` again.

    Parameters
    ----------
    data : bytes
        UTF-8; with or without a byte order mark.

    Raises
    ------
    BoardError
        Text too long, nested too deep, cut short, a quote or a bracket left open, bytes that are no UTF-8.
    """

    def __init__(self, data: bytes) -> None:
        if len(data) > MAX_BYTES:
            raise BoardError(
                tr(
                    "{size:.0f} MB found; allowed: up to {most:.0f} MB",
                    size=len(data) / 1e6,
                    most=MAX_BYTES / 1e6,
                )
            )
        self._data = data
        self._at = 3 if data.startswith(b"\xef\xbb\xbf") else 0
        self._open: list[tuple[str, int]] = []
        self._counted = (0, 1)

    @property
    def line(self) -> int:
        """The line reached, from 1."""
        return self._line_of(self._at)

    def root(self, allowed: str) -> str:
        """Enter the outermost list and give its name; `allowed` says in the refusal what is read here."""
        found = _TOKEN.search(self._data, self._at)
        if found is None:
            raise BoardError(tr("the text is empty"), 1)
        if found.group() != b"(":
            seen = found.group()[:20].decode("utf-8", "replace")
            raise BoardError(
                tr("begins with {seen!r}; allowed: {allowed}", seen=seen, allowed=allowed), self._line_of(found.start())
            )
        return self._enter(found)

    def children(self) -> Iterator[str]:
        """Names of the lists in the current list; words and strings between them are passed over."""
        depth = len(self._open)
        between = 0
        while True:
            found = _TOKEN.search(self._data, self._at)
            if found is None:
                raise self._cut_short()
            first = self._data[found.start()]
            if first == _CLOSE:
                self._at = found.end()
                self._open.pop()
                return
            if first == _OPEN:
                yield self._enter(found)
                if len(self._open) > depth:
                    raise RuntimeError(tr("the list {open} was neither taken nor skipped", open=self._open[-1][0]))
            else:
                self._whole(found)
                self._at = found.end()
                between += 1
                if between > MAX_TOKENS:
                    raise BoardError(
                        tr(
                            "more than {most} words in one list ({list_name})",
                            most=MAX_TOKENS,
                            list_name=self._open[-1][0],
                        ),
                        self.line,
                    )

    def node(self) -> Node:
        """The current list whole, its name first; reading goes on behind it."""
        name, start = self._open[-1]
        here: Node = [name]
        outer: list[Node] = []
        room = MAX_DEPTH - len(self._open)
        for tokens, found in enumerate(_TOKEN.finditer(self._data, self._at)):
            text = found.group()
            first = text[0]
            if tokens > MAX_TOKENS:
                raise BoardError(
                    tr("more than {most} words in one list ({list_name})", most=MAX_TOKENS, list_name=name),
                    self._line_of(start),
                )
            if first == _OPEN:
                inner: Node = []
                here.append(inner)
                outer.append(here)
                here = inner
                if len(outer) > room:
                    raise self._too_deep(found.start())
            elif first == _CLOSE:
                if not outer:
                    self._at = found.end()
                    self._open.pop()
                    return here
                here = outer.pop()
            elif first == _QUOTE:
                self._whole(found)
                here.append(self._string(found))
            else:
                here.append(self._decode(text, found.start()))
        raise self._cut_short()

    def skip(self) -> None:
        """Pass over the current list."""
        shallow = _SHALLOW.match(self._data, self._at)
        if shallow is not None:
            self._at = shallow.end()
            self._open.pop()
            return
        depth, room = 1, MAX_DEPTH - len(self._open) + 1
        data = self._data
        for found in _BRACKET.finditer(data, self._at):
            first = data[found.start()]
            if first == _OPEN:
                depth += 1
                if depth > room:
                    raise self._too_deep(found.start())
            elif first == _CLOSE:
                depth -= 1
                if not depth:
                    self._at = found.end()
                    self._open.pop()
                    return
            else:
                self._whole(found)
        raise self._cut_short()

    def end(self) -> None:
        """After the outermost list: refuse anything but white space."""
        found = _TOKEN.search(self._data, self._at)
        if found is not None and found.group().strip(b"\0\x1a"):
            seen = found.group()[:20].decode("utf-8", "replace")
            line = self._line_of(found.start())
            raise BoardError(tr("{seen!r} after the end; allowed: one list and nothing behind it", seen=seen), line)

    def _enter(self, bracket: re.Match[bytes]) -> str:
        found = _TOKEN.search(self._data, bracket.end())
        if found is None:
            self._open.append(("(", bracket.start()))
            raise self._cut_short()
        first = self._data[found.start()]
        if first in (_OPEN, _CLOSE):  # a list without a name
            name, self._at = "", bracket.end()
        else:
            self._whole(found)
            name = self._string(found) if first == _QUOTE else self._decode(found.group(), found.start())
            self._at = found.end()
        self._open.append((name, bracket.start()))
        if len(self._open) > MAX_DEPTH:
            raise self._too_deep(bracket.start())
        return name

    def _string(self, found: re.Match[bytes]) -> str:
        text = self._decode(found.group()[1:-1], found.start())
        if "\\" not in text:
            return text
        return _ESCAPE.sub(lambda escape: _ESCAPED.get(escape[1], escape[1]), text)

    def _decode(self, raw: bytes, at: int) -> str:
        try:
            return raw.decode()
        except UnicodeDecodeError:
            raise BoardError(tr("bytes that are no UTF-8; allowed: text in UTF-8"), self._line_of(at)) from None

    def _whole(self, found: re.Match[bytes]) -> None:
        if found.group() == b'"':
            raise BoardError(tr('a quote (") is opened and never closed'), self._line_of(found.start()))

    def _too_deep(self, at: int) -> BoardError:
        return BoardError(
            tr("lists nested more than {most} deep; a board needs about 10", most=MAX_DEPTH),
            self._line_of(at),
        )

    def _cut_short(self) -> BoardError:
        name, start = self._open[-1]
        return BoardError(
            tr(
                "the text ends inside the list ({name} begun on line {start}; it is cut short",
                name=name,
                start=self._line_of(start),
            ),
            self._line_of(len(self._data.rstrip())),
        )

    def _line_of(self, at: int) -> int:
        counted, line = self._counted
        line = line + self._data.count(b"\n", counted, at) if at >= counted else self._data.count(b"\n", 0, at) + 1
        self._counted = (at, line)
        return line


def child(node: Node, name: str) -> Node | None:
    """The first list in `node` of that name."""
    for item in node:
        if isinstance(item, list) and item and item[0] == name:
            return item
    return None


def all_of(node: Node, name: str) -> Iterator[Node]:
    """Every list in `node` of that name."""
    for item in node:
        if isinstance(item, list) and item and item[0] == name:
            yield item


def words(node: Node | None) -> list[str]:
    """The words and strings directly in `node`, behind its name."""
    return [item for item in node[1:] if isinstance(item, str)] if node is not None else []


def word(node: Node | None, default: str = "") -> str:
    """The first word or string behind the name."""
    found = words(node)
    return found[0] if found else default
