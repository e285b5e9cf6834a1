"""Owners' pages: found, put right, written out, erased after what would go was shown."""

from __future__ import annotations

import json
import re
import zipfile
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from django.test import Client

from refettle.book import store
from refettle.book.models import Job, Owner
from refettle.book.models_privacy import Erasure
from refettle.book.photos import store_photo
from refettle.language import manner
from refettle.web import longwork
from tests.book.test_privacy import CONTACT, NAME, a_job, photo_file
from tests.web.pages import get, text_of
from tests.web.people import a_person

pytestmark = pytest.mark.django_db


@pytest.fixture
def owner() -> Owner:
    return store.get_or_create_owner(NAME, CONTACT)


def hidden(html: str, name: str) -> str:
    found = re.search(rf'name="{name}" value="([^"]*)"', html)
    assert found
    return found[1]


def test_the_list_finds_and_pages(client: Client, owner: Owner) -> None:
    assert NAME in get(client, "/owners/")
    a_job(owner, [])
    Owner.objects.bulk_create([Owner(name=f"Customer {n:03d}") for n in range(120)])
    first = get(client, "/owners/")
    assert first.count('<th scope="row">') == 50
    assert "Page 1 of 3" in text_of(first)
    for asked in ("aldane", "TARNAU", "l48-0731"):
        found = get(client, f"/owners/?q={asked}")
        assert found.count('<th scope="row">') == 1
        assert NAME in found
    assert "Nobody found for" in get(client, "/owners/?q=%00zz")
    get(client, "/owners/999/", status=404)


def test_one_owner_and_contact_put_right(client: Client, owner: Owner) -> None:
    job = a_job(owner)
    words = text_of(get(client, f"/owners/{owner.pk}/"))
    assert f"Job {job.number}" in words
    assert "90.00" in words
    assert "Ines Aldane: yes" in words
    wrong = client.post(f"/owners/{owner.pk}/", {"name": " ", "contact": "kept as typed"})
    assert wrong.status_code == 422
    assert "kept as typed" in wrong.content.decode()
    assert client.post(f"/owners/{owner.pk}/", {"name": NAME, "contact": "by post"}).status_code == 302
    assert "by post" in get(client, f"/jobs/{job.number}/")
    owner.refresh_from_db()
    assert owner.contact == "by post"


def archive(client: Client, owner: Owner) -> zipfile.ZipFile:
    response = client.get(f"/owners/{owner.pk}/export.zip")
    assert response["Content-Disposition"] == f'attachment; filename="owner-{owner.pk}.zip"'
    return zipfile.ZipFile(BytesIO(b"".join(response.streaming_content)))  # type: ignore[attr-defined]


def test_all_that_is_held_is_written_out(client: Client, owner: Owner, own_folders: Path) -> None:
    photo = store_photo(photo_file("red"), own_folders / "photos")
    script = {"kind": "note", "text": "<script>alert(1)</script>"}
    job = a_job(owner, [script, {"kind": "photo", "photo": photo.sha256}, {"kind": "photo", "photo": "b" * 64}])
    a_job(store.get_or_create_owner("Ruth Kappel"), [{"kind": "note", "text": "of Ruth"}], close=False)
    packed = archive(client, owner)
    assert packed.testzip() is None
    root = f"owner-{owner.pk}"
    names = {name.removeprefix(f"{root}/") for name in packed.namelist()}
    assert names == {
        "index.html", "data.json", f"jobs/job-{job.number}-log.jsonl", f"photos/{photo.sha256[:16]}.jpg",
    }  # fmt: skip
    data = json.loads(packed.read(f"{root}/data.json"))
    assert data["owner"]["contact"] == CONTACT
    assert data["units"][0]["serial"] == "L48-0731"
    assert [e["kind"] for e in data["logs"][str(job.number)]] == [e["kind"] for e in store.entries(job)]
    assert set(data["contents"]) == names
    assert data["missing"] == [f"a photo of job {job.number}, entry 3 is missing from the photos folder"]
    page = packed.read(f"{root}/index.html").decode()
    assert "<script>" not in page
    assert "alert(1)" in page
    assert "of Ruth" not in page + json.dumps(data)
    assert client.get(f"/owners/{store.get_or_create_owner().pk}/export.zip").status_code == 404


def test_the_page_of_what_is_held_is_in_the_language_of_who_asked_and_the_rest_is_not(owner: Owner) -> None:
    job = a_job(owner, [{"kind": "note", "text": "as typed"}, {"kind": "photo", "photo": "b" * 64}])
    packed = {language: archive(Client(HTTP_ACCEPT_LANGUAGE=language), owner) for language in ("de", "en")}
    page = packed["de"].read(f"owner-{owner.pk}/index.html").decode()
    assert '<html lang="de">' in page
    words = text_of(page)
    for said in (
        f"Auftrag {job.number}: ",
        "Geöffnet ",
        "as typed",
        "Notiz",
        f"Foto aus Auftrag {job.number}, Eintrag 2",
    ):
        assert said in words
    assert '<code lang="en">{&quot;photo&quot;' in page  # as it is kept
    for english in ("Opened", "What", "Note ", "Written", "missing", "a photo"):
        assert english not in words
    logs = [each.read(f"owner-{owner.pk}/jobs/job-{job.number}-log.jsonl") for each in packed.values()]
    assert logs[0] == logs[1]
    facts = [json.loads(each.read(f"owner-{owner.pk}/data.json")) | {"written": ""} for each in packed.values()]
    assert facts[0] == facts[1]


