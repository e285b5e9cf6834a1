"""The page of what may go out of a job: listing and story, photos left out, a customer's unit, files that open."""

from __future__ import annotations

import io
import zipfile
from typing import Any

import pytest
from django.conf import settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from refettle.book import store
from refettle.book.models import Job
from refettle.book.photos import store_photo
from tests.web.pages import a_job, get, text_of

pytestmark = pytest.mark.django_db
SEEN = {"kind": "check", "check": "picture", "outcome": "no picture"}


def add_photo(job: Job, caption: str, grey: int = 90) -> int:
    out = io.BytesIO()
    image = Image.new("RGB", (64, 48), (grey, grey, grey))
    exif = Image.Exif()
    exif[0x010F] = "Somebody's camera"
    image.save(out, "JPEG", exif=exif)
    photo = store_photo(SimpleUploadedFile("x.jpg", out.getvalue()), settings.REFETTLE_PHOTOS)
    return store.append(job, {"kind": "photo", "photo": photo.sha256, "caption": caption}, "Ada").n


def body(response: Any) -> bytes:
    return b"".join(response.streaming_content)


def test_own_stock_has_a_listing_and_a_story(client: Client) -> None:
    job = a_job(entries=[SEEN])
    kept, label = add_photo(job, "Front <b>"), add_photo(job, "Label with the serial", 120)
    html = get(client, f"/jobs/{job.number}/publish/")
    page = text_of(html)
    assert "It was not proven in any way. It is offered as not tested." in page
    assert "The story: 2 photos, 3 scenes" in page
    assert "<b>" not in html
    listing = client.get(f"/jobs/{job.number}/publish/listing.txt")
    assert listing.headers["Content-Type"] == "text/plain; charset=utf-8"
    assert listing.headers["Content-Disposition"] == f'attachment; filename="job-{job.number}-listing.txt"'
    assert "Composite picture: fails" in listing.content.decode()
    answer = client.get(f"/jobs/{job.number}/publish/story.zip")
    with zipfile.ZipFile(io.BytesIO(body(answer))) as archive:
        photos = [name for name in archive.namelist() if "/photos/" in name]
        assert len(photos) == 2
        assert all(b"Somebody" not in archive.read(name) for name in photos)
        assert Image.open(archive.open(photos[0])).size == (64, 48)
    left = text_of(get(client, f"/jobs/{job.number}/publish/?leave={label}&leave=nonsense"))
    assert "The story: 1 photo, 2 scenes" in left
    assert f"story.zip?leave={label}" in get(client, f"/jobs/{job.number}/publish/?leave={label}")
    answer = client.get(f"/jobs/{job.number}/publish/story.zip?leave={label}&leave={kept}")
    assert not any("/photos/" in name for name in zipfile.ZipFile(io.BytesIO(body(answer))).namelist())


def test_an_empty_job_says_what_will_stand_here(client: Client) -> None:
    page = text_of(get(client, f"/jobs/{a_job().number}/publish/"))
    assert "Nothing to tell yet." in page
    assert "No photo is in the log." in page


def test_a_customers_unit_is_not_the_benchs_to_sell(client: Client) -> None:
    job = a_job(owner="Ines Aldane", entries=[SEEN, {"kind": "note", "text": "Ines Aldane wants it by May"}])
    address = f"/jobs/{job.number}/publish/"
    page = text_of(get(client, address))
    assert "a customer's unit found; allowed: own stock" in page
    assert "Publish nothing of it before its owner has agreed" in page
    answer = client.get(address + "listing.txt")
    assert answer.status_code == 302
    assert "allowed: own stock" in text_of(client.get(answer.headers["Location"]).content.decode())
    with zipfile.ZipFile(io.BytesIO(body(client.get(address + "story.zip")))) as archive:
        told = archive.read(f"job-{job.number}-story/story.md").decode()
    assert "owner has agreed" in told
    assert "Aldane" not in told
    assert "the owner wants it by May" in told
    german = Client(HTTP_ACCEPT_LANGUAGE="de")
    add_photo(job, "")
    with zipfile.ZipFile(io.BytesIO(body(german.get(address + "story.zip")))) as archive:
        told = archive.read(f"job-{job.number}-story/story.md").decode()
    assert "ohne Bildtext" in told
    assert "without a caption" not in told


def test_it_is_linked_from_the_job(client: Client) -> None:
    job = a_job()
    assert f'href="/jobs/{job.number}/publish/"' in get(client, f"/jobs/{job.number}/")
    assert client.get("/jobs/999/publish/").status_code == 404
    assert client.post(f"/jobs/{job.number}/publish/").status_code == 405
