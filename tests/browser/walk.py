"""Where the walk over every page goes: addresses of the demo book, what is done there first, and what has no page."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from tests.web.captures import rail_csv, recording, supply_csv
from tests.web.test_tools_supply import FILE
from tests.web.whitening import photo_bytes

Doing = Callable[[Any], None]


@dataclass(frozen=True)
class Stop:
    """An address; `do` brings the page into the state looked at; `at`: the name of the address that leads to."""

    address: str
    do: Doing | None = None
    at: str = ""


NO_PAGE = {
    "log-file": "a file",
    "listing-file": "a file",
    "story-file": "a file",
    "handover-pdf": "a file; the page beside it says the same",
    "experience-export": "a file",
    "owner-export": "a file",
    "order-csv": "a file",
    "supplier-csv": "a file",
    "supplier-file": "a file",
    "type-file": "a file",
    "card-file": "a file, to be printed and laid beside a shell",
    "tones": "a file, to be recorded",
    "photo": "a picture",
    "yellow-image": "a picture",
    "yellow-map": "a picture",
    "whitening-map": "a picture",
    "whitening-picture": "a picture",
    "reading-plot": "a part of the readings page, which is walked with it",
    "next": "a cell of the bench page, which is walked with its cells filled",
    "since": "a bar on the pages of a job, looked at where people are signed in",
    "kit-find-form": "leads on to kit-find",
    "read-again": "only sent to, leads back to the reading",
    "stop-work": "only sent to, leads back to the tool",
    "sign-out": "only sent to, leads to sign-in",
    "set_language": "only sent to, leads back",
}
"""Addresses that nobody looks at as a page, and why."""


def press(name: str, *more: Callable[[Any], Any], exact: bool = False) -> Doing:
    """Press a button by its name, after doing the rest, with the browser's own checking of fields out of the way."""

    def do(page: Any) -> None:
        page.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true; })")
        page.evaluate("document.querySelectorAll('form').forEach(each => { each.noValidate = true; })")
        for each in more:
            each(page)
        page.locator("main").get_by_role("button", name=name, exact=exact).first.click()
        page.wait_for_load_state()

    return do


def typed(where: str, text: str) -> Callable[[Any], None]:
    """Fill a field, by selector."""
    return lambda page: page.locator(where).first.fill(text)


def refused(name: str, *more: Callable[[Any], Any]) -> Doing:
    """Send a form wrong: the page comes back and says so."""
    send = press(name, *more)

    def do(page: Any) -> None:
        send(page)
        page.locator("[role=alert]").first.wait_for()

    return do


GIVEN: dict[str, bytes] = {}
"""Files made of the demo book itself: `packed`, one of its jobs."""


def names(patterns: Any) -> Iterator[str]:
    """Of every address that urls.py knows."""
    for each in patterns:
        if hasattr(each, "url_patterns"):
            yield from names(each.url_patterns)
        else:
            yield each.name


JOB_PAGES = (
    "", "faults/", "readings/", "board/", "replace/", "strip-down/", "whitening/", "proving/", "handover/",
    "handover/full/", "power-on/", "one-way/", "money/", "publish/",
)  # fmt: skip
CLOSED, WAITING, TRIED, HUMS, PROVING, CHIP, BARRED, YELLOW, NEW, LONG, BOARD = 1, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12
"""Jobs of the demo book, and two more."""
PRICES = b"Part no;Description;1+;100+\nA-1;Fuse 2 A;0,25;0,19\nA-2;Belt;call;\n"


def _job(number: int, *pages: str) -> tuple[Stop, ...]:
    return tuple(Stop(f"/jobs/{number}/{page}") for page in pages)


def _file(where: str, name: str, data: Callable[[], bytes]) -> Callable[[Any], None]:
    file = {"name": name, "mimeType": "application/octet-stream"}
    return lambda page: page.locator(where).set_input_files({**file, "buffer": data()})


def _all_gates(page: Any) -> None:
    for box in page.locator("main input[name=gate]").all():
        box.check()


def _nonsense(page: Any) -> None:
    page.evaluate("document.querySelector('[name=f-outcome] option:checked').value = 'nonsense'")


