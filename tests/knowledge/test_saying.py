"""The library in German: every text that a page shows is collected and translated, and nothing kept changes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any, Literal, get_args, get_origin

import pytest
import texts
from pydantic import BaseModel

from refettle import language
from refettle.knowledge import compile as compiling
from refettle.knowledge.loading import load_library, load_shipped_type, parse_unit_type, shipped_types
from refettle.knowledge.one_way import OneWayStep
from refettle.knowledge.peroxide import _File
from refettle.knowledge.saying import said
from refettle.knowledge.schema import BlockKind, Caution, PointKind, UnitType
from refettle.language import speaking, spoken
from tests.knowledge.small import changed

NOT_SHOWN = {
    "block_kind": "an id",
    "kind": "an id",
    "unit_type": "a name of the maker's",
    "maker": "a name",
    "category": "as published records name it",
    "code": "a code of a statement",
    "sees": "ids",
    "without": "ids",
    "looks_at": "ids",
    "causes": "ids",
    "needs": "ids",
    "cautions": "ids",
    "shows": "an id",
    "proves": "ids",
    "counts_of": "ids",
    "part": "a designator on a board; that of a repair hangs below `parts`",
}
"""Fields of text that no page shows as a text, and why."""


def _models(model: type[BaseModel], seen: set[type[BaseModel]]) -> set[type[BaseModel]]:
    if model not in seen:
        seen.add(model)
        for each in model.model_fields.values():
            for inner in _types(each.annotation):
                if isinstance(inner, type) and issubclass(inner, BaseModel):
                    _models(inner, seen)
    return seen


def _types(annotation: Any) -> Iterator[Any]:
    if get_origin(annotation) is Literal:
        return  # the words of fixed sets are collected from the code
    if get_args(annotation):
        for each in get_args(annotation)[get_origin(annotation) is dict :]:  # keys are ids, or outcomes
            yield from _types(each)
    else:
        yield annotation


def test_every_text_of_the_schema_is_collected_or_known_to_be_no_text() -> None:
    missing = [
        f"{model.__name__}.{name}"
        for top in (BlockKind, PointKind, Caution, UnitType, OneWayStep, _File)
        for model in _models(top, set())
        for name, field in model.model_fields.items()
        if str in _types(field.annotation)
        and not {field.alias or name, name} & (texts.SHOWN_KEYS | texts.SHOWN_NAMES | NOT_SHOWN.keys())
    ]
    assert not missing


def test_a_caution_is_said_whole() -> None:
    for key, caution in load_library().cautions.items():
        with speaking("de"):
            german = said(caution)
        assert len(german.do) == len(caution.do), key
        pairs = zip(
            [german.name, german.hazard, german.defer, *german.do],
            [caution.name, caution.hazard, caution.defer, *caution.do],
            strict=True,
        )
        for told, written in pairs:
            assert told != written or " " not in written, f"{key}: {written}"
            assert re.findall(r"\d+", told) == re.findall(r"\d+", written), f"{key}: other figures in {told!r}"
        assert german.gate == caution.gate
        assert said(caution) == caution  # in English


@pytest.mark.parametrize("slug", sorted(shipped_types()))
def test_every_step_is_said(slug: str) -> None:
    compiled = compiling.compile_type(load_shipped_type(slug))
    with speaking("de"):
        for step in compiled.steps.values():
            for text in (step.name, step.how, step.harm, step.proof, *step.outcomes, step.good):
                if text and " " in text:
                    assert spoken(text) != text, text
        for mode in compiled.model.modes:
            assert spoken(mode.name) != mode.name, mode.name
        for check in compiled.model.checks:
            assert spoken(check.name) != check.name, check.name


def test_what_is_kept_is_the_same_in_every_language() -> None:
    """A model made while German is spoken is the one that an English page finds in the cache."""
    english = compiling._Compiler(load_shipped_type("piper-pocket"), 30.0).run()
    with speaking("de"):
        german = compiling._Compiler(load_shipped_type("piper-pocket"), 30.0).run()
        fresh = parse_unit_type(load_shipped_type("piper-pocket").text, "piper-pocket.yaml")
    assert german.steps == english.steps
    assert [m.name for m in german.model.modes] == [m.name for m in english.model.modes]
    assert [c.name for c in german.model.checks] == [c.name for c in english.model.checks]
    assert fresh.sha256 == load_shipped_type("piper-pocket").sha256


def test_a_type_of_the_benchs_own_shows_as_it_was_written() -> None:
    text = changed("name: Sound", "name: Front speaker", changed("A small one.", "The one in the shop window."))
    loaded = parse_unit_type(text, "own.yaml")
    steps = compiling.compile_type(loaded).steps
    with speaking("de"):
        assert spoken(loaded.unit_type.about) == "The one in the shop window."
        assert spoken(steps["sound"].name) == "Blick: Front speaker"
        assert spoken(loaded.blocks["feed"].name) == "Ladekondensatoren"


def test_a_capital_and_a_phrase_are_known_again() -> None:
    written = "wire broken at the strain relief or plug"
    with speaking("de"):
        told = spoken(written)
        assert spoken(compiling._title(written)) == told[0].upper() + told[1:]
        assert spoken(compiling.DORMANT_NAME.format(name=compiling._title(written))).startswith(told[:10])
        assert spoken("Anything else.") == "Anything else."
        assert spoken("") == ""
    assert language.current() == "en"
