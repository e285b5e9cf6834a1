"""Variables are read strictly; what is wrong is named."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from decimal import Decimal
from pathlib import Path

import pytest

from refettle.web.environment import EnvironmentVariableError, machine_time_zone, read_options
from refettle.web.home import Home, HomeError, default_folder, prepare, read_key


def test_it_works_with_nothing_set() -> None:
    options = read_options({"HOME": "/home/ada"})
    assert options.home.folder == Path("/home/ada/.local/share/refettle")
    assert (options.currency, options.rate) == ("EUR", Decimal(30))
    assert options.who
    assert options.time_zone


def test_everything_set(tmp_path: Path) -> None:
    options = read_options(
        {
            "REFETTLE_HOME": str(tmp_path),
            "REFETTLE_TZ": "Europe/Berlin",
            "REFETTLE_CURRENCY": "SEK",
            "REFETTLE_RATE": "412.50",
            "REFETTLE_WHO": " Ada Quill ",
        }
    )
    assert options.home == Home(tmp_path)
    assert (options.time_zone, options.currency, options.who) == ("Europe/Berlin", "SEK", "Ada Quill")
    assert options.rate == Decimal("412.50")


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("REFETTLE_RAET", "30"),
        ("REFETTLE_RATE", "thirty"),
        ("REFETTLE_RATE", "0"),
        ("REFETTLE_RATE", "-1"),
        ("REFETTLE_RATE", "NaN"),
        ("REFETTLE_RATE", "Infinity"),
        ("REFETTLE_RATE", "30,5"),
        ("REFETTLE_RATE", ""),
        ("REFETTLE_CURRENCY", "euro"),
        ("REFETTLE_CURRENCY", ""),
        ("REFETTLE_TZ", "Mars/Base"),
        ("REFETTLE_TZ", "../../etc/passwd"),
        ("REFETTLE_TZ", ""),
        ("REFETTLE_HOME", "bench"),
        ("REFETTLE_HOME", ""),
        ("REFETTLE_HOME", __file__),
        ("REFETTLE_WHO", ""),
        ("REFETTLE_WHO", "x" * 81),
        ("REFETTLE_WHO", "Ada\nQuill"),
    ],
)
def test_what_cannot_be_is_named(name: str, value: str) -> None:
    with pytest.raises(EnvironmentVariableError) as caught:
        read_options({"HOME": "/home/ada", name: value})
    message = str(caught.value)
    assert message.startswith(f"{name}: found '{value}'; allowed: ")


def test_settings_fail_loudly() -> None:
    run = subprocess.run(
        [sys.executable, "-c", "import refettle.web.settings"],
        env={**os.environ, "REFETTLE_RATE": "thirty"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode != 0
    assert "ImproperlyConfigured: REFETTLE_RATE: found 'thirty'" in run.stderr


def test_reading_settings_makes_no_files(tmp_path: Path) -> None:
    home = tmp_path / "not yet"
    env = {**os.environ, "REFETTLE_HOME": str(home)}
    subprocess.run([sys.executable, "-c", "import refettle.web.settings"], env=env, check=True)
    assert not home.exists()


def test_default_folders() -> None:
    assert default_folder({"HOME": "/h", "XDG_DATA_HOME": "/data"}, "linux") == Path("/data/refettle")
    assert default_folder({"HOME": "/h", "XDG_DATA_HOME": "data"}, "linux") == Path("/h/.local/share/refettle")
    assert default_folder({"HOME": "/h"}, "darwin") == Path("/h/Library/Application Support/Refettle")
    assert default_folder({"LOCALAPPDATA": "/local"}, "win32") == Path("/local/Refettle")


def test_the_machine_has_a_time_zone() -> None:
    assert machine_time_zone({"TZ": "Asia/Tokyo"}) == "Asia/Tokyo"
    assert machine_time_zone({"TZ": ":Asia/Tokyo"}) == "Asia/Tokyo"
    assert machine_time_zone({"TZ": "nonsense"})


def test_the_folder_and_its_key(tmp_path: Path) -> None:
    home = Home(tmp_path / "a" / "home")
    assert read_key(home) is None
    prepare(home)
    key = read_key(home)
    assert key is not None
    prepare(home)
    assert read_key(home) == key
    assert stat.S_IMODE(home.key.stat().st_mode) == 0o600
    assert stat.S_IMODE(home.folder.stat().st_mode) == 0o700
    assert sorted(p.name for p in home.folder.iterdir()) == ["files", "kinds", "photos", "secret.key", "types"]


def test_a_spoilt_key_is_named(tmp_path: Path) -> None:
    home = Home(tmp_path)
    home.key.write_text("short")
    with pytest.raises(HomeError, match="holds 5 characters"):
        read_key(home)
    home.key.write_bytes(b"\xff" * 60)
    with pytest.raises(HomeError, match="cannot be read"):
        read_key(home)


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(HomeError, match=r"cannot be written: not a directory\. Make it writable, or set REFETTLE_HOME"):
        prepare(Home(tmp_path / "file" / "home"))
