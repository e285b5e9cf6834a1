"""refettle order: the example of the documents, its files refused line by line, JSON and nothing else."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from decimal import Decimal
from pathlib import Path

import pytest

from refettle.cli.main import main

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "ordering.md").read_text(encoding="utf-8")
FILES = dict(re.findall(r"^```text (\S+\.\w+)\n(.*?)^```", PAGE, re.S | re.M))


@pytest.fixture
def files(tmp_path: Path) -> Path:
    for name, text in FILES.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def test_the_example_of_the_page(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """1: IC3 comes too late, as the page says. What the page shows is what is printed."""
    assert main(["order", str(files / "needs.yaml"), str(files / "prices.csv")]) == 1
    printed = capsys.readouterr().out
    shown = re.search(r"^```text said\n(.*?)^```", PAGE, re.S | re.M)
    assert shown is not None
    assert printed == shown[1]


def test_json_is_clean_whatever_the_solver_writes(files: Path) -> None:
    """In a process of its own: the solver writes from C, past sys.stdout."""
    done = subprocess.run(
        [sys.executable, "-m", "refettle", "order", "needs.yaml", "prices.csv", "--ignore-deadlines", "--json"],
        cwd=files, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    plan = json.loads(done.stdout)
    assert plan["proven"]
    assert not plan["short"]
    total = sum(Decimal(share["total"]) for share in plan["shares"])
    assert total == round(Decimal(plan["total"]), 2)


@pytest.mark.parametrize(
    ("file", "old", "new", "says"),
    [
        ("prices.csv", "1,0.84", "1,nan", "prices.csv:2: price: found NaN; allowed: an amount"),
        ("prices.csv", "1,0.84", "1,0,84", "prices.csv:2: found 12 cells; allowed: 11"),
        ("prices.csv", "2000,4", "-5,4", "prices.csv:4: stock: found -5; allowed: a whole number, 0 to"),
        ("prices.csv", "from,price", "from,cost", "prices.csv:1: found column 'cost'"),
        ("prices.csv", "cap-1000u-25,10,", "cap-1000u-25,1,", "prices.csv:3: sku: found 'H-4711' of Harrow"),
        ("prices.csv", "cap-1000u-25,10,", "cap-100u-16,10,", "prices.csv:3: part: found 'cap-100u-16'"),
        ("prices.csv", "Morten Parts,B-71", "Nobody,B-71", "prices.csv:13: supplier: found 'Nobody'; allowed: one of"),
        ("needs.yaml", "rates: {GBP: 1.16}", "rates: {}", "currency: found GBP; allowed: EUR, or a rate for GBP"),
        ("needs.yaml", "quantity: 40", "quantity: 2.5", "needs.2.quantity: found 2.5; allowed: a whole number"),
        ("needs.yaml", "quantity: 40", "quantity: 0", "needs.yaml:13: need kit C2-C9: quantity: found 0"),
        ("needs.yaml", "by: 2031-03-07", "by: soon", "needs.3.by: found 'soon'; allowed: a day"),
        ("needs.yaml", "shipping: 6.90", "shipping: -1", "supplier Morten Parts: shipping: found -1; allowed"),
        ("needs.yaml", "shipping: 6.90", "postage: 6.90", "postage: found a field that is not known here; allowed:"),
        ("needs.yaml", "{cap-100u-16: 3}", "{cap-100u-16: -3}", "stock cap-100u-16: quantity: found -3"),
    ],
)  # fmt: skip
def test_files_that_are_refused(
    file: str, old: str, new: str, says: str, files: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (files / file).read_text(encoding="utf-8")
    assert old in text
    (files / file).write_text(text.replace(old, new, 1), encoding="utf-8")
    assert main(["order", str(files / "needs.yaml"), str(files / "prices.csv")]) == 2
    said = capsys.readouterr()
    assert not said.out
    assert says in said.err
    assert len(said.err.splitlines()) == 1


def test_two_files_of_needs_are_one_too_many(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["order", str(files / "needs.yaml"), str(files / "needs.yaml")]) == 2
    assert "2 files with needs found; allowed: one" in capsys.readouterr().err


def test_a_file_too_large_is_refused_at_once(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = "\n".join(f"  - {{part: p{n}, quantity: 1}}" for n in range(2_001))
    (files / "needs.yaml").write_text(f"suppliers: {{A: {{}}}}\nneeds:\n{lines}\n", encoding="utf-8")
    assert main(["order", str(files / "needs.yaml")]) == 2
    assert "needs: found 2,001; allowed: at most 2,000" in capsys.readouterr().err
