"""refettle experience: what finished jobs have taught, and its exchange between benches."""

from __future__ import annotations

import argparse
import sys
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, open_book, print_json, table

if TYPE_CHECKING:
    from refettle.book.exchange import Source
    from refettle.book.gathered import Experience

EXAMPLES = """\
examples:
  refettle experience show                            weights moved, cures, times, how good the advice was
  refettle experience export --to ours.json           for other benches; no serials, names, photos or words
  refettle experience import theirs.json --name "Tollgate bench"
  refettle experience remove "Tollgate bench"         its jobs no longer count; import the file again, or restore
  refettle experience rebuild                         empty what is kept and work it out anew

a job counts once, by whatever way and however often it comes
exit status: 1 when there is no finished job yet (show)
"""
SHOWN = 15


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    show = actions.add_parser("show", help="what was learned, and how many jobs stand behind it")
    show.add_argument("--all", action="store_true", help=f"every line, not only the first {SHOWN} of each table")
    show.set_defaults(run=run_show)
    out = actions.add_parser("export", help="write a file for other benches")
    out.add_argument("--to", metavar="FILE", help="by default standard output")
    out.add_argument("--own-only", action="store_true", help="without what other benches gave")
    out.set_defaults(run=run_export)
    come = actions.add_parser("import", help="take in another bench's file")
    come.add_argument("file", metavar="FILE", help="- reads standard input")
    come.add_argument("--name", default="", help="what that bench is called here; never passed on")
    come.set_defaults(run=run_import)
    remove = actions.add_parser("remove", help="let a bench's jobs no longer count")
    remove.set_defaults(run=run_remove)
    restore = actions.add_parser("restore", help="let them count again")
    restore.set_defaults(run=run_restore)
    for each in (remove, restore):
        each.add_argument("bench", metavar="BENCH", help="its random name, the beginning of it, or its name here")
    rebuild = actions.add_parser("rebuild", help="work out every finished job anew")
    rebuild.set_defaults(run=run_rebuild)
    for each in (show, out, come, remove, restore, rebuild):
        each.add_argument("--json", action="store_true", help="as JSON")


def _refresh() -> None:
    from refettle.book import experience

    def told(done: int, of: int) -> None:
        if of > 3:
            print(f"\r{done} of {of} finished jobs worked out", end="" if done < of else "\n", file=sys.stderr)

    experience.refresh(told=told)


def run_show(args: argparse.Namespace) -> int:
    """Everything learned."""
    open_book()
    from refettle.book import exchange, experience

    _refresh()
    learned = experience.experience()
    sources = exchange.sources()
    if args.json:
        print_json(_facts(learned, sources))
    else:
        _print(learned, sources, None if args.all else SHOWN)
        for trouble in experience.troubles():
            print(f"Job {trouble.job} teaches nothing: {trouble.why}")
    return DONE if learned.jobs else DOES_NOT_HOLD


def _facts(learned: Experience, sources: list[Source]) -> dict[str, Any]:
    return {
        "jobs": {
            "own": learned.own,
            "others": learned.others,
            "handed_over": learned.handed_over,
            "parted_out": learned.parted_out,
        },
        "weights": [asdict(w) for w in learned.weights],
        "cures": [
            {**{k: v for k, v in asdict(c).items() if k != "time"}}
            | {"p50_minutes": c.time.p50 if c.time else None, "p90_minutes": c.time.p90 if c.time else None}
            for c in learned.cures
        ],
        "found": [asdict(f) for f in learned.found],
        "advice": asdict(learned.advice) if learned.advice else None,
        "outcome_loss": learned.outcome_loss,
        "saved": asdict(learned.saved) | {"minutes": learned.saved.minutes} if learned.saved else None,
        "from": [asdict(s) for s in sources],
    }


