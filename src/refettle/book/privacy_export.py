"""All that the book holds of one owner, for that owner: a ZIP archive made while it is sent.

`index.html` is for reading and lists what is where; `data.json` says the same for programs; the logs, photos and kept
files of the owner's jobs lie beside them.
"""

from __future__ import annotations

import json
import re
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any

from django.conf import settings
from django.utils import timezone
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from refettle.book import files, photos, store
from refettle.book.brief import briefs
from refettle.book.log import LogError, write_jsonl
from refettle.book.models import Job, Owner, Photo, Unit
from refettle.book.money import Money
from refettle.book.privacy import units_of, words_of_owner
from refettle.book.privacy_find import erased_photos, kits_sold_to, photos_named
from refettle.book.state import JobState
from refettle.book.story import Pieces
from refettle.faults import ModelError
from refettle.knowledge.errors import KnowledgeError

PIECE = 1 << 18
"""[byte] Read and sent at once."""
Describe = Callable[[str, Mapping[str, Any], Any], str]
STYLE = (
    "body{font:16px/1.5 system-ui,sans-serif;max-width:60rem;margin:2rem auto;padding:0 1rem}"
    "table{border-collapse:collapse}th,td{text-align:left;vertical-align:top;padding:.2rem .8rem .2rem 0}"
    "td:last-child{overflow-wrap:anywhere}td:not(:last-child){white-space:nowrap}"
)


@dataclass(frozen=True)
class Agreed:
    """Money that was agreed: the ceiling of an accepted quote."""

    n: int
    day: date
    ceiling: str
    currency: str
    words: str


@dataclass(frozen=True)
class OwnersJob:
    """One job of an owner, in brief. `trouble`: its log cannot be replayed, and why."""

    job: Job
    stage: str = ""
    agreed: tuple[Agreed, ...] = ()
    warranty: date | None = None
    trouble: str = ""


def jobs_of(unit: Unit) -> list[OwnersJob]:
    """A unit's jobs, in order, with what was agreed."""
    found: list[OwnersJob] = []
    for job in sorted(unit.jobs.all(), key=lambda each: each.number):
        job.unit = unit
        state = _state(job)
        if isinstance(state, str):
            found.append(OwnersJob(job, trouble=state))
            continue
        found.append(_in_brief(job, state.stage, state.money))
    return found


def _in_brief(job: Job, stage: str, money: Money) -> OwnersJob:
    agreed = tuple(
        Agreed(q.answered or q.n, timezone.localdate(q.at), f"{q.agreed:.2f}", q.currency, q.words)
        for q in money.quotes
        if q.agreed is not None
    )
    return OwnersJob(job, stage, agreed, money.warranty.ends if money.warranty else None)


def jobs_in_brief(units: Sequence[Unit]) -> dict[int, list[OwnersJob]]:
    """The jobs of each unit by its key, for a list: with a few queries, and without any suspicion."""
    jobs = [(unit, job) for unit in units for job in sorted(unit.jobs.all(), key=lambda each: each.number)]
    standing = briefs([job for _, job in jobs])
    found: dict[int, list[OwnersJob]] = {unit.pk: [] for unit in units}
    for unit, job in jobs:
        job.unit, at = unit, standing[job.number]
        read = at.money is not None and not at.unread
        found[unit.pk].append(
            _in_brief(job, at.stage, at.money) if read and at.money else OwnersJob(job, trouble="unread")
        )
    return found


def _state(job: Job) -> JobState | str:
    try:
        return store.job_state(job)
    except (LogError, KnowledgeError, ModelError) as error:
        return str(error)


# ---------------------------------------------------------------- what is held


@dataclass
class Held:
    """What is put into the archive. `members`: name in the archive -> the file it comes from."""

    owner: Owner
    data: dict[str, Any]
    logs: list[Job] = field(default_factory=list)
    members: dict[str, Path] = field(default_factory=dict)
    contents: list[tuple[str, str]] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)


