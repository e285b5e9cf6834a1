"""What every answer carries, whatever it is an answer to; what is not answered at all; behind TLS."""

from __future__ import annotations

import http.client
import io
import os
import re
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings as current
from django.http import HttpRequest, HttpResponse
from django.test import Client
from django.urls import path
from PIL import Image

import refettle.web
from refettle.book import photos
from refettle.book.models import Entry
from refettle.web.home import Home, prepare
from refettle.web.middleware import POLICY
from refettle.web.views.errors import bad_request, not_found, server_error
from tests.web.pages import a_job, text_of
from tests.web.people import a_person
from tests.web.test_sign_in import PAGES, pages

pytestmark = pytest.mark.django_db


def fails(request: HttpRequest) -> HttpResponse:
    raise LookupError("inside: /srv/secret and a password")


urlpatterns = [path("fails", fails)]
handler400, handler404, handler500 = bad_request, not_found, server_error


def a_photo() -> str:
    out = io.BytesIO()
    Image.new("RGB", (40, 30), (90, 80, 70)).save(out, "JPEG")
    return photos.store_photo(io.BytesIO(out.getvalue()), current.REFETTLE_PHOTOS).sha256


ANSWERS: dict[str, tuple[str, dict[str, Any]]] = {
    "a page": ("/", {}),
    "a style sheet": ("/static/refettle/refettle.css", {}),
    "a script": ("/static/refettle/refettle.js", {}),
    "nothing there": ("/nowhere/at/all/", {}),
    "a wrong method": ("/", {"method": "PUT"}),
    "too large": ("/mark/", {"method": "POST", "CONTENT_LENGTH": "900000000"}),
    "not its name": ("/", {"HTTP_HOST": "elsewhere.example"}),
    "a file": ("/types/larkmere-48/file/", {}),
    "a CSV file": ("/jobs/1/log.jsonl", {}),
    "a redirect": ("/jobs/1/log", {}),
}


@pytest.mark.parametrize("what", ANSWERS)
def test_every_answer_carries_them(client: Client, what: str) -> None:
    a_job()
    address, how = ANSWERS[what]
    response = client.generic(how.pop("method", "GET"), address, **dict(how))
    assert response["X-Content-Type-Options"] == "nosniff"
    assert response["Content-Security-Policy"] == POLICY
    assert response["X-Frame-Options"] == "DENY"
    assert response["Referrer-Policy"] == "same-origin"
    assert response["Cross-Origin-Resource-Policy"] == "same-origin"
    kind = response.get("Content-Type", "")
    assert kind, "no type"
    if kind.startswith("text/") or "json" in kind or "xml" in kind:
        assert "charset=" in kind
    for telling in ("Server", "X-Powered-By", "Via", "X-AspNet-Version", "Access-Control-Allow-Origin"):
        assert telling not in response
    if response.streaming:
        b"".join(response.streaming_content)  # to its end: closing it by hand closes the database too


def test_a_photo_may_do_nothing_and_is_what_it_says(client: Client) -> None:
    sha256 = a_photo()
    response = client.get(f"/photos/{sha256}/original")
    assert response["Content-Type"] == "image/jpeg"
    assert response["Content-Security-Policy"] == "default-src 'none'; sandbox"
    assert response["X-Content-Type-Options"] == "nosniff"
    assert b"".join(response).startswith(b"\xff\xd8")  # type: ignore[call-overload]


def test_the_policy_lets_nothing_inline_run_and_nobody_frame_it() -> None:
    rules = dict(rule.split(" ", 1) for rule in POLICY.split("; "))
    assert "unsafe" not in POLICY
    assert not re.search(r"https?:|\*", POLICY)
    assert rules["default-src"] == "'self'"
    assert not {"script-src", "style-src", "connect-src"} & set(rules)  # default-src holds for them
    assert (rules["frame-ancestors"], rules["object-src"], rules["base-uri"]) == ("'none'",) * 3
    assert rules["form-action"] == "'self'"


@pytest.mark.parametrize("origin", ["https://elsewhere.example", "null"])
def test_no_other_site_reads_an_answer(client: Client, origin: str) -> None:
    for method in ("GET", "OPTIONS"):
        response = client.generic(method, "/", headers={"origin": origin, "access-control-request-method": "POST"})
        assert not [name for name in response.headers if name.lower().startswith("access-control")]


def test_an_origin_gives_no_rights(settings: Any) -> None:
    settings.REFETTLE_SIGN_IN = True
    for origin in ("http://testserver", "null"):
        assert Client().get("/", headers={"origin": origin}).status_code == 302
        refused = Client().post("/jobs/1/", {"action": "note", "text": "x"}, headers={"origin": origin})
        assert refused.status_code == 403


# ---------------------------------------------------------------- what is not answered


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "BREW"])
def test_no_page_takes_another_method(client: Client, method: str, caplog: pytest.LogCaptureFixture) -> None:
    a_job()
    before = Entry.objects.count()
    for name, address in pages():
        if name != "set_language":
            assert client.generic(method, address).status_code == 405, (name, address)
    assert Entry.objects.count() == before
    assert [r for r in caplog.records if r.name == "django.request" and "Method Not Allowed" in r.getMessage()]


