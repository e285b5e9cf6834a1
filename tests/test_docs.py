"""The documents against the code: examples load, logs replay, commands parse, every field is described.

A fence's first word is its language; what follows says what the example is of:

- `yaml`: a whole unit type or block kind, or an addition to the one before it on the page;
- `yaml whole`: the unit type that the additions so far have made;
- `yaml supply`: a supply file;
- `yaml of KIND`: a unit type's use of a kind on the page, or a part of that kind;
- `yaml wrong`, `jsonl refused`: the next `text` fence shows what is said;
- `jsonl TYPE`: lines of one log of that unit type, over the whole page.
"""

from __future__ import annotations

import copy
import importlib
import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import pytest
import yaml
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from refettle.book.log import ENTRY_KINDS, LogError, read_jsonl
from refettle.book.replay import replay
from refettle.cli.main import COMMANDS, build_parser
from refettle.knowledge import schema, supplies
from refettle.knowledge.compile import compile_type
from refettle.knowledge.errors import KnowledgeError
from refettle.knowledge.loading import (
    Library,
    LoadedType,
    load_library,
    load_shipped_type,
    parse_unit_type,
    shipped_types,
)
from refettle.knowledge.supply_files import parse_supply
from refettle.language import LANGUAGES

ROOT = Path(__file__).resolve().parent.parent
PAGES = [*sorted((ROOT / "docs").glob("*.md")), *(ROOT / n for n in ("README.md", "CONTRIBUTING.md", "CHANGELOG.md"))]
UNIT_TYPES, BLOCK_KINDS, SUPPLY = "unit-types.md", "block-kinds.md", "supply.md"

SECTIONS: dict[type[BaseModel], tuple[str, str]] = {
    schema.UnitType: (UNIT_TYPES, "Fields of a unit type"),
    schema.Acceptance: (UNIT_TYPES, "Fields of an acceptance line"),
    schema.Value: (UNIT_TYPES, "Fields of value"),
    schema.Adapter: (UNIT_TYPES, "Fields of adapter"),
    schema.PowerOn: (UNIT_TYPES, "Fields of power_on"),
    schema.Rail: (UNIT_TYPES, "Fields of a rail"),
    schema.Block: (UNIT_TYPES, "Fields of a block"),
    schema.Point: (UNIT_TYPES, "Fields of a point"),
    schema.BlockKind: (BLOCK_KINDS, "Fields of a block kind"),
    schema.FailureMode: (BLOCK_KINDS, "Fields of a failure mode"),
    schema.Check: (BLOCK_KINDS, "Fields of a check"),
    schema.TypeCheck: (BLOCK_KINDS, "Fields of a check"),
    schema.Repair: (BLOCK_KINDS, "Fields of a repair"),
    schema.Part: (BLOCK_KINDS, "Fields of a part"),
    schema.Harm: (BLOCK_KINDS, "Fields of harm"),
    schema.PointKind: (BLOCK_KINDS, "Fields of a point kind"),
    schema.Caution: (BLOCK_KINDS, "Fields of a caution"),
    supplies.SupplySection: (SUPPLY, "Fields of a supply"),
    supplies.SupplyFile: (SUPPLY, "Fields of a supply file"),
    supplies.Mains: (SUPPLY, "Fields of mains"),
    supplies.Transformer: (SUPPLY, "Fields of transformer"),
    supplies.FeedAdapter: (SUPPLY, "Fields of an adapter as the feed"),
    supplies.RectifierPart: (SUPPLY, "Fields of rectifier"),
    supplies.Reservoir: (SUPPLY, "Fields of reservoir"),
    supplies.RegulatorPart: (SUPPLY, "Fields of a regulator"),
    supplies.DirectLoad: (SUPPLY, "Fields of a load"),
    supplies.SupplyFuse: (SUPPLY, "Fields of fuse"),
    supplies.PartSpread: (SUPPLY, "Fields of spread"),
}
"""Where the fields of each model are described."""


@dataclass(frozen=True)
class Fence:
    """A fenced example: the page, the line it begins on, its language, what it is of, and its text."""

    page: str
    line: int
    language: str
    of: str
    text: str

    @property
    def name(self) -> str:
        return f"{self.page}:{self.line}"