def _print(learned: Experience, sources: list[Source], most: int | None) -> None:
    if not learned.jobs:
        print("No finished job yet. Hand a job over, or part a unit out, and what it showed is learned from.")
        return
    print(f"{learned.jobs} finished jobs: {learned.own} of this bench, {learned.others} of others")
    print(f"{learned.handed_over} handed over, {learned.parted_out} parted out")
    if learned.weights:
        print("\nWeights, against what was shipped, most moved first:")
        rows = [["unit type", "block", "weight", "90 %", "jobs", "found", "expected"]]
        for w in learned.weights[:most]:
            f = w.factor
            between = f"{f.low:.2g} to {f.high:.2g}"
            rows.append([w.type, w.block, f"× {f.mean:.2f}", between, str(w.jobs), f"{f.count:.1f}", f"{f.out_of:.1f}"])
        print(table(rows))
    if learned.cures:
        print("\nCures:")
        rows = [["block kind", "repair", "tried", "cured", "chance", "90 %", "shipped", "half take under"]]
        for c in learned.cures[:most]:
            low, high = c.chance.low, c.chance.high
            time = f"{c.time.p50:.0f} min" if c.time else "-"
            rows.append([c.kind, c.repair, f"{c.tried:.1f}", f"{c.cured:.1f}", f"{100 * c.chance.mean:.0f} %",
                         f"{100 * low:.0f} to {100 * high:.0f} %", f"{100 * c.said:.0f} %", time])  # fmt: skip
        print(table(rows))
    if learned.advice:
        print(f"\nAdvice: {learned.advice.text}")
    if learned.saved:
        s = learned.saved
        print(f"Minutes of {s.jobs} jobs that ended well: {s.spent:.0f}; replacing everything: {s.replace_all:.0f}")
    for source in sources:
        kept = "" if source.used else ", taken out"
        print(f"From {source.name or source.bench}: {source.jobs} jobs{kept}")


def run_export(args: argparse.Namespace) -> int:
    """Write a file."""
    open_book()
    from pathlib import Path

    from refettle.book import exchange

    _refresh()
    text = exchange.export(passed_on=not args.own_only)
    if args.to is None:
        print(text, end="")
        return DONE
    try:
        Path(args.to).write_text(text, encoding="utf-8")
    except OSError as error:
        raise Refused(f"--to {args.to}: {(error.strerror or str(error)).lower()}") from None
    jobs = text.count('{"bench":')
    if args.json:
        print_json({"file": args.to, "jobs": jobs})
    else:
        print(f"{args.to}: {jobs} jobs. Names of unit types and ids of blocks and repairs are in it, and numbers.")
    return DONE


def run_import(args: argparse.Namespace) -> int:
    """Take a file in."""
    open_book()
    from refettle.book import exchange
    from refettle.cli.common import read_log_text

    try:
        merged = exchange.merge(read_log_text("FILE", args.file), args.name)
    except exchange.ExchangeError as error:
        raise Refused(f"{args.file}: {error}") from None
    if args.json:
        print_json(asdict(merged))
        return DONE
    print(f"From {args.name or merged.bench}: {merged.new} new jobs, {merged.longer} with a longer log, "
          f"{merged.had} had before, {merged.own} of this bench")  # fmt: skip
    if merged.differ:
        print(f"{merged.differ} differ from what was had before with the same length of log; those had before are kept")
    return DONE


def run_remove(args: argparse.Namespace) -> int:
    """Take a bench out."""
    return _switch(args, "take_out", "no longer count")


def run_restore(args: argparse.Namespace) -> int:
    """Put a bench back."""
    return _switch(args, "put_back", "count again")


def _switch(args: argparse.Namespace, way: str, words: str) -> int:
    open_book()
    from refettle.book import exchange

    try:
        (source,) = getattr(exchange, way)(args.bench)
    except exchange.ExchangeError as error:
        raise Refused(str(error)) from None
    if args.json:
        print_json(asdict(source))
    else:
        print(f"{source.jobs} jobs of {source.name or source.bench} {words}. Open jobs keep the weights they have.")
    return DONE


def run_rebuild(args: argparse.Namespace) -> int:
    """Empty the cache and fill it."""
    open_book()
    from refettle.book import experience

    had = experience.forget()
    _refresh()
    facts = {"had": had, "jobs": experience.experience().own}
    if args.json:
        print_json(facts)
    else:
        print(f"{facts['jobs']} finished jobs worked out anew")
    return DONE
