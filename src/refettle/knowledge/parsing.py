"""From a file's text to one checked model, each mistake with its file and line."""

from __future__ import annotations

from importlib.resources.abc import Traversable
from pathlib import Path as FilePath
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from refettle.knowledge.errors import KnowledgeError, Mistake
from refettle.knowledge.reading import Document, Path
from refettle.language import tr

M = TypeVar("M", bound=BaseModel)
MAX_BYTES = 4_000_000


def _words(error: Any) -> tuple[str, str]:
    """What was found and what is allowed, from one pydantic error."""
    kind, ctx, value = error["type"], error.get("ctx", {}), error.get("input")
    found = f"'{str(value)[:60]}'" if isinstance(value, str | int | float | bool) else type(value).__name__
    if isinstance(value, dict | list):
        found = tr("a mapping") if isinstance(value, dict) else tr("a list")
    if value is None:
        found = tr("nothing")
    if kind == "missing":
        return tr("nothing"), tr("a value; this field is needed")
    if kind == "extra_forbidden":
        return tr("the unknown field '{field}'", field=error["loc"][-1]), tr("the fields named in the documentation")
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
            allowed = tr("'{field}', which is needed here", field=each["loc"][-1])
        if "[key]" in each["loc"]:
            found, allowed = (
                tr("the name '{name}'", name=each["input"]),
                tr("letters, digits, _ and - , starting with a letter"),
            )
        alternatives = by_place.setdefault((path, found), [])
        if allowed not in alternatives:
            alternatives.append(allowed)
    return [document.mistake(path, found, tr(", or ").join(texts)) for (path, found), texts in by_place.items()]


def parse_model(model: type[M], data: Any, document: Document, base: Path, mistakes: list[Mistake]) -> M | None:
    """The model of a mapping that stands at `base` of a document; None, with `mistakes` grown, where it is none."""
    if not isinstance(data, dict):
        mistakes.append(document.mistake(base, type(data).__name__, tr("a mapping of fields")))
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
        raise KnowledgeError([Mistake(name, 0, "", error.strerror or str(error), tr("a readable file"))]) from None
    if len(raw) > MAX_BYTES:
        raise KnowledgeError(
            [Mistake(name, 0, "", tr("{bytes:,} bytes", bytes=len(raw)), tr("at most {most:,}", most=MAX_BYTES))]
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise KnowledgeError(
            [
                Mistake(
                    name,
                    line,
                    "",
                    tr("byte 0x{byte:02x}, which is no UTF-8", byte=raw[error.start]),
                    tr("text in UTF-8"),
                )
            ]
        ) from None