def fences(page: Path) -> list[Fence]:
    out: list[Fence] = []
    begun: tuple[int, str] | None = None
    lines: list[str] = []
    for number, line in enumerate(page.read_text(encoding="utf-8").splitlines(), start=1):
        if line.startswith("```"):
            if begun is None:
                begun, lines = (number, line[3:].strip()), []
            else:
                language, _, of = begun[1].partition(" ")
                out.append(Fence(page.name, begun[0], language, of, "\n".join(lines) + "\n"))
                begun = None
        elif begun is not None:
            lines.append(line)
    assert begun is None, f"{page.name}:{begun}: a fence that does not end"
    return out


def section(page: str, heading: str) -> str:
    """The text under a heading, down to the next heading of its rank or above."""
    text = (ROOT / "docs" / page).read_text(encoding="utf-8")
    found = re.search(rf"^(#+) {re.escape(heading)}\n", text, re.M)
    assert found, f"{page}: no heading '{heading}'"
    rest = text[found.end() :]
    following = re.search(rf"^#{{1,{len(found[1])}}} ", rest, re.M)
    return rest[: following.start()] if following else rest


def rows(text: str) -> list[list[str]]:
    """The rows of all tables in a text, without heads."""
    lines = [line for line in text.splitlines() if line.startswith("|")]
    cells = [[c.strip() for c in line.strip("|").split("|")] for line in lines]
    heads = {n for n, row in enumerate(cells[1:]) if set("".join(row)) <= set("-: ")}
    return [row for n, row in enumerate(cells) if n not in heads and n - 1 not in heads]


# ---------------------------------------------------------------- YAML


def merged(base: Any, addition: Any) -> Any:
    """Mappings grow, anything else is replaced."""
    if not (isinstance(base, dict) and isinstance(addition, dict)):
        return copy.deepcopy(addition)
    return {
        k: merged(base.get(k), addition[k]) if k in addition else copy.deepcopy(base[k]) for k in {**base, **addition}
    }


def written(data: Any) -> str:
    return yaml.safe_dump(copy.deepcopy(data), sort_keys=False, allow_unicode=True)


def library_with(kind: str, folder: Path) -> Library:
    folder.mkdir()
    (folder / "own.yaml").write_text(kind, encoding="utf-8")
    return load_library(folder)


def documented_types() -> dict[str, LoadedType]:
    found = [
        parse_unit_type(f.text, f.name) for p in PAGES for f in fences(p) if (f.language, f.of) == ("yaml", "whole")
    ]
    return {loaded.name.lower().replace(" ", "-"): loaded for loaded in found}


@pytest.mark.parametrize(
    "page", [p for p in PAGES if any(f.language == "yaml" for f in fences(p))], ids=lambda p: p.name
)
def test_yaml_examples_load(page: Path, tmp_path: Path) -> None:
    unit: Any = None
    kinds: dict[str, Any] = {}
    examples = fences(page)
    for number, fence in enumerate(examples):
        if fence.language != "yaml":
            continue
        data = yaml.safe_load(fence.text)
        if fence.of == "supply":
            parse_supply(fence.text, fence.name)
        elif fence.of == "wrong":
            with pytest.raises(KnowledgeError) as raised:
                parse_unit_type(fence.text, "wrong.yaml")
            assert str(raised.value) + "\n" == examples[number + 1].text
        elif fence.of.startswith("of "):
            kind = fence.of.removeprefix("of ")
            if "blocks" in data:
                library = library_with(written(kinds[kind]), tmp_path / str(number))
                base = next(iter(documented_types().values()))
                whole = merged(yaml.safe_load(base.text), data)
                watching = {"shows": "sound", "name": kind, "sees": next(iter(data["blocks"]))}
                parse_unit_type(written(merged(whole, {"points": {"watching": watching}})), fence.name, library)
            else:
                assert merged(kinds[kind], data) == kinds[kind], fence.name
        elif "block_kind" in data:
            assert not fence.of
            assert data["block_kind"] in library_with(fence.text, tmp_path / str(number)).kinds
            kinds[data["block_kind"]] = data
        else:
            assert fence.of in ("", "whole"), fence.name
            if fence.of == "whole":
                assert data == unit, f"{fence.name}: not what the steps before it make"
            unit = data if "unit_type" in data else merged(unit, data)
            parse_unit_type(fence.text if "unit_type" in data else written(unit), fence.name)


@pytest.mark.parametrize(("model", "where"), SECTIONS.items(), ids=lambda x: getattr(x, "__name__", ""))
def test_every_field_of_a_knowledge_file_is_described(model: type[BaseModel], where: tuple[str, str]) -> None:
    described(model, section(*where), f"{where[0]}: {where[1]}")


