"""The command line as a whole: what is loaded, exit status, one clear line."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from refettle.cli.common import Refused, table
from refettle.cli.main import COMMANDS, main

CLEAN = {k: v for k, v in os.environ.items() if not k.startswith(("REFETTLE_", "DJANGO_"))}


def test_help_loads_no_framework() -> None:
    code = (
        "import sys\n"
        "from refettle.cli.main import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit as stop:\n    print('status', stop.code)\n"
        "heavy = {'django', 'numpy', 'pydantic', 'yaml', 'PIL', 'waitress', 'sqlite3'}\n"
        "print('loaded', sorted(heavy & {name.split('.')[0] for name in sys.modules}))\n"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=CLEAN)
    assert run.stdout.splitlines()[-2:] == ["status 0", "loaded []"]
    for name in COMMANDS:
        assert f"\n    {name} " in run.stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main([name, "--help"])
    assert stop.value.code == 0
    assert name in capsys.readouterr().out


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["--version"])
    assert stop.value.code == 0
    assert capsys.readouterr().out.startswith("refettle 0.")


@pytest.mark.parametrize(
    "words", [["nonsense"], ["job"], ["job", "show", "one"], ["serve", "--port", "80"], ["job", "log", "0"]]
)
def test_bad_words_end_with_2(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(words)
    assert stop.value.code == 2
    assert "error: " in capsys.readouterr().err


def test_an_address_for_others_is_refused(db: None, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--host", "0.0.0.0"]) == 2
    assert "0.0.0.0 without sign-in found; allowed: 127.0.0.1" in capsys.readouterr().err


def test_demo_keeps_out_of_a_folder_in_use(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "letters.txt").write_text("")
    assert main(["demo", "--keep", str(tmp_path)]) == 2
    assert "allowed: a new or empty folder" in capsys.readouterr().err
    assert main(["demo", "--keep", str(tmp_path / "letters.txt")]) == 2


def test_checking_a_good_type(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["type", "check", "larkmere-48"]) == 0
    assert "larkmere-48: no mistake found" in capsys.readouterr().out


def test_checking_a_bad_type(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "odd.yaml"
    file.write_text("unit_type: Odd\nfamily: boat\nabout: x\n")
    assert main(["type", "check", str(file)]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert any(line.startswith(f"{file}:2: family: found 'boat'; allowed: ") for line in lines)
    assert lines[-1] == f"{len(lines) - 1} mistakes"
    assert main(["type", "check", str(file), "--json"]) == 2
    assert '"good": false' in capsys.readouterr().out
    assert main(["type", "check", "no-such"]) == 2
    assert "unit type 'no-such' found; allowed: a file, or one of" in capsys.readouterr().err
    assert main(["type", "check", str(tmp_path / "none.yaml")]) == 2


def test_a_table_keeps_long_cells() -> None:
    assert table([["a", "b"], ["longer", "c"]]) == "a       b\nlonger  c"
    assert Refused("no").status == 2
