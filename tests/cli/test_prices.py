"""refettle prices, on lists in files and a book of its own in memory."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from refettle.book.models_prices import PriceList, Supplier
from refettle.cli import prices
from refettle.cli.main import main
from refettle.web.home import Home

Run = Callable[..., tuple[int, str, str]]
LIST = "Part no;Description;Stock;1+;100+\nA-1;Fuse 2 A;50;0,25;0,19\nA-2;Belt;3;call;\n"


@pytest.fixture
def run(db: None, own_folders: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a command on the test database; gives exit status, output and error output."""
    monkeypatch.setattr(prices, "open_book", lambda: Home(own_folders))

    def go(*words: str) -> tuple[int, str, str]:
        try:
            status = main(["prices", *words])
        except SystemExit as ended:
            status = int(ended.code or 0)
        return status, *capsys.readouterr()

    return go


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "tarn.csv"
    path.write_text(LIST, encoding="cp1252")
    return path


def test_read_says_what_it_understood_and_keeps_nothing(run: Run, file: Path) -> None:
    status, out, _ = run("read", str(file))
    assert status == 0
    assert "1 numbers understood, 1 rows left out. Part no: sku; Description: name; Stock: stock; 1+: price 1" in out
    assert "Line 3 left out: 1+: no price: 'call' found; allowed:" in out
    assert not PriceList.objects.exists()


def test_read_as_json_by_columns_that_were_said(run: Run, file: Path) -> None:
    status, out, _ = run("read", str(file), "--map", "sku=1", "--map", "price 5=100+", "--per", "100", "--json",
                         "--currency", "eur")  # fmt: skip
    facts = json.loads(out)
    assert status == 0
    assert facts["offers"] == [
        {"line": 2, "sku": "A-1", "name": "", "pack": 1, "least": 5, "breaks": [[5, "0.0019"]], "currency": "EUR",
         "stock": None, "lead_days": None}
    ]  # fmt: skip
    assert [each["line"] for each in facts["refused"]] == [3]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--map", "colour=1"), "--map colour=1: 'colour' found; allowed: sku"),
        (("--map", "sku"), "--map 'sku' found; allowed: ROLE=COLUMN"),
        (("--map", "sku=Weight"), "--map: column 'Weight' found; allowed: one of 1 'Part no'"),
        (("--map", "sku=1"), "no column is said to be the price"),
        (("--header", "9"), "--header 9: nothing stands in that line"),
        (("--encoding", "zlib"), "encoding: 'zlib' found"),
        (("--currency", "Euro"), "currency: 'EURO' found"),
    ],
)
def test_what_was_said_wrongly_is_one_clear_line(run: Run, file: Path, words: tuple[str, ...], says: str) -> None:
    status, out, err = run("read", str(file), *words)
    assert (status, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1


def test_a_file_that_is_not_there_or_holds_no_price(run: Run, tmp_path: Path) -> None:
    assert run("read", str(tmp_path / "none.csv"))[0] == 2
    path = tmp_path / "calls.csv"
    path.write_text("sku;price\nA;call\n")
    assert run("read", str(path))[0] == 1


def test_import_list_and_changes(run: Run, file: Path) -> None:
    assert run("list")[0] == 1
    status, _, err = run("import", "Tarn", str(file))
    assert status == 2
    assert "supplier: 'Tarn' found; allowed: one of none yet" in err
    assert run("import", "Tarn", str(file), "--add", "--from", "2026-01-05")[0] == 0
    file.write_text(LIST.replace("0,25", "0,30"), encoding="cp1252")
    status, out, _ = run("import", "tarn", str(file), "--from", "2026-05-05", "--json")
    assert json.loads(out)["numbers"] == 1
    assert "1 dearer, 0 cheaper, 0 gone, 0 new" in run("list", "tar", "--changes")[1]
    (change,) = json.loads(run("list", "tar", "--changes", "--json")[1])["changes"]
    assert (change["sku"], change["way"], change["now"]) == ("A-1", "up", "0.30")
    assert "A-1;Fuse 2 A;1;1;50;;EUR;0.30;0.19" in run("list", "tar", "--csv")[1]
    assert json.loads(run("list", "--json")[1])[0]["supplier"] == "Tarn"
    assert run("list", "tar", "--find", "belt")[0] == 1


def test_a_supplier_is_not_written_down_for_a_list_that_cannot_be_read(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "words.csv"
    path.write_text("nothing of use\n")
    assert run("import", "Tarn", str(path), "--add")[0] == 2
    assert not Supplier.objects.exists()
