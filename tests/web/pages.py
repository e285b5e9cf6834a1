"""What the tests of the pages share: a job on an invented type, and reading pages."""

from __future__ import annotations

import re
from html import unescape
from typing import Any

from django.test import Client

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
