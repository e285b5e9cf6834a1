"""Reading the REFETTLE_ variables: strictly, with a clear line for whatever is wrong."""

from __future__ import annotations

import getpass
import ipaddress
import os
import re
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path
from zoneinfo import ZoneInfo

from refettle.book.databases import Database, DatabaseNameError, database_named, shown
from refettle.language import LANGUAGES
from refettle.units import SYSTEMS
from refettle.web.home import Home, default_folder

PREFIX = "REFETTLE_"
KNOWN = (
    "REFETTLE_HOME",
    "REFETTLE_DATABASE",
    "REFETTLE_DATABASE_PASSWORD_FILE",
    "REFETTLE_TZ",
    "REFETTLE_LANGUAGE",
    "REFETTLE_UNITS",
    "REFETTLE_CURRENCY",
    "REFETTLE_RATE",
    "REFETTLE_WHO",
    "REFETTLE_SIGN_IN",
    "REFETTLE_SECOND_FACTOR",
    "REFETTLE_HOSTS",
    "REFETTLE_HTTPS",
    "REFETTLE_HSTS_DAYS",
    "REFETTLE_PROXY",
    "REFETTLE_BACKUP",
    "REFETTLE_KEEP_YEARS",
)
MAX_RATE = Decimal(10_000)
SECOND_FACTOR_FOR = ("no", "owners", "everybody")
HSTS_DAYS = 182
"""Of ASVS 4.0.3, 14.4.5, whose example is 15,724,800 s."""


class EnvironmentVariableError(ValueError):
    """A variable that cannot be used; names it, what was found and what is allowed."""

    def __init__(self, name: str, found: str, allowed: str) -> None:
        super().__init__(f"{name}: found '{found}'; allowed: {allowed}")


@dataclass(frozen=True)
class Options:
    """What the environment says. `rate` is in `currency` per hour of bench time.

    `sign_in`: who uses the book signs in. `hosts`: names by which it is called from other machines. `https`: it is
    reached over TLS alone, through a proxy at the address `proxy`.
    """

    home: Home
    database: Database
    time_zone: str
    currency: str
    rate: Decimal
    who: str
    backup: Path | None = None
    """Where a backup is kept once a day while the book is served."""
    sign_in: bool = False
    second_factor: str = "no"
    """Who must have a second factor beside the password, of SECOND_FACTOR_FOR."""
    hosts: tuple[str, ...] = ()
    https: bool = False
    hsts_days: int = HSTS_DAYS
    """So long a browser that came by TLS asks by TLS alone (RFC 6797); 0 takes that back."""
    proxy: str = ""
    language: str = ""
    """What pages are shown in until somebody chooses; empty: as the browser asks."""
    units: str = ""
    """Customary units beside the metric ones (`us`), or not (`metric`); empty: by the browser's region."""
    keep_years: int = 0
    """So long after a job was closed its owner is not erased; 0: as long as nothing else stands against it."""


def read_options(environ: Mapping[str, str]) -> Options:
    """The options in `environ`.

    Raises
    ------
    EnvironmentVariableError
        For the first variable that is unknown or holds what is not allowed.
    """
    for name in sorted(environ):
        if name.startswith(PREFIX) and name not in KNOWN:
            raise EnvironmentVariableError(
                name, shown(environ[name]), f"no such variable; known are {', '.join(KNOWN)}"
            )
    home = _home(environ)
    sign_in = _yes(environ, "REFETTLE_SIGN_IN")
    return Options(
        home=home,
        database=_database(environ, home),
        time_zone=_time_zone(environ),
        language=_one_of(environ, "REFETTLE_LANGUAGE", LANGUAGES),
        units=_one_of(environ, "REFETTLE_UNITS", SYSTEMS),
        currency=_currency(environ.get("REFETTLE_CURRENCY", "EUR")),
        rate=_rate(environ.get("REFETTLE_RATE", "30")),
        who=_who(environ),
        backup=_backup(environ, home),
        sign_in=sign_in,
        second_factor=_second_factor(environ, sign_in),
        hosts=_hosts(environ, sign_in),
        https=_yes(environ, "REFETTLE_HTTPS"),
        hsts_days=_hsts_days(environ),
        proxy=_proxy(environ, sign_in),
        keep_years=_keep_years(environ.get("REFETTLE_KEEP_YEARS", "0")),
    )


def _home(environ: Mapping[str, str]) -> Home:
    value = environ.get("REFETTLE_HOME")
    if value is None:
        return Home(default_folder(environ))
    folder = Path(value).expanduser()
    if not value.strip() or not folder.is_absolute():
        raise EnvironmentVariableError("REFETTLE_HOME", value, "the full path of a folder")
    if folder.exists() and not folder.is_dir():
        raise EnvironmentVariableError("REFETTLE_HOME", value, "a folder; this is a file")
    return Home(folder)


def _backup(environ: Mapping[str, str], home: Home) -> Path | None:
    """It need not be there: the disk may not be put in."""
    value = environ.get("REFETTLE_BACKUP")
    if value is None:
        return None
    folder = Path(value).expanduser()
    if not value.strip() or not folder.is_absolute() or not value.isprintable():
        raise EnvironmentVariableError("REFETTLE_BACKUP", value, "the full path of a folder")
    if folder.is_file():
        raise EnvironmentVariableError("REFETTLE_BACKUP", value, "a folder; this is a file")
    if folder == home.folder or home.folder in folder.parents:
        raise EnvironmentVariableError("REFETTLE_BACKUP", value, "a folder that is not in the data folder")
    return folder


def _database(environ: Mapping[str, str], home: Home) -> Database:
    try:
        return database_named(environ, home.database)
    except DatabaseNameError as error:
        raise EnvironmentVariableError(error.variable, error.found, error.allowed) from None


