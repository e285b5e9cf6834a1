"""What may not be published of a job: its owner, those who wrote its log, serials; taken out of free text as well.

Words are found whatever their case, accents, hidden characters or spaces, and only as whole words. It errs on the safe
side: a word too many is left out rather than a name left in. A photo can show what no text says; that is for a person
to look at.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from refettle.book.models import Job

What = Literal["owner", "contact", "serial", "bench", "person"]
INSTEAD: Mapping[What, str] = {
    "owner": "the owner",
    "contact": "[contact left out]",
    "serial": "[serial left out]",
    "bench": "the bench",
    "person": "[name left out]",
}
"""What stands in place of each."""
TITLES = frozenset(
    "mr mrs ms miss mx dr prof sir herr frau monsieur madame mme mlle sr sra signor signora".split()  # noqa: SIM905
)
PARTICLES = frozenset("van von der den del des della dos das the and und".split())  # noqa: SIM905
"""Pieces of names that are no names by themselves."""
ORDINARY = frozenset(
    (  # noqa: SIM905
        "art baker bench bill black blue bob brown carpenter cook dale dean den drew fall field fisher fox "
        "frank gene grace gray green grey hill hope jack joy king lane long major mark marsh may mike miller "
        "my own owner page pat penny pole pope power price ray reed rich rob rod rose shop short silver smith "
        "star sterling stone storm sue sunny tip user wall ward water weld west white will wood workshop "
        "young "
    ).split()
)
"""Names that are ordinary words as well: left out where they have a capital letter, left alone where they have not."""
SPACELESS = ("CJK", "HIRAGANA", "KATAKANA", "HANGUL", "THAI", "LAO", "KHMER", "MYANMAR")
"""Scripts in which a word's end is not to be seen."""
EMAIL = re.compile(r"[^\s@<>()\[\]{},;:\"']{1,64}@[^\s@<>()\[\]{},;:\"']{1,200}")
_GAP = r"[\s\-_./()]{0,4}"
_APART = r"[\s\-./()]{0,3}"


@dataclass(frozen=True)
class Word:
    """Something not to be published. `capital`: only where it is written with a capital letter; `needle`: what stands
    in every text that has it, in small letters; '' where there is no such thing."""

    what: What
    text: str
    pattern: str
    capital: bool = False
    needle: str = ""


@dataclass(frozen=True)
class PersonalWords:
    """All that is not to be published of one job, and how it is taken out of a text."""

    words: tuple[Word, ...] = ()
    emails: bool = True
    """Every e-mail address goes, whoever's it is; otherwise those that hold one of the words."""

    @cached_property
    def _searched(self) -> list[tuple[Word, re.Pattern[str]]]:
        longest_first = sorted(self.words, key=lambda w: (-len(w.text), w.text))
        return [(word, re.compile(word.pattern)) for word in longest_first]

    def may_be_in(self, text: str) -> bool:
        """False where none of the words is in a text, or in any text of a line of JSON: told many times as fast as by
        taking them out. True says nothing."""
        if "\\" in text or not text.isascii():  # escapes, or letters that are folded
            return True
        small = text.lower()
        return any(word.needle in small and pattern.search(small) for word, pattern in self._searched)

    def scrub(self, text: str) -> str:
        """The text without them, each replaced by what stands for it; as a rule without any e-mail address."""
        if not text:
            return text
        folded, places = _folded(text)
        taken: list[tuple[int, int, str]] = []
        for word, pattern in self._searched:
            for found in pattern.finditer(folded):
                start, end = _span(text, places, found)
                if word.capital and not text[_first_letter(places, found, word)].isupper():
                    continue
                _take(taken, start, end, INSTEAD[word.what])
        for found in EMAIL.finditer(folded):
            start, end = _span(text, places, found)
            if self.emails or any(a < end and start < b for a, b, _ in taken):
                _take(taken, start, end, INSTEAD["contact"])
        return _replaced(text, sorted(taken))

    def scrub_all(self, value: Any) -> Any:
        """Every text in lists, tuples and mappings, their keys as well."""
        if isinstance(value, str):
            return self.scrub(value)
        if isinstance(value, Mapping):
            return {self.scrub_all(k): self.scrub_all(v) for k, v in value.items()}
        if isinstance(value, list | tuple):
            return type(value)(self.scrub_all(each) for each in value)
        return value


