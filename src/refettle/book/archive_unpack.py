"""Taking a packed job in: everything is checked first, then it gets the next number and keeps its entries' own.

Its entries move nothing in the stores: what they name is the other bench's. An entry `came-over` after them says where
they came from, and marks how far that goes.
"""

from __future__ import annotations

import hashlib
import shutil
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from django.conf import settings
from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from refettle.book import exchange, files, photos, store
from refettle.book.archive import ArchiveError, at_of
from refettle.book.archive_reading import Checked, check, open_archive, opened
from refettle.book.models import Entry, Job, Owner, Photo, TypeVersion, Unit
from refettle.book.whole import write_whole
from refettle.language import tr

LEFT_OUT = "Owner not told"
SPARE = 50_000_000
"""[byte] Left free on the disk: a choice."""


@dataclass(frozen=True)
class Unpacked:
    """A job that was taken in. `missing`: hashes that its log names and the other bench had not."""

    job: int
    was: int
    bench: str
    entries: int
    photos: int
    files: int
    missing: tuple[str, ...]


def unpack(file: Path | IO[bytes], *, who: str, again: bool = False, name: str = "") -> Unpacked:
    """Take a packed job in.

    Parameters
    ----------
    file : path or open file
    who : str
        Who does it; written beside the entry that says where the job came from.
    again : bool
        Also where this job, or an earlier state of it, is in the book already.
    name : str
        What an open file is called in messages.

    Raises
    ------
    ArchiveError
        Nothing was written.
    OSError
        The disk refused; no job was made.
    """
    with open_archive(file, name) as archive:
        checked = check(archive)
        if not again:
            find_twice(checked)
        need_room(checked)
        _keep(archive, checked)
        with transaction.atomic():
            if not again:
                find_twice(checked)
            job = _write(checked, who)
    names = [name for name in checked.head.members if "/" in name]
    pictures = len(checked.sizes)
    return Unpacked(
        job.number, checked.head.job, checked.head.bench, len(checked.entries), pictures, len(names) - pictures,
        tuple(checked.head.missing),
    )  # fmt: skip


def find_twice(checked: Checked) -> None:
    """Raises ArchiveError where this job is here already, or an earlier or later state of it."""
    head = checked.head
    ours = exchange.identity().bench
    origins = [(head.bench, head.job, head.log)]
    origins += [(e["bench"], e["job"], e["log"]) for e in checked.entries if e["kind"] == "came-over"]
    for bench, number, _ in origins:
        if bench == ours and Job.objects.filter(number=number).exists():
            raise ArchiveError(
                tr(
                    "This is job {number} of this very bench, packed {day:%Y-%m-%d}; nothing was written. "
                    "With --again it becomes a job of its own",
                    number=number,
                    day=head.made,
                ),
                1,
            )
    known = {(bench, number): log for bench, number, log in origins}
    for entry in Entry.objects.filter(kind="came-over").select_related("job").order_by("pk"):
        key = (entry.data["bench"], entry.data["job"])
        if key in known:
            same = known[key] == entry.data["log"]
            what = (
                tr("was unpacked before")
                if same
                else tr("was unpacked before with {entries} entries", entries=entry.data["entries"])
            )
            raise ArchiveError(
                tr(
                    "This job {what}, as job {number} on {day:%Y-%m-%d}; nothing was written. With --again "
                    "it becomes a job of its own",
                    what=what,
                    number=entry.job.number,
                    day=timezone.localtime(entry.at),
                ),
                1,
            )


def need_room(checked: Checked) -> None:
    """Raises ArchiveError where the disk has not the room for it."""
    need = sum(member.bytes for member in checked.head.members.values()) + SPARE
    free = shutil.disk_usage(settings.REFETTLE_HOME).free
    if free < need:
        raise ArchiveError(
            tr("the disk is full: {free:.0f} MB free, {need:.0f} MB needed", free=free / 1e6, need=need / 1e6), 1
        )


def _keep(archive: zipfile.ZipFile, checked: Checked) -> None:
    """Put photos and files in their places, before any row names them."""
    for name in checked.head.members:
        folder, _, rest = name.partition("/")
        sha256 = rest.partition(".")[0]
        if folder == "photos":
            with opened(archive, name) as file:
                data = file.read()
            if hashlib.sha256(data).hexdigest() != sha256:
                raise ArchiveError(tr("{name}: changed while it was read", name=name))
            write_whole(photos.original_path(settings.REFETTLE_PHOTOS, sha256, checked.sizes[sha256][0]), data)
        elif folder == "files":
            most = int(settings.REFETTLE_MAX_RECORDING_BYTES)
            with opened(archive, name) as file:
                if files.keep_stream(file, settings.REFETTLE_FILES, most) != sha256:
                    raise ArchiveError(tr("{name}: changed while it was read", name=name))


def _write(checked: Checked, who: str) -> Job:
    head = checked.head
    version = TypeVersion.objects.filter(sha256=head.type.sha256).first() or TypeVersion.objects.create(
        name=checked.loaded.name, slug=head.type.slug, sha256=head.type.sha256, text=checked.text,
        library=checked.library, file=head.type.file,
    )  # fmt: skip
    wanted = {
        "name": (head.owner.name.strip() if head.owner else "")
        or (LEFT_OUT if head.owner_kind == "customer" else store.OWN_STOCK),
        "contact": head.owner.contact if head.owner else "",
        "kind": head.owner_kind,
    }
    owner = Owner.objects.filter(**wanted).first() or Owner.objects.create(**wanted)
    unit = Unit.objects.create(type_version=version, serial=head.serial, label=head.label, owner=owner)
    highest = Job.objects.aggregate(highest=Max("number"))["highest"] or 0
    job = Job.objects.create(number=highest + 1, unit=unit, opened=head.opened)
    for told in head.photos:
        file_format, width, height = checked.sizes[told.sha256]
        size = head.members[f"photos/{told.sha256}.{photos.ENDINGS[file_format]}"].bytes
        Photo.objects.get_or_create(
            sha256=told.sha256,
            defaults={
                "format": file_format, "width": width, "height": height, "bytes": size, "taken_at": told.taken_at,
            },
        )  # fmt: skip
    rows = [
        Entry(
            job=job, n=entry["n"], at=at_of(entry), who=entry["who"], kind=entry["kind"],
            data={k: v for k, v in entry.items() if k not in ("n", "at", "who", "kind")},
        )
        for entry in checked.entries
    ]  # fmt: skip
    came = {"bench": head.bench, "job": head.job, "entries": head.entries, "log": head.log}
    if head.owner is None:
        came["owner"] = "left out"
    # To the microsecond: whether the job was closed before it came over is told by it.
    rows.append(Entry(job=job, n=len(rows) + 1, at=timezone.now(), who=who, kind="came-over", data=came))
    Entry.objects.bulk_create(rows, batch_size=500)
    store.settle_closed(job)
    return job