def held(owner: Owner) -> Held:
    """What the book holds of an owner, without any log or file read whole."""
    units = units_of(owner)
    words = words_of_owner(owner)
    kits = kits_sold_to(words) if owner.kind == Owner.Kind.CUSTOMER else ()
    made = Held(owner, {})
    made.contents = [
        ("index.html", "this page"),
        ("data.json", "the same for programs: owner, units, jobs with every entry of their logs, kits"),
    ]
    made.data = {
        "written": timezone.localtime().isoformat(timespec="seconds"),
        "owner": {
            "number": owner.pk,
            "name": owner.name,
            "contact": owner.contact,
            "since": timezone.localtime(owner.created).isoformat(timespec="seconds"),
            "earlier": [
                {"name": b.name, "contact": b.contact, "until": timezone.localtime(b.until).isoformat()}
                for b in owner.before.all()
            ],
        },
        "units": [_unit(unit) for unit in units],
        "kits": [
            {"code": k.code, "kit": str(k.batch.version), "sold_to": k.sold_to, "note": k.note,
             "sold_at": timezone.localtime(k.sold_at).isoformat() if k.sold_at else None,
             "price": str(k.price) if k.price is not None else None, "currency": k.currency}
            for k in kits
        ],
    }  # fmt: skip
    for unit in units:
        for job in sorted(unit.jobs.all(), key=lambda each: each.number):
            job.unit = unit
            made.logs.append(job)
            made.contents.append((f"jobs/job-{job.number}-log.jsonl", f"the log of job {job.number}, one entry a line"))
            _files_of(made, job)
    return made


def _unit(unit: Unit) -> dict[str, Any]:
    return {
        "unit_type": unit.type_version.name,
        "serial": unit.serial,
        "label": unit.label,
        "jobs": [
            {
                "job": each.job.number,
                "opened": timezone.localtime(each.job.opened).isoformat(),
                "closed": timezone.localtime(each.job.closed).isoformat() if each.job.closed else None,
                "stage": each.stage,
                "agreed": [
                    {"entry": a.n, "ceiling": a.ceiling, "currency": a.currency, "words": a.words} for a in each.agreed
                ],
                "warranty_until": each.warranty,
            }
            for each in jobs_of(unit)
        ],
    }


def _files_of(made: Held, job: Job) -> None:
    """Photos and kept files that a job's log names."""
    folder, gone = Path(settings.REFETTLE_PHOTOS), erased_photos()
    rows = [(e["n"], e) for e in store.entries(job)]
    named = [(n, sha) for n, data in rows for sha in photos_named(data)]
    formats = dict(Photo.objects.filter(sha256__in={sha for _, sha in named}).values_list("sha256", "format"))
    for n, sha in named:
        where = f"job {job.number}, entry {n}"
        if sha in gone:
            made.missing.append(f"a photo of {where} was removed on request")
        elif sha not in formats or not (path := photos.original_path(folder, sha, formats[sha])).exists():
            made.missing.append(f"a photo of {where} is missing from the photos folder")
        else:
            _add(made, f"photos/{sha[:16]}{path.suffix}", path, f"photo of {where}")
    for n, data in rows:
        for key in ("file", "netlist"):
            kept = data.get(key)
            if isinstance(kept, str) and len(kept) == 64:
                path = files.path_of(Path(settings.REFETTLE_FILES), kept)
                ending = re.search(r"\.[A-Za-z0-9]{1,8}$", str(data.get("name", "")))
                if path.exists():
                    name = f"files/{kept[:16]}{ending[0] if ending else ''}"
                    _add(made, name, path, f"file of job {job.number}, entry {n} ({data['kind']})")
                else:
                    made.missing.append(f"a file of job {job.number}, entry {n} is missing from the files folder")


def _add(made: Held, name: str, path: Path, says: str) -> None:
    if name not in made.members:
        made.members[name] = path
        made.contents.append((name, says))


# ---------------------------------------------------------------- packing


def archive_name(owner: Owner) -> str:
    """What the archive is called: without the name, which a folder of downloads would keep."""
    return f"owner-{owner.pk}.zip"


def archive(made: Held, describe: Describe) -> Iterator[bytes]:
    """The archive in pieces of about `PIECE` bytes; one log or one piece of a file is in memory at a time.

    `describe` puts an entry in words.
    """
    out, folder = Pieces(), f"owner-{made.owner.pk}"
    written = timezone.localtime()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as packed:

        def put(name: str, text: str) -> bytes:
            packed.writestr(_info(f"{folder}/{name}", written), text.encode("utf-8"), zipfile.ZIP_DEFLATED)
            return out.fetched()

        for name, parts in (("index.html", _page(made, describe)), ("data.json", _json(made))):
            with packed.open(_info(f"{folder}/{name}", written), "w", force_zip64=True) as file:
                for part in parts:
                    file.write(part.encode("utf-8"))
                    yield out.fetched()
        for job in made.logs:
            yield put(f"jobs/job-{job.number}-log.jsonl", write_jsonl(store.entries(job)))
        for name, path in made.members.items():
            try:
                source = path.open("rb")
            except FileNotFoundError:
                continue
            with source, packed.open(_info(f"{folder}/{name}", written), "w", force_zip64=True) as file:
                while piece := source.read(PIECE):
                    file.write(piece)
                    yield out.fetched()
    yield out.fetched()


