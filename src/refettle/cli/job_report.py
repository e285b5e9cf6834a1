"""refettle job report: what may be said of a job at its end, as text, PDF, HTML or JSON."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json, table

if TYPE_CHECKING:
    from refettle.book.handover_model import Handover
    from refettle.book.models import Job


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options, beside the job's number."""
    parser.add_argument("--pdf", metavar="FILE", help="write it as PDF")
    parser.add_argument("--html", metavar="FILE", help="write it as one HTML file, photos included")
    parser.add_argument("--full", action="store_true", help="the full record: every entry, photo and figure")
    parser.add_argument("--price", action="store_true", help="with prices and time")
    parser.add_argument("--letter", action="store_true", help="on Letter; by default A4")
    parser.add_argument(
        "--publishable",
        action="store_true",
        help="without owner, contact, serial and who wrote what; look at the photos",
    )
    parser.add_argument(
        "--leave", metavar="N", type=int, action="append", default=[], help="leave out the photo of this entry"
    )


def run_report(job: Job, args: argparse.Namespace) -> int:
    """Write or print the report; exit status 1 while something stands against it."""
    from django.http import Http404

    from refettle.web.handing_over import Asked, html_file, pdf, report_of
    from refettle.web.print_pdf import PdfError
    from refettle.web.views.common import get_job

    try:
        view = get_job(job.number)
    except Http404 as error:
        raise Refused(str(error)) from None
    asked = Asked(args.full, args.price, args.publishable, frozenset(args.leave), "letter" if args.letter else "a4")
    made = report_of(view, asked)
    written = []
    try:
        if args.pdf:
            written.append(_write("--pdf", args.pdf, pdf(view, made, asked)))
        if args.html:
            written.append(_write("--html", args.html, html_file(view, made, asked).encode()))
    except PdfError as error:
        raise Refused(str(error)) from None
    if args.publishable and made.photos:
        print(f"{_WARN} Photos in it: entries {', '.join(str(p.n) for p in made.photos)}.", file=sys.stderr)
    if args.json:
        from refettle.book.handover_model import plain

        print_json(plain(made))
    elif written:
        print(f"Job {made.job}: {made.standing.head}")
        print("\n".join(f"Written: {name}" for name in written))
    else:
        print(text_of(made, full=args.full))
    return DONE if made.standing.ready else DOES_NOT_HOLD


_WARN = (
    "Photos are not looked at: one of a label, a letter or a screen can show a name or serial. Leave it out: --leave N."
)


def _write(option: str, name: str, data: bytes) -> str:
    path = Path(name)
    try:
        path.write_bytes(data)
    except OSError as error:
        raise Refused(f"{option} {name}: {(error.strerror or str(error)).lower()}") from None
    return str(path)


def text_of(made: Handover, full: bool = False) -> str:
    """The report as plain text."""
    unit = made.unit
    head = f"Job {made.job}: {unit.type}" + (f", {unit.label}" if unit.label else "")
    out = [head, made.standing.head]
    if made.standing.reason:
        out.append(f"Reason written: {made.standing.reason}")
    if made.trouble:
        out.append(made.trouble)
    came = [f"“{made.came.said}”"] if made.came.said else []
    came += [f"{name}: {what}" for name, what in (*made.came.complaints, *made.came.condition)]
    sections: list[tuple[str, list[str]]] = [("As it came", came)]
    if not made.trouble:
        sections += _worked_out(made, full)
    if full:
        log = [f"{e.n:>4}  {e.at:%Y-%m-%d %H:%M}  {e.who}  {e.title}: {e.text} {e.note}".rstrip() for e in made.record]
        sections.append(("The log", log))
    for name, lines in sections:
        if lines:
            out += ["", name, *(line if line.startswith("  ") or (full and name == "The log") else f"- {line}"
                                for line in lines)]  # fmt: skip
    return "\n".join(out)


def _worked_out(made: Handover, full: bool) -> list[tuple[str, list[str]]]:
    found = [
        f"{f.block}: {f.how}, chance {f.likely}; {f.by}" + (f"; {f.repaired}" if f.repaired else "") for f in made.found
    ]
    done = [
        f"{d.day} {d.what}"
        + (f", cannot be undone, {d.allowed}" if d.one_way else "")
        + (f". {d.note}" if d.note else "")
        for d in made.done
    ]
    parts = [f"{p.place}: {p.new}" + (f", in place of {p.old}" if p.old else "") for p in made.parts]
    passed = [*made.proven.passed] if full else [f"{row.name}: {', '.join(row.cells)}" for row in made.proven.rows]
    adapter = [f"{name}: {value}" for name, value in made.adapter.facts] if made.adapter else []
    warranty = made.warranty
    promised = [f"{warranty.days} days to {warranty.ends}: {warranty.covers}"] if warranty else ["none is recorded"]
    figures: list[str] = []
    if made.measured:
        rows = [["where", "before", "after"], *([m.where, m.before or "-", m.after or "-"] for m in made.measured)]
        figures = ["  " + line for line in table(rows).split("\n")]
    whitened = [
        f"{w.part}: {w.how}; {w.before or 'not read'}; {w.after or 'not read after'}; {w.later}" for w in made.whitened
    ]
    return [
        ("What was found", [*found, *made.verified, made.found_note]),
        ("What was done", done or ["no repair is in the log"]),
        ("Parts", parts),
        ("Figures", figures),
        ("Whitening", whitened),
        ("Fails", list(made.proven.failed)),
        ("Proven", passed or ["nothing was tried, so nothing is claimed"]),
        ("Not tested", [*made.proven.not_tested, *made.proven.still_open]),
        ("Left off on purpose", [f"{item}: {why}" for item, why in made.left_off]),
        ("Wear that remains", list(made.wear)),
        ("Electrical safety", [made.safety.says] if made.safety else []),
        ("Use only this adapter", adapter),
        ("Take care", [f"{c.name}. {c.hazard} {c.defer}" for c in made.cautions]),
        ("Warranty", promised),
    ]
