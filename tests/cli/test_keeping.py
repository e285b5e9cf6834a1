"""A file read at the command line and kept in a job: the job's page reads it again, by the same options."""

from __future__ import annotations

import argparse
from pathlib import Path

import pytest
from django.conf import settings
from django.test import Client

from refettle.cli import keeping
from refettle.cli.main import main
from refettle.web.home import Home
from tests.web.pages import CONSOLE, a_job, get, logged, text_of
from tests.web.test_tools_ripple import supply_csv
from tests.web.test_tools_sound import recording

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def book(own_folders: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeping, "open_book", lambda: Home(own_folders))
    monkeypatch.setattr(settings, "REFETTLE_FILES", tmp_path / "files")


@pytest.fixture
def worn(tmp_path: Path) -> str:
    file = tmp_path / "c3 worn.csv"
    rows = [line.split(",") for line in supply_csv(farad=900e-6, esr=1.4).decode().splitlines()]
    file.write_text("\n".join(";".join(cell.replace(".", ",") for cell in row) for row in rows))
    return str(file)


def test_a_capture_kept_is_read_again_on_the_page(
    worn: str, client: Client, capsys: pytest.CaptureFixture[str]
) -> None:
    job = a_job(CONSOLE)
    words = ["ripple", worn, "--mains-hz", "50", "--load", "0.6A", "--load-tolerance", "5", "--nominal", "2200u 25V"]
    more = ["--separator", "semicolon", "--decimal", "comma", "--probe", "CH1=1", "--job", str(job.number), "--new-run"]
    assert main([*words, *more, "--rectifier", "bridge"]) == 1  # the part is bad
    assert f"Job {job.number}: kept as entry 1, taken at reservoir." in capsys.readouterr().out
    (entry,) = logged(job)
    assert entry["options"] == {
        "mains": "50",
        "load": "0.6A",
        "load_tol": "5",
        "nominal": "2200u 25V",
        "rectifier": "bridge",
        "separator": "semicolon",
        "decimal": "comma",
        "probe_1": "1",
    }
    assert entry["run"] == "new"
    assert entry["decides"]["reservoir.capture"]["worn"] == 1.0
    page = text_of(get(client, f"/jobs/{job.number}/readings/1/"))
    assert " ".join(entry["figures"]["capacitance"].split()) in page


def test_a_recording_kept(tmp_path: Path, client: Client) -> None:
    job = a_job(CONSOLE)
    file = tmp_path / "out.wav"
    file.write_bytes(recording(0.1))
    assert main(["sound", str(file), "--mains-hz", "50", "--usual=-18", "--job", str(job.number)]) == 0
    (entry,) = logged(job)
    assert max(entry["decides"]["sound"], key=entry["decides"]["sound"].get) == "hum"
    assert " ".join(entry["figures"]["hum, A-weighted, left"].split()) in text_of(
        get(client, f"/jobs/{job.number}/readings/1/")
    )


def test_a_usual_level_of_nought_is_kept_too() -> None:
    found = argparse.Namespace(mains_hz=50.0, tape=None, tone=None, quiet=None, usual=0.0, tones=False, silence=False)
    assert keeping.sound_options(found) == {"mains": "50", "usual": "0"}


def test_what_is_refused(worn: str, capsys: pytest.CaptureFixture[str]) -> None:
    job = a_job(CONSOLE)
    base = ["ripple", worn, "--mains-hz", "50"]
    for more, says in (
        (["--job", "99"], "--job: job 99: no such job"),
        (["--job", str(job.number), "--place", "shelf"], "place: 'shelf' found; allowed: reservoir"),
        (["--place", "reservoir"], "--place, --new-run or --note without --job"),
        (["--job", str(job.number), "--gain", "5"], "--codes-per-division or --gain with --job; allowed: neither"),
    ):
        assert main([*base, *more]) == 2
        assert says in capsys.readouterr().err
    assert main(["ripple", "-", "--mains-hz", "50", "--job", str(job.number)]) == 2
    assert logged(job) == []
