"""All that the book holds of one owner, for that owner: a ZIP archive made while it is sent.

`index.html` is for reading and lists what is where, in the language of whoever asked; `data.json` says the same for
programs, in English; the logs, photos and kept files of the owner's jobs lie beside them.
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
from refettle.language import carried, current, local, mark, tr

PIECE = 1 << 18
"""[byte] Read and sent at once."""
Describe = Callable[[str, Mapping[str, Any], Any], str]
PHOTO_GONE = mark("a photo of job {job}, entry {entry} was removed on request")
PHOTO_MISSING = mark("a photo of job {job}, entry {entry} is missing from the photos folder")
FILE_MISSING = mark("a file of job {job}, entry {entry} is missing from the files folder")
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


class Said:
    """A text that the page shows in its language, and the JSON holds in English."""

    def __init__(self, text: str, **values: Any) -> None:
        self.text, self.values = text, values

    def __str__(self) -> str:
        return self.text.format(**self.values)

    def shown(self, kinds: Mapping[str, str]) -> str:
        """In the language of now."""
        values = {name: _kind(v, kinds) if name == "kind" else v for name, v in self.values.items()}
        return tr(self.text, **values)


@dataclass
class Held:
    """What is put into the archive. `members`: name in the archive -> the file it comes from."""

    owner: Owner
    data: dict[str, Any]
    logs: list[Job] = field(default_factory=list)
    members: dict[str, Path] = field(default_factory=dict)
    contents: list[tuple[str, Said]] = field(default_factory=list)
    missing: list[Said] = field(default_factory=list)

    def facts(self) -> dict[str, Any]:
        """What is where, and what is not, as plain values in English."""
        return {
            "contents": {name: str(says) for name, says in self.contents},
            "missing": [str(each) for each in self.missing],
        }


def held(owner: Owner) -> Held:
    """What the book holds of an owner, without any log or file read whole."""
    units = units_of(owner)
    words = words_of_owner(owner)
    kits = kits_sold_to(words) if owner.kind == Owner.Kind.CUSTOMER else ()
    made = Held(owner, {})
    made.contents = [
        ("index.html", Said(mark("this page"))),
        ("data.json", Said(mark("the same for programs: owner, units, jobs with every entry of their logs, kits"))),
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
            says = Said(mark("the log of job {job}, one entry a line"), job=job.number)
            made.contents.append((f"jobs/job-{job.number}-log.jsonl", says))
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
        if sha in gone:
            made.missing.append(Said(PHOTO_GONE, job=job.number, entry=n))
        elif sha not in formats or not (path := photos.original_path(folder, sha, formats[sha])).exists():
            made.missing.append(Said(PHOTO_MISSING, job=job.number, entry=n))
        else:
            says = Said(mark("photo of job {job}, entry {entry}"), job=job.number, entry=n)
            _add(made, f"photos/{sha[:16]}{path.suffix}", path, says)
    for n, data in rows:
        for key in ("file", "netlist"):
            kept = data.get(key)
            if isinstance(kept, str) and len(kept) == 64:
                path = files.path_of(Path(settings.REFETTLE_FILES), kept)
                ending = re.search(r"\.[A-Za-z0-9]{1,8}$", str(data.get("name", "")))
                if path.exists():
                    name = f"files/{kept[:16]}{ending[0] if ending else ''}"
                    text = mark("file of job {job}, entry {entry} ({kind})")
                    _add(made, name, path, Said(text, job=job.number, entry=n, kind=data["kind"]))
                else:
                    made.missing.append(Said(FILE_MISSING, job=job.number, entry=n))


def _add(made: Held, name: str, path: Path, says: Said) -> None:
    if name not in made.members:
        made.members[name] = path
        made.contents.append((name, says))


# ---------------------------------------------------------------- packing


def archive_name(owner: Owner) -> str:
    """What the archive is called: without the name, which a folder of downloads would keep."""
    return f"owner-{owner.pk}.zip"


def archive(made: Held, describe: Describe, kinds: Mapping[str, str]) -> Iterator[bytes]:
    """The archive in pieces of about `PIECE` bytes; one log or one piece of a file is in memory at a time.

    `describe` puts an entry in words, `kinds` names the kinds of entry. Its page is in the language of this call.
    """
    return carried(_packed(made, describe, kinds))


def _packed(made: Held, describe: Describe, kinds: Mapping[str, str]) -> Iterator[bytes]:
    out, folder = Pieces(), f"owner-{made.owner.pk}"
    written = timezone.localtime()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as packed:

        def put(name: str, text: str) -> bytes:
            packed.writestr(_info(f"{folder}/{name}", written), text.encode("utf-8"), zipfile.ZIP_DEFLATED)
            return out.fetched()

        for name, parts in (("index.html", _page(made, describe, kinds)), ("data.json", _json(made))):
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
    head = json.dumps(made.data | made.facts(), indent=1, default=str)
    yield head.rstrip()[:-1].rstrip() + ',\n "logs": {'
    for place, job in enumerate(made.logs):
        yield ("," if place else "") + f'\n  "{job.number}": ' + json.dumps(store.entries(job), ensure_ascii=True)
    yield "\n }\n}\n"


def _page(made: Held, describe: Describe, kinds: Mapping[str, str]) -> Iterator[str]:
    owner = made.owner
    yield (
        f'<!DOCTYPE html>\n<html lang="{current()}"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{tr('What is held of an owner')}</title><style>{STYLE}</style></head><body>\n"
    )
    yield format_html(
        "<h1>{}</h1><p>{}</p><h2>{}</h2><p>{}</p><pre>{}</pre>\n",
        tr("What this bench book holds of {name}", name=owner.name),
        tr("Written on {time}.", time=f"{timezone.localtime():%Y-%m-%d %H:%M}"),
        tr("Name and contact"), owner.name, owner.contact,
    )  # fmt: skip
    for before in made.data["owner"]["earlier"]:
        until = tr(
            "Until {day}: {name}, {contact}", day=before["until"][:10], name=before["name"], contact=before["contact"]
        )
        yield format_html("<p>{}</p>\n", until)
    kits = made.data["kits"]
    if kits:
        heads = (tr("Kit"), tr("Of"), tr("Sold to"), tr("On"), tr("Price"), tr("Note"))
        yield _heading(tr("Kits sold under this name")) + _table(
            heads,
            ((k["code"], k["kit"], k["sold_to"], (k["sold_at"] or "")[:10],
              f"{local(k['price'] or '')} {k['currency']}".strip(), k["note"]) for k in kits),
        )  # fmt: skip
    for job in made.logs:
        unit = job.unit
        serial = tr("serial {serial}", serial=unit.serial) if unit.serial else ""
        name = ", ".join(each for each in (unit.type_version.name, unit.label, serial) if each)
        yield _heading(tr("Job {number}: {name}", number=job.number, name=name))
        opened = f"{timezone.localtime(job.opened):%Y-%m-%d}"
        if job.closed:
            closed = f"{timezone.localtime(job.closed):%Y-%m-%d}"
            dates = tr("Opened {opened}, closed {closed}.", opened=opened, closed=closed)
        else:
            dates = tr("Opened {opened}, open.", opened=opened)
        yield format_html("<p>{}</p>\n", dates)
        yield from _log(job, describe, kinds)
    files_ = ((format_html('<a href="{}">{}</a>', name, name), says.shown(kinds)) for name, says in made.contents)
    yield _heading(tr("What is where")) + _table((tr("File"), tr("What it is")), files_)
    if made.missing:
        lines = format_html_join("", "<li>{}</li>", ((each.shown(kinds),) for each in made.missing))
        yield _heading(tr("Not here")) + format_html("<ul>{}</ul>", lines)
    yield "</body></html>\n"


def _heading(text: str) -> SafeString:
    return format_html("<h2>{}</h2>", text)


def _log(job: Job, describe: Describe, kinds: Mapping[str, str]) -> Iterator[str]:
    state = _state(job)
    compiled = None if isinstance(state, str) else state.compiled
    heads = (tr("No."), tr("When"), tr("Who"), tr("What"), tr("In words"))
    yield format_html(
        "<table><thead><tr>{}</tr></thead><tbody>\n", format_html_join("", "<th>{}</th>", ((h,) for h in heads))
    )
    for entry in store.entries(job):
        data = {k: v for k, v in entry.items() if k not in ("n", "at", "who", "kind")}
        said = describe(entry["kind"], data, compiled)
        note = str(data.get("note", ""))
        said = f"{said} {note}".strip()
        if not said:  # as it is kept
            said = format_html('<code lang="en">{}</code>', json.dumps(data, ensure_ascii=False))
        yield format_html(
            "<tr><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>\n",
            entry["n"], entry["at"][:16].replace("T", " "), entry["who"], _kind(entry["kind"], kinds), said,
        )  # fmt: skip
    yield "</tbody></table>\n"


def _kind(kind: str, kinds: Mapping[str, str]) -> str:
    return tr(kinds[kind]) if kind in kinds else kind


def _table(heads: Iterable[str], rows: Iterable[Iterable[str]]) -> SafeString:
    body = format_html_join(
        "", "<tr>{}</tr>", ((format_html_join("", "<td>{}</td>", ((c,) for c in row)),) for row in rows)
    )
    return format_html(
        "<table><thead><tr>{}</tr></thead><tbody>{}</tbody></table>\n",
        format_html_join("", "<th>{}</th>", ((h,) for h in heads)), body,
    )  # fmt: skip