def test_every_model_of_the_schema_is_described() -> None:
    named = [*vars(schema).values(), *vars(supplies).values()]
    models = {m for m in named if isinstance(m, type) and issubclass(m, schema.Strict)}
    assert models - {schema.Strict} == set(SECTIONS)


def test_signs() -> None:
    table = rows(section(UNIT_TYPES, "Step 2: more blocks, and how signs travel"))
    assert {sign.strip("`"): meaning for sign, meaning in table} == schema.SIGNS


def described(model: type[BaseModel], text: str, where: str) -> None:
    """The table in `text` names every field of `model`, no other, with defaults and allowed words."""
    table = {row[0].strip("`"): row for row in rows(text) if len(row) == 3 and row[0].startswith("`")}
    fields = {(f.alias or name): f for name, f in model.model_fields.items() if name != "kind" or model is schema.Block}
    if model is supplies.SupplyFile:  # what a section has is described there
        fields = {name: f for name, f in fields.items() if name not in supplies.SupplySection.model_fields}
    assert set(table) == set(fields), where
    for name, info in fields.items():
        _, default, what = table[name]
        assert (default == "needed" or default.startswith("needed, ")) == (info.is_required() or name == "outcomes"), (
            f"{where}: {name}: {default}"
        )
        if isinstance(info.default, str | int | float) and info.default != "":
            shown = str(info.default).lower() if isinstance(info.default, bool) else f"{info.default}"
            given = re.split("[`;]", default.strip("`"))[0].strip()
            assert given == shown.removesuffix(".0"), f"{where}: {name}: {default}"
        if "as in a check" in what:
            continue
        for word in words_allowed(info):
            assert f"`{word}`" in default + what, f"{where}: {name}: '{word}' is allowed"


def words_allowed(info: FieldInfo) -> Iterator[str]:
    """The literal words in a field's type; signs are described once for all."""
    todo: list[Any] = [info.annotation]
    while todo:
        here = todo.pop()
        if get_origin(here) is Literal:
            if not set(get_args(here)) <= {*schema.SIGNS, "*"}:
                yield from map(str, get_args(here))
        else:
            todo += get_args(here)


# ---------------------------------------------------------------- the log


def logs() -> dict[tuple[str, str], str]:
    """(page, unit type) -> the lines of its log on that page."""
    found: dict[tuple[str, str], str] = {}
    for page in PAGES:
        for fence in fences(page):
            if fence.language in ("json", "jsonl") and fence.of != "refused":
                assert fence.of, f"{fence.name}: of which unit type?"
                found[page.name, fence.of] = found.get((page.name, fence.of), "") + fence.text
    return found


@pytest.mark.parametrize(("where", "text"), logs().items(), ids=lambda x: " ".join(x) if isinstance(x, tuple) else "")
def test_log_examples_replay(where: tuple[str, str], text: str) -> None:
    slug = where[1]
    loaded = load_shipped_type(slug) if slug in shipped_types() else documented_types()[slug]
    state = replay(compile_type(loaded), read_jsonl(text))
    assert state.suspects()
    assert not state.first_power_problems


def test_what_the_first_look_tells() -> None:
    loaded = documented_types()["dabchick-2"]
    state = replay(compile_type(loaded), read_jsonl(logs()[UNIT_TYPES, "dabchick-2"]))
    assert state.suspects()[0].block == "sound_path"


def test_log_lines_that_are_refused() -> None:
    examples = fences(ROOT / "docs" / "log.md")
    number = next(n for n, f in enumerate(examples) if (f.language, f.of) == ("jsonl", "refused"))
    said = []
    for line in examples[number].text.splitlines():
        with pytest.raises(LogError) as raised:
            read_jsonl(line)
        said.append(str(raised.value))
    assert said == examples[number + 1].text.splitlines()


@pytest.mark.parametrize("kind", ENTRY_KINDS)
def test_every_entry_kind_is_described(kind: str) -> None:
    text = section("log.md", kind)
    described(ENTRY_KINDS[kind], text, f"log.md: {kind}")
    assert f'"kind": "{kind}"' in text, "an example"


def test_the_head_of_an_entry() -> None:
    table = section("log.md", "The head of an entry").split("###")[0]
    assert {row[0] for row in rows(table)} == {"`n`", "`at`", "`who`", "`kind`"}


# ---------------------------------------------------------------- figures, Python


