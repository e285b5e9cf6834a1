"""What can be wrong with a knowledge file, and where."""

from __future__ import annotations

from dataclasses import dataclass

from refettle.language import tr


@dataclass(frozen=True)
class Mistake:
    """One mistake in a file: where it is, what was found, what is allowed.

    `line` counts from 1; 0 means the file as a whole.
    """

    file: str
    line: int
    field: str
    found: str
    allowed: str

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else self.file
        field = f" {self.field}:" if self.field else ""
        if not self.allowed:
            return f"{where}:{field} {self.found}"
        return tr(
            "{where}:{field} found {found}; allowed: {allowed}",
            where=where,
            field=field,
            found=self.found,
            allowed=self.allowed,
        )


class KnowledgeError(ValueError):
    """A knowledge file cannot be used; carries every mistake found, not just the first."""

    def __init__(self, mistakes: list[Mistake]) -> None:
        self.mistakes = sorted(mistakes, key=lambda m: (m.file, m.line, m.field))
        super().__init__("\n".join(str(m) for m in self.mistakes))
