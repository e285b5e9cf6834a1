"""A person who has no mouse: Tab, Enter, Space, arrows and letters, and nothing else."""

from __future__ import annotations

import re
from typing import Any

MOST = 300
"""Presses of Tab; no page has as many stops between two places."""
FOCUS = """() => {
  const at = document.activeElement;
  const label = at.labels && at.labels[0];
  const said = at.getAttribute("aria-label") || (label || at).textContent || "";
  return [said.replace(/\\s+/g, " ").trim(), at.getAttribute("name") || "", at.value || "", at.tagName];
}"""


def advised(page: Any) -> None:
    """Wait until a page no longer says that it is being worked out: it goes on by itself."""
    page.locator("main > [role=status][hx-trigger^=every]").wait_for(state="detached")


class Hands:
    """Keys on a page."""

    def __init__(self, page: Any) -> None:
        self.page = page

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)

    def to(self, words: str = "", *, name: str = "", value: str = "") -> None:
        """Press Tab until the focus says these words (a pattern), or is a field of this name (and value)."""
        seen: list[str] = []
        for _ in range(MOST):
            self.page.keyboard.press("Tab")
            said, field, held, tag = self.page.evaluate(FOCUS)
            if (words and re.search(words, said)) or (name and field == name and value in ("", held)):
                return
            seen.append(said[:40] or tag)
        raise AssertionError(f"Tab never came to {words or name}; it came to {seen[-40:]}")

    def fill(self, text: str, words: str = "", *, name: str = "") -> None:
        """Type into a field in place of what it holds."""
        self.to(words, name=name)
        self.press("Control+a")
        self.page.keyboard.type(text)

    def choose(self, text: str, *, name: str) -> None:
        """In a list, by its first letters."""
        self.to(name=name)
        self.page.keyboard.type(text)

    def go(self, words: str) -> None:
        """To a link or button, and Enter; waits for the page it leads to."""
        self.to(words)
        with self.page.expect_navigation():
            self.press("Enter")
        advised(self.page)

    def open(self, words: str) -> None:
        """To what is folded away, and Enter."""
        self.to(words)
        self.press("Enter")

    def hand_in(self, file: dict[str, Any], *, name: str) -> None:
        """To a field for a file, Enter, and choose it."""
        self.to(name=name)
        with self.page.expect_file_chooser() as chosen:
            self.press("Enter")
        chosen.value.set_files(file)