def _info(name: str, at: datetime) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, at.timetuple()[:6])
    info.external_attr = 0o644 << 16
    return info


def _json(made: Held) -> Iterator[str]:
    head = json.dumps(made.data | {"contents": dict(made.contents), "missing": made.missing}, indent=1, default=str)
    yield head.rstrip()[:-1].rstrip() + ',\n "logs": {'
    for place, job in enumerate(made.logs):
        yield ("," if place else "") + f'\n  "{job.number}": ' + json.dumps(store.entries(job), ensure_ascii=True)
    yield "\n }\n}\n"


def _page(made: Held, describe: Describe) -> Iterator[str]:
    owner = made.owner
    yield (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>What is held of an owner</title><style>{STYLE}</style></head><body>\n"
    )
    yield format_html(
        "<h1>What this bench book holds of {}</h1><p>Written on {}.</p>"
        "<h2>Name and contact</h2><p>{}</p><pre>{}</pre>\n",
        owner.name, f"{timezone.localtime():%Y-%m-%d %H:%M}", owner.name, owner.contact,
    )  # fmt: skip
    for before in made.data["owner"]["earlier"]:
        yield format_html("<p>Until {}: {}, {}</p>\n", before["until"][:10], before["name"], before["contact"])
    kits = made.data["kits"]
    if kits:
        yield "<h2>Kits sold under this name</h2>" + _table(
            ("Kit", "Of", "Sold to", "On", "Price", "Note"),
            ((k["code"], k["kit"], k["sold_to"], (k["sold_at"] or "")[:10],
              f"{k['price'] or ''} {k['currency']}".strip(), k["note"]) for k in kits),
        )  # fmt: skip
    for job in made.logs:
        unit = job.unit
        serial = f", serial {unit.serial}" if unit.serial else ""
        closed = f", closed {timezone.localtime(job.closed):%Y-%m-%d}" if job.closed else ", open"
        name = f"{unit.type_version.name}{', ' + unit.label if unit.label else ''}{serial}"
        yield format_html("<h2>Job {}: {}</h2>", job.number, name)
        yield format_html("<p>Opened {}{}.</p>\n", f"{timezone.localtime(job.opened):%Y-%m-%d}", closed)
        yield from _log(job, describe)
    files_ = ((format_html('<a href="{}">{}</a>', name, name), says) for name, says in made.contents)
    yield "<h2>What is where</h2>" + _table(("File", "What it is"), files_)
    if made.missing:
        yield "<h2>Not here</h2><ul>" + format_html_join("", "<li>{}</li>", ((m,) for m in made.missing)) + "</ul>"
    yield "</body></html>\n"


def _log(job: Job, describe: Describe) -> Iterator[str]:
    state = _state(job)
    compiled = None if isinstance(state, str) else state.compiled
    yield "<table><thead><tr><th>No.</th><th>When</th><th>Who</th><th>What</th><th>In words</th></tr></thead><tbody>\n"
    for entry in store.entries(job):
        data = {k: v for k, v in entry.items() if k not in ("n", "at", "who", "kind")}
        said = describe(entry["kind"], data, compiled)
        note = str(data.get("note", ""))
        said = f"{said} {note}".strip() or json.dumps(data, ensure_ascii=False)
        yield format_html(
            "<tr><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>\n",
            entry["n"], entry["at"][:16].replace("T", " "), entry["who"], entry["kind"], said,
        )  # fmt: skip
    yield "</tbody></table>\n"


def _table(heads: Iterable[str], rows: Iterable[Iterable[str]]) -> SafeString:
    body = format_html_join(
        "", "<tr>{}</tr>", ((format_html_join("", "<td>{}</td>", ((c,) for c in row)),) for row in rows)
    )
    return format_html(
        "<table><thead><tr>{}</tr></thead><tbody>{}</tbody></table>\n",
        format_html_join("", "<th>{}</th>", ((h,) for h in heads)), body,
    )  # fmt: skip
