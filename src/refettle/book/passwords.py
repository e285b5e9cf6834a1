"""What a new password must be: long, and not one that is guessed. No rule says which characters it is made of.

After NIST SP 800-63B (2017), 5.1.1.2, and OWASP ASVS 4.0.3, 2.1.1 to 2.1.9; the figures are the latter's.
"""

from __future__ import annotations

import re
import string
from itertools import pairwise
from typing import Any

from django.contrib.auth.password_validation import CommonPasswordValidator
from django.core.exceptions import ValidationError

from refettle.language import tr

SHORTEST, LONGEST = 12, 128
"""Characters of a new password; several spaces in a row count as one."""
FEWEST_DIFFERENT = 5
"""Different characters, a choice: 'aaaaaaaaaaaa' is long and guessed at once."""
AROUND = string.digits + string.punctuation + string.whitespace
"""What people put before and behind a word to make it pass."""


def length(password: str) -> int:
    """Characters, where several spaces in a row count as one."""
    return len(re.sub(r"\s+", " ", password))


def is_common(password: str) -> bool:
    """True for a password that many use (Django's list of about 20,000), also doubled or with figures around it, and
    for one that runs up or down or repeats itself."""
    plain = password.strip().casefold()
    unit = _unit(plain)
    return (
        len(set(plain)) < FEWEST_DIFFERENT
        or _runs(plain)
        or any(_listed(each) for each in (plain, unit, plain.strip(AROUND)))
        or (unit != plain and len(unit) < SHORTEST / 2)
    )


def _listed(word: str) -> bool:
    try:
        _LIST.validate(word)
    except ValidationError:
        return True
    return False


def _unit(word: str) -> str:
    """The shortest word that `word` is a repetition of."""
    at = (word + word).find(word, 1)
    return word[:at] if 0 < at < len(word) else word


def _runs(word: str) -> bool:
    """True if each character is the next one, or the one before, in the alphabet or among the digits."""
    steps = {(ord(b) - ord(a)) % 10 if a.isdigit() and b.isdigit() else ord(b) - ord(a)
             for a, b in pairwise(word)}  # fmt: skip
    return steps <= {1} or steps <= {9, -1}


class Length:
    """Django's way of asking: not too short, not too long."""

    def validate(self, password: str, user: Any = None) -> None:
        """Raises ValidationError."""
        if length(password) < SHORTEST:
            raise ValidationError(
                tr("{found} characters found; allowed: {least} or more.", found=length(password), least=SHORTEST)
            )
        if len(password) > LONGEST:
            raise ValidationError(
                tr("{found} characters found; allowed: {most} or fewer.", found=len(password), most=LONGEST)
            )

    def get_help_text(self) -> str:
        """For forms."""
        return tr("{least} to {most} characters of any kind, spaces too.", least=SHORTEST, most=LONGEST)


class NotCommon:
    """Django's way of asking: not one that many use."""

    def validate(self, password: str, user: Any = None) -> None:
        """Raises ValidationError."""
        if is_common(password):
            raise ValidationError(tr("It is one that many use, or repeats itself; allowed: one that nobody guesses."))

    def get_help_text(self) -> str:
        """For forms."""
        return tr("Not one that many use.")


_LIST = CommonPasswordValidator()
