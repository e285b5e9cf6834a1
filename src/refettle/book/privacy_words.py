"""Which words are an owner's, and an entry without them: texts that people wrote lose them, what the replay goes by
stays as it is.

A check, repair, point, part code, amount, hash or day is never touched. Names that tie entries together (an item of the
strip-down, a batch, a part being whitened) become the same other name everywhere in the job, and two of them never
become one.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

from refettle.book.log import ENTRY_KINDS, LogError, check_entry
from refettle.book.personal import PersonalWords, Word, word, words_of
from refettle.language import tr

KEPT: dict[str, frozenset[str]] = {
    kind: frozenset(fields.split())
    for kind, fields in {
        "complaint": "point outcome",
        "saved": "what",
        "caution": "caution",
        "first-power": "adapter",
        "proof": "repair",
        "consent": "repair",
        "gear": "gear",
        "check": "check outcome counts likelihood",
        "reading": "place file decides version",
        "repair": "repair",
        "photo": "photo",
        "board": "file netlist",
        "capacitor": "photo",
        "off": "photo",
        "go-ahead": "step photos",
        "one-way": "step",
        "yellow": "photo version neutral",
        "bath-in": "gates",
        "trial": "row",
        "cell": "row",
        "want": "row",
        "soak": "row",
        "experience": "factors",
        "came-over": "bench log",
        "quote": "p50 p90 ceiling currency valid_until",
        "answer": "ceiling",
        "values": "currency bought working as_is for_parts sold post",
        "outgoing": "amount currency",
        "warranty": "starts",
        "part-wanted": "part by repair",
        "part-taken": "part currency repair",
        "kit-used": "kit repair",
    }.items()
}
"""Kind -> its fields that nobody writes freely."""
KEYS_KEPT = {("quote", "scope"), ("go-ahead", "shown"), ("reading", "options"), ("reading", "figures")}
VALUES_KEPT = {("take-in", "condition"), ("take-in", "accessories")}
NAMES = frozenset({"item", "batch", "parts", "ref", "refs", "reference", "condition"})
"""Fields whose texts tie entries together; so do the keys of mappings."""
LEFT_OUT = "[left out]"
MOST_EXTRA = 50


class ExtraWordsError(ValueError):
    """A word to be looked for that cannot be; says what was found and what is allowed."""


@dataclass(frozen=True)
class OwnersWords:
    """The words of one owner. `own`: in that owner's jobs; `elsewhere`: whole names, numbers and addresses only."""

    own: PersonalWords
    elsewhere: PersonalWords


def owners_words(known: Iterable[tuple[str, str]], extra: Iterable[str] = ()) -> OwnersWords:
    """The words of an owner from names and contacts, those of earlier too, and from words that were typed.

    Raises
    ------
    ExtraWordsError
        Naming the word.
    """
    own: list[Word] = []
    elsewhere: list[Word] = []
    for name, contact in known:
        named = words_of(name, "", "").words
        reached = words_of("", contact, "").words
        own += [*named, *reached]
        elsewhere += [*named[:1], *(w for w in reached if "@" in w.text or any(c.isdigit() for c in w.text))]
    typed = [" ".join(each.split()) for each in extra if each.strip()]
    if len(typed) > MOST_EXTRA:
        raise ExtraWordsError(
            tr("further words: {n} lines found; allowed: at most {most}", n=len(typed), most=MOST_EXTRA)
        )
    for each in typed:
        made = word("person", each)
        if made is None or not 2 <= len(each) <= 200:
            raise ExtraWordsError(
                tr("further words: '{word}' found; allowed: 2 to 200 letters or digits a line", word=each[:40])
            )
        own.append(made)
        elsewhere.append(made)
    return OwnersWords(_once(own), _once(elsewhere))


def _once(words: Iterable[Word]) -> PersonalWords:
    return PersonalWords(tuple({(w.pattern, w.capital): w for w in reversed(list(words))}.values()), emails=False)


@dataclass
class Scrubber:
    """Takes words out of the entries of one job."""

    words: PersonalWords
    _renamed: dict[str, str] = field(default_factory=dict)

    def entry(self, kind: str, data: Mapping[str, Any]) -> dict[str, Any]:
        """The fields of an entry without the words; the same object's worth where there are none."""
        made = self._fields(kind, data)
        if made == data or _allowed(kind, made) or not _allowed(kind, data):
            return made
        # What stands for a word can be longer than the word: then the whole text goes.
        return self._fields(kind, data, whole=True)

    def name(self, text: str) -> str:
        """A name that ties entries together: the same for the same, another for another."""
        if text not in self._renamed:
            made, n = self.words.scrub(text), 1
            if made == text:
                return text
            taken = set(self._renamed.values())
            while (made if n == 1 else f"{made} ({n})") in taken:
                n += 1
            self._renamed[text] = made if n == 1 else f"{made} ({n})"
        return self._renamed[text]

    def _fields(self, kind: str, data: Mapping[str, Any], whole: bool = False) -> dict[str, Any]:
        kept = KEPT.get(kind, frozenset()) | _literal(kind)
        made: dict[str, Any] = {}
        for key, value in data.items():
            if key in kept:
                made[key] = value
            elif kind == "correction" and key == "with" and isinstance(value, Mapping):
                inner = str(value.get("kind", ""))
                made[key] = self._fields(inner, value, whole)
            else:
                made[key] = self._value(kind, key, value, whole)
        return made

    def _value(self, kind: str, key: str, value: Any, whole: bool) -> Any:
        if isinstance(value, str):
            return self._text(value, key in NAMES, whole)
        if isinstance(value, list | tuple):
            return [self._value(kind, key, each, whole) for each in value]
        if isinstance(value, Mapping):
            return {
                k if (kind, key) in KEYS_KEPT else self.name(k): v
                if (kind, key) in VALUES_KEPT
                else self._value(kind, "", v, whole)
                for k, v in value.items()
            }
        return value

    def _text(self, text: str, name: bool, whole: bool) -> str:
        if re.fullmatch("[0-9a-f]{64}", text):
            return text
        if name:
            return self.name(text)
        made = self.words.scrub(text)
        return LEFT_OUT if whole and made != text else made


def _literal(kind: str) -> frozenset[str]:
    model = ENTRY_KINDS.get(kind)
    if model is None:
        return frozenset()
    return frozenset(
        name
        for name, about in model.model_fields.items()
        if get_origin(about.annotation) is Literal
        or (
            get_origin(about.annotation) in (Union, UnionType)
            and any(get_origin(each) is Literal for each in get_args(about.annotation))
        )
    )


def _allowed(kind: str, data: Mapping[str, Any]) -> bool:
    try:
        check_entry({"kind": kind, **data})
    except LogError:
        return False
    return True


def differences(before: Any, after: Any, path: str = "") -> Iterator[tuple[str, str, str]]:
    """Where two values of the same build differ in their texts: field, text before, text after."""
    if isinstance(before, Mapping) and isinstance(after, Mapping):
        for (k, v), (other, w) in zip(before.items(), after.items(), strict=True):
            here = f"{path}.{k}" if path else str(k)
            if k != other:
                yield path or "name", str(k), str(other)
            yield from differences(v, w, here)
    elif isinstance(before, list | tuple) and isinstance(after, list | tuple):
        for each, other in zip(before, after, strict=True):
            yield from differences(each, other, path)
    elif before != after:
        yield path, str(before), str(after)
