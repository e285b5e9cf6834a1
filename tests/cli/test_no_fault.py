"""What goes wrong outside of Refettle while a command writes is said in one line, and no fault of its own is hidden."""

from __future__ import annotations

import errno

import pytest

from refettle.cli import doctor
from refettle.cli.main import main


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (OSError(errno.ENOSPC, "No space left on device"), "refettle: the disk is full. Nothing half-done was written"),
        (RuntimeError("database is locked"), "refettle: another program writes in the bench book"),
    ],
)
def test_one_line(
    error: Exception, says: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    fail_with(error, monkeypatch)
    assert main(["doctor"]) == 1
    err = capsys.readouterr().err
    assert err.startswith(says)
    assert err.count("\n") == 1


def test_a_fault_of_its_own_is_not_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    fail_with(LookupError("of its own"), monkeypatch)
    with pytest.raises(LookupError):
        main(["doctor"])


def fail_with(error: Exception, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(args: object) -> int:
        raise error

    monkeypatch.setattr(doctor, "run", fails)
