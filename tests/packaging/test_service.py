"""The bench book as a service: the unit files as systemd reads them, and what the server says to whoever started it."""

from __future__ import annotations

import configparser
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from refettle.web.environment import KNOWN, read_options
from refettle.web.service import tell

ROOT = Path(__file__).resolve().parents[2]
UNITS = ROOT / "packaging"
SERVICES = ("refettle.service", "refettle-backup.service")
EXPOSURE = 15
"""Of systemd-analyze, in tenths: below 2.0 it says OK."""


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    if sys.platform != "linux" or shutil.which("systemd-analyze") is None:
        pytest.skip("no systemd-analyze here")
    return subprocess.run(["systemd-analyze", *words], capture_output=True, text=True, check=False, timeout=60)


@pytest.fixture
def installed(tmp_path: Path) -> Path:
    """The units as installed, their program where it can be found."""
    for name in (*SERVICES, "refettle-backup.timer"):
        text = (UNITS / name).read_text(encoding="utf-8").replace("/opt/refettle/bin/refettle", "/bin/true")
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def test_systemd_finds_nothing_wrong_with_the_units(installed: Path) -> None:
    done = analyze("verify", "--man=no", *(str(each) for each in sorted(installed.iterdir())))
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    (installed / "refettle.service").write_text("[Service]\nProtectSistem=strict\n")
    assert "ProtectSistem" in analyze("verify", "--man=no", str(installed / "refettle.service")).stderr


@pytest.mark.parametrize("name", SERVICES)
def test_services_are_shut_in(installed: Path, name: str) -> None:
    done = analyze("security", "--offline=true", f"--threshold={EXPOSURE}", "--no-pager", str(installed / name))
    assert done.returncode == 0, done.stdout[-500:]


def unit(name: str) -> configparser.RawConfigParser:
    found = configparser.RawConfigParser(strict=False, comment_prefixes="#", interpolation=None)
    found.optionxform = str  # type: ignore[assignment, method-assign]
    found.read(UNITS / name, encoding="utf-8")
    return found


@pytest.mark.parametrize("name", SERVICES)
def test_what_must_not_be_loosened(name: str) -> None:
    service = unit(name)["Service"]
    for key, value in {
        "User": "refettle", "ProtectSystem": "strict", "ProtectHome": "yes", "NoNewPrivileges": "yes",
        "CapabilityBoundingSet": "", "StateDirectory": "refettle", "StateDirectoryMode": "0700", "UMask": "0077",
        "IPAddressDeny": "any",
    }.items():  # fmt: skip
        assert service[key] == value, key
    assert "\nEnvironment=REFETTLE_HOME=/var/lib/refettle\n" in (UNITS / name).read_text(encoding="utf-8")
    assert "MemoryMax" in service


def test_the_example_of_settings_can_be_used() -> None:
    lines = (UNITS / "refettle.env").read_text(encoding="utf-8").splitlines()
    told = [re.fullmatch(r"#?(REFETTLE_[A-Z_]+)=(\S+)", line) for line in lines if "REFETTLE_" in line[:12]]
    pairs = {found[1]: found[2] for found in told if found}
    assert len(pairs) == len(told) > 6
    assert set(pairs) <= set(KNOWN)
    options = read_options(pairs | {"HOME": "/nonexistent"})
    assert options.https
    assert options.sign_in
    assert str(options.backup) == "/srv/backups/refettle"


# ---------------------------------------------------------------- what the server says


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    """Who started the server and wants to be told."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.bind(str(tmp_path / "notify"))
        sock.settimeout(60)
        yield sock


@pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="no such sockets here")
def test_the_server_says_when_it_is_ready_and_when_it_stops(manager: socket.socket, tmp_path: Path) -> None:
    clean = {k: v for k, v in os.environ.items() if not k.startswith(("REFETTLE_", "DJANGO_"))}
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port = sock.getsockname()[1]
    process = subprocess.Popen(
        [sys.executable, "-m", "refettle.cli.main", "serve", "--no-browser", "--port", str(port)],
        env={**clean, "REFETTLE_HOME": str(tmp_path / "home"), "NOTIFY_SOCKET": manager.getsockname()},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    try:
        assert manager.recv(100) == b"READY=1"
        with socket.create_connection(("127.0.0.1", port), timeout=20) as asked:
            asked.sendall(b"GET /help/ HTTP/1.0\r\nHost: 127.0.0.1\r\n\r\n")
            assert asked.recv(20).startswith(b"HTTP/1.0 200")
        process.send_signal(signal.SIGTERM)
        assert manager.recv(100) == b"STOPPING=1"
        _, err = process.communicate(timeout=60)
        assert (process.returncode, err) == (0, b"")
    finally:
        if process.poll() is None:
            process.kill()
            process.communicate()


def test_where_nobody_asked_nothing_is_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not tell("READY=1")
    for where in ("", "notify", str(tmp_path / "nobody")):
        monkeypatch.setenv("NOTIFY_SOCKET", where)
        assert not tell("READY=1")
