"""A job from another bench by the page: nothing is written before it is agreed to, and nothing hostile comes in."""

from __future__ import annotations

import io
import re
import zipfile
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from refettle.book import archive_look, store
from refettle.book.archive import LOG, TYPE, pack
from refettle.book.models import Entry, Job, Owner
from refettle.web import shelf
from tests.book.test_archive import elsewhere, full, kept, members_of, picture, write
from tests.web.pages import get, text_of
from tests.web.people import signed_in

__all__ = ["full"]
pytestmark = pytest.mark.django_db
ADDRESS = "/jobs/unpack/"


@pytest.fixture
def loaded() -> Any:
    from refettle.knowledge.loading import load_shipped_type

    return load_shipped_type("larkmere-48")


@pytest.fixture(autouse=True)
def cleared() -> Any:
    yield
    shelf.clear()


@pytest.fixture
def packed(full: Job, tmp_path: Path) -> Path:
    pack(full, tmp_path / "job.zip")
    elsewhere()
    return tmp_path / "job.zip"


def sent(client: Client, data: bytes, name: str = "job.zip") -> str:
    """Where the file's page is."""
    response = client.post(ADDRESS, {"file": SimpleUploadedFile(name, data)})
    assert response.status_code == 302, text_of(response.content.decode())
    return str(response["Location"])


def test_it_is_looked_at_first_and_then_taken_in(client: Client, full: Job, packed: Path) -> None:
    before, log = kept(), store.entries(full)
    page = sent(client, packed.read_bytes())
    html = get(client, page)
    told = text_of(html)
    for words in (
        "was checked through and is in order. Nothing of it is in the book yet.",
        "Larkmere 48, the grey one, serial L48-0731",
        "here already, the same to the letter",
        "Ingrid Mossbank: here already, with the same contact",
        "Photos 1, 1 of them here already",
        "7 entries",
    ):
        assert words in told, words
    assert kept() == before
    (token,) = re.findall(r'name="token" value="([^"]+)"', html)
    response = client.post(page, {"token": token})
    number = full.number + 1
    assert response["Location"] == f"/jobs/{number}/"
    assert f"Job {number} is here: job {full.number} of bench" in text_of(get(client, f"/jobs/{number}/"))
    *same, came = store.entries(store.find_job(number))
    assert (same, came["kind"]) == (log, "came-over")
    client.post(page, {"token": token})  # pressed twice
    assert Job.objects.count() == 2
    again = text_of(get(client, page))
    assert "was unpacked before, as job 2" in again
    assert "Take it in all the same, as a job of its own" in again
    refused = client.post(page, {"token": "another"})
    assert (refused.status_code, Job.objects.count()) == (422, 2)
    assert "was unpacked before" in text_of(refused.content.decode())
    assert "--again" not in refused.content.decode()
    assert client.post(page, {"token": "third", "again": "yes"})["Location"] == f"/jobs/{number + 1}/"


def test_what_differs_is_shown(client: Client, full: Job, packed: Path, tmp_path: Path, settings: Any) -> None:
    Owner.objects.update(contact="another one")
    version = full.unit.type_version
    own = settings.REFETTLE_TYPES / f"{version.slug}.yaml"
    own.write_text(version.text.replace("unit_type: Larkmere 48", "unit_type: Larkmere 48 B", 1), encoding="utf-8")
    # The job's version is kept in the book of this test; as another bench would see it, it is not.
    nothing = archive_look.TypeVersion.objects.none()
    page = sent(client, packed.read_bytes())
    with patch.object(archive_look.TypeVersion.objects, "filter", return_value=nothing):
        html = get(client, page)
    told = text_of(html)
    assert "Ingrid Mossbank: a new owner" in told
    assert "another version than here; the job keeps its own" in told
    assert "-unit_type: Larkmere 48 B" in told
    assert "+unit_type: Larkmere 48 " in told


