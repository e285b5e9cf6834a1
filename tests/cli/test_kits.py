"""refettle kit: from a list to a recalled lot; exit statuses."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from refettle.book.models_kits import Kit, KitVersion
from refettle.cli import kits
from refettle.cli.main import main
from refettle.web.home import Home
from tests.book.kits_bench import kit_of_three, make

Run = Callable[..., Any]


@pytest.fixture
def run(db: None, own_folders: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run `refettle kit ... --json`, or the text and what went to stderr where the status is 2 or `text` is asked."""
    monkeypatch.setattr(kits, "open_book", lambda: Home(own_folders))

    def go(*words: str, status: int = 0, text: bool = False) -> Any:
        assert main(["kit", *words, *([] if text else ["--json"])]) == status
        out, err = capsys.readouterr()
        return err or out if text or err else json.loads(out)

    return go


def test_a_list_is_shown_before_it_is_written(run: Run, tmp_path: Path) -> None:
    kit_of_three()
    file = tmp_path / "list.txt"
    file.write_text("C1: 100u 25V 105C aluminium\nC2: 10u 50V aluminium\n", encoding="utf-8")
    words = ("new", "--type", "larkmere-48", "--revision", "Z", "--name", "Two", "--file", str(file))
    shown = run(*words, status=1)
    assert shown["written"] is None
    assert [row[2] for row in shown["lines"]] == ["E100", "E10"]
    assert KitVersion.objects.count() == 1
    assert run(*words, "--yes")["buildable"] == 20
    assert "--type: 'nothing' found" in run(*words[:2], "nothing", *words[3:], status=2)
    file.write_text("C1: 22p film", encoding="utf-8")
    assert "nothing in the stores for 22pF film" in run(*words, status=2)


def test_a_batch_to_the_recall(run: Run) -> None:
    version = kit_of_three()
    number = str(version.pk)
    assert run("buildable", number, "--more", "2")["missing"] == {"F1": 6}
    run("buildable", number, "--least", "11", status=1)
    batch = str(run("batch", number, "--begin", "2")["batch"])
    assert "counted 3, and 4 belong in; written as a mistake" in run(
        "batch", batch, "--fill", "1", "--counted", "3", status=1
    )
    for line, pieces in (("1", "4"), ("2", "2"), ("3", "6")):
        facts = run("batch", batch, "--fill", line, "--counted", pieces)
    assert (facts["filled"], facts["mistakes"], facts["to_check"]) == (3, 1, [1, 2])
    wrong = run("check", batch, "1", "--codes", f"B{batch}-1 B{batch}-2", status=1)
    assert (wrong["right"], wrong["state"]) == (False, "not ready")
    assert run("check", batch, "1", "--codes", f"b{batch}-1,b{batch}-2,b{batch}-3")["state"] == "ready"
    coarse = run("check", batch, "2", "--gram", "3.4", "--resolution", "1", status=2)
    assert "weight: proves nothing for this kit" in coarse
    run("check", batch, "2", "--gram", "3.42", "--resolution", "0.01", "--spread", "0.005")
    sold = run("sell", f"K{batch}-1", "--to", "Ines Aldane", "--price", "12,5")
    assert (sold["state"], sold["price"]) == ("sold", "12.50")
    lot = str(sold["parts"][0]["lot_number"])
    assert [x["state"] for x in run("trace", "--lot", lot)["kits"]] == ["ready", "sold"]
    found = run("recall", lot, "--why", "leaks")
    assert [(x["kit"], x["state"]) for x in found["kits"]] == [(f"K{batch}-2", "recalled"), (f"K{batch}-1", "sold")]
    assert "is recalled; allowed: ready" in run("sell", f"K{batch}-2", "--to", "Ines Aldane", status=2)
    assert run("apart", f"K{batch}-2")["state"] == "taken apart"


def test_what_can_hurt_is_printed_with_its_cautions(run: Run) -> None:
    version = kit_of_three()
    make(version, 1)
    shown = run("show", str(version.pk), text=True)
    assert "CAUTION: Mains voltage" in shown
    assert "CAUTION: Bursting parts" in shown
    assert "limited by" in run("list", text=True)
    assert Kit.objects.get().code in run("trace", Kit.objects.get().code, text=True)
