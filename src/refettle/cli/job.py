"""refettle job: open jobs, write and read their logs, ask for the next step."""

from __future__ import annotations

import argparse
import sys
from datetime import datetime
from typing import TYPE_CHECKING, Any

from refettle.cli import archive, job_report
from refettle.cli.advising import advice_facts, print_advice, suspect_facts, suspect_table
from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, open_book, print_json, read_log_text, refusing, table
from refettle.cli.publishing import add_publishing
from refettle.quantities import whole

if TYPE_CHECKING:
    from refettle.book.models import Job
    from refettle.book.state import JobState


def add_arguments(parser: argparse.ArgumentParser) -> None:
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)

    new = actions.add_parser("new", help="take a unit in")
    new.add_argument("type", metavar="TYPE", help="a unit-type file, or the name of one that the book has")
    new.add_argument("--serial", default="", help="as printed on the unit")
    new.add_argument("--label", default="", help="what the bench calls it")
    new.add_argument("--owner", default="", help="a customer's name; without it, own stock")
    new.add_argument("--contact", default="", help="how to reach the owner")
    new.set_defaults(run=run_new)

    log = actions.add_parser(
        "log",
        help="write entries",
        description="Write one entry, or with --file those of a log file. A dot in a key goes one level down.",
        epilog="example: refettle job log 3 check check=picture outcome=dead minutes=2",
    )
    log.add_argument("number", metavar="JOB", type=_job_number)
    log.add_argument("kind", metavar="KIND", nargs="?", help="check, repair, note, ...")
    log.add_argument("fields", metavar="KEY=VALUE", nargs="*")
    log.add_argument("--file", metavar="LOG.jsonl", help="one entry a line, all or none; - reads standard input")
    log.add_argument("--who", help="by default REFETTLE_WHO or your user name")
    log.add_argument("--at", help="when it happened, as 2031-03-02T10:15; by default now")
    log.set_defaults(run=run_log)

    following = actions.add_parser("next", help="the next step, and why")
    following.add_argument("number", metavar="JOB", type=_job_number)
    following.set_defaults(run=run_next)

    quote = actions.add_parser(
        "quote",
        help="what the job will come to: P50, P90, ceiling",
        description="What the job has cost and will cost, as a range. Exit status 1: above the ceiling accepted.",
        epilog="example: refettle job quote 3 --add cosmetic",
    )
    quote.add_argument("number", metavar="JOB", type=_job_number)
    quote.add_argument(
        "--add", choices=("preventive", "cosmetic", "convert"), action="append", default=[], help="quote this besides"
    )
    quote.set_defaults(run=run_quote)

    decide = actions.add_parser(
        "decide",
        help="finish, sell as is or part out",
        description="What to do with a unit by expected value. Exit status 1: a price is missing, or not to finish.",
        epilog="first: refettle job log 3 values currency=EUR working=95 as_is=25 for_parts=40",
    )
    decide.add_argument("number", metavar="JOB", type=_job_number)
    decide.set_defaults(run=run_decide)

    show = actions.add_parser("show", help="a job's state and log")
    show.add_argument("number", metavar="JOB", type=_job_number)
    show.add_argument("--log", action="store_true", help="only the log, as a log file")
    show.set_defaults(run=run_show)

    prove = actions.add_parser(
        "prove",
        help="what is proven, what fails, what was not tested",
        description="What may be said of a job's proving grid at this moment. Exit status 1 while something fails, "
        "is open or was not tested.",
        epilog="example: refettle job prove 3",
    )
    prove.add_argument("number", metavar="JOB", type=_job_number)
    prove.set_defaults(run=run_prove)

    listing, story = add_publishing(actions, _job_number, run_listing, run_story)

    report = actions.add_parser(
        "report",
        help="the handover report: one page or the full record",
        description="What may be said of a job at its end, from its log. Exit status 1 while it is not finished or "
        "something stands against handing it over; the report is written all the same, and says so.",
        epilog="example: refettle job report 3 --pdf report.pdf",
    )
    report.add_argument("number", metavar="JOB", type=_job_number)
    job_report.add_arguments(report)
    report.set_defaults(run=run_report)

    jobs = actions.add_parser("list", help="the jobs on the bench")
    jobs.add_argument("--all", action="store_true", help="closed ones as well")
    jobs.set_defaults(run=run_list)

    archive.add_packing(actions, _job_number, _find)

    for each in (new, log, following, quote, decide, show, prove, listing, story, report, jobs):
        each.add_argument("--json", action="store_true", help="as JSON")