def _one_of(environ: Mapping[str, str], name: str, known: Iterable[str]) -> str:
    value = environ.get(name)
    if value is not None and value not in known:
        raise EnvironmentVariableError(name, value, f"one of {', '.join(known)}")
    return value or ""


def _currency(value: str) -> str:
    if not re.fullmatch(r"[A-Z]{3}", value):
        raise EnvironmentVariableError("REFETTLE_CURRENCY", value, "three capital letters, as in EUR")
    return value


def _rate(value: str) -> Decimal:
    try:
        rate = Decimal(value)
    except InvalidOperation:
        rate = Decimal("NaN")
    if not rate.is_finite() or not 0 < rate <= MAX_RATE:
        raise EnvironmentVariableError("REFETTLE_RATE", value, f"money per hour, above 0 and up to {MAX_RATE}")
    return rate


def _keep_years(value: str) -> int:
    if not (value.isascii() and value.isdecimal() and len(value) <= 3 and int(value) <= 100):
        raise EnvironmentVariableError("REFETTLE_KEEP_YEARS", value, "a whole number of years from 0 to 100")
    return int(value)


def _who(environ: Mapping[str, str]) -> str:
    value = environ.get("REFETTLE_WHO")
    if value is None:
        try:
            return getpass.getuser()[:80]
        except (KeyError, OSError, ImportError):
            return "bench"
    if not value.strip() or len(value.strip()) > 80 or not value.isprintable():
        raise EnvironmentVariableError("REFETTLE_WHO", value, "a name of 1 to 80 characters")
    return value.strip()


def _yes(environ: Mapping[str, str], name: str) -> bool:
    value = environ.get(name, "no")
    if value not in ("yes", "no"):
        raise EnvironmentVariableError(name, value, "yes or no")
    return value == "yes"


def _second_factor(environ: Mapping[str, str], sign_in: bool) -> str:
    name = "REFETTLE_SECOND_FACTOR"
    value = _one_of(environ, name, SECOND_FACTOR_FOR)
    if value not in ("", "no") and not sign_in:
        raise EnvironmentVariableError(name, value, "with REFETTLE_SIGN_IN=yes")
    return value or "no"


def _hsts_days(environ: Mapping[str, str]) -> int:
    name = "REFETTLE_HSTS_DAYS"
    value = environ.get(name)
    if value is None:
        return HSTS_DAYS
    if not (value.isascii() and value.isdecimal() and len(value) <= 3 and int(value) <= 730):
        raise EnvironmentVariableError(name, value, "a whole number of days from 0 to 730")
    if not _yes(environ, "REFETTLE_HTTPS"):
        raise EnvironmentVariableError(name, value, "with REFETTLE_HTTPS=yes")
    return int(value)


def _hosts(environ: Mapping[str, str], sign_in: bool) -> tuple[str, ...]:
    value = environ.get("REFETTLE_HOSTS")
    if value is None:
        return ()
    found = []
    for each in value.split(","):
        name = each.strip().lower().strip("[]")
        try:
            address = ipaddress.ip_address(name)
            if address.is_unspecified:
                raise EnvironmentVariableError("REFETTLE_HOSTS", value, "addresses of one machine, as 192.168.1.20")
            name = f"[{address}]" if address.version == 6 else str(address)
        except ValueError as error:
            if isinstance(error, EnvironmentVariableError):
                raise
            label = "[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?"
            if len(name) > 253 or not re.fullmatch(rf"{label}(\.{label})*", name):
                allowed = "names or addresses without port, with commas between, as bench.example,192.168.1.20"
                raise EnvironmentVariableError("REFETTLE_HOSTS", value, allowed) from None
        found.append(name)
    if not sign_in:
        raise EnvironmentVariableError("REFETTLE_HOSTS", value, "with REFETTLE_SIGN_IN=yes")
    return tuple(found)


def _proxy(environ: Mapping[str, str], sign_in: bool) -> str:
    value = environ.get("REFETTLE_PROXY")
    if value is None:
        return ""
    try:
        address = ipaddress.ip_address(value)
    except ValueError:
        raise EnvironmentVariableError("REFETTLE_PROXY", value, "the proxy's address, as 127.0.0.1") from None
    if not sign_in:
        raise EnvironmentVariableError("REFETTLE_PROXY", value, "with REFETTLE_SIGN_IN=yes")
    return str(address)


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ValueError, OSError, KeyError):  # ZoneInfoNotFoundError is a KeyError
        return False
    return bool(name)


def _time_zone(environ: Mapping[str, str]) -> str:
    value = environ.get("REFETTLE_TZ")
    if value is not None:
        if not _is_zone(value):
            raise EnvironmentVariableError("REFETTLE_TZ", value, "a time zone by name, as in Europe/Berlin")
        return value
    return machine_time_zone(environ)


def machine_time_zone(environ: Mapping[str, str]) -> str:
    """The machine's own time zone, as a name.

    Where the machine does not say, a zone of fixed offset in whole hours; where that cannot be, UTC.
    """
    candidates = [environ.get("TZ", "").lstrip(":")]
    try:
        candidates.append(os.path.realpath("/etc/localtime").partition("zoneinfo/")[2])
        candidates.append(Path("/etc/timezone").read_text(encoding="utf-8").strip())
    except (OSError, UnicodeDecodeError):
        pass
    for name in candidates:
        if name and _is_zone(name):
            return name
    offset_s = -time.timezone
    if offset_s % 3600 == 0:
        hours = offset_s // 3600
        # These names carry the sign the other way round: Etc/GMT-1 is one hour ahead of UTC.
        name = f"Etc/GMT{-hours:+d}" if hours else "UTC"
        if _is_zone(name):
            return name
    return "UTC"
