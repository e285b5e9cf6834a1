"""An acknowledged entry survives kill -9 at any moment."""

from __future__ import annotations

import http.client
import json
import random
import socket
import subprocess
import threading
import time
import urllib.parse
from collections.abc import Callable
from typing import Any

import pytest

ROUNDS, WRITERS = 20, 3


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def write(port: int, name: str, acknowledged: dict[int, str], first: threading.Event) -> None:
    """Post notes until the server is gone."""
    headers = {"Content-Type": "application/x-www-form-urlencoded"}
    for i in range(100_000):
        text = f"{name} {i}"
        link = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        try:
            link.request("POST", "/note", urllib.parse.urlencode({"text": text}), headers)
            response = link.getresponse()
            body = response.read().decode()
        except (OSError, http.client.HTTPException):
            return
        finally:
            link.close()
        if response.status == 200 and body.isdecimal():
            acknowledged[int(body)] = text
            first.set()


@pytest.mark.slow
def test_every_acknowledged_entry_is_there(
    run_beside: Callable[..., subprocess.Popen[str]],
    read_beside: Callable[[str], list[tuple[Any, ...]]],
    on_postgresql: bool,
) -> None:
    opened = run_beside("open_one.py")
    _, err = opened.communicate(timeout=60)
    assert opened.returncode == 0, err
    chance = random.Random(48)
    acknowledged: dict[int, str] = {}
    for turn in range(ROUNDS):
        port = free_port()
        server = run_beside("kill_server.py", str(port))
        assert server.stdout is not None
        assert server.stderr is not None
        line = server.stdout.readline()
        assert f":{port}/" in line, server.stderr.read()
        first = threading.Event()
        writers = [
            threading.Thread(target=write, args=(port, f"round {turn} writer {w}", acknowledged, first))
            for w in range(WRITERS)
        ]
        for each in writers:
            each.start()
        assert first.wait(30)
        time.sleep(chance.uniform(0.0, 0.4))
        server.kill()
        for each in writers:
            each.join(60)
        server.wait(10)
        server.stdout.close()
        server.stderr.close()
    if not on_postgresql:
        assert read_beside("PRAGMA integrity_check") == [("ok",)]
        assert read_beside("PRAGMA foreign_key_check") == []
    rows = read_beside("SELECT n, CAST(data AS text) FROM book_entry ORDER BY n")
    texts = {n: json.loads(data)["text"] for n, data in rows}
    assert list(texts) == list(range(1, len(texts) + 1))
    assert len(acknowledged) >= ROUNDS
    lost = {n: text for n, text in acknowledged.items() if texts.get(n) != text}
    assert lost == {}
    print(f"{len(acknowledged)} acknowledged, {len(texts)} kept, {ROUNDS} kills")
