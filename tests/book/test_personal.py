"""What may not be published is taken out of any text, however it is written; what only looks like it stays."""

from __future__ import annotations

import json
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refettle.book import store
from refettle.book.models import Job
from refettle.book.personal import INSTEAD, PersonalWords, personal_words, scrub, words_of
from refettle.knowledge.loading import LoadedType

CONTACT = "ines@aldane.example, 0100 555 017\n12 Mill Lane"
LOG = [
    {"n": 1, "who": "Mara Fenwick", "kind": "note", "text": "x"},
    {"n": 2, "who": "jonas", "kind": "safety", "by": "Orla Quist", "what": "referred"},
]
WORDS = words_of("Ines Aldane", CONTACT, "LK-04417", LOG)


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("Mrs Aldane's computer", "the owner's computer"),
        ("INES  aldane rang", "the owner rang"),
        ("Aldane, Ines brought it", "the owner brought it"),
        ("<b>Ines</b>&nbsp;<i>Aldane</i>", "<b>the owner</b>&nbsp;<i>the owner</i>"),
        ("\u202eInes\u200b Al\u00addane\u202c", "\u202ethe owner\u202c"),
        ("ines_aldane.jpg", "the owner.jpg"),
        ("Ｉｎｅｓ Áldane", "the owner"),
        ("write to Ines@Aldane.example soon", "write to [contact left out] soon"),
        ("or other.person@elsewhere.example", "or [contact left out]"),
        ("call 0100-555017 or +44 (100) 555 017", "call [contact left out] or [contact left out]"),
        ("lives at 12 Mill  Lane", "lives at [contact left out]"),
        ("serial lk04417, LK 04417, LK-04417", "serial [serial left out], [serial left out], [serial left out]"),
        ("number 04417 on the label", "number [serial left out] on the label"),
        ("Mara says, JONAS says, Orla Quist says", "the bench says, the bench says, [name left out] says"),
        ("Bines, Aldanesque, LK-044175, 104417, marathon", "Bines, Aldanesque, LK-044175, 104417, marathon"),
        ("", ""),
    ],
)
def test_what_is_taken_out_and_what_stays(text: str, left: str) -> None:
    assert WORDS.scrub(text) == left


def test_names_that_are_ordinary_words() -> None:
    words = words_of("Will May", "", "", [])
    assert words.scrub("It may fail and will") == "It may fail and will"
    assert words.scrub("Will said so, and it will, May") == "the owner said so, and it will, the owner"
    assert words.scrub("will may") == "the owner"


def test_other_scripts() -> None:
    assert words_of("田中", "", "", []).scrub("田中さんの") == "the ownerさんの"
    assert words_of("José Strauß", "", "", []).scrub(unicodedata.normalize("NFD", "JOSÉ STRAUSS")) == "the owner"
    assert words_of("أمل حداد", "", "", []).scrub("قال حداد") == "قال the owner"


def test_short_serials_and_own_stock_are_no_words(loaded: LoadedType) -> None:
    assert words_of("", "", "12", []).scrub("12 V") == "12 V"


@pytest.mark.django_db
def test_of_a_job(loaded: LoadedType) -> None:
    owner = store.get_or_create_owner("Ines Aldane", CONTACT)
    job: Job = store.open_job(loaded, owner=owner, serial="LK-04417")
    store.append(job, {"kind": "note", "text": "said Ines"}, "Ada Quill")
    assert scrub("Ada of Ines, LK-04417", job) == "the bench of the owner, [serial left out]"
    own = store.open_job(loaded)
    assert personal_words(own).scrub("own stock stays Own stock") == "own stock stays Own stock"


def test_nested_texts() -> None:
    assert WORDS.scrub_all({"Ines": ["by Mara", 3, ("LK-04417",)]}) == {
        "the owner": ["by the bench", 3, ("[serial left out]",)]
    }


NAMES = st.text(st.characters(whitelist_categories=("Lu", "Ll")), min_size=4, max_size=12)


@given(NAMES, st.text(max_size=60), st.text(max_size=60))
def test_no_name_is_left_between_spaces(name: str, before: str, after: str) -> None:
    made = words_of(name, "", "", []).scrub(f"{before} {name.title()} {after}")
    assert INSTEAD["owner"] in made or INSTEAD["contact"] in made
    assert f" {name.title()} " not in made


PIECES = (
    "Ines", "ALDANE", "aldane", "ines@aldane.example", "0100", "555", "017", "+44 (100) 555 017", "12 Mill", "Lane",
    "LK", "04417", "mara", "Fenwick", "Orla", "Quist", "mrs", "x", "\u00e9", "\u0301", " ", "-", ".", "_", "\n", '"',
    "(", "\\",
)  # fmt: skip


@given(st.lists(st.sampled_from(PIECES), max_size=9).map("".join))
def test_what_is_told_quickly_misses_nothing(text: str) -> None:
    """Also of a line of JSON with the text in it, as a database keeps it."""
    words = PersonalWords(WORDS.words, emails=False)
    if words.scrub(text) != text:
        assert words.may_be_in(text)
        assert words.may_be_in(json.dumps({"kind": "note", "text": text}))


def test_what_is_told_quickly_tells_most_apart() -> None:
    words = words_of("Ines Aldane", "", "LK-04417", [])
    assert not words.may_be_in('{"check": "sound", "outcome": "no sound", "minutes": 3.5}')
    assert words.may_be_in('{"text": "as aldane said"}')


@given(st.text(max_size=200))
def test_a_text_without_such_words_stays(text: str) -> None:
    words = words_of("Qqzxv Wwkjq", "", "ZZQ-998877", [])
    if "@" not in text:
        assert words.scrub(text) == text