def test_a_method_is_not_overridden(client: Client) -> None:
    job = a_job()
    for header in ("X-HTTP-Method-Override", "X-Method-Override", "X-HTTP-Method"):
        response = client.get(f"/jobs/{job.number}/?_method=POST&action=note&text=x", headers={header: "POST"})
        assert response.status_code == 200
    client.post("/sign-out/?_method=DELETE", {"_method": "DELETE"}, headers={"X-HTTP-Method-Override": "DELETE"})
    assert Entry.objects.count() == 0


@pytest.mark.parametrize(
    "address",
    ["/static/", "/static/refettle/", "/static/refettle", "/photos/", "/files/", "/.git/config", "/.env", "/secret.key",
     "/admin/", "/__debug__/", "/.well-known/",
     "/book.sqlite3", "/static/../settings.py", "/static/%2e%2e/settings.py", "/static/refettle/..%2f..%2fsettings.py",
     "/static/refettle/.DS_Store", "/static/refettle/refettle.css.bak", "/static/refettle/refettle.css~",
     "/types/..%2f..%2fsettings/file/", "/types/%2e%2e/file/", "/photos/..%2f..%2fbook.sqlite3/original"],
)  # fmt: skip
def test_no_folder_is_listed_and_nothing_beside_the_pages_is_served(client: Client, address: str) -> None:
    response = client.get(address)
    assert response.status_code == 404
    assert "text/html" in response["Content-Type"]
    assert "Index of" not in response.content.decode()


def test_a_name_that_is_not_the_books_is_refused(client: Client) -> None:
    for headers in ({"host": "elsewhere.example"}, {"host": "localhost.elsewhere.example"}, {"host": "x@localhost"}):
        assert client.get("/", headers=headers).status_code == 400
    # Only the server believes a proxy, and writes what it said into Host; the book itself never looks.
    response = client.get("/phone/", headers={"host": "127.0.0.1:1", "x-forwarded-host": "elsewhere.example"})
    assert "elsewhere.example" not in response.content.decode()


def test_a_fault_tells_nothing_of_the_inside(settings: Any) -> None:
    settings.ROOT_URLCONF = __name__
    client = Client(raise_request_exception=False)
    response = client.get("/fails")
    told = response.content.decode()
    assert response.status_code == 500
    assert "the lines it printed where it was started say why" in text_of(told)
    for inside in ("LookupError", "secret", "Traceback", "Django", "site-packages"):
        assert inside not in told
    assert not settings.DEBUG
    missing = client.get("/nowhere").content.decode()
    assert "urlpatterns" not in missing
    assert "Django" not in missing


# ---------------------------------------------------------------- behind TLS


def test_browsers_are_told_to_come_by_tls_alone(settings: Any, client: Client) -> None:
    assert "Strict-Transport-Security" not in client.get("/", secure=True)  # without the setting
    settings.REFETTLE_HTTPS = True
    for address in ("/", "/static/refettle/refettle.css", "/nowhere/"):
        response = client.get(address, secure=True)
        assert response["Strict-Transport-Security"] == "max-age=15724800"  # 182 days, ASVS 4.0.3, 14.4.5
        assert response["Cross-Origin-Opener-Policy"] == "same-origin"
        if response.streaming:
            b"".join(response.streaming_content)  # to its end: closing it by hand closes the database too
    settings.REFETTLE_HSTS_DAYS = 0
    assert client.get("/", secure=True)["Strict-Transport-Security"] == "max-age=0"
    assert "Strict-Transport-Security" not in client.get("/")


def test_nothing_is_answered_over_plain_http_but_to_this_machine(settings: Any, client: Client) -> None:
    settings.REFETTLE_HTTPS = True
    a_job()
    for address in ("/", "/sign-in/", "/jobs/1/", "/static/refettle/refettle.css"):
        response = client.get(address, REMOTE_ADDR="192.168.1.44")
        assert response.status_code == 403
        assert response.content.startswith(b"This bench book is reached over TLS alone")
    sent = client.post("/jobs/1/", {"action": "note", "text": "x"}, REMOTE_ADDR="192.168.1.44")
    assert (sent.status_code, Entry.objects.count()) == (403, 0)
    assert client.get("/", REMOTE_ADDR="192.168.1.44", secure=True).status_code == 200
    assert client.get("/", REMOTE_ADDR="127.0.0.1").status_code == 200


