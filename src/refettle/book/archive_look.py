"""A packed job before it is taken in: what would come, and where it differs from what the bench has. Writes nothing."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from django.conf import settings
from django.db.models import Max

from refettle.book import files, photos
from refettle.book.archive import ArchiveError, at_of
from refettle.book.archive_reading import Checked
from refettle.book.archive_unpack import find_twice, need_room
from refettle.book.models import Job, Owner, Photo, TypeVersion
from refettle.book.typefiles import available, load_named
from refettle.knowledge.errors import KnowledgeError

MOST_LINES = 200
"""Lines of difference shown: a choice."""


@dataclass(frozen=True)
class OfType:
    """The unit type: here as it is, another version of one that is here, or new.

    `lines`: a unified diff from what the bench has to what would come. `library`: True where the file is the same, and
    the block kinds or cautions it uses are not.
    """

    name: str
    slug: str
    state: Literal["same", "other", "new"]
    lines: tuple[str, ...] = ()
    library: bool = False


@dataclass(frozen=True)
class Coming:
    """What a packed job would bring. `missing`: named by its log, and not in the file; `twice`: why it is refused
    unless it is said to be meant; `room`: why the disk refuses it; `number`: what the job would be here."""

    job: int
    bench: str
    made: datetime
    number: int
    label: str
    serial: str
    opened: datetime
    entries: int
    last: datetime | None
    people: tuple[str, ...]
    type: OfType
    owner: str
    """Empty: left out."""
    owner_kind: Literal["customer", "own stock"]
    owner_here: bool
    photos: int
    photos_here: int
    files: int
    files_here: int
    bytes: int
    missing: tuple[str, ...]
    twice: str
    room: str


def look(checked: Checked) -> Coming:
    """What would come of a packed job that was found to be in order."""
    head = checked.head
    pictures = set(checked.sizes)
    kept = {name.partition("/")[2] for name in head.members if name.startswith("files/")}
    owner = head.owner.name.strip() if head.owner else ""
    known = {"name": owner, "contact": head.owner.contact if head.owner else "", "kind": head.owner_kind}
    highest = Job.objects.aggregate(highest=Max("number"))["highest"] or 0
    return Coming(
        job=head.job, bench=head.bench, made=head.made, number=highest + 1, label=head.label, serial=head.serial,
        opened=head.opened, entries=len(checked.entries),
        last=max((at_of(each) for each in checked.entries), default=None),
        people=tuple(dict.fromkeys(str(each["who"]) for each in checked.entries)),
        type=_of_type(checked), owner=owner, owner_kind=head.owner_kind,
        owner_here=bool(owner) and Owner.objects.filter(**known).exists(),
        photos=len(pictures), photos_here=sum(_photo_is_here(each) for each in pictures),
        files=len(kept), files_here=sum(files.path_of(settings.REFETTLE_FILES, each).is_file() for each in kept),
        bytes=sum(member.bytes for member in head.members.values()),
        missing=tuple(head.missing), twice=_said(find_twice, checked), room=_said(need_room, checked),
    )  # fmt: skip


def _said(ask: Callable[[Checked], None], checked: Checked) -> str:
    try:
        ask(checked)
    except ArchiveError as error:
        return str(error).partition("; nothing was written")[0] + "."
    return ""


def _photo_is_here(sha256: str) -> bool:
    found = Photo.objects.filter(sha256=sha256).first()
    return found is not None and photos.original_path(settings.REFETTLE_PHOTOS, sha256, found.format).is_file()


def _of_type(checked: Checked) -> OfType:
    head = checked.head
    name, slug = checked.loaded.name, head.type.slug
    if TypeVersion.objects.filter(sha256=head.type.sha256).exists():
        return OfType(name, slug, "same")
    here = _here(slug)
    if here is None:
        return OfType(name, slug, "new")
    text, sha256 = here
    if sha256 == head.type.sha256:
        return OfType(name, slug, "same")
    lines = tuple(_differing(text, checked.text))
    return OfType(name, slug, "other", lines, library=not lines)


def _here(slug: str) -> tuple[str, str] | None:
    """The type's text and hash as a new job would take it; where its file has mistakes, as the newest job has it."""
    if slug in available(settings.REFETTLE_TYPES):
        try:
            loaded = load_named(slug, settings.REFETTLE_TYPES, settings.REFETTLE_KINDS)
            return loaded.text, loaded.sha256
        except (KnowledgeError, OSError):
            pass
    kept = TypeVersion.objects.filter(slug=slug).order_by("-pk").first()
    return (kept.text, kept.sha256) if kept is not None else None


def _differing(here: str, coming: str) -> Iterator[str]:
    lines = difflib.unified_diff(here.splitlines(), coming.splitlines(), "here", "coming", lineterm="", n=1)
    for number, line in enumerate(lines):
        if number >= MOST_LINES:
            yield "..."
            return
        yield line[:300]