@pytest.mark.parametrize(
    "row", [r for r in rows(section("nomenclature.md", "Symbols and names in code")) if re.fullmatch("`[A-Z_]+`", r[0])]
)
def test_constants(row: list[str]) -> None:
    module = importlib.import_module("refettle." + row[1].strip("`").removesuffix(".py").replace("/", "."))
    assert getattr(module, row[0].strip("`")) == float(row[2].split()[0].rstrip(","))


def test_gear_table() -> None:
    ids = {"test media": "test-media", "ESR meter": "esr-meter", "logic probe": "logic-probe", "the owner": "owner"}
    ids["known-good part"] = "known-good"
    gear = {g.id: g for g in compile_type(load_shipped_type("larkmere-48")).model.gear}
    for names, proven, unproven, shared in rows(section("fault-finding.md", "Instruments that are stuck")):
        for name in names.split(", "):
            item = gear.pop(ids.get(name, name))
            assert (item.fault_proven, item.fault_unproven) == (float(proven), float(unproven))
            assert item.per_check == (shared == "repeats of one check")
    assert not gear


@pytest.mark.parametrize("fence", [f for p in PAGES for f in fences(p) if f.language == "python"], ids=lambda f: f.name)
def test_python_examples_run(fence: Fence) -> None:
    exec(compile(fence.text, fence.name, "exec"), {})


# ---------------------------------------------------------------- commands, links


def commands() -> list[tuple[str, str]]:
    """(where, command) for every `refettle ...` shown, in a fence or in a line."""
    found: list[tuple[str, str]] = []
    for page in PAGES:
        for fence in fences(page):
            if fence.language in ("", "sh", "console", "bash"):
                lines = [re.sub(r"^(\$ )?(\.venv/bin/)?", "", line.strip()) for line in fence.text.splitlines()]
                found += [(fence.name, line) for line in lines if re.match(r"refettle( |$)", line)]
        text = re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.M | re.S)
        found += [(page.name, c) for c in re.findall(r"`(refettle(?: [^`]*)?)`", text)]
    return found


@pytest.mark.parametrize(("where", "command"), commands())
def test_commands_parse(where: str, command: str) -> None:
    words = shlex.split(re.split(r" [|<>#]", command)[0].replace("\\|", "\\\\|"))[1:]
    if len(words) == 1 and words[0] in COMMANDS:
        return  # named, not shown in use
    if not words or words[0].startswith("-"):
        words = ["serve", *words] if words not in (["--help"], ["--version"]) else words
    if "\\|" in words[-1]:  # actions side by side in a table
        for action in words[-1].split("\\|"):
            parses([*words[:-1], action, "--help"], f"{where}: {command}")
        return
    parses(words, f"{where}: {command}")


def parses(words: list[str], where: str) -> None:
    try:
        build_parser(words[0]).parse_args(words)
    except SystemExit as left:
        assert not left.code, where  # noqa: PT017 - argparse leaves so on --help as well


def test_scripts_that_are_named_exist() -> None:
    for page in PAGES:
        for script in re.findall(r"python3? ((?:scripts|benchmarks)/\w+\.py)", page.read_text(encoding="utf-8")):
            assert (ROOT / script).is_file(), f"{page.name}: {script}"


def anchors(page: Path) -> set[str]:
    text = re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.M | re.S)
    heads = re.findall(r"^#+ (.*)$", text, re.M)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_links_lead_somewhere(page: Path) -> None:
    text = re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.M | re.S)
    for link in re.findall(r"\]\(([^)]+)\)", text):
        if link.startswith(("https://", "http://")):
            continue
        file, _, anchor = link.partition("#")
        target = (page.parent / file).resolve() if file else page
        assert target.exists(), f"{page.name}: {link}"
        if anchor:
            assert anchor in anchors(target), f"{page.name}: {link}"


def test_every_page_is_in_the_index() -> None:
    index = (ROOT / "docs" / "README.md").read_text(encoding="utf-8")
    for page in (ROOT / "docs").glob("*.md"):
        assert page.name == "README.md" or f"({page.name})" in index, page.name


def test_languages_and_how_they_are_chosen_are_described() -> None:
    page = (ROOT / "docs" / "language.md").read_text()
    assert "REFETTLE_LANGUAGE" in page
    assert "English and German" in page
    assert set(LANGUAGES) == {"en", "de"}, "docs/language.md names the languages in its first line"
    for what in ("collect", "compile", "check"):
        assert f"scripts/texts.py {what}" in page
