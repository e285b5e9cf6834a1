"""A job's listing and its story, as page and command line ask for them: with the book's photos, words and dates."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import IO, Any

from django.conf import settings
from django.utils import timezone

from refettle.book.handover_photos import photos_of
from refettle.book.listing import Listing, listing
from refettle.book.models import Job, Photo
from refettle.book.personal import personal_words
from refettle.book.photos import original_path
from refettle.book.state import JobState
from refettle.book.story import Story, packed, story
from refettle.language import tr
from refettle.web import wording


def listing_of(job: Job, state: JobState, entries: Sequence[Mapping[str, Any]], without: frozenset[int]) -> Listing:
    """The listing of a job's unit, of today. Raises ListingError."""
    return listing(job, state, entries, timezone.localdate(), personal_words(job, entries), without=without)


def story_of(job: Job, state: JobState, entries: Sequence[Mapping[str, Any]], without: frozenset[int]) -> Story:
    """The story of a job, with the photos whose files are there."""
    return story(
        state,
        job.number,
        personal_words(job, entries),
        lambda kind, data: (tr(wording.KINDS.get(kind, kind)), wording.describe(kind, data, state.compiled)),
        {sha: path.suffix.removeprefix(".") for sha, path in _paths(state).items() if path.exists()},
        timezone.get_current_timezone(),
        customer=job.unit.owner.kind == "customer",
        without=without,
    )


def archive_of(made: Story, state: JobState) -> Iterator[bytes]:
    """The story's archive in pieces."""
    paths = _paths(state)

    def opened(sha256: str) -> IO[bytes]:
        return paths[sha256].open("rb")

    return packed(made, opened)


def archive_name(made: Story) -> str:
    """What the archive is called."""
    return f"job-{made.job}-story.zip"


def _paths(state: JobState) -> dict[str, Path]:
    """sha256 of each photo of the log that the book knows -> where its original lies."""
    wanted = {photo.sha256 for photo in photos_of(state.entries)}
    known = Photo.objects.filter(sha256__in=wanted).values_list("sha256", "format")
    folder: Path = settings.REFETTLE_PHOTOS
    return {sha: original_path(folder, sha, kind) for sha, kind in known}
