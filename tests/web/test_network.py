"""A server that others reach: what a proxy says is believed of the proxy alone, and names are allowed one by one."""

from __future__ import annotations

import http.client
import json
import sys
import threading
from collections.abc import Iterator
from typing import Any

import pytest
from waitress.server import create_server

from refettle.web.serve import _behind, _known_as, bind, is_loopback

if not sys.platform.startswith("linux"):
    pytest.skip("only Linux has all of 127.0.0.0/8 on its loopback", allow_module_level=True)

TOLD = {
    "X-Forwarded-For": "203.0.113.9",  # RFC 5737, for documentation
    "X-Forwarded-Proto": "https",
    "X-Forwarded-Host": "bench.example",
}


def echo(environ: dict[str, Any], start: Any) -> list[bytes]:
    names = ("REMOTE_ADDR", "wsgi.url_scheme", "HTTP_HOST", "HTTP_X_FORWARDED_PROTO", "HTTP_X_FORWARDED_HOST")
    start("200 OK", [("Content-Type", "application/json")])
    return [json.dumps({name: environ.get(name) for name in names}).encode()]


@pytest.fixture(params=["", "127.0.0.2"])
def port(request: pytest.FixtureRequest) -> Iterator[tuple[str, int]]:
    """The proxy that is believed, and where the server is."""
    sock = bind("127.0.0.1", None)
    server = create_server(echo, sockets=[sock], clear_untrusted_proxy_headers=True, **_behind(request.param))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield request.param, sock.getsockname()[1]
    server.close()
    server.task_dispatcher.shutdown()


def ask(port: int, source: str) -> dict[str, Any]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10, source_address=(source, 0))
    connection.request("GET", "/", headers={"Host": "other.example", **TOLD})
    found: dict[str, Any] = json.loads(connection.getresponse().read())
    connection.close()
    return found


def test_a_proxy_alone_says_who_asks(port: tuple[str, int]) -> None:
    proxy, number = port
    for source in ("127.0.0.1", "127.0.0.2"):
        found = ask(number, source)
        if source == proxy:
            assert found["REMOTE_ADDR"] == "203.0.113.9"
            assert (found["wsgi.url_scheme"], found["HTTP_HOST"]) == ("https", "bench.example")
        else:
            assert found == {
                "REMOTE_ADDR": source,
                "wsgi.url_scheme": "http",
                "HTTP_HOST": "other.example",
                "HTTP_X_FORWARDED_PROTO": None,
                "HTTP_X_FORWARDED_HOST": None,
            }


@pytest.mark.parametrize(
    ("host", "hosts", "proxy", "https", "address", "allowed"),
    [
        ("127.0.0.1", (), "", False, "", []),
        ("127.0.0.9", (), "", False, "", ["127.0.0.9"]),
        ("192.168.1.20", (), "", False, "http://192.168.1.20:8765/", ["192.168.1.20"]),
        ("fd00::20", (), "", False, "http://[fd00::20]:8765/", ["[fd00::20]"]),
        ("0.0.0.0", ("bench.example",), "", False, "http://bench.example:8765/", []),
        ("127.0.0.1", ("bench.example",), "127.0.0.1", True, "https://bench.example/", []),
    ],
)
def test_where_others_find_it(
    settings: Any, host: str, hosts: tuple[str, ...], proxy: str, https: bool, address: str, allowed: list[str]
) -> None:
    settings.ALLOWED_HOSTS = ["127.0.0.1"]
    settings.REFETTLE_HOSTS, settings.REFETTLE_PROXY, settings.REFETTLE_HTTPS = hosts, proxy, https
    assert _known_as(host, 8765) == address
    assert ["127.0.0.1", *allowed] == settings.ALLOWED_HOSTS


def test_what_is_loopback() -> None:
    assert all(is_loopback(host) for host in ("localhost", "127.0.0.1", "127.9.9.9", "::1"))
    assert not any(is_loopback(host) for host in ("0.0.0.0", "::", "192.168.1.20", "bench.example", ""))
