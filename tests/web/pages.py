"""What the tests of the pages share: a job on an invented type, and reading pages."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from typing import Any

from django.test import Client
from django.urls import resolve

from refettle.book import store
from refettle.book.models import Job
from refettle.knowledge.loading import load_shipped_type

HOME_COMPUTER, CONSOLE, HANDHELD = "larkmere-48", "corrigan-duo", "piper-pocket"


def a_job(slug: str = CONSOLE, owner: str = "", entries: list[dict[str, Any]] | None = None) -> Job:
    """An open job, with entries."""
    job = store.open_job(load_shipped_type(slug), owner=store.get_or_create_owner(owner), label="the test one")
    for entry in entries or []:
        store.append(job, entry, "Ada")
    return job


def text_of(html: str) -> str:
    """The words of a page, without its marks."""
    html = re.sub(r"<(script|style)\b.*?</\1>", " ", html, flags=re.S)
    text = re.sub(r"<[^>]+>", " ", html)
    return re.sub(r"\s+", " ", unescape(text))


def get(client: Client, address: str, status: int = 200) -> str:
    """A page's HTML; the status is checked, and that nothing inline is in it."""
    response = client.get(address)
    html = response.content.decode()
    assert response.status_code == status, html[:2000]
    assert not re.search(r"<[^>]+ style=|<script(?![^>]+src=)|<[^>]+ on[a-z]+=", html)
    return html


def logged(job: Job) -> list[dict[str, Any]]:
    """The job's entries without time and person."""
    return [{k: v for k, v in e.items() if k not in ("n", "at", "who")} for e in store.entries(job)]


SLOW = {"photo", "handover-pdf", "story-file", "owner-export", "card-file", "tones"}
"""Addresses of files that take long to make: nobody walks there."""


def walked(
    client: Client, most_of_a_kind: int = 3, allowed: tuple[int, ...] = (200, 302)
) -> Iterator[tuple[str, str, Any]]:
    """Each page that links lead to from the bench: its name, its address and the answer; so many of each name."""
    seen, waiting, kinds = {"/"}, ["/"], dict[str, int]()
    while waiting:
        address = waiting.pop(0)
        name = resolve(address.partition("?")[0]).url_name or ""
        if name in SLOW or kinds.get(name, 0) >= most_of_a_kind:
            continue
        kinds[name] = kinds.get(name, 0) + 1
        response = client.get(address)
        assert response.status_code in allowed, address
        if "text/html" not in response.get("Content-Type", "") or response.status_code == 302:
            continue
        yield name, address, response
        for link in map(unescape, re.findall(r'<a [^>]*href="(/[^"#]*)', response.content.decode())):
            if link not in seen:
                seen.add(link)
                waiting.append(link)