def _job_number(text: str) -> int:
    number = whole(text)
    if number is None or not 1 <= number <= 2_000_000_000:
        raise argparse.ArgumentTypeError(f"'{text}' found; allowed: a job's number")
    return number


def _find(number: int) -> Job:
    from refettle.book.store import StoreError, find_job

    try:
        return find_job(number)
    except StoreError as error:
        raise Refused(str(error)) from None


def _minute(value: datetime | None) -> str:
    from django.utils import timezone

    return "" if value is None else timezone.localtime(value).strftime("%Y-%m-%d %H:%M")


# ---------------------------------------------------------------- new, list


def run_new(args: argparse.Namespace) -> int:
    """Open a job."""
    home = open_book()
    from django.conf import settings

    from refettle.book import experience, store
    from refettle.book.typefiles import load_named

    with refusing():
        loaded = load_named(args.type, home.types, home.kinds)
    try:
        owner = store.get_or_create_owner(args.owner, args.contact)
        job = store.open_job(loaded, owner=owner, serial=args.serial, label=args.label)
        experience.weigh(job, settings.REFETTLE_WHO)
    except store.StoreError as error:
        raise Refused(str(error)) from None
    if args.json:
        print_json(_job_facts(job))
    else:
        print(f"Job {job.number} is open: {loaded.name}, owner {owner.name}.")
    return DONE


def _job_facts(job: Job) -> dict[str, Any]:
    unit = job.unit
    return {
        "job": job.number,
        "type": unit.type_version.name,
        "type_sha256": unit.type_version.sha256,
        "serial": unit.serial,
        "label": unit.label,
        "owner": unit.owner.name,
        "owner_kind": unit.owner.kind,
        "opened": job.opened.isoformat(),
        "closed": job.closed.isoformat() if job.closed else None,
    }


def run_list(args: argparse.Namespace) -> int:
    """The jobs in order."""
    open_book()
    from refettle.book import store

    jobs = list(store.all_jobs()) if args.all else store.bench()
    if args.json:
        print_json([{**_job_facts(j), "entries": j.entry_count} for j in jobs])  # type: ignore[attr-defined]
    elif not jobs:
        print("No job is open. Take a unit in with: refettle job new TYPE")
    else:
        rows = [["job", "unit type", "unit", "owner", "opened", "closed"]]
        for j in jobs:
            dates = [_minute(j.opened), _minute(j.closed)]
            rows.append([str(j.number), j.unit.type_version.name, str(j.unit), j.unit.owner.name, *dates])
        print(table(rows))
    return DONE


# ---------------------------------------------------------------- log


def parse_fields(pairs: list[str]) -> dict[str, Any]:
    """Fields from KEY=VALUE words; `rails_ohm.rail5=820` goes one level down.

    Raises
    ------
    Refused
        Naming the word.
    """
    fields: dict[str, Any] = {}
    for pair in pairs:
        key, sign, value = pair.partition("=")
        names = key.split(".")
        if not sign or not all(names):
            raise Refused(f"'{pair}' found; allowed: KEY=VALUE")
        inner = fields
        for name in names[:-1]:
            inner = inner.setdefault(name, {})
            if not isinstance(inner, dict):
                raise Refused(f"'{pair}': '{name}' was given a value before; allowed: one or the other")
        if names[-1] in inner:
            raise Refused(f"'{pair}': '{key}' found twice; allowed: once")
        inner[names[-1]] = value
    return fields


def _at(text: str | None) -> datetime:
    """The time given, in the bench's time zone where it names none; without one, now."""
    from django.utils import timezone

    if text is None:
        return timezone.now().replace(microsecond=0)
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        at = None
    if at is None or not 1 < at.year < 9999:
        raise Refused(f"--at {text}: allowed: a time such as 2031-03-02T10:15")
    return at if at.tzinfo else timezone.make_aware(at)


def run_log(args: argparse.Namespace) -> int:
    """Write entries; they are on the disk when this says so."""
    if (args.kind is None) == (args.file is None):
        raise Refused("give either KIND and its fields, or --file LOG.jsonl")
    open_book()
    from django.conf import settings

    from refettle.book.log import read_jsonl
    from refettle.book.store import append_all

    job = _find(args.number)
    who = args.who if args.who is not None else settings.REFETTLE_WHO
    at = _at(args.at)
    with refusing():
        if args.file is None:
            entries = [{"at": at, "who": who, "kind": args.kind, **parse_fields(args.fields)}]
        else:
            entries = read_jsonl(read_log_text("--file", args.file))
            for entry in entries:
                entry["who"] = entry["who"] or who
                if entry["at"].startswith("1970-01-01T00:00:00"):  # what a line without a time is read as
                    entry["at"] = at
        before = _gates_before(job, entries)
        written = append_all(job, entries)
    for line in before:
        print(line, file=sys.stderr)
    if args.json:
        print_json([{"job": job.number, "n": e.n, "kind": e.kind} for e in written])
    elif not written:
        print("The log file holds no entry; nothing was written.")
    else:
        span = str(written[0].n) if len(written) == 1 else f"{written[0].n} to {written[-1].n}"
        print(f"Job {job.number}: written as {'entry' if len(written) == 1 else 'entries'} {span}.")
    return DONE


