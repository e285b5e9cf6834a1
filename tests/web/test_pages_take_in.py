"""Taking a unit in."""

from __future__ import annotations

import pytest
from django.test import Client

from refettle.book.models import Job, Owner
from tests.web.pages import CONSOLE, HANDHELD, get, logged, text_of

pytestmark = pytest.mark.django_db

FORM = {
    "said": "No picture since Easter",
    "complaint-picture": "no picture",
    "serial": "0042",
    "label": "the tall one",
    "owner-kind": "new",
    "owner-name": "Ines Vale",
    "owner-contact": "by the harbour",
    "condition-0": "worn",
    "accessory-0": "here",
    "rattle": "rattles",
    "smell": "smoke",
}


def test_the_type_comes_first(client: Client) -> None:
    page = get(client, "/take-in/")
    assert "Corrigan Duo" in page
    assert client.get("/take-in/?type=" + CONSOLE).url == f"/take-in/{CONSOLE}/"  # type: ignore[attr-defined]
    assert "'toaster' found" in text_of(get(client, "/take-in/?type=toaster", 422))
    get(client, "/take-in/toaster/", 404)


def test_it_works(client: Client) -> None:
    assert "No screwdriver before photos" in get(client, f"/take-in/{CONSOLE}/")
    response = client.post(f"/take-in/{CONSOLE}/", FORM)
    job = Job.objects.get()
    assert response.url == f"/jobs/{job.number}/"  # type: ignore[attr-defined]
    assert (job.unit.serial, job.unit.label) == ("0042", "the tall one")
    assert (job.unit.owner.name, job.unit.owner.kind) == ("Ines Vale", "customer")
    take_in, complaint = logged(job)
    assert take_in["said"] == "No picture since Easter"
    assert take_in["condition"]["case"] == "worn"
    assert take_in["rattle"] == "rattles"
    assert complaint == {"kind": "complaint", "point": "picture", "outcome": "no picture"}


def test_the_same_form_twice_opens_one_job(client: Client) -> None:
    for _ in range(2):
        assert client.post(f"/take-in/{CONSOLE}/", FORM | {"token": "xyz"}).status_code == 302
    assert Job.objects.count() == 1
    client.post(f"/take-in/{CONSOLE}/", FORM | {"token": "xyz", "serial": "0043"})
    assert Job.objects.count() == 2


def test_known_owner_and_own_stock(client: Client) -> None:
    owner = Owner.objects.create(name="Tom Marsh")
    client.post(f"/take-in/{CONSOLE}/", FORM | {"owner-kind": "known", "owner": str(owner.pk)})
    client.post(f"/take-in/{CONSOLE}/", FORM | {"owner-kind": "own"})
    assert [j.unit.owner.name for j in Job.objects.order_by("number")] == ["Tom Marsh", "Own stock"]


def test_data_to_save(client: Client) -> None:
    page = get(client, f"/take-in/{HANDHELD}/")
    if "Data in the unit" not in page:
        pytest.skip("this type holds nothing")
    client.post(f"/take-in/{HANDHELD}/", FORM | {"complaint-picture": "", "saved": "owner waives in writing"})
    assert logged(Job.objects.get())[-1]["how"] == "owner waives in writing"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"owner-name": " "}, "owner's name: nothing found"),
        ({"owner-kind": "cat"}, "owner: 'cat' found"),
        ({"owner-kind": "known", "owner": "77"}, "owner: no owner chosen"),
        ({"complaint-picture": "smells"}, "'smells' found; allowed:"),
        ({"condition-0": "sticky"}, "'sticky' found; allowed:"),
        ({"serial": "9" * 121}, "serial: 121 characters found"),
        ({"owner-name": "x" * 121}, "owner: 121 characters found"),
    ],
)
def test_it_refuses_and_keeps_what_was_typed(client: Client, change: dict[str, str], says: str) -> None:
    response = client.post(f"/take-in/{CONSOLE}/", FORM | change)
    page = response.content.decode()
    assert response.status_code == 422
    assert says in text_of(page)
    assert "No picture since Easter" in page
    assert 'value="the tall one"' in page
    assert Job.objects.count() == 0
    assert Owner.objects.count() == 0


def test_of_many_customers_one_is_looked_for(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("refettle.web.views.take_in.LISTED", 2)
    monkeypatch.setattr("refettle.web.views.take_in.FOUND", 2)
    ines, otto, *_ = (
        Owner.objects.create(name=name, contact=contact, kind=Owner.Kind.CUSTOMER)
        for name, contact in (("Ines Vale", "by the harbour"), ("Otto Vale", ""), ("Ada Vale", ""), ("Bo Rook", ""))
    )
    path = f"/take-in/{CONSOLE}/"
    page = get(client, path)
    assert "Otto" not in page
    found = client.get(path, {"owner-find": "otto vale"}, headers={"HX-Request": "true"}).text
    assert f'value="known-{otto.pk}"' in found
    assert "Ines" not in found
    assert "<html" not in found
    assert "write more of the name" in client.get(path, {"owner-find": "vale"}, headers={"HX-Request": "true"}).text
    assert "Nobody here matches" in client.get(path, {"owner-find": "zz"}, headers={"HX-Request": "true"}).text

    typed = {**FORM, "find": "owner", "owner-find": "harbour"}  # without a script: the form stays as it was filled in
    again = client.post(path, typed)
    assert again.status_code == 200
    assert not Job.objects.exists()
    assert "No picture since Easter" in again.text
    assert f'value="known-{ines.pk}"' in again.text

    chosen = {**FORM, "owner-kind": f"known-{ines.pk}", "owner-name": "", "owner-contact": ""}
    assert client.post(path, chosen).status_code == 302
    assert Job.objects.get().unit.owner == ines
    assert "no owner chosen" in client.post(path, {**chosen, "owner-kind": "known-999999"}).text
