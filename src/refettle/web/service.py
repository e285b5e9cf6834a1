"""Telling a service manager how it stands: the protocol of sd_notify(3), which any manager may speak."""

from __future__ import annotations

import os
import socket

READY, STOPPING = "READY=1", "STOPPING=1"


def tell(state: str) -> bool:
    """Send one state to whoever started the server and asked to be told (NOTIFY_SOCKET); False where nobody did."""
    where = os.environ.get("NOTIFY_SOCKET", "")
    if not where.startswith(("/", "@")) or not hasattr(socket, "AF_UNIX"):
        return False
    address = "\0" + where[1:] if where.startswith("@") else where  # @: not in the file system
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
            sock.sendto(state.encode(), address)
    except OSError:
        return False
    return True