def _gates_before(job: Job, entries: list[dict[str, Any]]) -> list[str]:
    """A line for each step written whose gates are shut: it is written down, and what was passed over is told."""
    from refettle.book.log import LogError
    from refettle.book.store import job_state
    from refettle.knowledge.errors import KnowledgeError

    steps = [str(e.get("check") or e.get("repair") or "") for e in entries if e["kind"] in ("check", "repair")]
    if not steps:
        return []
    try:
        state = job_state(job)
    except (LogError, KnowledgeError):
        return []
    return [f"{step}: written, though a gate was shut. {words}" for step in steps for words in state.shut(step)]


# ---------------------------------------------------------------- show, next


def _state(job: Job) -> JobState:
    from refettle.book.store import job_state

    with refusing():
        return job_state(job)


def run_show(args: argparse.Namespace) -> int:
    """State and log of a job."""
    open_book()
    from refettle.book.log import write_jsonl
    from refettle.book.store import entries

    job = _find(args.number)
    log = entries(job)
    if args.log:
        print(write_jsonl(log), end="")
        return DONE
    state = _state(job)
    with refusing():
        suspects = suspect_facts(state)
    facts: dict[str, Any] = {
        **_job_facts(job),
        "stage": state.stage,
        "waits_for": state.waits_for,
        "minutes": round(state.minutes, 1),
        "parts": round(state.parts, 2),
    }
    if args.json:
        print_json({**facts, "suspects": suspects, "log": log})
        return DONE
    print(table([[key.replace("_", " "), str(value)] for key, value in facts.items() if value not in ("", None)]))
    print("\nSuspects")
    print(suspect_table(suspects))
    print("\nLog")
    for entry in log:
        rest = {k: v for k, v in entry.items() if k not in ("n", "at", "who", "kind")}
        shown = ", ".join(f"{k} {v}" for k, v in rest.items())
        print(
            f"{entry['n']:>4}  {_minute(datetime.fromisoformat(entry['at']))}  {entry['who']}  {entry['kind']}: {shown}"
        )
    return DONE


def run_next(args: argparse.Namespace) -> int:
    """The next step with its cautions; exit status 1 when no step can be taken now."""
    open_book()
    job = _find(args.number)
    state = _state(job)
    with refusing():
        advice = state.advice(customer=job.unit.owner.kind == "customer")
    if args.json:
        print_json({"job": job.number, **advice_facts(state, advice)})
    else:
        print_advice(state, advice)
    return DOES_NOT_HOLD if advice.do is None and advice.state != "works" else DONE


def run_prove(args: argparse.Namespace) -> int:
    """The statement of a job's proving grid."""
    open_book()
    from refettle.cli.proving import print_proving, proving_facts

    with refusing():
        state = _state(_find(args.number))
    if args.json:
        print_json(proving_facts(state))
    else:
        print_proving(state)
    return DONE if state.proving.statement.proven else DOES_NOT_HOLD


def run_listing(args: argparse.Namespace) -> int:
    """The listing text of a job."""
    from refettle.cli.publishing import run_listing as run

    open_book()
    return run(_find(args.number), args.leave, args.json)


def run_story(args: argparse.Namespace) -> int:
    """The story of a job, as an archive."""
    from refettle.cli.publishing import run_story as run

    open_book()
    return run(_find(args.number), args.leave, args.out, args.json)


# ---------------------------------------------------------------- money


def run_quote(args: argparse.Namespace) -> int:
    """What the job will come to."""
    from refettle.cli.job_money import run_quote as run

    open_book()
    return run(_find(args.number), args.add, args.json)


def run_decide(args: argparse.Namespace) -> int:
    """What to do with the unit."""
    from refettle.cli.job_money import run_decide as run

    open_book()
    return run(_find(args.number), args.json)


def run_report(args: argparse.Namespace) -> int:
    """The handover report."""
    open_book()
    return job_report.run_report(_find(args.number), args)
