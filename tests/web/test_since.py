"""Two people in one job: what the other wrote is told, and nothing that is typed is thrown away."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.test import Client
from pytest_django import DjangoAssertNumQueries

from refettle.book import store
from tests.web.pages import a_job, get, text_of
from tests.web.people import signed_in

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def sign_in_is_on(settings: Any) -> None:
    settings.REFETTLE_SIGN_IN = True
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]


def asked(page: str) -> str:
    """The address that a page or a bar asks next."""
    (found,) = re.findall(r'hx-get="([^"]*/since/[^"]*)" hx-trigger="every 5s"', page)
    return str(found).replace("&amp;", "&")


@pytest.mark.parametrize("part", ["", "faults/", "proving/"])
def test_what_another_wrote_is_told(part: str) -> None:
    job = a_job(entries=[{"kind": "note", "text": "first"}])
    client = signed_in("Cy")
    here = f"/jobs/{job.number}/{part}"
    address = asked(get(client, here))
    assert client.get(address).status_code == 204
    for who, text in (("Bo", "one"), ("Ida", "two"), ("Bo", "three")):
        store.append(job, {"kind": "note", "text": text}, who)
    response = client.get(address, headers={"HX-Request": "true", "HX-Current-URL": f"http://testserver{here}?a=b"})
    bar = response.content.decode()
    assert response.status_code == 200
    assert "Bo wrote 2 entries Note Ida wrote 1 entry Note Show" in text_of(bar)
    assert f'href="{here}?a=b"' in bar
    # The bar stands until there is more; a new page begins where it is.
    assert client.get(asked(bar)).status_code == 204
    store.append(job, {"kind": "time", "minutes": 5, "what": "looking"}, "Bo")
    assert "Bo wrote 3 entries Note, Time" in text_of(client.get(asked(bar)).content.decode())
    assert client.get(asked(get(client, here))).status_code == 204


def test_asking_takes_one_query_besides_who_asks(django_assert_num_queries: DjangoAssertNumQueries) -> None:
    job = a_job(entries=[{"kind": "note", "text": str(k)} for k in range(30)])
    client = signed_in("Cy")
    for n in (0, 30):
        with django_assert_num_queries(3):  # session, person, entries
            client.get(f"/jobs/{job.number}/since/?n={n}")


def test_what_cannot_be_asked_is_no_fault() -> None:
    job, client = a_job(), signed_in("Cy")
    for address in ("/jobs/999999/since/?n=0", f"/jobs/{job.number}/since/?n=-1&seen=x", f"/jobs/{job.number}/since/"):
        assert client.get(address).status_code == 204
    store.append(job, {"kind": "note", "text": "x"}, "Bo")
    evil = {"HX-Request": "true", "HX-Current-URL": "https://elsewhere.example//jobs/1/"}
    assert 'href="/"' in client.get(f"/jobs/{job.number}/since/?n=0", headers=evil).content.decode()
    assert client.post(f"/jobs/{job.number}/since/?n=0").status_code == 405


def test_who_is_signed_out_meanwhile_keeps_the_page(client: Client) -> None:
    job = a_job()
    response = client.get(f"/jobs/{job.number}/since/?n=0", headers={"HX-Request": "true"})
    assert response.status_code == 286  # htmx asks no more
    assert "HX-Redirect" not in response
    assert "You are signed out here" in text_of(response.content.decode())
