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


def job_of() -> Job:
    job = store.open_job(load_shipped_type("piper-pocket"))
    store.append(job, {"kind": "note", "text": "as it came"}, "Mara")
    return job


@pytest.mark.django_db
@pytest.mark.parametrize("page", ["faults", "money"])
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