# ---------------------------------------------------------------- of a job


def personal_words(job: Job, entries: Iterable[Mapping[str, Any]] | None = None) -> PersonalWords:
    """What is not to be published of this job. `entries`: its log, if at hand."""
    from refettle.book import store
    from refettle.book.models import Owner

    unit, log = job.unit, store.entries(job) if entries is None else entries
    owner = unit.owner.name if unit.owner.kind == Owner.Kind.CUSTOMER else ""
    return words_of(owner, unit.owner.contact, unit.serial, log)


def scrub(text: str, job: Job) -> str:
    """A text without what is not to be published of this job. For many texts: `personal_words(job).scrub`."""
    return personal_words(job).scrub(text)


def words_of(owner: str, contact: str, serial: str, entries: Iterable[Mapping[str, Any]] = ()) -> PersonalWords:
    """What is not to be published, from an owner's name ('' for own stock) and contact, a serial, and the log's people.

    Of an owner's name and of those who wrote the log each part counts by itself; of people named in safety records
    the whole name only.
    """
    made: list[Word] = [*_name("owner", owner), *_contact(contact), *_serial(serial)]
    writers, others = set(), set()
    for entry in entries:
        writers.add(str(entry.get("who", "")))
        content = entry.get("with") if entry.get("kind") == "correction" else entry
        if isinstance(content, Mapping) and content.get("kind") == "safety" and content.get("by"):
            others.add(str(content["by"]))
    for who in sorted(writers):
        made += _name("bench", who)
    made += [Word("person", by.strip(), _bounded(by)) for by in sorted(others - writers) if _plain(by)]
    once: dict[tuple[str, bool], Word] = {}
    for word in made:
        once.setdefault((word.pattern, word.capital), word)
    return PersonalWords(tuple(once.values()))


def word(what: What, text: str) -> Word | None:
    """One word or several, as a whole; None where there is nothing in them to look for."""
    if not _plain(text):
        return None
    return Word(what, " ".join(text.split()), _bounded(text), _plain(text) in ORDINARY, _needle(text))


def _name(what: What, name: str) -> list[Word]:
    pieces = [p for p in re.split(r"[\s,;/&()\"]+", name.strip()) if _plain(p)]
    named = [p for p in pieces if _plain(p) not in TITLES]
    if not named:
        return []
    title = rf"(?:(?<![^\W_])(?:{'|'.join(sorted(TITLES))})\.?\s+)?"
    whole = " ".join(named)
    made = [Word(what, whole, title + _bounded(whole), _plain(whole) in ORDINARY, _needle(whole))]
    for piece in named if len(named) > 1 else []:
        plain = _plain(piece)
        if plain not in PARTICLES and (len(plain) >= 3 or (plain and _spaceless(plain[0]))):
            made.append(Word(what, piece, title + _bounded(piece), plain in ORDINARY, _needle(piece)))
    return made


def _contact(contact: str) -> list[Word]:
    made = []
    for piece in [contact, *re.split(r"[\n;,|]+", contact)]:
        piece = " ".join(piece.split())
        plain = _plain(piece)
        told = any(c.isdigit() for c in plain) or "@" in piece or " " in piece or piece[:1].isupper()
        if len(plain) >= 4 and told:
            made.append(Word("contact", piece, _bounded(piece), plain in ORDINARY, _needle(piece)))
    for number in re.findall(r"\+?\d(?:[ \t\-./()]{0,3}\d){4,}", _folded(contact)[0]):
        digits = re.sub(r"\D", "", number)
        # However it is written, with its area or without: known by its last seven digits.
        core, before = digits[-7:], rf"\+?\(?(?:\d{_APART}){{0,9}}?" if len(digits) > 7 else ""
        made.append(Word("contact", number, rf"(?<![\d+]){before}{_APART.join(core)}(?!\d)"))
    return made


