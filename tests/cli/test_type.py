"""refettle type check and type draw."""

from __future__ import annotations

from pathlib import Path
from xml.etree.ElementTree import fromstring

import pytest

from refettle.knowledge.loading import load_shipped_type, shipped_types
from tests.cli.beside import as_json, go, in_process, refused
from tests.knowledge.small import SMALL, changed

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(autouse=True)
def empty_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("REFETTLE_HOME", str(tmp_path / "home"))


@pytest.fixture
def small(tmp_path: Path) -> Path:
    file = tmp_path / "small.yaml"
    file.write_text(SMALL)
    return file


def test_check_and_draw_beside(tmp_path: Path, small: Path) -> None:
    home = tmp_path / "home"
    run = go(home, "type", "check", str(small), "--json")
    assert run.returncode == 0
    facts = as_json(run)
    assert (facts["good"], facts["name"], facts["blocks"], facts["points"]) == (True, "Small", 2, 1)
    small.write_text(changed("family: radio", "family: boat"))
    run = go(home, "type", "check", str(small))
    assert (run.returncode, run.stdout) == (2, b"")
    lines = run.stderr.decode().splitlines()
    assert lines[0].startswith(f"{small}:2: family: found 'boat'; allowed: home computer, ")
    assert lines[1:] == ["1 mistake"]
    facts = as_json(go(home, "type", "check", str(small), "--json"))
    assert facts["good"] is False
    assert [(m["line"], m["field"], m["found"]) for m in facts["mistakes"]] == [(2, "family", "'boat'")]
    drawn = go(home, "type", "draw", "tamsin-walker")
    assert (drawn.returncode, drawn.stderr) == (0, b"")
    root = fromstring(drawn.stdout.decode())
    assert root.findtext(f"{SVG}title") == "Block diagram of Tamsin Walker"
    assert root.find(f"{SVG}style") is not None
    assert not home.exists()


@pytest.mark.parametrize("slug", sorted(shipped_types()))
def test_every_shipped_type_checks_and_draws(
    slug: str, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    facts = as_json(in_process(capfdbinary, "type", "check", slug, "--json"))
    loaded = load_shipped_type(slug)
    assert (facts["good"], facts["sha256"]) == (True, loaded.sha256)
    assert facts["failure modes"] == sum(len(b.modes) for b in loaded.blocks.values())
    out = tmp_path / "out.svg"
    run = in_process(capfdbinary, "type", "draw", slug, "-o", str(out))
    assert (run.returncode, run.stdout.decode()) == (0, f"Drawn: {out}\n")
    assert fromstring(out.read_text(encoding="utf-8")).get("class") == "block-diagram"


def test_several_mistakes_are_counted(small: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    small.write_text(changed("[Plays]", "[]", changed("{working: 90}", "{working: .nan}")))
    run = in_process(capfdbinary, "type", "check", str(small))
    assert run.returncode == 2
    lines = run.stderr.decode().splitlines()
    assert [line.split(" found ")[0] for line in lines] == [
        f"{small}:4: value.working:",
        f"{small}:13: acceptance:",
        "2 mistakes",
    ]
    assert f"{small}:4: value.working: " in in_process(capfdbinary, "type", "draw", str(small)).stderr.decode()


@pytest.mark.parametrize(
    "content",
    [
        b"\xff\xfe\x00",
        b"\x00" * 100,
        b"a: &a [x]\nb: [*a, *a]\n",
        b"[" * 100_000,
        b"a: 1\na: 2\n",
        b"",
        b"- just a list\n",
        b"!!python/object/apply:os.system [echo hi]\n",
    ],
)
def test_hostile_files(content: bytes, small: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    small.write_bytes(content)
    for words in (("check", str(small)), ("draw", str(small))):
        run = in_process(capfdbinary, "type", *words)
        assert (run.returncode, run.stdout) == (2, b"")
        assert str(small) in run.stderr.decode()
    facts = as_json(in_process(capfdbinary, "type", "check", str(small), "--json"))
    assert facts["good"] is False


def test_where_a_drawing_cannot_go(tmp_path: Path, small: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    line = refused(in_process(capfdbinary, "type", "draw", str(small), "-o", str(tmp_path)))
    assert line == f"-o {tmp_path}: is a directory"
    missing = tmp_path / "no" / "where.svg"
    assert refused(in_process(capfdbinary, "type", "draw", str(small), "-o", str(missing))).startswith(
        f"-o {missing}: "
    )
    assert "allowed: a file, or one of " in refused(in_process(capfdbinary, "type", "draw", "no-such"))


def test_a_name_too_long_for_a_file(capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    assert "allowed: a file, or one of " in refused(in_process(capfdbinary, "type", "check", "a" * 300))


def test_a_type_that_cannot_be_compiled_is_no_good(small: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    small.write_text(changed("{kind: reservoir}", "{kind: reservoir, weight: 100}"))
    run = in_process(capfdbinary, "type", "check", str(small))
    assert (run.returncode, b"weight" in run.stderr) == (2, True)
