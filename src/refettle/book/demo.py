"""The demo book: an invented workshop with jobs in different states, each telling one thing.

Tidewater Bench is two people, Mara Fenwick and Jonas Pell. Everything here is made up.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone
from PIL import Image, ImageDraw, ImageFilter

from refettle.book.demo_kits import fill_kits
from refettle.book.demo_orders import fill_orders
from refettle.book.demo_prices import fill_prices
from refettle.book.demo_proving import proven, proving_job
from refettle.book.demo_readings import hum_job
from refettle.book.demo_stores import fill_stores
from refettle.book.demo_text import FIVE, JONAS, MARA, Told, looked, sound_case
from refettle.book.demo_whitening import whitening_job
from refettle.book.models import Job
from refettle.book.photos import store_photo
from refettle.book.store import append_all, get_or_create_owner, open_job
from refettle.knowledge.compile import compile_type
from refettle.knowledge.loading import load_shipped_type

MAINS_GATES: Told = [
    (1, MARA, {"kind": "caution", "caution": "mains"}),
    (1, MARA, {"kind": "caution", "caution": "charged-capacitor"}),
    (1, MARA, {"kind": "caution", "caution": "first-power"}),
]


def _lead_job() -> Told:
    """Handed over: hours of repair not done, because a one-minute swap came first."""
    return [
        (0, MARA, {"kind": "take-in", "said": "No picture any more. A friend said it needs a new video chip.",
                   **sound_case(case="worn"), "rattle": "none", "smell": "none",
                   "accessories": {"captive mains lead": "here", "picture and sound lead": "here"}}),
        (6, MARA, {"kind": "complaint", "point": "picture", "outcome": "no picture"}),
        *MAINS_GATES,
        (9, MARA, {"kind": "first-power", "rails_ohm": {"rail5": 82, "unregulated": 1500},
                   "limiter": "40 W filament bulb in series"}),
        (3, MARA, looked("picture", "no picture")),
        (1, MARA, looked("lamp_lit", "good")),
        (2, MARA, looked("sound", "no sound", note="No beep either. Both go through one lead, and the lamp is lit.")),
        (1, MARA, looked("av_lead.swap", "good", note="Picture with the other lead. The unit was never dead.")),
        (5, MARA, {"kind": "repair", "repair": "av_lead.replace", "parts": 4, "note": "Old lead cut in two."}),
        (3, MARA, looked("picture", "good")),
        (1, MARA, looked("sound", "good")),
        (3, MARA, looked("keys", "good")),
        (4, MARA, looked("rf_picture", "good")),
        (3, MARA, looked("cartridge", "good")),
        (2, MARA, {"kind": "note", "text": "Twelve minutes of looking. The chip the owner bought stays in its bag."}),
        *proven(load_shipped_type("larkmere-48").unit_type),
        (20, MARA, {"kind": "stage", "stage": "handed over"}),
    ]  # fmt: skip


def _chip_job() -> Told:
    """Fault finding: the video chip is suspected by far, and a one-minute look still comes first."""
    return [
        (0, JONAS, {"kind": "take-in", "said": "Bought in a box of three, sold as dead, video chip gone.",
                    **sound_case("Foot", labels="worn"), "rattle": "none", "smell": "dust, nothing burnt",
                    "accessories": {"captive mains lead": "here", "manual": "missing", "RF lead": "missing"}}),
        *MAINS_GATES,
        (12, JONAS, {"kind": "first-power", "rails_ohm": {"rail5": 79, "unregulated": 1380},
                     "limiter": "40 W filament bulb in series"}),
        (4, JONAS, looked("picture", "no picture", note="Bench display, black.")),
        (1, JONAS, looked("lamp_lit", "good")),
        (2, JONAS, looked("sound", "no sound")),
        (4, JONAS, looked("rf_picture", "no picture")),
        (14, JONAS, looked("processor.bus", "good", value="all lines swing, reset released")),
        (1, JONAS, {"kind": "note", "text": "Everything says video chip. A donor chip is 38 and cannot go back."}),
    ]  # fmt: skip


def _seat_job() -> Told:
    """Fault finding: it fails some of the time, so trials are counted before anything is touched."""
    return [
        (0, MARA, {"kind": "take-in", "said": "Restarts all the time. In the rear slot it works.",
                   **sound_case(), "rattle": "none", "smell": "none",
                   "accessories": {"AC adapter": "here", "two controllers": "here", "RF lead": "here"}}),
        (4, MARA, {"kind": "complaint", "point": "picture", "outcome": "starts over and over"}),
        (1, MARA, {"kind": "caution", "caution": "first-power"}),
        (8, MARA, {"kind": "first-power", "adapter": FIVE, "rails_ohm": {"rail5": 133, "unregulated": 2100},
                   "limit_amps": 0.8}),
        (9, MARA, {"kind": "check", "check": "picture", "counts": {"starts over and over": 7, "good": 3},
                   "note": "Ten starts from cold, cartridge in the front seat each time."}),
        (3, MARA, looked("rear-start", "good")),
    ]  # fmt: skip


def _adapter_job() -> Told:
    """May work now: repaired, and to be looked at before anyone says so."""
    return [
        (0, JONAS, {"kind": "take-in", "said": "Dead. Came on when I moved the plug.", **sound_case(),
                    "rattle": "none", "accessories": {"AC adapter": "here"}}),
        (3, JONAS, {"kind": "complaint", "point": "picture", "outcome": "no picture"}),
        (1, JONAS, {"kind": "caution", "caution": "mains"}),
        (1, JONAS, {"kind": "caution", "caution": "first-power"}),
        (9, JONAS, {"kind": "first-power", "adapter": FIVE, "rails_ohm": {"rail5": 138, "unregulated": 2250},
                    "limit_amps": 0.8}),
        (2, JONAS, looked("lamp_lit", "dark")),
        (3, JONAS, looked("adapter.wiggle-lead", "drops out", note="Lamp flickers when the lead is bent at the plug.")),
        (16, JONAS, {"kind": "repair", "repair": "adapter.new-plug", "parts": 2.5}),
        (2, JONAS, looked("lamp_lit", "good")),
    ]  # fmt: skip


def _cell_job() -> Told:
    """Waiting for a part; and the scores are saved before the cell comes out."""
    return [
        (0, MARA, {"kind": "take-in", "said": "Screen stays blank. The scores of 1994 are in there, please keep them.",
                   **sound_case(**{"ports": "worn"}), "rattle": "none", "smell": "slightly fishy",
                   "accessories": {"cell door": "here", "cartridge": "here"}}),
        (5, MARA, {"kind": "complaint", "point": "panel", "outcome": "blank"}),
        (1, MARA, {"kind": "caution", "caution": "first-power"}),
        (7, MARA, {"kind": "gear", "gear": "meter", "outcome": "good"}),
        (6, MARA, {"kind": "first-power", "rails_ohm": {"rail5": 2500, "feed": 8800}, "limit_amps": 0.2}),
        (3, MARA, looked("panel", "blank")),
        (1, MARA, looked("sound", "no sound")),
        (14, MARA, {"kind": "saved", "what": "scores and diary page kept by the coin cell",
                     "how": "read out twice, both the same"}),
        (11, MARA, looked("rail5.out-volts", "low", value="3.1 V, ripple 400 mV")),
        (4, MARA, looked("rail5.look", "leaking or crusted")),
        (2, MARA, {"kind": "stage", "stage": "waiting", "waits_for": "capacitor set for the 5 V regulator"}),
    ]  # fmt: skip


def _radio_job() -> Told:
    """A hot chassis: taken in, and barred until the cautions are read."""
    return [
        (0, JONAS, {"kind": "take-in", "said": "Hums loudly, stations faint behind it.", **sound_case("Knob"),
                    "rattle": "none", "smell": "warm wax",
                    "accessories": {"back panel with its screws": "here", "dial glass": "here"}}),
        (4, JONAS, {"kind": "complaint", "point": "sound", "outcome": "hum"}),
    ]  # fmt: skip


def _player_job() -> Told:
    """Just in: nothing is known yet but what was said."""
    return [
        (0, JONAS, {"kind": "take-in", "said": "From a house clearance, untested.", **sound_case("Cell door"),
                    "rattle": "rattles", "accessories": {"headphones": "missing", "case": "here"},
                    "note": "Something rolls inside: no power before it is found."}),
    ]  # fmt: skip


def _write(job: Job, start: datetime, told: Told) -> None:
    entries: list[dict[str, Any]] = []
    at = start
    for minutes, who, what in told:
        at += timedelta(minutes=minutes)
        entries.append({"at": at, "who": who, **what})
    append_all(job, entries)


def fill(now: datetime | None = None) -> list[Job]:
    """Fill an empty book with the jobs of the invented workshop.

    Parameters
    ----------
    now : datetime, optional
        The jobs lie in the days before it; by default now.
    """
    now = now or timezone.now().replace(second=0, microsecond=0)
    ines = get_or_create_owner("Ines Aldane", "ines@aldane.example")
    tobias = get_or_create_owner("Tobias Rook", "0100 555 017")
    own = get_or_create_owner()
    duo = compile_type(load_shipped_type("corrigan-duo"), float(settings.REFETTLE_RATE))
    plan = [
        ("larkmere-48", ines, "Mrs Aldane's computer", "LK-04417", 16.0, _lead_job()),
        ("corrigan-duo", own, "Console with the bent lead", "CD-20931", 9.0, _adapter_job()),
        ("piper-pocket", tobias, "Tobias's handheld", "PP-77120", 6.0, _cell_job()),
        ("corrigan-duo", ines, "Console that restarts", "CD-11802", 2.2, _seat_job()),
        ("corrigan-duo", own, "Console that hums", "CD-15563", 1.6, hum_job(duo, settings.REFETTLE_FILES)),
        ("corrigan-duo", own, "Console on trial", "CD-17020", 1.3, proving_job()),
        ("larkmere-48", own, "Box of three, number 2", "LK-09230", 1.1, _chip_job()),
        ("wexcombe-table", tobias, "Kitchen radio", "", 0.4, _radio_job()),
        ("piper-pocket", own, "Yellow handheld", "PP-70318", 0.22, whitening_job(settings.REFETTLE_PHOTOS)),
        ("tamsin-walker", own, "House clearance player", "TW-3051", 0.1, _player_job()),
    ]
    jobs = []
    for slug, owner, label, serial, days, told in plan:
        start = now - timedelta(days=days)
        job = open_job(load_shipped_type(slug), owner=owner, label=label, serial=serial, opened=start)
        _write(job, start, told)
        jobs.append(job)
    for job, caption, picture in _pictures(jobs):
        taken = SimpleUploadedFile("photo.jpg", picture, "image/jpeg")
        photo = store_photo(taken, settings.REFETTLE_PHOTOS)
        start = job.opened + timedelta(minutes=1)
        entry = {"kind": "photo", "photo": photo.sha256, "caption": caption, "at": start, "who": MARA}
        append_all(job, [entry])
    fill_stores(jobs, now)
    fill_kits()
    fill_prices(now.date())
    fill_orders(jobs, now.date())
    return jobs


# ---------------------------------------------------------------- pictures


def _pictures(jobs: Sequence[Job]) -> Iterator[tuple[Job, str, bytes]]:
    """Drawn stand-ins for photos, so that the pages show where photos go."""
    yield jobs[4], "As it came: top, with the scale", _case_picture((216, 203, 160), keys=True)
    yield jobs[4], "Underside and label", _case_picture((205, 190, 145), keys=False)
    yield jobs[3], "Front seat, pins seen from above", _pin_picture()


def _jpeg(image: Image.Image) -> bytes:
    out = io.BytesIO()
    image.filter(ImageFilter.GaussianBlur(1.2)).save(out, "JPEG", quality=88)
    return out.getvalue()


def _case_picture(colour: tuple[int, int, int], keys: bool) -> bytes:
    image = Image.new("RGB", (1200, 800), (94, 88, 80))
    draw = ImageDraw.Draw(image)
    draw.rounded_rectangle((160, 170, 1040, 620), 34, fill=colour, outline=(60, 54, 44), width=5)
    if keys:
        for row in range(4):
            for column in range(12):
                x, y = 220 + column * 64 + row * 10, 330 + row * 62
                draw.rounded_rectangle((x, y, x + 50, y + 46), 7, fill=(52, 50, 48))
        draw.rectangle((240, 215, 560, 265), fill=(70, 66, 60))
    else:
        draw.rectangle((420, 300, 800, 470), fill=(228, 224, 214), outline=(80, 76, 70), width=3)
        for n in range(5):
            draw.line((450, 330 + n * 26, 770 - 30 * (n % 3), 330 + n * 26), fill=(90, 86, 80), width=5)
    for n in range(11):
        draw.line((200 + n * 76, 690, 200 + n * 76, 720 if n % 5 else 736), fill=(235, 232, 224), width=4)
    return _jpeg(image)


def _pin_picture() -> bytes:
    image = Image.new("RGB", (1200, 800), (40, 40, 42))
    draw = ImageDraw.Draw(image)
    draw.rectangle((140, 300, 1060, 520), fill=(24, 24, 26), outline=(90, 90, 94), width=4)
    for n in range(30):
        x = 165 + n * 29
        dull = n in (7, 8, 19)
        draw.rectangle((x, 330, x + 13, 490), fill=(120, 98, 62) if dull else (196, 164, 84))
    return _jpeg(image)