def _sheet(page: Any) -> None:
    page.get_by_role("link", name="The sheet to sign").first.click()
    page.wait_for_url("**/quote/**")


def _supply(page: Any) -> None:
    page.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true; })")
    page.fill("textarea[name=text]", FILE)
    page.locator("form:has(textarea[name=text]) button.big").click()
    page.wait_for_load_state()


def _unpack(data: Callable[[], bytes]) -> Doing:
    return press("See what is in it", _file("#file", "job.zip", data))


def _mark_photo(page: Any) -> None:
    press("Take the photo", _file("#photo", "p.jpg", photo_bytes))(page)


def _job_photo(page: Any) -> None:
    press("Read the photo", _file("#photo", "p.jpg", photo_bytes))(page)
    page.locator("[data-mark-frame]").first.wait_for(state="attached")


AT_THE_BENCH = (
    Stop("/"),
    Stop("/?q=nothing+like+it"),
    Stop("/closed/"),
    Stop("/take-in/"),
    Stop("/take-in/larkmere-48/"),
    Stop("/take-in/piper-pocket/", refused("Open the job")),
    Stop("/jobs/unpack/"),
    Stop(
        "/jobs/unpack/",
        press("See what is in it", _file("#file", "job.zip", lambda: b"no packed job")),
        at="job-unpack-look",
    ),
    Stop(
        "/jobs/unpack/",
        press("See what is in it", _file("#file", "job.zip", lambda: GIVEN["packed"])),
        at="job-unpack-look",
    ),
    Stop("/mark/"),
    Stop("/mark/?text=104K"),
    Stop("/mark/?text=yellow+violet+red+gold"),
    Stop("/mark/?text=nothing+like+it"),
    Stop("/capacitor/discharge/"),
    Stop("/capacitor/discharge/?c=100u&v=330&r=2.2k&safe=30"),
    Stop("/capacitor/discharge/?c=100u&v=much"),
    Stop("/help/"),
    Stop("/cautions/"),
    Stop("/types/"),
    Stop("/types/larkmere-48/"),
    Stop("/kinds/"),
    Stop("/kinds/linear-regulator/"),
    Stop("/phone/"),
    Stop("/experience/"),
    Stop("/experience/", refused("Take it in", _file("#file", "other.json", lambda: b"[]"))),
    Stop("/experience/advice/"),
    Stop("/nothing/"),
    Stop("/jobs/999/"),
)
JOBS = (
    *_job(CLOSED, *JOB_PAGES, "publish/?publishable=1", "log/3/"),
    *_job(TRIED, *JOB_PAGES, "log/2/", "faults/?step=rear-start", "faults/?step=nothing"),
    *_job(WAITING, "", "faults/", "one-way/", "money/?work=1&scope-0=1&scope-2=1"),
    *_job(HUMS, "faults/", "readings/", "readings/8/", "readings/9/", "readings/12/"),
    *_job(PROVING, "proving/", "proving/?at=9-1", "proving/?at=1-1", "handover/?publishable=1", "faults/"),
    *_job(CHIP, "", "faults/", "one-way/?step=video-chip.replace", "handover/full/?publishable=1", "log/12/"),
    *_job(BARRED, "faults/", "power-on/", "replace/", "strip-down/", "one-way/?step=whiten"),
    *_job(YELLOW, "", "whitening/", "whitening/4/", "whitening/16/", "one-way/?step=whiten"),
    *_job(NEW, "", "faults/", "power-on/", "publish/"),
    *_job(LONG, "", "?page=2", "faults/"),
    *_job(BOARD, *("board/", "board/?ref=C1", "board/?ref=none", "replace/", "replace/?ref=C1")),
    Stop(f"/jobs/{BOARD}/replace/", refused("C1 is out")),
    Stop(f"/jobs/{TRIED}/", refused("Keep photos", _file("#photo", "p.jpg", lambda: b"no picture"))),
    Stop(f"/jobs/{TRIED}/", refused("Add time", typed("[name=minutes]", "ages"))),
    Stop(f"/jobs/{TRIED}/log/2/", refused("Write the correction", _nonsense)),
    Stop(f"/jobs/{TRIED}/faults/?step=picture", refused("Log these trials", typed("[name=count-1]", "many"))),
    Stop(f"/jobs/{BARRED}/power-on/", refused("Write it down", typed("[name^=rail-]", "much"))),
    Stop(f"/jobs/{TRIED}/strip-down/", refused("It is off", typed("[name=count]", "some"))),
    Stop(f"/jobs/{TRIED}/handover/", refused("Handed over")),
    Stop(f"/jobs/{WAITING}/money/", refused("Add time", typed("[name=minutes]", "ages"))),
    Stop(f"/jobs/{WAITING}/money/?work=1&scope-0=1", press("Write the quote"), at="money"),
    Stop(f"/jobs/{WAITING}/money/", _sheet, at="quote-sheet"),
    Stop(f"/jobs/{PROVING}/proving/", refused("Not tested", typed("[name=why]", ""))),
    Stop(f"/jobs/{YELLOW}/whitening/", refused("They are in", typed("[name=percent]", "strong"))),
    Stop(f"/jobs/{YELLOW}/whitening/", _job_photo, at="whitening-photo"),
)
TOOLS = (
    Stop("/tools/"),
    Stop("/tools/adapter/?type=corrigan-duo"),
    Stop("/tools/adapter/?type=corrigan-duo&a_output=DC"),
    Stop("/tools/adapter/?type=corrigan-duo&a_volt=some"),
    Stop("/tools/bath/"),
    Stop("/tools/bath/?stock=12+%25&target=6&volume=10L&gate=hidden-spot"),
    Stop("/tools/bath/", press("What to weigh", typed("[name=stock]", "12 %"), typed("[name=target]", "6"),
                               typed("[name=volume]", "10 L"), _all_gates)),
    Stop("/tools/sun/"),
    Stop("/tools/sun/?place=48.9,2.35&date=2031-06-21&dose=100&zone=UTC"),
    Stop("/tools/sun/?place=nowhere&date=2031-06-21&dose=100&zone=UTC"),
    Stop("/tools/lamp/"),
    Stop("/tools/lamp/?nm=395&hours=6&readings=4.1+3.8"),
    Stop("/tools/lamp/?nm=395&hours=long"),
    Stop("/tools/card/"),
    Stop("/tools/yellow/"),
    Stop("/tools/yellow/", refused("Take the photo", _file("#photo", "p.jpg", lambda: b"no picture"))),
    Stop("/tools/yellow/", _mark_photo, at="yellow-photo"),
    Stop("/tools/capture/"),
    Stop("/tools/capture/", refused("Look at it", _file("#file", "rail.csv", lambda: b"no capture"))),
    Stop("/tools/capture/", press("Look at it", _file("#file", "rail.csv", rail_csv)), at="capture-file"),
    Stop("/tools/ripple/"),
    Stop("/tools/ripple/?job=5&place=reservoir"),
    Stop("/tools/ripple/", refused("Read it", _file("#file", "rail.csv", lambda: b"no capture"))),
    Stop("/tools/ripple/", press("Read it", _file("#file", "rail.csv", supply_csv), typed("[name=load]", "0.6"),
                                 lambda page: page.locator("[name=mains]").first.check()), at="ripple-file"),
    Stop("/tools/supply/"),
    Stop("/tools/supply/", refused("Work it out")),
    Stop("/tools/supply/", _supply, at="supply-file"),
    Stop("/tools/supply/of/larkmere-48/?aged_c=10&aged_esr=10&variants=50"),
    Stop("/tools/supply/of/larkmere-48/?aged_c=much"),
    Stop("/tools/sound/"),
    Stop("/tools/sound/", refused("Listen to it", _file("#file", "deck.wav", lambda: b"no recording"))),
    Stop("/tools/sound/", press("Listen to it", _file("#file", "deck.wav", lambda: recording(0.02))),
         at="sound-file"),
)  # fmt: skip
STOCK = (
    Stop("/stores/"),
    Stop("/stores/?q=4u7+50v"),
    Stop("/stores/?q=nothing+like+it"),
    Stop("/stores/BELT-70/"),
    Stop("/stores/C47u-16-S/"),
    Stop("/stores/BELT-70/?do=change"),
    Stop("/stores/BELT-70/?do=scrap"),
    Stop("/stores/BELT-70/?do=scrap", refused("Scrap", typed("main form [name=count]", "some"))),
    Stop("/stores/new/"),
    Stop("/stores/new/", refused("Keep it", typed("[name=gram]", "heavy"), typed("[name=name]", "x"))),
    Stop("/stores/receive/"),
    Stop("/stores/receive/?q=belt"),
    Stop("/stores/receive/?part=BELT-72"),
    Stop("/stores/count/"),
    Stop("/stores/count/?place=Box+B"),
    Stop("/stores/count/?place=Box+B", refused("Counted", typed("[data-counted]", "some"))),
    Stop("/stores/labels/"),
    Stop("/stores/labels/?part=BELT-70&copies=many"),
    Stop("/stores/labels/?part=BELT-70&part=C100n-50"),
    Stop("/stores/reorder/"),
    Stop("/stores/look-again/"),
    Stop("/kits/"),
    Stop("/kits/new/"),
    Stop("/kits/new/?from=2"),
    Stop("/kits/new/", refused("Match it to the stores")),
    Stop("/kits/1/"),
    Stop("/kits/2/"),
    Stop("/kits/2/", refused("Begin", typed("[name=count]", "900"))),
    Stop("/kits/2/sheet/"),
    Stop("/kits/1/sheet/?kit=K1-2"),
    Stop("/kits/batch/1/"),
    Stop("/kits/batch/2/"),
    Stop("/kits/batch/2/", refused("Counted, the line is full", typed("[name=counted]", "3"))),
    Stop("/kits/batch/2/labels/?what=bags"),
    Stop("/kits/batch/1/labels/?what=kits"),
    Stop("/kits/find/K1-2/"),
    Stop("/kits/find/nothing/"),
    Stop("/kits/lot/57/"),
    Stop("/suppliers/"),
    Stop("/suppliers/", refused("Write", typed("[name=name]", "Tarn"), typed("[name=currency]", "shells"))),
    Stop("/suppliers/1/"),
    Stop("/suppliers/3/?q=nothing+like+it"),
    Stop("/suppliers/1/import/"),
    Stop("/suppliers/1/import/", press("Look at it", _file("#file", "list.csv", lambda: PRICES))),
    Stop("/suppliers/1/import/", refused("Look at it", _file("#file", "list.csv", lambda: b""))),
    Stop("/suppliers/1/parts/"),
    Stop("/suppliers/1/lists/2/"),
    Stop("/suppliers/2/lists/3/"),
    Stop("/suppliers/1/number/?sku=Q-1000u-25"),
    Stop("/orders/"),
    Stop("/orders/?show=cancelled"),
    Stop("/orders/plan/"),
    Stop("/orders/plan/1/"),
    Stop("/orders/plan/2/"),
    Stop("/orders/1/"),
    Stop("/orders/1/receive/"),
    Stop("/orders/1/receive/?all=1", refused("Write", typed("[name=came-2]", "some"))),
    Stop("/owners/"),
    Stop("/owners/?q=nothing+like+it"),
    Stop("/owners/1/"),
    Stop("/owners/1/erase/"),
    Stop("/owners/2/erase/", press("Look", typed("[name=extra]", "Tobias"))),
)
EMPTY = tuple(
    Stop(address)
    for address in (
        "/", "/closed/", "/experience/", "/experience/advice/", "/stores/", "/stores/count/", "/stores/labels/",
        "/stores/reorder/", "/stores/look-again/", "/stores/receive/", "/kits/", "/kits/new/", "/suppliers/",
        "/orders/", "/orders/plan/", "/owners/", "/types/",
    )
)  # fmt: skip
"""In a book where nothing was written yet."""
SIGNED_IN = tuple(
    Stop(address)
    for address in (
        "/sign-in/", "/sign-in/code/", "/me/", "/me/second/", "/people/", "/people/2/", f"/join/{'x' * 43}/",
    )
)  # fmt: skip
"""Where everybody signs in: walked in test_sign_in."""
ALL = (*AT_THE_BENCH, *JOBS, *TOOLS, *STOCK)