@pytest.fixture(scope="module")
def behind_tls(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    """The real server, as behind a proxy that speaks TLS; its port."""
    clean = {k: v for k, v in os.environ.items() if not k.startswith(("REFETTLE_", "DJANGO_"))}
    env = {
        **clean, "REFETTLE_HOME": str(tmp_path_factory.mktemp("tls") / "home"), "REFETTLE_SIGN_IN": "yes",
        "REFETTLE_HTTPS": "yes", "REFETTLE_PROXY": "127.0.0.1", "REFETTLE_HOSTS": "bench.example",
    }  # fmt: skip
    words = [sys.executable, "-m", "refettle.cli.main"]
    subprocess.run([*words, "people", "add", "Ada", "--role", "owner"], env=env, input="a quiet bench 44\n", text=True,
                   check=True, capture_output=True)  # fmt: skip
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port = sock.getsockname()[1]
    process = subprocess.Popen(
        [*words, "serve", "--no-browser", "--port", str(port)], env=env, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    process.stdout.readline()
    yield port
    process.terminate()
    process.communicate(timeout=60)


def ask(port: int, method: str, address: str, body: str = "", **headers: str) -> http.client.HTTPResponse:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    told = {"Host": "bench.example", "X-Forwarded-Host": "bench.example", "X-Forwarded-Proto": "https",
            "X-Forwarded-For": "192.168.1.44"}  # fmt: skip
    if body:
        told["Content-Type"] = "application/x-www-form-urlencoded"
    connection.request(method, address, body or None, told | headers)
    response = connection.getresponse()
    response.text = response.read().decode()  # type: ignore[attr-defined]
    connection.close()
    return response


def test_cookies_go_by_tls_to_this_host_alone(behind_tls: int) -> None:
    page = ask(behind_tls, "GET", "/sign-in/")
    assert page.status == 200
    assert page.headers["Strict-Transport-Security"]
    assert page.headers["Server"] is None
    (csrf,) = page.headers.get_all("Set-Cookie")
    assert re.match(r"__Host-refettle_csrf=\w{32}; ", csrf)
    (token,) = re.findall(r'name="csrfmiddlewaretoken" value="(\w+)"', page.text)[:1]  # type: ignore[attr-defined]
    body = f"csrfmiddlewaretoken={token}&name=Ada&password=a+quiet+bench+44"
    sent = ask(
        behind_tls, "POST", "/sign-in/", body, Cookie=csrf.partition(";")[0], Referer="https://bench.example/sign-in/"
    )
    assert sent.status == 302
    cookies = sent.headers.get_all("Set-Cookie")
    (session,) = (each for each in cookies if "session" in each)
    assert re.match(r"__Host-refettle_session=[a-z0-9]{32}; ", session)
    for each in cookies:  # RFC 6265bis, 4.1.3.2: Secure, Path=/, no Domain
        parts = {part.strip().partition("=")[0].lower() for part in each.split(";")[1:]}
        assert {"secure", "httponly", "path", "samesite"} <= parts
        assert "domain" not in parts
        assert "Path=/" in each
        assert "SameSite=Lax" in each or "SameSite=Strict" in each
    inside = ask(behind_tls, "GET", "/me/", Cookie=session.partition(";")[0])
    assert inside.status == 200
    assert "no-store" in inside.headers["Cache-Control"]


def test_over_tls_a_form_from_elsewhere_is_refused(behind_tls: int) -> None:
    for headers in ({}, {"Referer": "https://elsewhere.example/"}, {"Origin": "https://elsewhere.example"}):
        assert ask(behind_tls, "POST", "/sign-in/", "name=Ada&password=x", **headers).status == 403


def test_who_comes_by_plain_http_is_told_so(behind_tls: int) -> None:
    assert ask(behind_tls, "GET", "/sign-in/", **{"X-Forwarded-Proto": "http"}).status == 403


# ---------------------------------------------------------------- every page


def test_addresses_hold_no_secret() -> None:
    """But for the link that signs a phone in: once, within five minutes, and pressing a button."""
    assert [name for name, _ in pages() if "secret" in name or name == "join"] == ["join"]
    assert not [address for name, address in PAGES if re.search("token|session|key|password", name)]


def test_forms_with_a_password_are_sent_in_the_body() -> None:
    folder = Path(current.BASE_DIR if hasattr(current, "BASE_DIR") else Path(__file__).parents[2] / "src/refettle/web")
    found = 0
    for template in folder.rglob("*.html"):
        text = template.read_text(encoding="utf-8")
        for form in re.findall(r"<form\b[^>]*>.*?</form>", text, re.S):
            if 'type="password"' in form:
                found += 1
                assert 'method="post"' in form.split(">")[0]
                for field in re.findall(r'<input[^>]*type="password"[^>]*>', form):
                    assert re.search(r'autocomplete="(current|new)-password"', field), field
                    assert "onpaste" not in field
                    assert "maxlength" not in field  # a pasted one would be cut short without a word
    assert found == 6


@pytest.mark.skipif(os.name != "posix", reason="rights of files as POSIX has them")
def test_the_data_folder_is_its_users_alone(tmp_path: Path) -> None:
    home = Home(tmp_path / "data" / "refettle")
    before = os.umask(0o022)
    try:
        prepare(home)
    finally:
        os.umask(before)
    assert home.folder.stat().st_mode & 0o777 == 0o700
    assert home.key.stat().st_mode & 0o777 == 0o600
    served = Path(refettle.web.__file__).parent / "static"
    assert not home.folder.is_relative_to(served)


def test_nobody_is_made_with_the_book() -> None:
    from refettle.book.models_people import Person

    assert Person.objects.count() == 0
    a_person("Ada")
    assert Person.objects.count() == 1
