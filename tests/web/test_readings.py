"""A file read, kept in a job as evidence: it moves the suspicions, is shown with its plot, and is compared."""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import parse_qsl, urlsplit

import numpy as np
import pytest
from django.conf import settings
from django.test import Client

from refettle.book import store
from refettle.book.models import Job
from tests.web.captures import send
from tests.web.pages import CONSOLE, HOME_COMPUTER, a_job, get, logged, text_of
from tests.web.test_tools_ripple import supply_csv
from tests.web.test_tools_sound import RATE, recording, wav

pytestmark = pytest.mark.django_db
ASKED = {"mains": "50", "load": "0.6", "nominal": "2200u 25V", "rectifier": "bridge"}


@pytest.fixture(autouse=True)
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "files"
    monkeypatch.setattr(settings, "REFETTLE_FILES", folder)
    return folder


def keep(client: Client, job: Job, data: bytes, place: str, tool: str = "ripple", **more: str) -> int:
    """Send a file to a tool page for this job, and keep it from its result's page; gives the status."""
    asked = (ASKED if tool == "ripple" else {}) | {k: v for k, v in more.items() if k not in ("where", "run", "note")}
    name = "c3.csv" if tool == "ripple" else "out.wav"
    there = send(client, f"/tools/{tool}/", data, name=name, job=str(job.number), **asked)
    page = get(client, there)
    assert f"Keep it in job {job.number}" in text_of(page)
    form = dict(parse_qsl(urlsplit(there).query)) | {k: v for k, v in more.items() if k in ("where", "run", "note")}
    token = re.search(r'name="file" value="([^"]+)"', page)
    assert token is not None
    form |= {"method": tool, "file": token[1], "place": place}
    return client.post(f"/jobs/{job.number}/readings/", form).status_code


def suspicion(job: Job, block: str) -> float:
    return next(s.chance for s in store.job_state(job).suspects() if s.block == block)


def test_empty_it_teaches_and_leads_to_the_tools(client: Client) -> None:
    job = a_job(CONSOLE)
    html = get(client, f"/jobs/{job.number}/readings/")
    assert "No file has been read in this job" in text_of(html)
    assert f"/tools/ripple/?job={job.number}&amp;place=reservoir" in html
    assert f"/tools/sound/?job={job.number}&amp;place=sound" in html
    assert "Mains voltage" in html


def test_a_worn_reservoir_moves_the_suspicion_and_is_shown_with_its_plot(client: Client) -> None:
    job = a_job(CONSOLE)
    before = suspicion(job, "reservoir")
    assert keep(client, job, supply_csv(farad=900e-6, esr=1.4), "reservoir", note="warm") == 302
    (entry,) = logged(job)
    assert entry["kind"] == "reading"
    assert entry["options"] == ASKED
    assert entry["decides"]["reservoir.capture"] == {"good": pytest.approx(0.02, abs=0.001), "worn": 1.0}
    assert entry["decides"]["rectifier.capture"]["good"] == 1.0
    assert suspicion(job, "reservoir") > 3 * before
    html = get(client, f"/jobs/{job.number}/readings/")
    assert "Ripple: Reservoir capacitor, C3" in text_of(html)
    assert "worn 1" in text_of(html)
    shown = get(client, f"/jobs/{job.number}/readings/1/")
    assert 'data-trace="worked out"' in shown
    assert "warm" in shown
    assert "<svg" in get(client, f"/jobs/{job.number}/readings/1/plot/")
    polled = client.get(f"/jobs/{job.number}/readings/1/", headers={"HX-Request": "true"})
    assert polled.headers["HX-Refresh"] == "true"  # done: the page that said how far it is gives way to the result
    assert "graded reading" not in text_of(get(client, f"/jobs/{job.number}/faults/"))
    assert "worn 1" in text_of(get(client, f"/jobs/{job.number}/faults/"))


def test_before_and_after_a_repair(client: Client) -> None:
    job = a_job(CONSOLE)
    keep(client, job, supply_csv(farad=900e-6, esr=1.4), "reservoir")
    store.append(job, {"kind": "repair", "repair": "reservoir.replace"}, "Ada")
    keep(client, job, supply_csv(farad=2200e-6, esr=0.4), "reservoir", run="new")
    page = text_of(get(client, f"/jobs/{job.number}/readings/3/"))
    assert "Against entry 1" in page
    assert re.search(r"Capacitance .{10,60} higher", page)
    assert re.search(r"ESR .{10,80} lower", page)


