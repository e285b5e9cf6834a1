"""Every kind of mistake is named with its file, line, field, what was found and what is allowed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from refettle.knowledge.compile import compile_type
from refettle.knowledge.errors import KnowledgeError, Mistake
from refettle.knowledge.loading import load_library, load_unit_type, parse_unit_type
from refettle.knowledge.reading import MAX_CHARACTERS, MAX_DEPTH, read_document
from tests.knowledge.small import SMALL, changed

FEED = "feed: {kind: reservoir}"
POINT = "sound: {shows: sound, name: Sound, sees: voice}"
ADDED = "checks: {extra: {name: x, sees: [feed], outcomes: {dead: [dead]}, minutes: 2, how: h}}\n"


def mistakes_of(read: Callable[[], object]) -> list[Mistake]:
    with pytest.raises(KnowledgeError) as caught:
        read()
    return caught.value.mistakes


def in_type(text: str) -> list[Mistake]:
    return mistakes_of(lambda: parse_unit_type(text, "small.yaml"))


def named(mistakes: list[Mistake], line: int, field: str, found: str, allowed: str) -> bool:
    """Whether one of the mistakes says all of it; an empty field is compared too."""
    return any(
        m.file and m.line == line and m.field == field and found in m.found and allowed in m.allowed for m in mistakes
    )


def block(change: str) -> tuple[str, str]:
    return FEED, f"feed: {{kind: reservoir, {change}}}"


def test_the_small_type_has_no_mistake() -> None:
    assert list(parse_unit_type(SMALL, "small.yaml").blocks) == ["feed", "voice"]


# ---------------------------------------------------------------- text


@pytest.mark.parametrize(
    ("text", "line", "found", "allowed"),
    [
        ("a: [1\nb: 2\n", 2, "text that is no YAML", "YAML 1.1"),
        ("a:\n\t- b\n", 2, "text that is no YAML", "YAML 1.1"),
        ("a: 1\n---\nb: 2\n", 2, "another document", "YAML 1.1"),
        ("a: 1\nb:\n  c: 2\n  c: 3\n", 4, "the key 'c' a second time (first on line 3)", "each key once"),
        ("a: 1\nb: &x 2\n", 2, "an anchor or alias", "written out"),
        ("a: 1\nb: *x\n", 2, "an anchor or alias", "written out"),
        ("a: 1\n? [b, c]\n: d\n", 2, "a key that is no plain word", "a word"),
        ("a: 1\nb: !thing c\n", 2, "'c'", "a plain value"),
        ("a: 1\nb: 2031-13-45\n", 2, "'2031-13-45'", "a plain value"),
        ("a:\n  " + "[" * (MAX_DEPTH + 2) + "]" * (MAX_DEPTH + 2), 2, "nesting deeper than", "at most 20 levels"),
        ("{" + "0, " * 60_000 + "}", 1, "more than 50,000 values", "at most 50,000"),
        ("x" * (MAX_CHARACTERS + 1), 0, "1,000,001 characters", "at most 1,000,000"),
        ("", 1, "an empty file", "one unit type or block kind"),
        ("# nothing but a comment\n", 1, "an empty file", "one unit type or block kind"),
        ('a: "\a"\n', 0, "control characters are not allowed", "YAML 1.1"),
    ],
)
def test_text_that_cannot_be_read(text: str, line: int, found: str, allowed: str) -> None:
    (mistake,) = mistakes_of(lambda: read_document(text, "odd.yaml"))
    assert (mistake.file, mistake.line) == ("odd.yaml", line)
    assert found in mistake.found
    assert allowed in mistake.allowed
    assert str(mistake).startswith("odd.yaml:" if line else "odd.yaml")


@pytest.mark.parametrize("tower", ["[" * 50_000, "{a: " * 50_000, "- " * 50_000])
def test_towers_are_refused_without_climbing_them(tower: str) -> None:
    (mistake,) = mistakes_of(lambda: read_document(tower, "odd.yaml"))
    assert mistake.line == 1


@pytest.mark.parametrize("value", ['!!int ""', "!!int -", "!!float _", "!!bool maybe", "!!timestamp soon"])
def test_a_value_that_is_not_of_its_tag(value: str) -> None:
    assert named(in_type(changed("{working: 90}", f"{{working: {value}}}")), 4, "value.working", "", "a plain value")


@pytest.mark.parametrize("value", ["0x" + "f" * 5000, ":".join(["1"] * 3000)])
def test_a_number_without_end(value: str) -> None:
    with pytest.raises(KnowledgeError):
        parse_unit_type(changed("{working: 90}", f"{{working: {value}}}"), "small.yaml")


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    (missing,) = mistakes_of(lambda: load_unit_type(tmp_path / "none.yaml"))
    assert (missing.file, missing.allowed) == (str(tmp_path / "none.yaml"), "a readable file")
    odd = tmp_path / "odd.yaml"
    odd.write_bytes(b"unit_type: Small\nabout: caf\xe9\n")
    (bytes_,) = mistakes_of(lambda: load_unit_type(odd))
    assert (bytes_.line, bytes_.found) == (2, "byte 0xe9, which is no UTF-8")
    odd.write_bytes(b"#" * 4_000_001)
    (large,) = mistakes_of(lambda: load_unit_type(odd))
    assert large.found == "4,000,001 bytes"


def test_a_file_with_a_byte_order_mark_and_two_letter_line_ends(tmp_path: Path) -> None:
    file = tmp_path / "marked.yaml"
    file.write_bytes(b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode())
    assert load_unit_type(file).name == "Small"


# ---------------------------------------------------------------- fields of a unit type


@pytest.mark.parametrize(
    ("old", "new", "line", "field", "found", "allowed"),
    [
        ("family: radio", "family: boat", 2, "family", "'boat'", "home computer, cartridge console, handheld"),
        ("about: A small one.\n", "", 1, "", "nothing", "'about', which is needed here"),
        ("about: A small one.", "about:", 3, "about", "nothing", "string"),
        ("about: A small one.", "abuot: x", 3, "abuot", "the unknown field 'abuot'", "the documentation"),
        ("{working: 90}", "{working: much}", 4, "value.working", "'much'", "number"),
        ("{working: 90}", "{working: -1}", 4, "value.working", "'-1'", "greater than or equal to 0"),
        ("{working: 90}", "{working: .nan}", 4, "value.working", "'nan'", "a finite number"),
        ("{working: 90}", "{working: 1.0e+999}", 4, "value.working", "'inf'", "a finite number"),
        ("{working: 90}", "{working: yes}", 4, "value.working", "'True'", "a number"),
        ("{feed: mains}", "{feed: adapter}", 1, "", "a mapping", "the adapter's five facts"),
        ("family: radio", "family: radio\nyears: [1990, 1980]", 1, "", "a mapping", "two years in order"),
        (FEED, "feed: {kind: reservior}", 7, "blocks.feed.kind", "'reservior'", "a block kind: "),
        (FEED, "Feed!: {kind: reservoir}", 7, "blocks.Feed!", "the name 'Feed!'", "letters, digits, _ and -"),
        ("[feed]", "[fede]", 10, "blocks.voice.needs.0", "'fede'", "another block: feed"),
        ("[feed]", "[voice]", 10, "blocks.voice.needs.0", "'voice'", "another block: feed"),
        ("[feed]", "{feed: {dead: gone}}", 10, "blocks.voice.needs.feed.dead", "'gone'", "dead, high"),
        ("[feed]", "5", 10, "blocks.voice.needs", "'5'", "list"),
        (*block("needs: [voice]"), 7, "blocks.feed.needs", "a circle: feed needs voice needs feed", "without a circle"),
        (*block("weight: 0"), 7, "blocks.feed.weight", "'0'", "greater than"),
        (*block("modes: {dry: {share: .inf}}"), 7, "blocks.feed.modes.dry.share", "'inf'", "a finite number"),
        (*block("modes: {dry: {effect: [wet]}}"), 7, "blocks.feed.modes.dry.effect.0", "'wet'", "dead, high"),
        (*block("modes: {dry: {active: 1.5}}"), 7, "blocks.feed.modes.dry.active", "'1.5'", "less than or equal to 1"),
        (*block("modes: {dry: {active: 0}}"), 7, "blocks.feed.modes.dry", "a mapping", "active must be above 0"),
        (*block("modes: {wet: null}"), 7, "blocks.feed.modes.wet", "which the kind does not have", "dry, leaking"),
        (*block("checks: {ers: null}"), 7, "blocks.feed.checks.ers", "which the kind does not have", "look, esr"),
        (*block("repairs: {swop: null}"), 7, "blocks.feed.repairs.swop", "which the kind does not have", "replace"),
        (*block("repairs: {swop: {minutes: 9}}"), 7, "blocks.feed.repairs.swop", "nothing", "'fixes', which is needed"),
        (
            *block("modes: {odd: {name: odd, share: 5, effect: [dead]}}"),
            *(7, "blocks.feed", "mode 'odd', which no repair fixes", "modes some repair fixes"),
        ),
        (*block("repairs: {replace: null}"), 7, "blocks.feed", "'dry', which no repair fixes", "some repair fixes"),
        (
            *block("repairs: {replace: {fixes: {dyr: 0.9, shorted: 0.9}}}"),
            *(7, "blocks.feed.repairs.replace.fixes.dyr", "'dyr'", "a failure mode: dry, leaking, shorted, worn-out"),
        ),
        (
            *block("repairs: {replace: {fixes: {dry: 1.2}}}"),
            *(7, "blocks.feed.repairs.replace.fixes.dry", "'1.2'", "less than or equal to 1"),
        ),
        (
            *block("repairs: {replace: {cautions: [mians]}}"),
            *(7, "blocks.feed.repairs.replace.cautions.0", "'mians'", "a caution of the library: "),
        ),
        (*block("repairs: {replace: {undo: false}}"), 7, "blocks.feed.repairs.replace", "without 'proof'", "be shown"),
        (
            *block("repairs: {replace: {harm: {chance: 0.1, what: w, causes: join/lifted-pad}}}"),
            *(7, "blocks.feed.repairs.replace.harm.causes", "'join'", "a block kind: "),
        ),
        (
            *block("repairs: {replace: {harm: {chance: 0.1, what: w, causes: joints/lifted}}}"),
            *(7, "blocks.feed.repairs.replace.harm.causes", "'lifted'", "a failure mode of joints: "),
        ),
        (
            *block("repairs: {replace: {harm: {chance: 0.1, what: w, causes: lifted}}}"),
            *(7, "blocks.feed.repairs.replace.harm.causes", "'lifted'", "dry, leaking, shorted, worn-out"),
        ),
        (
            *block("checks: {esr: {looks_at: [dyr], outcomes: {high: [dyr]}}}"),
            *(7, "blocks.feed.checks.esr.looks_at.0", "'dyr'", "a failure mode: dry, leaking, shorted, worn-out"),
        ),
        (
            *block("checks: {esr: {looks_at: [dry, leaking]}}"),
            *(7, "blocks.feed.checks.esr.outcomes.high.2", "'worn-out'", "a failure mode of looks_at: dry, leaking"),
        ),
        (
            *block("checks: {esr: {outcomes: {high: [dry]}}}"),
            *(7, "blocks.feed.checks.esr.looks_at", "'leaking', which no outcome names", "some outcome shows"),
        ),
        (*block("checks: {esr: {sees: output}}"), 7, "blocks.feed.checks.esr", "a mapping", "exactly one of sees"),
        (*block("checks: {esr: {minutes: 0}}"), 7, "blocks.feed.checks.esr.minutes", "'0'", "greater than 0"),
        (*block("checks: {esr: {miss: 0.7}}"), 7, "blocks.feed.checks.esr.miss", "'0.7'", "less than or equal to 0.5"),
        (*block("checks: {esr: {miss: {hgih: 0.1}}}"), 7, "blocks.feed.checks.esr", "a mapping", "names 'hgih'"),
        (*block("checks: {esr: {gear: x-ray}}"), 7, "blocks.feed.checks.esr.gear", "'x-ray'", "eye, ear, meter"),
        (
            *block("checks: {ripple: {sees: feeed}}"),
            7,
            "blocks.feed.checks.ripple.sees",
            "'feeed'",
            "of this type: feed",
        ),
        (
            *block("checks: {ripple: {without: [x]}}"),
            7,
            "blocks.feed.checks.ripple.without.0",
            "'x'",
            "of this type: feed",
        ),
        (
            FEED,
            f"{FEED}\n  spare: {{kind: reservoir}}",
            8,
            "blocks.spare",
            "which no point sees",
            "some point depends on",
        ),
        (POINT, "sound: {shows: smell, name: S, sees: voice}", 12, "points.sound.shows", "'smell'", "a point kind: "),
        (
            POINT,
            "sound: {shows: sound, name: S, sees: vioce}",
            12,
            "points.sound.sees",
            "'vioce'",
            "of this type: feed",
        ),
        (
            *(POINT, "sound: {shows: sound, name: S, sees: voice, cautions: [hot]}"),
            *(12, "points.sound.cautions.0", "'hot'", "a caution of the library"),
        ),
        ("[Plays]\n", f"[Plays]\n{ADDED.replace('extra', 'sound')}", 14, "checks.sound", "a point too", "of its own"),
        (
            *("[Plays]\n", f"[Plays]\n{ADDED.replace('sees: [feed]', 'looks_at: [dry]')}"),
            *(14, "checks.extra.looks_at.0", "'dry'", "a failure mode: feed.dry, "),
        ),
        (
            *("[Plays]\n", "[Plays]\nchecks: {extra: {name: x, swap: true, minutes: 2, how: h}}\n"),
            *(14, "checks.extra.swap", "swap: true for the whole unit", "swap in a block's checks"),
        ),
        (
            *("{feed: mains}", "{feed: mains, proves: [feed.weight]}"),
            *(5, "power_on.proves.0", "'feed.weight'", "a check, as block.check: feed.capture, "),
        ),
        ("[Plays]", "[]", 13, "acceptance", "a list", "at least 1"),
        ("[Plays]", "\n  - Plays\n  - 7", 15, "acceptance.1", "'7'", "a line of text, or a mapping with a name"),
        ("[Plays]", "\n  - Plays\n  - {nmae: Hums}", 15, "acceptance.1.nmae", "unknown field 'nmae'", "documentation"),
        ("[Plays]", "\n  - Plays\n  - {name: Plays}", 15, "acceptance.1", "'Plays' a second time", "each line once"),
        ("[Plays]", "[{name: Plays, conditions: [cold, cold]}]", 13, "acceptance.0", "a mapping", "'cold' twice"),
        ("[Plays]", "[{name: Plays, trials: 0}]", 13, "acceptance.0.trials", "'0'", "greater than or equal to 1"),
        ("[Plays]", "[{name: Safe, safety: true, trials: 3}]", 13, "acceptance.0", "a mapping", "stands alone"),
        (
            "[Plays]",
            "[{name: Plays, counts_of: [horn]}]",
            13,
            "acceptance.0.counts_of.0",
            "'horn'",
            "a point or a check",
        ),
    ],
)
def test_a_mistake_in_a_unit_type(old: str, new: str, line: int, field: str, found: str, allowed: str) -> None:
    mistakes = in_type(changed(old, new))
    assert all(m.file == "small.yaml" for m in mistakes)
    assert named(mistakes, line, field, found, allowed), "\n".join(str(m) for m in mistakes)


@pytest.mark.parametrize(
    "change",
    [
        pytest.param("checks: {esr: {harm: inf}}", id="harm"),
        pytest.param("repairs: {replace: {parts: [{part: x, price: 9e999}]}}", id="price"),
    ],
)
def test_numbers_without_end_written_as_words(change: str) -> None:
    assert "a finite number" in str(in_type(changed(*block(change))))


def test_a_rail_of_nan_volts() -> None:
    rails = "{feed: mains, rails: {main: {name: Main, volts: nan}}}"
    assert "a finite number" in str(in_type(changed("{feed: mains}", rails)))


@pytest.mark.parametrize(
    "text",
    [
        changed(*block("checks: {replace: {name: x, looks_at: [dry], outcomes: {bad: [dry]}, minutes: 1, how: h}}")),
        SMALL + "repairs: {sound: {name: x, fixes: {feed.dry: 0.9}, minutes: 9, how: h}}\n",
    ],
    ids=["check and repair of a block", "point and repair of the type"],
)
def test_two_steps_of_one_name(text: str) -> None:
    in_type(text)


def test_a_block_that_takes_the_name_of_the_unmodelled_cause() -> None:
    in_type(changed("[feed]", "[other]", changed(FEED, "other: {kind: reservoir}")))


def test_weights_that_leave_nothing_to_find_out() -> None:
    loaded = parse_unit_type(changed(*block("weight: 100")), "small.yaml")
    (mistake,) = mistakes_of(lambda: compile_type(loaded))
    assert (mistake.file, mistake.field) == ("small.yaml", "blocks.feed.weight")
    assert "feed.dry present in 55 of 100" in mistake.found
    assert "below 50 of 100" in mistake.allowed


def test_several_mistakes_at_once_in_the_order_of_the_file() -> None:
    text = changed("family: radio", "family: boat")
    text = changed("{working: 90}", "{working: -1}", text)
    text = changed(FEED, "feed: {kind: reservoir, wieght: 3}", text)
    text = changed("[Plays]", "[]", text)
    mistakes = in_type(text)
    assert [(m.line, m.field) for m in mistakes] == [
        (2, "family"),
        (4, "value.working"),
        (7, "blocks.feed.wieght"),
        (13, "acceptance"),
    ]
    # What hangs together is looked at once the fields are right; again all at once.
    text = changed(FEED, "feed: {kind: reservoir, modes: {wet: null}, checks: {ers: null}}")
    text = changed("[feed]", "[fede]", text)
    assert [m.line for m in in_type(text)] == [7, 7, 10]


# ---------------------------------------------------------------- block kinds of one's own

KIND = """\
block_kind: own
name: Own
about: x
weight: 2
modes:
  open: {name: open, share: 5, effect: [dead]}
  dry: {name: dry, share: 5, effect: [hum]}
