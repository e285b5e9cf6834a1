"""From a file's text to one checked model, each mistake with its file and line."""

from __future__ import annotations

from importlib.resources.abc import Traversable
from pathlib import Path as FilePath
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from refettle.knowledge.errors import KnowledgeError, Mistake
from refettle.knowledge.reading import Document, Path

M = TypeVar("M", bound=BaseModel)
MAX_BYTES = 4_000_000


def _words(error: Any) -> tuple[str, str]:
    """What was found and what is allowed, from one pydantic error."""
    kind, ctx, value = error["type"], error.get("ctx", {}), error.get("input")
    found = f"'{str(value)[:60]}'" if isinstance(value, str | int | float | bool) else type(value).__name__
    if isinstance(value, dict | list):
        found = "a mapping" if isinstance(value, dict) else "a list"
    if value is None:
        found = "nothing"
    if kind == "missing":
        return "nothing", "a value; this field is needed"
    if kind == "extra_forbidden":
        return f"the unknown field '{error['loc'][-1]}'", "the fields named in the documentation"
    if kind == "literal_error":
        return found, str(ctx.get("expected", "")).replace("'", "")
    if kind == "value_error":
        return found, str(ctx.get("error", error["msg"]))
    message = error["msg"].removeprefix("Input should be ").removeprefix("Value error, ")
    return found, message


def _real_path(document: Document, base: Path, loc: tuple[Any, ...]) -> Path:
    """The part of pydantic's location that stands in the file (unions add names of their own)."""
    path = base
    for piece in loc:
        if (*path, piece) in document.lines:
            path = (*path, piece)
    return path


def _mistakes(error: ValidationError, document: Document, base: Path) -> list[Mistake]:
    by_place: dict[tuple[Path, str], list[str]] = {}
    for each in error.errors(include_url=False):
        path = _real_path(document, base, each["loc"])
        found, allowed = _words(each)
        if each["type"] == "missing":
            allowed = f"'{each['loc'][-1]}', which is needed here"
        if "[key]" in each["loc"]:
            found, allowed = (
                f"the name '{each['input']}'",
                "letters, digits, _ and - , starting with a letter",
            )
        alternatives = by_place.setdefault((path, found), [])
        if allowed not in alternatives:
            alternatives.append(allowed)
    return [document.mistake(path, found, ", or ".join(texts)) for (path, found), texts in by_place.items()]


def parse_model(model: type[M], data: Any, document: Document, base: Path, mistakes: list[Mistake]) -> M | None:
    """The model of a mapping that stands at `base` of a document; None, with `mistakes` grown, where it is none."""
    if not isinstance(data, dict):
        mistakes.append(document.mistake(base, type(data).__name__, "a mapping of fields"))
        return None
    try:
        return model.model_validate(data)
    except ValidationError as error:
        mistakes += _mistakes(error, document, base)
        return None


def read_text_file(path: FilePath | Traversable, name: str) -> str:
    """A file's text.

    Raises
    ------
    KnowledgeError
        Missing, too large, or no UTF-8 text.
    """
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise KnowledgeError([Mistake(name, 0, "", error.strerror or str(error), "a readable file")]) from None
    if len(raw) > MAX_BYTES:
        raise KnowledgeError([Mistake(name, 0, "", f"{len(raw):,} bytes", f"at most {MAX_BYTES:,}")])
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise KnowledgeError(
            [Mistake(name, line, "", f"byte 0x{raw[error.start]:02x}, which is no UTF-8", "text in UTF-8")]
        ) from None
