"""A second factor beside the password: a code that an app shows and changes every half minute, or one on paper.

Codes follow RFC 6238 (time-based one-time passwords) over RFC 4226, with what every app takes for granted: SHA-1, six
figures, 30 s. pyotp works them out.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import time
from datetime import UTC, datetime

import pyotp
from django.db import IntegrityError, transaction
from django.utils import timezone

from refettle.book.models_people import PaperCode, Person, SecondFactor
from refettle.book.people import PeopleError, count_try, forget_try, sign_out_everywhere
from refettle.language import mark, tr

STEP_S = 30
AROUND = 1
"""Steps before and after the book's own whose codes are taken: for clocks that differ, and for time to type (RFC 6238,
5.2, allows one at most for the latter)."""
PAPER_CODES = 8
PAPER_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
"""Without those that are taken for one another."""
PAPER_LENGTH = 24
"""119 bits: above 112, a lookup secret needs no slow hash (NIST SP 800-63B (2017), 5.1.2.2, cited from memory)."""
NOT_RIGHT = mark(
    "code: it is another one, or was used; allowed: the six figures that the app shows now, or a code on paper that "
    "was not used. By the book's clock it is {now}: compare that with the phone's"
)


def new_secret() -> str:
    """A secret to be shared with an app: 160 bits (RFC 4226, 4, R6), in base 32."""
    return pyotp.random_base32(32)


def address_for_app(person: Person, secret: str) -> str:
    """What an app reads from a QR code: a URI of the scheme otpauth."""
    return pyotp.TOTP(secret).provisioning_uri(name=person.name, issuer_name="Refettle")


def factor_of(person: Person) -> SecondFactor | None:
    """The person's second factor, if there is one."""
    return SecondFactor.objects.filter(person=person).first()


def must_have(person: Person, rule: str) -> bool:
    """Whether the person needs one by this rule (`no`, `owners`, `everybody`) and has none."""
    asked = rule == "everybody" or (rule == "owners" and person.owns)
    return asked and factor_of(person) is None


def switch_on(person: Person, secret: str, typed: str) -> list[str]:
    """From now on the person needs a code as well; codes for paper. Ends every session and phone link of the person.

    Raises
    ------
    PeopleError
        Field `code`: the code is not the one that an app with this secret shows now. Or there is a factor already.
    """
    step = _step_of(secret, typed)
    if step is None:
        raise PeopleError(not_right(), "code")
    try:
        with transaction.atomic():
            factor = SecondFactor.objects.create(person=person, secret=secret, step=step)
            sign_out_everywhere(person)
            return _write_codes(factor)
    except IntegrityError:
        raise PeopleError(
            tr("second factor: there is one already; allowed: another once it is switched off"), "code"
        ) from None


def switch_off(person: Person) -> bool:
    """From now on the password is enough. Ends every session and phone link; False where there was no factor."""
    with transaction.atomic():
        gone, _ = SecondFactor.objects.filter(person=person).delete()
        if gone:
            sign_out_everywhere(person)
    return bool(gone)


def new_codes(factor: SecondFactor) -> list[str]:
    """Other codes for paper; the earlier ones are void. Only their hashes are kept."""
    with transaction.atomic():
        return _write_codes(factor)


def check(person: Person, typed: str, address: str) -> bool:
    """Whether this is the code that the person's app shows, or one on paper. It is used up then: of two who come at
    once with the same, one is let in.

    A try is counted before it is looked at.

    Raises
    ------
    TooManyTriesError
        Too many wrong ones of late, for this person or from this address.
    """
    counted = count_try("code", str(person.pk), address)
    factor = factor_of(person)
    if factor is None or not (_use_code(factor, typed) or _use_paper(factor, typed)):
        return False
    forget_try(counted)
    return True


def not_right() -> str:
    """What to say of a wrong code, with the book's clock."""
    now = timezone.localtime(datetime.fromtimestamp(time.time(), UTC))
    return tr(NOT_RIGHT, now=f"{now:%H:%M:%S %Z}")


def _step_of(secret: str, typed: str) -> int | None:
    """The stretch of time whose code was typed, counted from 1970 (RFC 6238, 4.2), if it is near."""
    code = "".join(typed.split())[:12]
    if not (code.isascii() and code.isdecimal()):
        return None
    now = int(time.time()) // STEP_S
    app = pyotp.TOTP(secret)
    near = [step for step in range(now - AROUND, now + AROUND + 1) if hmac.compare_digest(app.at(step * STEP_S), code)]
    return near[-1] if near else None


def _use_code(factor: SecondFactor, typed: str) -> bool:
    step = _step_of(factor.secret, typed)
    # One statement: of two who come with the same code, one is let in.
    return step is not None and bool(SecondFactor.objects.filter(pk=factor.pk, step__lt=step).update(step=step))


def _use_paper(factor: SecondFactor, typed: str) -> bool:
    used, _ = PaperCode.objects.filter(factor=factor, sha256=_hash(typed)).delete()
    return bool(used)


def _write_codes(factor: SecondFactor) -> list[str]:
    PaperCode.objects.filter(factor=factor).delete()
    made = ["".join(secrets.choice(PAPER_LETTERS) for _ in range(PAPER_LENGTH)) for _ in range(PAPER_CODES)]
    PaperCode.objects.bulk_create(PaperCode(factor=factor, sha256=_hash(code)) for code in made)
    return ["-".join(code[at : at + 4] for at in range(0, PAPER_LENGTH, 4)) for code in made]


def _hash(typed: str) -> str:
    plain = "".join(typed.split()).replace("-", "").lower()[: 2 * PAPER_LENGTH]
    return hashlib.sha256(plain.encode()).hexdigest()
