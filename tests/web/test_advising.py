"""Where advice is worked out beside the server, pages do not wait for it: they say so, and go on when it is there."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.test import Client

from refettle.book import elsewhere, state, store
from refettle.book.models import Job
from refettle.knowledge.loading import load_shipped_type
from refettle.web import advising
from refettle.web.views.common import get_job

HTMX = {"HX-Request": "true"}


@pytest.fixture
def slow() -> Iterator[threading.Event]:
    """Nothing is worked out before this is set."""
    go = threading.Event()

    def call(function: Callable[..., Any], args: tuple[Any, ...]) -> Any:
        assert go.wait(60)
        return function(*args)

    for each in (state._findings, state._advice):
        each.forget()
    advising._asked.clear()
    elsewhere.let(call)
    yield go
    go.set()
    elsewhere.let(None)


def job_of(unit_type: str = "piper-pocket") -> Job:
    job = store.open_job(load_shipped_type(unit_type))
    store.append(job, {"kind": "note", "text": "as it came"}, "Mara")
    return job


@pytest.mark.django_db
@pytest.mark.parametrize("page", ["faults", "money", "handover", "handover/full"])
def test_a_page_says_that_it_is_being_worked_out_and_goes_on(client: Client, slow: threading.Event, page: str) -> None:
    path = f"/jobs/{job_of().number}/{page}/"
    first = client.get(path)
    assert first.status_code == 200
    assert 'hx-trigger="every 500ms"' in first.text
    assert f'href="{path}"' in first.text  # without a script, too
    assert client.get(path, headers=HTMX).status_code == 204
    slow.set()
    for _ in range(600):
        if "HX-Refresh" in (answer := client.get(path, headers=HTMX)).headers:
            break
        threading.Event().wait(0.1)
    assert answer.headers["HX-Refresh"] == "true"
    assert 'hx-trigger="every 500ms"' not in client.get(path).text


@pytest.mark.django_db
def test_a_check_is_written_before_it_is_known_what_it_means(client: Client, slow: threading.Event) -> None:
    job = job_of()
    look = {"action": "check", "step": "sound", "outcome": "no sound", "minutes": "1"}
    assert client.post(f"/jobs/{job.number}/faults/", look).status_code == 302
    assert [e["kind"] for e in store.entries(job)] == ["note", "check"]
    assert not slow.is_set()


@pytest.mark.django_db
def test_what_somebody_waits_for_does_not_wait_for_what_nobody_looks_at(slow: threading.Event) -> None:
    """Nothing is worked out yet: the page's is begun all the same, in a process of its own."""
    begun: list[bool] = []
    both = threading.Barrier(2, timeout=60)

    def call(function: Callable[..., Any], args: tuple[Any, ...], ahead: bool) -> Any:
        if len(begun) < 2:
            begun.append(ahead)
            both.wait()
        return function(*args)

    elsewhere.let(lambda f, a: call(f, a, False), lambda f, a: call(f, a, True))
    first, second = (get_job(job_of(each).number) for each in ("piper-pocket", "corrigan-duo"))
    advising.ready(first, advising.AHEAD, 0.0)
    advising.ready(second, advising.PAGE, 0.0)
    assert advising.ready(first, advising.AHEAD, 60)
    assert advising.ready(second, advising.PAGE, 60)
    assert sorted(begun) == [False, True]


@pytest.mark.django_db
def test_a_row_of_the_bench_asks_again(client: Client, slow: threading.Event) -> None:
    job = job_of()
    path = f"/jobs/{job.number}/next/"
    assert f'hx-get="{path}"' in client.get(path, headers=HTMX).text
    slow.set()
    for _ in range(600):
        if f'hx-get="{path}"' not in (text := client.get(path, headers=HTMX).text):
            break
        threading.Event().wait(0.1)
    assert f'href="/jobs/{job.number}/faults/"' in text