def _serial(serial: str) -> list[Word]:
    groups = re.findall(r"[^\W_]+", _folded(serial)[0])
    whole = "".join(groups)
    mixed = any(c.isdigit() for c in whole) and any(c.isalpha() for c in whole)
    made = []
    if len(whole) >= (3 if mixed else 4):
        # With or without what stands between its groups, also between letters and digits.
        pieces = [re.escape(p) for g in groups for p in re.findall(r"\d+|\D+", g)]
        made.append(Word("serial", serial, rf"(?<![^\W_]){_GAP.join(pieces)}(?![^\W_])"))
        made += [
            Word("serial", g, rf"(?<![^\W_]){g}(?![^\W_])") for g in re.findall(r"\d+", whole) if len(g) >= 5 and mixed
        ]
    return made


# ---------------------------------------------------------------- finding


def _folded(text: str) -> tuple[str, list[int]]:
    """The text in one case, without accents and hidden characters; and where each of its letters stood."""
    if text.isascii():
        return text.lower(), list(range(len(text)))
    letters: list[str] = []
    places: list[int] = []
    for place, letter in enumerate(text):
        if unicodedata.category(letter) == "Cf":
            continue
        apart = unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", letter).casefold()).replace("ı", "i")
        for each in apart:
            if not unicodedata.combining(each):
                letters.append(each)
                places.append(place)
    return "".join(letters), places


def _plain(text: str) -> str:
    return _folded(text)[0].strip(" .'’-\n\t")


def _spaceless(letter: str) -> bool:
    return not letter.isascii() and unicodedata.name(letter, "").startswith(SPACELESS)


def _bounded(text: str) -> str:
    """A pattern for a text as a whole word, with any space between its words."""
    plain, words = _pieces(text)
    begins = "" if not plain or not plain[0].isalnum() or _spaceless(plain[0]) else r"(?<![^\W_])"
    ends = "" if not plain or not plain[-1].isalnum() or _spaceless(plain[-1]) else r"(?![^\W_])"
    return begins + r"[\s_.]+".join(re.escape(w) for w in words) + ends


def _pieces(text: str) -> tuple[str, list[str]]:
    """A text folded, and its words; points alone are of what lies between."""
    plain = " ".join(_folded(text)[0].split()).strip(" .'’")
    return plain, [w for w in plain.split() if w.strip("_.")] or plain.split()[:1]


def _needle(text: str) -> str:
    return max(_pieces(text)[1], key=len, default="")


def _first_letter(places: list[int], found: re.Match[str], word: Word) -> int:
    """Where the word itself begins, behind a title."""
    first = _plain(word.text)[:1]
    at = found.group().find(first)
    return places[found.start() + max(0, at)]


def _span(text: str, places: list[int], found: re.Match[str]) -> tuple[int, int]:
    start, end = places[found.start()], places[found.end() - 1] + 1
    while end < len(text) and unicodedata.combining(text[end]):
        end += 1
    return start, end


def _take(taken: list[tuple[int, int, str]], start: int, end: int, instead: str) -> None:
    """Take a span; one that lies over others takes them in."""
    over = [each for each in taken if each[0] < end and start < each[1]]
    if any(a <= start and end <= b for a, b, _ in over):
        return
    for each in over:
        taken.remove(each)
    # The longer ones were found first: theirs is what stands there.
    first = over[0][2] if over else instead
    taken.append((min(start, *(a for a, _, _ in over)) if over else start,
                  max(end, *(b for _, b, _ in over)) if over else end, first))  # fmt: skip


def _replaced(text: str, taken: list[tuple[int, int, str]]) -> str:
    out: list[str] = []
    at, last = 0, ""
    for start, end, instead in taken:
        between = text[at:start]
        # "Aldane, Ines" is one owner, not two.
        if not (last == instead and instead[0] != "[" and re.fullmatch(r"[\s,]+", between)):
            out += [between, instead]
        at, last = end, instead
    return "".join([*out, text[at:]])