def test_a_type_that_no_job_took_yet_is_the_same_all_the_same(client: Client, packed: Path) -> None:
    nothing = archive_look.TypeVersion.objects.none()
    page = sent(client, packed.read_bytes())
    with patch.object(archive_look.TypeVersion.objects, "filter", return_value=nothing):
        assert "here already, the same to the letter" in text_of(get(client, page))


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda m: m | {"../../photos/" + "0" * 64 + ".jpg": picture()}, "member '../../photos/"),
        (lambda m: m | {"/etc/passwd": b"x"}, "member '/etc/passwd' found"),
        (lambda m: m | {"files/..\\evil": b"x"}, "member"),
        (lambda m: {k: v for k, v in m.items() if k != TYPE}, "type.yaml: missing"),
        (lambda m: m | {LOG: m[LOG].replace(b"it hums", b"<script>alert(1)</script>")}, "log.jsonl"),
        (lambda m: m | {"photos/" + "0" * 64 + ".jpg": b"<svg onload=alert(1)>"}, "0000000000"),
    ],
)
def test_hostile_files_are_refused_in_words(
    client: Client, packed: Path, tmp_path: Path, spoil: Any, said: str
) -> None:
    before = kept()
    bad = write(tmp_path / "bad.zip", spoil(members_of(packed)), sealed=True)
    page = sent(client, bad.read_bytes(), '"><script>alert(1)</script>.zip')
    response = client.get(page)
    html = response.content.decode()
    assert response.status_code == 422
    assert "Nothing was written." in html
    assert said in text_of(html)
    assert "<script>alert" not in html
    assert client.post(page, {"token": "a"}).status_code == 422
    assert kept() == before


def test_a_small_file_that_claims_to_hold_much(client: Client, packed: Path) -> None:
    members, out = members_of(packed), io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
        archive.writestr("files/" + "0" * 64, b"\0" * 500_000_000)
    assert len(out.getvalue()) < 1_000_000
    before = kept()
    response = client.get(sent(client, out.getvalue()))
    assert response.status_code == 422
    assert "500000000 bytes declared; allowed: at most 400000000" in text_of(response.content.decode())
    assert kept() == before


@pytest.mark.parametrize(
    ("data", "said"), [(b"", "file: an empty file found"), (b"PK no zip", "no zip file, or a damaged one")]
)
def test_what_is_no_packed_job(client: Client, data: bytes, said: str) -> None:
    response = client.post(ADDRESS, {"file": SimpleUploadedFile("x.zip", data)}, follow=True)
    assert response.status_code == 422
    assert said in text_of(response.content.decode())


def test_too_large_by_its_length(client: Client) -> None:
    response = client.post(
        ADDRESS, content_type="multipart/form-data; boundary=x", headers={"content-length": "900000000"}
    )
    assert response.status_code == 413
    assert "allowed: 801 MB at once and 800 MB for a packed job" in response.content.decode()


def test_a_file_that_had_to_make_room(client: Client) -> None:
    assert "The file is no longer here" in get(client, f"{ADDRESS}{'x' * 16}/", 404)
    assert client.post(f"{ADDRESS}{'x' * 16}/").status_code == 404


@pytest.mark.parametrize(("role", "allowed"), [("bench", False), ("read only", False), ("owner", True)])
def test_signed_in_only_owners_take_jobs_in(settings: Any, packed: Path, role: str, allowed: bool) -> None:
    settings.REFETTLE_SIGN_IN = True
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    client, entries = signed_in("Bo", role), Entry.objects.count()
    assert client.get(ADDRESS).status_code == (200 if allowed else 403)
    assert (ADDRESS in get(client, "/take-in/")) == allowed
    response = client.post(ADDRESS, {"file": SimpleUploadedFile("job.zip", packed.read_bytes())})
    if not allowed:
        assert response.status_code == 403
        kept_by_owner = sent(signed_in("Ada", "owner"), packed.read_bytes())
        assert (client.get(kept_by_owner).status_code, client.post(kept_by_owner).status_code) == (403, 403)
        assert Entry.objects.count() == entries
        return
    assert client.post(response["Location"], {"token": "a"}).status_code == 302
    assert Entry.objects.order_by("pk").last().who == "Bo"  # type: ignore[union-attr]
