"""Fault finding: the step, its cautions, one tap to log it."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.test import Client

from refettle.book import store
from refettle.book.models import Job
from tests.web.pages import CONSOLE, HOME_COMPUTER, a_job, get, logged, text_of

pytestmark = pytest.mark.django_db

SEEN = {"kind": "check", "check": "picture", "outcome": "garbled"}


def post(client: Client, job: Job, data: dict[str, Any], status: int = 302) -> str:
    response = client.post(f"/jobs/{job.number}/faults/", data)
    assert response.status_code == status, response.content.decode()[:2000]
    return response.content.decode()


def test_it_works(client: Client) -> None:
    job = a_job(entries=[SEEN])
    page = text_of(get(client, f"/jobs/{job.number}/faults/"))
    for words in ("What to do now", "Suspects", "Evidence so far", "garbled", "left out, before any entry", "Why"):
        assert words in page
    assert "<svg" in get(client, f"/jobs/{job.number}/faults/")


def test_a_tap_is_an_entry(client: Client) -> None:
    job = a_job()
    post(client, job, {"action": "check", "step": "picture", "outcome": "no picture", "note": "cold"})
    assert logged(job) == [{"kind": "check", "check": "picture", "outcome": "no picture", "note": "cold"}]


def test_the_same_form_twice_is_one_entry(client: Client) -> None:
    job = a_job()
    form = {"action": "check", "step": "picture", "outcome": "no picture", "token": "abc"}
    post(client, job, form)
    post(client, job, form)
    assert len(logged(job)) == 1
    assert "was written already" in get(client, f"/jobs/{job.number}/faults/")


def test_a_page_gone_back_to_can_be_filled_in_anew(client: Client) -> None:
    job = a_job()
    form = {"action": "check", "step": "picture", "outcome": "no picture", "token": "def"}
    post(client, job, form)
    post(client, job, form | {"outcome": "good"})
    assert [e["outcome"] for e in logged(job)] == ["no picture", "good"]


def test_several_trials(client: Client) -> None:
    job = a_job()
    post(client, job, {"action": "check", "step": "picture", "trials": "1", "count-1": "7", "count-2": "3"})
    assert logged(job)[0]["counts"] == {"good": 7, "no picture": 3}


def test_switched_off_and_on(client: Client) -> None:
    job = a_job()
    post(client, job, {"action": "check", "step": "picture", "outcome": "good", "run": "new", "minutes": "2,5"})
    assert logged(job) == [{"kind": "check", "check": "picture", "outcome": "good", "run": "new", "minutes": 2.5}]


@pytest.mark.parametrize(
    ("form", "says"),
    [
        ({"action": "check", "step": "picture", "outcome": "purple"}, "'purple' found; allowed:"),
        ({"action": "check", "step": "nothing", "outcome": "good"}, "'nothing' found; allowed:"),
        ({"action": "check", "step": "picture"}, "outcome: nothing found"),
        ({"action": "check", "step": "picture", "outcome": "good", "minutes": "soon"}, "Minutes: 'soon' found"),
        ({"action": "check", "step": "picture", "trials": "1", "count-1": "-2"}, "'-2' found; allowed: a whole"),
        ({"action": "check", "step": "picture", "trials": "1"}, "at least one trial"),
        ({"action": "repair", "step": "picture"}, "'picture' found; allowed: a repair"),
        ({"action": "caution", "caution": "bees"}, "'bees' found; allowed: a caution"),
        ({"action": "dance"}, "'dance' found; allowed: check, repair"),
    ],
)
def test_it_refuses(client: Client, form: dict[str, str], says: str) -> None:
    job = a_job()
    assert says in text_of(post(client, job, form, 422))
    assert logged(job) == []


def test_it_keeps_what_was_typed(client: Client) -> None:
    job = a_job()
    form = {"action": "check", "step": "picture", "outcome": "good", "minutes": "soon", "note": "a long note"}
    page = post(client, job, form, 422)
    assert 'value="a long note"' in page
    assert 'value="soon"' in page


def test_cautions_stand_in_full_and_open_by_an_act(client: Client) -> None:
    job = a_job(HOME_COMPUTER, entries=[SEEN])
    address = f"/jobs/{job.number}/faults/?step=rail5.replace"
    page = get(client, address)
    assert "Mains voltage kills" in page
    assert "Read, and I keep to it" in page
    assert "Local codes and licensed practice" in page
    for caution in ("mains", "charged-capacitor", "first-power"):
        post(client, job, {"action": "caution", "caution": caution, "step": "rail5.replace", "chosen": "1"})
    page = get(client, address)
    assert "Read, and I keep to it" not in page
    assert "Mains voltage kills" in page
    assert "Solder fume" in page


def test_every_step_stands_with_its_cautions(client: Client) -> None:
    job = a_job(HOME_COMPUTER)
    view = store.job_state(job)
    known = view.compiled.loaded.library.cautions
    for info in list(view.compiled.steps.values())[::9]:
        page = text_of(get(client, f"/jobs/{job.number}/faults/?step={info.id}"))
        for caution in info.cautions:
            assert " ".join(known[caution].do[0].split()) in page, (info.id, caution)


def test_the_power_gate_comes_first(client: Client) -> None:
    job = a_job(entries=[SEEN])
    page = get(client, f"/jobs/{job.number}/faults/?step=picture")
    assert f"/jobs/{job.number}/power-on/" in page
    assert "log it all the same" in page


def test_a_step_that_cannot_be_undone_asks_for_consent(client: Client) -> None:
    job = a_job(HOME_COMPUTER, owner="Ines Vale", entries=[SEEN])
    steps = store.job_state(job).compiled.steps
    once = next((s.id for s in steps.values() if s.kind == "repair" and not s.undo), None)
    if once is None:
        pytest.skip("no step of this type is beyond undoing")
    page = text_of(get(client, f"/jobs/{job.number}/faults/?step={once}"))
    assert "cannot be undone" in page
    assert "consent" in page
    post(client, job, {"action": "consent", "step": once, "text": "by telephone, 3 March"})
    assert logged(job)[-1] == {"kind": "consent", "repair": once, "text": "by telephone, 3 March"}


def test_after_a_repair_it_asks_for_a_look(client: Client) -> None:
    job = a_job(CONSOLE, entries=[SEEN])
    repair = next(s.id for s in store.job_state(job).compiled.steps.values() if s.kind == "repair" and s.undo)
    post(client, job, {"action": "repair", "step": repair, "minutes": "12", "parts": "1.5"})
    assert logged(job)[-1] == {"kind": "repair", "repair": repair, "minutes": 12.0, "parts": 1.5}
    page = get(client, f"/jobs/{job.number}/faults/")
    assert re.search(r"before a repair|Suspects", page)


def test_an_unknown_step_is_named(client: Client) -> None:
    job = a_job()
    page = text_of(get(client, f"/jobs/{job.number}/faults/?step=<b>"))
    assert "allowed: a check or repair of this unit type" in page


def test_no_such_job(client: Client) -> None:
    assert "job 99: no such job" in text_of(get(client, "/jobs/99/faults/", 404))


def test_a_form_from_elsewhere_is_refused() -> None:
    job = a_job()
    response = Client(enforce_csrf_checks=True).post(f"/jobs/{job.number}/faults/", {"action": "check"})
    assert response.status_code == 403
    assert "Not written" in response.content.decode()
    assert logged(job) == []
