"""Serving the bench book to browsers on this machine."""

from __future__ import annotations

import ipaddress
import os
import signal
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable
from types import FrameType

from refettle.web.start import StartError

HOST = "127.0.0.1"
PORT = 8765
TRIES = 50
THREADS = 6


def say(line: str) -> None:
    """Print a line at once, also into a pipe."""
    print(line, flush=True)


def check_host(host: str) -> str:
    """A loopback address.

    Raises
    ------
    StartError
        Any other: the book has no sign-in yet, so it is not shown to the network.
    """
    if host == "localhost":
        return HOST
    try:
        loopback = ipaddress.ip_address(host).is_loopback
    except ValueError:
        loopback = False
    if not loopback:
        raise StartError(
            f"--host {host} found; allowed: 127.0.0.1 or ::1. The bench book has no sign-in yet, "
            "so it opens on this machine only."
        )
    return host


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
        The address cannot be used.
    """
    host = check_host(host)
    sock = bind(host, port)

    from waitress.server import create_server

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
    )
    address = f"http://{f'[{host}]' if ':' in host else host}:{sock.getsockname()[1]}/"
    say(f"The bench book is open at {address}")
    say("Stop it with Ctrl-C.")
    if browser and _can_open_browser():
        threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
    signal.signal(signal.SIGTERM, _stop)
    start_warming()
    start_backing_up()
    try:
        server.run()  # returns on Ctrl-C
    finally:
        server.close()
    say("Stopped.")
