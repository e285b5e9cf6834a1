"""refettle experience and refettle repairs, against a book of its own in memory."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from refettle.book import experience as book_experience
from refettle.book import store
from refettle.book.models_experience import Lesson
from refettle.cli import experience, repairs
from refettle.cli.main import main
from refettle.web.home import Home
from tests.book.test_experience import A, file_of, made_up, sent
from tests.web.pages import a_job

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(db: None, own_folders: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a command on the test database; gives exit status, output and error output."""
    for module in (experience, repairs):
        monkeypatch.setattr(module, "open_book", lambda: Home(own_folders))

    def go(*words: str) -> tuple[int, str, str]:
        try:
            status = main(list(words))
        except SystemExit as ended:
            status = int(ended.code or 0)
        return status, *capsys.readouterr()

    return go


def as_json(result: tuple[int, str, str]) -> Any:
    assert result[2] == ""
    return json.loads(result[1])


def one_lesson() -> None:
    job = a_job("piper-pocket")
    store.append(job, {"kind": "stage", "stage": "parted out"}, "Ada")
    Lesson.objects.create(job=job, entries=1, rules=book_experience.RULES, data=made_up("linear-regulator", 1.0))


def test_nothing_yet(run: Run) -> None:
    status, out, _ = run("experience", "show")
    assert status == 1
    assert out.startswith("No finished job yet.")
    assert as_json(run("experience", "show", "--json"))["jobs"]["own"] == 0


def test_show(run: Run) -> None:
    one_lesson()
    status, out, _ = run("experience", "show")
    assert status == 0
    assert "1 finished jobs: 1 of this bench" in out
    facts = as_json(run("experience", "show", "--json"))
    assert facts["weights"][0]["jobs"] == 1
    assert facts["cures"][0]["p50_minutes"] > 0
    assert facts["saved"]["minutes"] == 140


def test_out_in_and_away(run: Run, tmp_path: Path) -> None:
    one_lesson()
    theirs, ours = tmp_path / "theirs.json", tmp_path / "ours.json"
    theirs.write_text(file_of(A, [sent(A, 1)]))
    assert "From Tollgate: 1 new jobs" in run("experience", "import", str(theirs), "--name", "Tollgate")[1]
    assert as_json(run("experience", "import", str(theirs), "--json"))["had"] == 1
    assert "2 jobs" in run("experience", "export", "--to", str(ours))[1]
    assert as_json(run("experience", "import", str(ours), "--json")) == {
        "bench": json.loads(ours.read_text())["bench"],
        "new": 0,
        "longer": 0,
        "had": 1,
        "own": 1,
        "differ": 0,
    }
    assert json.loads(run("experience", "export", "--own-only")[1])["jobs"][0]["bench"] != A
    assert "no longer count" in run("experience", "remove", "Tollgate")[1]
    assert "count again" in run("experience", "restore", A[:6])[1]
    assert run("experience", "remove", "nobody")[0] == 2


def test_a_file_that_is_not_there(run: Run) -> None:
    status, out, err = run("experience", "import", "no-such.json")
    assert (status, out) == (2, "")
    assert "no-such.json: no such file" in err


def test_repair_records(run: Run, tmp_path: Path) -> None:
    assert run("repairs", "show")[0] == run("repairs", "remove")[0] == 1
    file = tmp_path / "records.csv"
    rows = "".join(f"r{n},Lamp,,{'Fixed' if n % 4 else 'End of life'}\n" for n in range(40))
    file.write_text("id,product_category,product_age,repair_status\n" + rows)
    assert as_json(run("repairs", "import", str(file), "--json"))["records"] == 40
    assert "Lamp" in run("repairs", "show")[1]
    asked = as_json(run("repairs", "ask", "lamp", "--age", "35", "--json"))
    assert asked["category_cases"] == 40
    assert 0.6 < asked["fixed"]["mean"] < 0.9
    assert run("repairs", "ask", "lamp", "--age", "-3")[0] == 2
    file.write_text("product_category,repair_status\nLamp,Mended\n")
    status, _, err = run("repairs", "import", str(file))
    assert status == 2
    assert "line 2: repair_status: 'Mended' found" in err
    assert "no longer used" in run("repairs", "remove")[1]
