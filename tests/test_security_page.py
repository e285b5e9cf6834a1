"""docs/security.md: every requirement of the standard's level 1 is told of once, and every test it names exists."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
TEXT = (ROOT / "docs" / "security.md").read_text(encoding="utf-8")
SHORT = {
    "people": "tests/web/test_security_people.py",
    "headers": "tests/web/test_security_headers.py",
    "input": "tests/web/test_security_input.py",
    "sign_in": "tests/web/test_sign_in.py",
    "second": "tests/web/test_second.py",
    "unpack": "tests/web/test_unpack_page.py",
    "code": "tests/test_security_code.py",
}
LEVEL_1 = """
2.1: 1-12; 2.2: 1-3; 2.3: 1; 2.5: 1-6; 2.7: 1-4; 2.8: 1; 3.1: 1; 3.2: 1-3; 3.3: 1-2; 3.4: 1-5; 3.7: 1;
4.1: 1-3 5; 4.2: 1-2; 4.3: 1-2; 5.1: 1-5; 5.2: 1-8; 5.3: 1-10; 5.5: 1-4; 6.2: 1; 7.1: 1-2; 7.4: 1;
8.2: 1-3; 8.3: 1-4; 9.1: 1-3; 10.3: 1-3; 11.1: 1-5; 12.1: 1; 12.3: 1-5; 12.4: 1-2; 12.5: 1-2; 12.6: 1;
13.1: 1 3; 13.2: 1-3; 13.3: 1; 14.2: 1-3; 14.3: 2-3; 14.4: 1-7; 14.5: 1-3
"""
"""OWASP ASVS 4.0.3 (2021): the numbers marked for level 1, of the published table; V1 has none."""


def level_1() -> list[str]:
    found = []
    for section in LEVEL_1.split(";"):
        name, _, numbers = section.strip().partition(": ")
        for each in numbers.split():
            first, _, last = each.partition("-")
            found += [f"{name}.{n}" for n in range(int(first), int(last or first) + 1)]
    return found


def rows(heading: str) -> list[list[str]]:
    """The rows of all tables under a heading, without their heads."""
    (part,) = re.findall(rf"^## {heading}\n(.*?)(?=^## |\Z)", TEXT, re.S | re.M)
    lines = [line for line in part.splitlines() if re.match(r"\| \d", line)]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


@cache
def defined_in(file: str) -> set[str]:
    tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
    return {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")}


def named(text: str) -> list[tuple[str, str]]:
    found = re.findall(r"`([\w/]+(?:\.py)?)::(\w+)`", text)
    return [(SHORT.get(file, file), test) for file, test in found]


def test_every_requirement_is_told_of_once() -> None:
    asked = level_1()
    assert len(asked) == len(set(asked)) == 128
    told = [row[0] for heading in ("Met", "Not met, or in part", "Does not apply") for row in rows(heading)]
    assert sorted(told) == sorted(asked)


def test_every_row_that_is_met_has_a_test_and_the_others_a_reason() -> None:
    for row in rows("Met"):
        assert len(row) == 4
        assert named(row[3]), row
    for heading in ("Not met, or in part", "Does not apply"):
        for row in rows(heading):
            assert len(row) == 3
            assert len(row[2]) > 3, row


def test_every_test_that_is_named_exists() -> None:
    found = named(TEXT)
    assert len(found) > 100
    assert [each for each in found if each[1] not in defined_in(each[0])] == []
    assert not re.search(r"`\w+::\w+$", TEXT, re.M)
