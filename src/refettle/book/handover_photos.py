"""Photos of a job: which were taken before the work, which after it, and which show the same thing. Pure.

Nobody compares the pictures. Two photos make a pair where their captions say the same, but for words that say when
(`as it came`, `after`) and little words; the first before the work and the last after it are shown side by side. The
others stand one by one. A photo without a caption makes no pair.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime

from refettle.book.handover_model import Photo, PhotoPair, When
from refettle.book.log import LogEntry
from refettle.language import mark, tr

WORK = frozenset({"repair", "part-out", "part-in", "bath-in", "one-way"})
"""Entries that change the unit: what comes before the first of them shows how it came."""
PHRASES = re.compile(
    r"\b(as (it|they) (came|left|goes|is now)|as (found|left)|(before|after|during|at|in|on) (the )?"
    r"(take-in|work|repair|start|end|beginning|handover|whitening|bath|cleaning|refit)|with (the|a) (scale|ruler|card)|"
    r"same light)\b"
)
SMALL = frozenset({
    "a", "after", "again", "an", "and", "at", "before", "done", "finished", "first", "from", "in", "is", "it",
    "its", "last", "more", "new", "now", "of", "old", "on", "once", "out", "photo", "picture", "side", "the",
    "then", "to", "view", "with",
})  # fmt: skip
"""Words that say when, or nothing of what is shown; `side` as in `left side`."""
RULE = mark(
    "Side by side stand photos whose captions say the same, the first before the work and the last after it. "
    "Nobody compared the pictures."
)


def key_of(caption: str) -> frozenset[str]:
    """What a caption shows, without when: the words that two photos of one thing share."""
    text = PHRASES.sub(" ", caption.casefold())
    return frozenset(re.findall(r"[^\W_]+", text)) - SMALL


def photos_of(entries: Iterable[LogEntry]) -> tuple[Photo, ...]:
    """Every photo that the log names, each picture once, in the order of time."""
    counted = [entry for entry in entries if not entry.void]
    work = [entry.at for entry in counted if entry.kind in WORK]
    begins, ends = (min(work), max(work)) if work else (None, None)
    found: dict[str, Photo] = {}
    for entry in counted:
        for sha, caption in _named(entry):
            found.setdefault(sha, Photo(entry.n, entry.at, sha, caption, _when(entry.at, begins, ends), entry.kind))
    return tuple(sorted(found.values(), key=lambda photo: (photo.at, photo.n)))


def _when(at: datetime, begins: datetime | None, ends: datetime | None) -> When:
    if begins is None or at < begins:
        return "before"
    return "after" if ends is not None and at > ends else "during"


def _named(entry: LogEntry) -> list[tuple[str, str]]:
    data = entry.data
    if entry.kind == "photo":
        return [(str(data["photo"]), str(data.get("caption", "")))]
    if entry.kind == "off" and data.get("photo"):
        return [(str(data["photo"]), tr("Before it came off: {item}", item=data["item"]))]
    if entry.kind == "capacitor" and data.get("photo"):
        return [(str(data["photo"]), tr("Board with {ref}", ref=data["ref"]))]
    if entry.kind == "yellow":
        return [(str(data["photo"]), tr("Read for yellowness: {regions}", regions=", ".join(data["regions"])))]
    if entry.kind == "go-ahead":
        return [(str(sha), f"{data['what']}: {name}") for name, sha in data.get("photos", {}).items()]
    return []


def pairs_of(photos: Iterable[Photo]) -> tuple[PhotoPair, ...]:
    """Photos that show the same thing before and after, in the order in which they were first taken."""
    first: dict[frozenset[str], Photo] = {}
    last: dict[frozenset[str], Photo] = {}
    for photo in photos:
        key = key_of(photo.caption)
        if not key:
            continue
        if photo.when == "before":
            first.setdefault(key, photo)
        elif photo.when == "after" or photo.kind == "yellow":
            last[key] = photo
    pairs = [PhotoPair(shared_words(first[k], last[k]), first[k], last[k]) for k in first if k in last]
    return tuple(sorted(pairs, key=lambda pair: (pair.before.at, pair.before.n)))


def shared_words(before: Photo, after: Photo) -> str:
    """What both show, in the words of the first, without when."""
    text = re.sub(r"\s+", " ", PHRASES.sub(" ", before.caption.casefold())).strip(" :,.;-–")
    words = text.split(" ")
    while words and words[0].strip(",:") in SMALL:
        words.pop(0)
    while words and words[-1].strip(",:") in SMALL - {"side"}:
        words.pop()
    said = " ".join(words).strip(" :,.;-–") or after.caption
    return said[:1].upper() + said[1:]
