"""Steps that cannot be undone: each asks for its own proof; what is not shown is refused; what was done is kept."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from refettle.book import store
from refettle.book.log import LogError
from refettle.book.models import Job
from refettle.knowledge.loading import load_library
from refettle.knowledge.one_way import one_way_steps
from tests.web.pages import HANDHELD, a_job, get, logged, text_of

pytestmark = pytest.mark.django_db
STEPS = one_way_steps()
SHA = "0" * 64


def address(job: Job, step: str = "") -> str:
    return f"/jobs/{job.number}/one-way/" + (f"?step={step}" if step else "")


def a_photo(name: str = "a.jpg") -> SimpleUploadedFile:
    file = BytesIO()
    Image.new("RGB", (64, 48), "grey").save(file, "JPEG")
    return SimpleUploadedFile(name, file.getvalue(), "image/jpeg")


def readied(step: str, owner: str = "") -> Job:
    """A job in which the cautions that gate the step are read and the data is dealt with."""
    known = load_library().cautions
    entries: list[dict[str, Any]] = [{"kind": "caution", "caution": c} for c in STEPS[step].cautions if known[c].gate]
    entries.append({"kind": "saved", "what": "saved games", "how": "nothing to save"})
    return a_job(owner=owner, entries=entries)


def full(step: str) -> dict[str, Any]:
    asks = STEPS[step].asks
    return {
        "kind": "go-ahead",
        "step": step,
        "what": "the one under test",
        "shown": {key: "seen and written down" for key, ask in asks.items() if ask.by == "text"},
        "photos": {key: SHA for key, ask in asks.items() if ask.by == "photo"},
        "consent": "by letter",
    }


def without(entry: dict[str, Any], key: str) -> dict[str, Any]:
    return entry | {part: {k: v for k, v in entry[part].items() if k != key} for part in ("shown", "photos")}


def test_every_caution_named_is_there() -> None:
    known = load_library().cautions
    assert {c for step in STEPS.values() for c in step.cautions} <= set(known)


@pytest.mark.parametrize("step", sorted(STEPS))
def test_each_asks_for_each_of_its_proofs(step: str) -> None:
    job = readied(step, owner="A Customer")
    for key, ask in STEPS[step].asks.items():
        if ask.by == "saved":
            continue
        with pytest.raises(LogError, match=rf"\.{key}: nothing found; needed: "):
            store.append(job, without(full(step), key), "Ada")
    with pytest.raises(LogError, match="consent: nothing found"):
        store.append(job, full(step) | {"consent": " "}, "Ada")
    store.append(job, full(step), "Ada")
    assert store.job_state(job).one_way[0].go_ahead == logged_number(job)


def logged_number(job: Job) -> int:
    return int(store.entries(job)[-1]["n"])


def test_own_stock_needs_nobodys_consent() -> None:
    job = readied("glue")
    store.append(job, full("glue") | {"consent": ""}, "Ada")


def test_a_battery_stays_in_until_the_data_is_dealt_with() -> None:
    job = a_job(HANDHELD, entries=[{"kind": "caution", "caution": "lithium"}])
    with pytest.raises(LogError, match="saved: nothing found in the log"):
        store.append(job, full("pull-battery"), "Ada")
    for what in store.job_state(job).data_left or ["anything"]:
        store.append(job, {"kind": "saved", "what": what, "how": "read out twice, both the same"}, "Ada")
    store.append(job, full("pull-battery"), "Ada")


def test_a_caution_that_gates_comes_first() -> None:
    job = a_job()
    with pytest.raises(LogError, match="needed first: the caution read"):
        store.append(job, full("whiten"), "Ada")


def test_a_go_ahead_serves_once_and_for_its_own_step() -> None:
    job = readied("glue")
    store.append(job, full("glue"), "Ada")
    n = logged_number(job)
    done = {"kind": "one-way", "step": "glue", "what": "foot glued", "go_ahead": n}
    with pytest.raises(LogError, match="allowed: the number of a go-ahead for 'refinish'"):
        store.append(job, done | {"step": "refinish"}, "Ada")
    store.append(job, done, "Ada")
    with pytest.raises(LogError, match="on which the step was taken"):
        store.append(job, done, "Ada")
    with pytest.raises(LogError, match="exactly one of go_ahead, without"):
        store.append(job, {"kind": "one-way", "step": "glue", "what": "foot glued"}, "Ada")


def test_unknown_things_are_named() -> None:
    job = readied("glue")
    with pytest.raises(LogError, match="step: 'weld' found; allowed: pull-battery, "):
        store.append(job, full("glue") | {"step": "weld"}, "Ada")
    with pytest.raises(LogError, match="shown: 'colour' found; Glue or weld plastic with solvent: asked for: held"):
        store.append(job, full("glue") | {"shown": {"colour": "grey"}}, "Ada")


def test_on_the_page_from_caution_to_done(client: Client) -> None:
    job = a_job(owner="A Customer")
    page = text_of(get(client, address(job)))
    assert all(step.name in page for step in STEPS.values())
    html = get(client, address(job, "whiten"))
    assert "Peroxide" in html
    assert 'name="shown-spot"' not in html  # the caution is read first
    gates = [c for c in STEPS["whiten"].cautions if load_library().cautions[c].gate]
    for caution in gates:
        client.post(address(job), {"action": "caution", "step": "whiten", "caution": caution})
    form = {
        "action": "go-ahead",
        "step": "whiten",
        "what": "lid and base",
        "shown-material": "marked ABS inside the lid",
        "shown-labels": "label masked with film",
        "consent": "by letter of 2 March",
    }
    answer = client.post(address(job), form | {"photo-cracks": a_photo()})
    assert answer.status_code == 422
    html = answer.content.decode()
    assert "shown.spot: nothing found; needed: What a trial on a hidden spot showed" in text_of(html)
    assert "marked ABS inside the lid" in html  # what was typed is kept, and so is the photo
    kept = html.split('name="kept-cracks" value="')[1][:64]
    answer = client.post(address(job), form | {"shown-spot": "even after a day", "kept-cracks": kept})
    assert answer.status_code == 302, answer.content.decode()
    html = get(client, address(job))
    assert "Go-ahead given, not done yet" in html
    assert "Peroxide" in html  # a step never shows without its caution
    n = logged_number(job)
    assert client.post(address(job), {"action": "done", "n": str(n)}).status_code == 302
    assert logged(job)[-1] == {"kind": "one-way", "step": "whiten", "what": "lid and base", "go_ahead": n}
    page = text_of(get(client, address(job)))
    assert "not done yet" not in page
    assert "Done in this job Whiten plastic: lid and base" in page


def test_done_without_is_kept_and_shown(client: Client) -> None:
    job = a_job(entries=[{"kind": "caution", "caution": c} for c in ("solvents",)])
    form = {"action": "without", "step": "remove-label", "what": "seal under the foot", "without": "it fell off"}
    assert client.post(address(job), form).status_code == 302
    assert "without a go-ahead : it fell off" in text_of(get(client, address(job)))


def test_a_go_ahead_can_be_taken_back(client: Client) -> None:
    job = readied("glue")
    store.append(job, full("glue"), "Ada")
    n = logged_number(job)
    assert client.post(address(job), {"action": "not-done", "n": str(n)}).status_code == 302
    assert store.job_state(job).one_way == []
    assert client.post(address(job), {"action": "done", "n": str(n)}).status_code == 422