def test_what_does_not_tell_counts_for_nothing(client: Client) -> None:
    job = a_job(CONSOLE)
    assert keep(client, job, supply_csv(), "reservoir", nominal="") == 302
    (entry,) = logged(job)
    assert set(entry["decides"]) == {"rectifier.capture"}
    assert keep(client, job, supply_csv(), "elsewhere", where="rail behind the coil") == 302
    assert logged(job)[-1].get("decides") is None
    assert "it moves no suspicion" in text_of(get(client, f"/jobs/{job.number}/readings/"))


def test_a_recording_counts_at_the_sound_point(client: Client) -> None:
    job = a_job(HOME_COMPUTER)
    assert keep(client, job, recording(0.1), "sound", tool="sound", mains="50", usual="-18") == 302
    (entry,) = logged(job)
    grades = entry["decides"]["sound"]
    assert max(grades, key=grades.get) == "hum"
    assert "Hum, A-weighted" in text_of(get(client, f"/jobs/{job.number}/readings/1/"))


def test_refusals_say_what_is_allowed(client: Client) -> None:
    job = a_job(CONSOLE)
    assert keep(client, job, supply_csv(), "nowhere") == 422
    answer = client.post(
        f"/jobs/{job.number}/readings/", {"method": "ripple", "file": "gone-gone", "place": "reservoir"}
    )
    assert "it is no longer at hand; allowed: send it again" in text_of(answer.content.decode())
    assert keep(client, job, supply_csv(), "elsewhere") == 422
    assert logged(job) == []
    assert client.get(f"/jobs/{job.number}/readings/7/").status_code == 404


def test_a_file_that_is_gone_is_told(client: Client, files: Path) -> None:
    job = a_job(CONSOLE)
    keep(client, job, supply_csv(load=0.5), "reservoir")
    for each in files.rglob("*"):
        if each.is_file():
            each.unlink()
    from refettle.web import longwork

    longwork._works.clear()
    page = text_of(get(client, f"/jobs/{job.number}/readings/1/", 422))
    assert "cannot be read" in page
    assert "Put it back there" in page


def test_the_form_knows_what_the_type_and_the_log_know(client: Client) -> None:
    job = a_job(CONSOLE, entries=[{"kind": "capacitor", "ref": "C3", "value": "2200u 35V", "minus": "left"}])
    html = get(client, f"/tools/ripple/?job={job.number}&place=reservoir")
    assert 'value="2200u 35V"' in html
    assert 'value="656 mA"' in html
    assert '<option value="bridge" selected>' in html
    assert "Filled in from the unit type" in html
    assert "Filled in from the unit type" not in get(client, "/tools/ripple/")


def test_a_wrong_figure_is_put_right_by_reading_again(client: Client) -> None:
    job = a_job(CONSOLE)
    keep(client, job, supply_csv(farad=900e-6, esr=1.4), "reservoir", load="6")
    there = client.post(f"/jobs/{job.number}/readings/1/again/")["Location"]
    page = get(client, there.replace("load=6", "load=0.6"))
    assert f"Keep it in job {job.number}" in page
    assert 'value="0.6"' in page
    assert "f-place" not in get(client, f"/jobs/{job.number}/log/1/")  # where it was taken decides what it counts for
    store.append(job, {"kind": "correction", "corrects": 1, "with": None}, "Ada")
    assert "Taken back by entry 2; it counts for nothing" in text_of(get(client, f"/jobs/{job.number}/readings/"))
    assert "<svg" in get(client, f"/jobs/{job.number}/readings/1/")


def test_silence_recorded_on_purpose_says_nothing_of_the_sound(client: Client) -> None:
    job = a_job(HOME_COMPUTER)
    quiet = 1e-4 * np.random.default_rng(3).standard_normal((8 * RATE, 2))
    assert keep(client, job, wav(quiet), "sound", tool="sound", mains="50", usual="-18", silence="yes") == 302
    assert logged(job)[-1].get("decides", {}).get("sound", {}).get("no sound", 0.0) <= 0.1