def test_erased_only_after_it_was_shown_and_the_name_typed(client: Client, owner: Owner) -> None:
    job = a_job(owner)
    address = f"/owners/{owner.pk}/erase/"
    shown = get(client, address)
    assert "asked the owner; her son answers at [contact left out]" in text_of(shown)
    assert "14 backups" in text_of(shown)
    looked = client.post(address, {"action": "look", "extra": "Piet\n"}).content.decode()
    assert "her son is [name left out]" in text_of(looked)
    sent = {"action": "erase", "extra": "Piet\n", "why": "by letter", "digest": hidden(looked, "digest")}
    wrong = client.post(address, {**sent, "confirm": "yes"})
    assert wrong.status_code == 422
    assert "by letter" in wrong.content.decode()
    assert not Erasure.objects.exists()
    done = client.post(address, {**sent, "confirm": NAME}, follow=True)
    assert done.redirect_chain[-1][0] == f"/owners/{owner.pk}/"
    assert re.search("<code>[0-9a-f]{64}</code>", done.content.decode())
    assert "Erased on request on" in text_of(get(client, f"/owners/{owner.pk}/"))
    on_job = text_of(get(client, f"/jobs/{job.number}/?log=all"))
    assert re.search(r"Erased on request on \d{4}-\d\d-\d\d: \d+ entries of this log", on_job)
    assert "Aldane" not in on_job
    assert "Erased already" in get(client, address)
    assert f"erased owner {owner.pk}" not in get(client, "/take-in/larkmere-48/")


def test_a_large_book_is_looked_through_beside_the_page(
    client: Client, owner: Owner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was written after it was shown is found all the same, and nothing is erased that was not shown."""

    def at_once(title: str, key: Any, run: Any, refusals: Any) -> longwork.Work:
        """In this thread, which alone sees what the test wrote."""
        work = longwork.Work(title, key)
        work.result, work.state = run(work), "done"
        work._over.set()
        longwork._works[manner(), key] = work
        return work

    monkeypatch.setattr(longwork, "work", at_once)
    monkeypatch.setattr("refettle.web.views.privacy.FEW_ENTRIES", 0)
    job = a_job(owner)
    address = f"/owners/{owner.pk}/erase/"
    looked = client.post(address, {"action": "look", "extra": "Piet\n"}, follow=True)
    where = looked.redirect_chain[-1][0]
    assert where.startswith(f"{address}?look=")
    page = get(client, where)
    assert "her son is [name left out]" in text_of(page)
    sent = {
        "action": "erase",
        "extra": "Piet\n",
        "why": "by letter",
        "confirm": NAME,
        "digest": hidden(page, "digest"),
        "look": hidden(page, "look"),
    }
    store.append(job, {"kind": "note", "text": f"{NAME} rang again"}, "Mara")
    changed = client.post(address, sent)
    assert changed.status_code == 422
    assert "has changed since it was shown" in text_of(changed.text)
    assert "rang again" in text_of(changed.text)
    assert not Erasure.objects.exists()
    assert client.post(address, {**sent, "digest": hidden(changed.text, "digest")}).status_code == 302
    assert "Aldane" not in text_of(get(client, f"/jobs/{job.number}/?log=all"))
    assert client.get(where).status_code == 302  # what was shown is let go of
    other = Owner.objects.create(name="Bo Rook", kind=Owner.Kind.CUSTOMER)
    assert client.get(f"/owners/{other.pk}/erase/?look={sent['look']}").status_code == 302


def test_where_people_sign_in_only_an_owner_of_the_book_writes_out_and_erases(owner: Owner, settings: Any) -> None:
    settings.REFETTLE_SIGN_IN = True
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    a_job(owner)
    addresses = (f"/owners/{owner.pk}/export.zip", f"/owners/{owner.pk}/erase/")
    client = Client()
    client.force_login(a_person("Bo", "bench"))
    assert "by an owner of the book" in text_of(get(client, f"/owners/{owner.pk}/"))
    for address in addresses:
        assert client.get(address).status_code == 403
        assert client.post(address, {"action": "erase", "confirm": NAME}).status_code in (403, 405)
    client.force_login(a_person("Ada", "owner"))
    sent = {
        "action": "erase",
        "why": "by letter",
        "confirm": NAME,
        "digest": hidden(get(client, addresses[1]), "digest"),
    }
    assert client.get(addresses[0]).status_code == 200
    assert client.post(addresses[1], sent).status_code == 302
    assert Erasure.objects.get().who == "Ada"


def test_refused_while_a_job_is_open(client: Client, owner: Owner) -> None:
    job: Job = a_job(owner, [], close=False)
    page = get(client, f"/owners/{owner.pk}/erase/")
    assert f"Job {job.number} is open" in page
    assert 'value="erase"' not in page


def test_a_removed_photo_is_said_to_be_removed(
    client: Client, owner: Owner, own_folders: Path, django_capture_on_commit_callbacks: Any
) -> None:
    photo = store_photo(photo_file("red"), own_folders / "photos")
    job = a_job(owner, [{"kind": "photo", "photo": photo.sha256}])
    address = f"/owners/{owner.pk}/erase/"
    sent = {"action": "erase", "why": "by letter", "confirm": NAME, "photo": photo.sha256}
    with django_capture_on_commit_callbacks(execute=True):
        client.post(address, {**sent, "digest": hidden(get(client, address), "digest")})
    gone = client.get(f"/photos/{photo.sha256}/screen")
    assert (gone.status_code, gone.content) == (410, b"This photo was removed on request.\n")
    assert "Photo of entry 1: removed on request" in text_of(get(client, f"/jobs/{job.number}/"))
    for page in ("handover/", "publish/", "money/", "whitening/", "log/1/"):
        get(client, f"/jobs/{job.number}/{page}")
    assert json.loads(archive(client, owner).read(f"owner-{owner.pk}/data.json"))["missing"] == [
        f"a photo of job {job.number}, entry 1 was removed on request"
    ]
