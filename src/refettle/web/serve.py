"""Serving the bench book to browsers: on this machine, or to a network where everybody signs in."""

from __future__ import annotations

import ipaddress
import os
import signal
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable
from contextlib import ExitStack
from types import FrameType
from typing import Any

from refettle.web.start import StartError

HOST = "127.0.0.1"
PORT = 8765
TRIES = 50
THREADS = 16
"""That answer at once. Most of those asked by twenty people wait, for the disk or for what is worked out."""
TURN_S = 0.001
"""[s] After which a page that reckons lets another go on. Python's own 5 ms would be waited for at each look into the
database."""


def say(line: str) -> None:
    """Print a line at once, also into a pipe."""
    print(line, flush=True)


def check_host(host: str) -> str:
    """An address to listen at.

    Raises
    ------
    StartError
        It is none.
    """
    if host == "localhost":
        return HOST
    try:
        return str(ipaddress.ip_address(host))
    except ValueError:
        raise StartError(
            f"--host {host} found; allowed: an address of this machine, as 127.0.0.1 or 192.168.1.20"
        ) from None


def is_loopback(host: str) -> bool:
    """True for an address or name that only this machine reaches."""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def check_open(host: str) -> None:
    """See that a book which others can reach asks who they are. Expects the book to be ready.

    Raises
    ------
    StartError
        There is no sign-in, or nobody to sign in; says what to do.
    """
    from django.conf import settings

    from refettle.book import people

    if not settings.REFETTLE_SIGN_IN:
        if is_loopback(host):
            return
        raise StartError(
            f"--host {host} without sign-in found; allowed: 127.0.0.1 or ::1. To open the book to the network: "
            "refettle people add NAME --role owner, then start it with REFETTLE_SIGN_IN=yes."
        )
    if not people.owners():
        raise StartError(
            "REFETTLE_SIGN_IN=yes, and no owner of the book may sign in. Add one: refettle people add NAME --role owner"
        )
    if ipaddress.ip_address(host).is_unspecified and not settings.REFETTLE_HOSTS:
        raise StartError(
            f"--host {host} found, and no name by which others call this machine. Set REFETTLE_HOSTS to its names or "
            "addresses, as bench.example,192.168.1.20, or give one address as --host."
        )


def _known_as(host: str, port: int) -> str:
    """Let the book be called by the address it listens at; where other machines find it, or nothing."""
    from django.conf import settings

    name = f"[{host}]" if ":" in host else host
    names: list[str] = list(settings.REFETTLE_HOSTS)
    if not ipaddress.ip_address(host).is_unspecified:
        if name not in settings.ALLOWED_HOSTS:
            settings.ALLOWED_HOSTS = [*settings.ALLOWED_HOSTS, name]
        if not is_loopback(host):
            names.append(name)
    if not names:
        return ""
    if settings.REFETTLE_PROXY:
        return f"{'https' if settings.REFETTLE_HTTPS else 'http'}://{names[0]}/"
    return "" if is_loopback(host) else f"http://{names[0]}:{port}/"


def bind(host: str, port: int | None) -> socket.socket:
    """A listening socket: on `port`, or without one on the first free port from 8765.

    Raises
    ------
    StartError
        The port is taken or not allowed.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    wanted = range(PORT, PORT + TRIES) if port is None else range(port, port + 1)
    reason = ""
    for each in wanted:
        sock = socket.socket(family, socket.SOCK_STREAM)
        if os.name == "posix":  # elsewhere this would let two programs share the port
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            sock.bind((host, each))
            sock.listen(128)
        except (OSError, OverflowError) as error:
            sock.close()
            reason = (getattr(error, "strerror", None) or str(error)).lower()
            continue
        return sock
    which = f"port {port}" if port is not None else f"ports {PORT} to {PORT + TRIES - 1}"
    raise StartError(f"{which} on {host} cannot be used: {reason}. Choose another with --port.")


def _can_open_browser() -> bool:
    """False where only a text browser could open, which would take over the terminal."""
    if sys.platform.startswith("linux"):
        return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))
    return True


def _stop(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def _behind(proxy: str) -> dict[str, Any]:
    """What the server believes of a proxy: its address alone may say who asks, by which name, and whether by TLS."""
    if not proxy:
        return {}
    headers = {"x-forwarded-for", "x-forwarded-proto", "x-forwarded-host"}
    return {"trusted_proxy": proxy, "trusted_proxy_count": 1, "trusted_proxy_headers": headers}


def serve(
    *,
    host: str = HOST,
    port: int | None = None,
    browser: bool = True,
    say: Callable[[str], None] = say,
) -> None:
    """Serve until Ctrl-C. Expects the book to be ready (`start.start`).

    Raises
    ------
    StartError
        The address cannot be used, or the book is being restored or moved.
    """
    host = check_host(host)
    check_open(host)
    sock = bind(host, port)

    from django.conf import settings
    from waitress.server import create_server

    from refettle.book import reckoner, whole
    from refettle.book.serving import ServedError, serving
    from refettle.web import service
    from refettle.web.backing_up import start_backing_up
    from refettle.web.warm import start_warming
    from refettle.web.wsgi import application

    server = create_server(
        application,
        sockets=[sock],
        threads=THREADS,
        ident=None,
        max_request_body_size=810_000_000,
        clear_untrusted_proxy_headers=True,
        **_behind(settings.REFETTLE_PROXY),
    )
    taken: int = sock.getsockname()[1]
    elsewhere = settings.REFETTLE_ADDRESS = _known_as(host, taken)
    address = f"http://{f'[{host}]' if ':' in host else host}:{taken}/"
    if ipaddress.ip_address(host).is_unspecified:
        address = elsewhere or address
    held = ExitStack()
    try:
        held.enter_context(serving(settings.REFETTLE_HOME, settings.REFETTLE_DATABASE, address))
    except ServedError as error:
        server.close()
        raise StartError(f"{error}.") from None
    whole.clear_unfinished([settings.REFETTLE_PHOTOS, settings.REFETTLE_FILES])
    say(f"The bench book is open at {address}")
    if settings.REFETTLE_PROXY and elsewhere:
        say(f"Through the proxy: {elsewhere}")
    elif elsewhere and not settings.REFETTLE_HTTPS:
        say("Passwords cross the network in the clear: only for a network you trust. docs/network.md sets up TLS.")
    say("Stop it with Ctrl-C.")
    if browser and _can_open_browser():
        threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
    signal.signal(signal.SIGTERM, _stop)
    sys.setswitchinterval(TURN_S)
    reckons = reckoner.start()
    start_warming()
    start_backing_up()
    service.tell(service.READY)
    try:
        server.run()  # returns on Ctrl-C
    finally:
        service.tell(service.STOPPING)
        server.close()
        reckoner.stop(*reckons)
        held.close()
    say("Stopped.")
