"""The container as its file describes it: built in one stage, run in another that has no rights and no build tools.

Whether it builds and runs is seen by hand (docs/running.md); what must not be loosened is seen here.
"""

from __future__ import annotations

import re
from pathlib import Path

from refettle.web.serve import PORT

ROOT = Path(__file__).resolve().parents[2]
LINES = re.sub(r"\\\n", " ", (ROOT / "Containerfile").read_text(encoding="utf-8")).splitlines()
TOLD = [tuple(line.strip().split(None, 1)) for line in LINES if line.strip() and not line.startswith("#")]


def stage() -> list[tuple[str, ...]]:
    """What the last stage, which is the image, consists of."""
    last = max(n for n, line in enumerate(TOLD) if line[0] == "FROM")
    return TOLD[last:]


def words(name: str) -> str:
    return " ".join(line[1] for line in stage() if line[0] == name)


def test_both_stages_stand_on_the_base_that_was_asked_for() -> None:
    assert TOLD[0] == ("ARG", "BASE=docker.io/library/debian:bookworm-slim")
    assert [line[1] for line in TOLD if line[0] == "FROM"] == ["${BASE} AS build", "${BASE}"]


def test_the_image_has_no_build_tools_and_no_rights() -> None:
    assert re.fullmatch(r"[1-9]\d{3,}:[1-9]\d{3,}", words("USER"))
    assert not re.search(r"\b(pip|gcc|build-essential|make|git|curl|wget|sudo)\b|python3-(pip|venv|dev)", words("RUN"))
    assert words("COPY") == "--from=build /opt/refettle /opt/refettle"
    run = next(n for n, line in enumerate(stage()) if line[0] == "USER")
    assert all(line[0] not in ("RUN", "COPY", "ADD") for line in stage()[run:])


def test_what_is_installed_is_pinned() -> None:
    build = " ".join(line[1] for line in TOLD[: -len(stage())])
    assert "PIP_CONSTRAINT=/src/constraints.txt" in build
    assert "--without-pip /opt/refettle" in build
    assert not [line for line in TOLD if line[0] == "ADD"]


def test_how_it_runs() -> None:
    assert words("VOLUME") == "/var/lib/refettle"
    assert "REFETTLE_HOME=/var/lib/refettle" in words("ENV")
    assert "REFETTLE_SIGN_IN=yes" in words("ENV")  # others reach it
    assert words("EXPOSE") == str(PORT)
    assert f'"--port", "{PORT}"' in words("CMD")
    assert f"127.0.0.1:{PORT}/" in words("HEALTHCHECK")
    assert words("STOPSIGNAL") == "SIGTERM"


def test_nothing_else_goes_to_the_build() -> None:
    lines = (ROOT / ".containerignore").read_text(encoding="utf-8").splitlines()
    assert next(line for line in lines if line and not line.startswith("#")) == "*"
    let = {line[1:] for line in lines if line.startswith("!")}
    copied = {w for line in TOLD[: -len(stage())] if line[0] == "COPY" for w in line[1].split()[:-1]}
    assert copied == let
    assert all((ROOT / name).exists() for name in let)
