"""Headers, limits, and one transaction per writing request."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import OperationalError, connection, transaction
from django.http import HttpRequest, HttpResponse
from django.test import Client, RequestFactory
from django.urls import path

from refettle.book.models import Owner
from refettle.web.middleware import POLICY, AtomicWrites
from refettle.web.views.errors import bad_request


def write(request: HttpRequest) -> HttpResponse:
    Owner.objects.create(name="Ada Quill")
    if "busy" in request.GET:
        raise OperationalError("database is locked")
    if "fail" in request.GET:
        raise LookupError("after writing")
    return HttpResponse("in a transaction" if connection.in_atomic_block else "not in one")


@transaction.non_atomic_requests
def slow(request: HttpRequest) -> HttpResponse:
    return HttpResponse()


@transaction.non_atomic_requests
def write_alone(request: HttpRequest) -> HttpResponse:
    raise OperationalError(request.GET["why"])


@transaction.non_atomic_requests
def read(request: HttpRequest) -> HttpResponse:
    return HttpResponse(str(len(request.POST)))


urlpatterns = [path("write", write), path("slow", slow), path("read", read), path("alone", write_alone)]
handler400 = bad_request


def test_headers(client: Client) -> None:
    response = client.get("/no-such-page")
    assert response["Content-Security-Policy"] == POLICY
    assert response["X-Content-Type-Options"] == "nosniff"
    assert response["X-Frame-Options"] == "DENY"
    assert response["Referrer-Policy"] == "same-origin"
    assert "Cross-Origin-Opener-Policy" not in response


def test_other_hosts_are_refused(client: Client) -> None:
    assert client.get("/photos/", headers={"host": "bench.example"}).status_code == 400


def test_a_form_from_elsewhere_is_refused(settings: Any) -> None:
    settings.ROOT_URLCONF = __name__
    response = Client(enforce_csrf_checks=True).post("/write")
    assert response.status_code == 403


def test_a_writing_request_is_kept_whole_or_not_at_all(db: None, settings: Any, client: Client) -> None:
    settings.ROOT_URLCONF = __name__
    with pytest.raises(LookupError):
        client.post("/write?fail=1")
    assert Owner.objects.count() == 0
    assert client.post("/write").content == b"in a transaction"
    assert Owner.objects.count() == 1


def test_a_book_held_for_too_long_is_said_to_be_busy(db: None, settings: Any, client: Client) -> None:
    settings.ROOT_URLCONF = __name__
    for address in ("/write?busy=1", "/alone?why=database is locked"):
        response = client.post(address)
        assert response.status_code == 503
        assert "Nothing of yours was written" in response.content.decode()
    assert Owner.objects.count() == 0
    with pytest.raises(OperationalError, match="disk"):
        client.post("/alone?why=disk I/O error")


def test_reading_requests_and_marked_views_run_without() -> None:
    middleware = AtomicWrites(lambda request: HttpResponse())
    assert middleware.process_view(RequestFactory().get("/write"), write, (), {}) is None
    assert middleware.process_view(RequestFactory().post("/slow"), slow, (), {}) is None


def test_too_large_an_upload_is_refused_by_its_length(client: Client) -> None:
    response = client.post("/photos/", content_type="image/jpeg", headers={"content-length": "300000000"})
    assert response.status_code == 413
    assert "The upload is 300 MB; allowed: 250 MB at once and 60 MB for each file." in response.content.decode()


def test_too_large_a_form_is_named(settings: Any, client: Client) -> None:
    settings.ROOT_URLCONF = __name__
    form = "application/x-www-form-urlencoded"
    response = client.post("/read", "text=" + "x" * 5_100_000, form)
    assert response.status_code == 413
    assert "more than 5 MB of text" in response.content.decode()
    assert bad_request(RequestFactory().post("/"), ValueError()).status_code == 400
