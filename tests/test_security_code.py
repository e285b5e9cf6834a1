"""What the code must never do with what comes from outside, looked for in the code itself; what it is built of."""

from __future__ import annotations

import ast
import re
import tomllib
from functools import cache
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement

import refettle

SOURCE = Path(refettle.__file__).parent
ROOT = SOURCE.parents[1]


@cache
def modules() -> list[tuple[str, ast.Module]]:
    files = sorted(SOURCE.rglob("*.py"))
    return [(each.relative_to(SOURCE).as_posix(), ast.parse(each.read_text(encoding="utf-8"))) for each in files]


def called(node: ast.Call) -> str:
    return ast.unparse(node.func)


def test_no_text_is_run_as_code_or_handed_to_a_shell() -> None:
    bad = re.compile(r"^(eval|exec|compile|__import__)$|\bmarshal\.|\bshelve\.|os\.(system|popen|exec\w*|spawn\w*)$"
                     r"|yaml\.(load|unsafe_load|full_load)$|\.extra$|RawSQL|commands\.get|Template$|from_string$"
                     )  # fmt: skip
    found = []
    for name, tree in modules():
        for node in ast.walk(tree):
            if (
                isinstance(node, ast.Call)
                and bad.search(called(node))
                and not called(node).startswith(("re.", "self."))
            ):
                found.append(f"{name}: {called(node)}")
            if isinstance(node, ast.Call) and any(k.arg in ("shell", "allow_pickle") and not (
                    isinstance(k.value, ast.Constant) and k.value.value is False) for k in node.keywords):  # fmt: skip
                found.append(f"{name}: {ast.unparse(node)[:80]}")
    assert found == []


def test_only_these_call_out_of_the_book() -> None:
    """No page makes the server ask another: no client but of instruments, which the command line alone talks to."""
    clients = {
        "urllib.request",
        "http.client",
        "requests",
        "httpx",
        "aiohttp",
        "smtplib",
        "ftplib",
        "socket",
        "ldap",
        "telnetlib",
    }
    found = set()
    for name, tree in modules():
        for node in ast.walk(tree):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            if clients & set(names):
                found.add(name)
    assert found <= {"web/serve.py", "web/service.py", "instruments/socket.py", "instruments/session.py"} | {
        name for name in found if name.startswith(("instruments/", "cli/"))
    }
    assert "web/serve.py" in found


def test_which_programs_are_started() -> None:
    found = {name for name, tree in modules() for node in ast.walk(tree)
             if isinstance(node, ast.Import) and "subprocess" in {a.name for a in node.names}}  # fmt: skip
    # PostgreSQL's own dump; programs of our own, by our own interpreter.
    assert found <= {"book/databases.py", "ordering/solver.py", "book/reckoner.py"}


def test_objects_are_unpacked_of_our_own_process_alone() -> None:
    """Pickled values go over the pipes of a process that the server started itself, and are read nowhere else."""
    packing = {"pickle", "marshal", "shelve"}
    found = {name for name, tree in modules() for node in ast.walk(tree)
             if isinstance(node, ast.Import) and packing & {a.name for a in node.names}}  # fmt: skip
    assert found <= {"book/reckoner.py"}


def test_scripts_of_pages_make_no_code_of_text_and_keep_nothing() -> None:
    bad = re.compile(r"\beval\b|new Function|innerHTML|outerHTML|insertAdjacentHTML|document\.write|sessionStorage"
                     r"|indexedDB|document\.cookie|setTimeout\(\s*[\"']|https?://(?!www\.w3\.org/)")  # fmt: skip
    scripts = sorted((SOURCE / "web/static").rglob("*.js"))
    assert len(scripts) > 4
    assert [f"{s.name}: {found[0]}" for s in scripts if (found := bad.search(s.read_text(encoding="utf-8")))] == []
    kept = {
        use for s in scripts for use in re.findall(r"localStorage(?!\.[gs]etItem\(OFF\b).{20}", s.read_text("utf-8"))
    }
    assert kept == set()  # but whether keys act, which is nobody's secret
    base = (SOURCE / "web/templates/refettle/base.html").read_text(encoding="utf-8")
    assert '"allowEval":false' in base


def test_pages_load_nothing_from_elsewhere() -> None:
    for template in sorted((SOURCE / "web/templates").rglob("*.html")):
        text = template.read_text(encoding="utf-8")
        assert not re.search(
            r"<(script|link|img|iframe|source|form)\b[^>]*(src|href|action)=[\"'](https?:)?//", text
        ), template.name
        assert "|safe" not in text or template.name == "order_plan.html", template.name  # a drawing of our own
        assert "autoescape off" not in text


# ---------------------------------------------------------------- what it is built of


def pinned() -> dict[str, str]:
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    told = [line for line in lines if line.strip() and not line.startswith("#")]
    assert all(re.fullmatch(r"[A-Za-z0-9._-]+==[^\s;]+(\s*;.*)?", line) for line in told)
    return {
        re.sub(r"[-_.]+", "-", line.partition("==")[0]).lower(): line.partition("==")[2].split(";")[0].strip()
        for line in told
    }


def test_everything_it_is_built_of_is_pinned() -> None:
    """With all they need in turn; what is installed here is what is pinned."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    more = project["optional-dependencies"]
    asked = [
        *project["dependencies"],
        *(need for extra in ("pdf", "postgresql", "instruments") for need in more[extra]),
    ]
    known, waiting, seen = pinned(), [("", ())], set[str]()
    while waiting:
        name, extras = waiting.pop()
        for text in (metadata.requires(name) or []) if name else asked:
            need = Requirement(text)
            key = re.sub(r"[-_.]+", "-", need.name).lower()
            wanted = need.marker is None or any(need.marker.evaluate({"extra": e}) for e in ("", *extras))
            if wanted and key not in seen:
                seen.add(key)
                assert known.get(key) == metadata.version(need.name), key
                waiting.append((need.name, tuple(need.extras)))
    assert {"django", "pillow", "waitress", "psycopg", "weasyprint"} <= seen
    assert len(seen) > 25