checks:
  ohms: {name: ohms, looks_at: [open], outcomes: {open: [open]}, minutes: 2, how: h}
  volts: {name: volts, sees: output, outcomes: {none: [dead]}, minutes: 2, how: h}
repairs:
  new: {name: new, fixes: {open: 0.9, dry: 0.9}, minutes: 9, how: h}
"""


@pytest.mark.parametrize(
    ("old", "new", "line", "field", "found", "allowed"),
    [
        ("{open: 0.9, dry: 0.9}", "{open: 0.9}", 7, "modes.dry", "'dry', which no repair fixes", "some repair fixes"),
        ("{open: 0.9, dry: 0.9}", "{open: 0.9, dyr: 0.9}", 12, "repairs.new.fixes.dyr", "'dyr'", "dry, open"),
        (
            "looks_at: [open], outcomes: {open: [open]}",
            "looks_at: [x], outcomes: {open: [x]}",
            9,
            "checks.ohms.looks_at.0",
            "'x'",
            "dry, open",
        ),
        ("{none: [dead]}", "{none: [deaf]}", 10, "checks.volts.outcomes.none.0", "'deaf'", "a sign: dead, "),
        ("{none: [dead]}", "{none: []}", 10, "checks.volts.outcomes.none", "an empty list", "at least one a sign"),
        ("{none: [dead]}", "{good: [dead]}", 10, "checks.volts", "a mapping", "do not list it among the bad ones"),
        ("sees: output", "sees: rail5", 10, "checks.volts.sees", "'rail5'", "'output' in a block kind"),
        (
            "sees: output",
            "sees: output, without: [slot]",
            10,
            "checks.volts.without",
            "block names",
            "only in a unit type",
        ),
        ("minutes: 9", "minutes: 9, cautions: [mians]", 12, "repairs.new.cautions.0", "'mians'", "a caution"),
        ("weight: 2", "weight: 101", 4, "weight", "'101'", "less than or equal to 100"),
        ("effect: [dead]", "effect: []", 6, "modes.open.effect", "a list", "at least 1"),
        ("weight: 2", "weight: 2\npasses: {hum: hiss}", 5, "passes.hum", "'hiss'", "dead, high"),
    ],
)
def test_a_mistake_in_a_block_kind(
    old: str, new: str, line: int, field: str, found: str, allowed: str, tmp_path: Path
) -> None:
    (tmp_path / "own.yaml").write_text(changed(old, new, KIND))
    mistakes = mistakes_of(lambda: load_library(tmp_path))
    assert all(m.file == f"{tmp_path}/own.yaml" for m in mistakes)
    assert named(mistakes, line, field, found, allowed), "\n".join(str(m) for m in mistakes)


def test_mistakes_of_every_file_at_once_and_a_good_folder(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").write_text(changed("weight: 2", "weight: 0", KIND))
    (tmp_path / "b.yaml").write_text("block_kind: [")
    (tmp_path / "notes.txt").write_text("left alone")
    assert {m.file for m in mistakes_of(lambda: load_library(tmp_path))} == {f"{tmp_path}/a.yaml", f"{tmp_path}/b.yaml"}
    good = tmp_path / "good"
    good.mkdir()
    (good / "own.yaml").write_text(KIND)
    (good / "clock.yml").write_text(KIND.replace("block_kind: own", "block_kind: clock"))
    library = load_library(good)
    assert library.kinds["own"].name == library.kinds["clock"].name == "Own"  # one's own takes the shipped one's place
    assert library.kinds["rom"] == load_library().kinds["rom"]


def test_weights_too_small_to_count() -> None:
    change = block("weight: 1.0e-300, modes: {dry: {share: 1.0e-300}}")
    mistakes_of(lambda: compile_type(parse_unit_type(changed(*change), "small.yaml")))
