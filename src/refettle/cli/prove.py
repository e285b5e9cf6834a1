"""refettle prove: how many trials show a fault gone, and what may be claimed from those that were made."""

from __future__ import annotations

import argparse
import re
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json
from refettle.proving.counts import Counts, ProvingError, percent

if TYPE_CHECKING:
    from refettle.proving.trials import Claim, Need

EXAMPLES = """\
examples:
  refettle prove --before 3/10                        good trials in a row to show it gone: count before the repair
  refettle prove --before 3/10 --good 12              what may be claimed after 12 good ones, and how many are missing
  refettle prove --rate 5% --allow 1 --good 40 --bad 1
  refettle prove --good 29 --tried 2 --under cold     the second attempt at it; what may be claimed over both
  refettle prove --compare 0/20,4/20                  does the first position fail less than the second
  refettle prove --compare 2/20,9/20,1/20             which of several positions fails more than the others
  refettle prove --p0 2% --p1 20% --good 12           stop early both ways

counts are BAD/TRIES; rates and chances are 0.05 or 5%
exit status: 1 when trials were given and do not show it (yet)
"""
ACTIONS = ("before", "rate", "compare", "p0")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    what = parser.add_argument_group("what is to be shown")
    what.add_argument("--before", metavar="BAD/TRIES", help="what was counted before the repair, as 3/10")
    what.add_argument("--rate", metavar="P", help="or the failure rate to be ruled out")
    what.add_argument("--confidence", metavar="C", default="95%", help="wanted confidence; by default 95%%")
    what.add_argument("--cautious", metavar="C", default="90%",
                      help="confidence of the rate taken from --before; by default 90%%")  # fmt: skip
    what.add_argument("--allow", type=int, default=0, metavar="N", help="bad trials allowed, fixed before the first")
    made = parser.add_argument_group("trials made since the repair")
    made.add_argument("--good", type=int, metavar="N", help="good ones")
    made.add_argument("--bad", type=int, metavar="N", help="bad ones")
    made.add_argument("--tried", type=int, default=1, metavar="N", help="repairs proven so far, this one included")
    made.add_argument("--under", action="append", default=[], metavar="WORDS", help="a condition; may be repeated")
    other = parser.add_argument_group("two or more positions or conditions")
    other.add_argument("--compare", metavar="BAD/TRIES,...", help="does the first fail less than the second; of "
                       "three or more, which fails more than the others")  # fmt: skip
    wald = parser.add_argument_group("sequential test")
    wald.add_argument("--p0", metavar="P", help="failure rate that is as good as cured")
    wald.add_argument("--p1", metavar="P", help="failure rate that is not")
    wald.add_argument("--alpha", metavar="A", default="5%",
                      help="chance that a cured one fails, also the level of --compare; by default 5%%")  # fmt: skip
    wald.add_argument("--beta", metavar="B", default="10%", help="chance that one not cured passes; by default 10%%")
    wald.add_argument("--longest", type=int, metavar="N", help="trials at most; by default 3 times those to expect")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run_prove)


def run_prove(args: argparse.Namespace) -> int:
    """One of: trials needed and claimed, positions compared, the sequential test."""
    asked = [name for name in ACTIONS if getattr(args, name) is not None]
    if len(asked) > 1:
        raise Refused(f"--{asked[0]} with --{asked[1]} found; allowed: one of --{', --'.join(ACTIONS)}")
    if args.p1 is not None and args.p0 is None:
        raise Refused("--p1 without --p0 found; allowed: both")
    try:
        if args.compare is not None:
            return _compare(args)
        return _sequential(args) if args.p0 is not None else _count(args)
    except ProvingError as error:
        raise Refused(str(error)) from None


def share(option: str, text: str, *, percents: bool = False) -> float:
    """`0.05` or `5 %` as 0.05; with `percents`, also a bare `95`. Refused where it is neither."""
    from refettle.quantities import QuantityError, parse

    try:
        value = parse(text, "%" if "%" in text else "")
    except QuantityError as error:
        raise Refused(f"{option}: {error}") from None
    if "%" in text or (percents and value > 1.0):
        value /= 100.0
    if not 0.0 <= value <= 1.0:
        raise Refused(f"{option}: {text} found; allowed: 0 to 1, or 0% to 100%")
    return value


def counts(option: str, text: str) -> Counts:
    """`3/10` as 3 bad of 10. Refused where it is not."""
    found = re.fullmatch(r"\s*(\d{1,7})\s*/\s*(\d{1,7})\s*", text)
    if not found:
        raise Refused(f"{option}: {text!r} found; allowed: BAD/TRIES, as 3/10")
    try:
        return Counts(int(found[1]), int(found[2]))
    except ProvingError as error:
        raise Refused(f"{option}: {error}") from None


def _made(args: argparse.Namespace) -> Counts | None:
    """The trials given, None where there are none."""
    if args.good is None and args.bad is None:
        return None
    good, bad = args.good or 0, args.bad or 0
    if good < 0 or bad < 0:
        raise Refused(f"--{'good' if good < 0 else 'bad'}: {min(good, bad)} found; allowed: 0 or more")
    return Counts(bad, good + bad)


def _count(args: argparse.Namespace) -> int:
    from refettle.proving.trials import Need, good_needed, needed

    confidence = share("--confidence", args.confidence, percents=True)
    made = _made(args)
    need: Need | None = None
    if args.before is not None:
        cautious = share("--cautious", args.cautious, percents=True)
        before = counts("--before", args.before)
        need = needed(before, confidence, cautious=cautious, failures=args.allow)
    elif args.rate is not None:
        rate = share("--rate", args.rate)
        need = Need(rate, good_needed(rate, confidence, args.allow), args.allow, confidence)
    elif made is None:
        raise Refused("nothing to go by; allowed: --before 3/10, --rate 5%, --good 12, --compare or --p0 with --p1")
    claimed = None if made is None else _claim(args, made, need, confidence)
    shown = claimed is not None and need is not None and claimed.shows and claimed.rate <= need.rate * (1 + 1e-9)
    facts = _facts(args, need, made, claimed, confidence, shown)
    if args.json:
        print_json(facts)
    else:
        _print(need, claimed, facts)
    return DONE if made is None or need is None or shown else DOES_NOT_HOLD


def _claim(args: argparse.Namespace, made: Counts, need: Need | None, confidence: float) -> Claim:
    from refettle.proving.trials import Series, claim

    if not 1 <= args.tried <= 1000:
        raise Refused(f"--tried: {args.tried} found; allowed: 1 to 1000")
    # What the earlier series showed does not matter here, only that there were any.
    earlier = [Series(Counts(1, 1), ended="repair")] * (args.tried - 1)
    planned = _planned(args, need, confidence) if need is not None else made.tries if made.bad == 0 else None
    return claim([*earlier, Series(made, planned, args.allow)], confidence, args.under)


def _planned(args: argparse.Namespace, need: Need, confidence: float) -> int:
    """Trials that the plan asks, more of them where this is not the first repair tried."""
    from refettle.proving.trials import good_needed

    each_at = min(0.9999, 1.0 - (1.0 - confidence) / args.tried)
    return good_needed(need.rate, each_at, args.allow)


def _facts(
    args: argparse.Namespace,
    need: Need | None,
    made: Counts | None,
    claimed: Claim | None,
    confidence: float,
    shown: bool,
) -> dict[str, Any]:
    from refettle.proving.compare import compare, good_after
    from refettle.proving.trials import more_good

    facts: dict[str, Any] = {"confidence": confidence}
    if need is not None:
        facts["need"] = {**asdict(need), "text": need.text}
        if need.before is not None:
            facts["good_to_show_a_gain"] = _or_none(lambda: good_after(need.before or Counts(0, 0), 1.0 - confidence))
    if claimed is not None:
        facts["claim"] = {**asdict(claimed), "shows": claimed.shows, "text": claimed.text}
    if need is not None and made is not None and claimed is not None:
        facts["shown"] = shown
        planned = _planned(args, need, confidence)
        kept = made.bad <= args.allow and made.tries <= planned
        facts["as_planned"] = kept
        each_at = min(0.9999, 1.0 - (1.0 - confidence) / claimed.tried)
        left = planned - made.tries if kept else more_good(made, need.rate, each_at, "at any time")
        facts["more"] = 0 if shown else left
        if need.before is not None and made.tries:
            found = _or_none(lambda: compare(made, need.before or Counts(0, 0), 1.0 - confidence))
            facts["against_before"] = None if found is None else {**asdict(found), "text": found.text}
    return facts


def _or_none(work: Any) -> Any:
    """What `work` gives, None where it has no answer for these counts."""
    try:
        return work()
    except ProvingError:
        return None


def _print(need: Need | None, claimed: Claim | None, facts: dict[str, Any]) -> None:
    if need is not None:
        print(f"Wanted: {need.text}.")
        if facts.get("good_to_show_a_gain") is not None:
            print(f"Something gained, if not the fault gone, is shown by {facts['good_to_show_a_gain']} good in a row "
                  "(Boschloo, against the count before).")  # fmt: skip
        print(
            "Alike and independent trials only: cold starts say nothing of warm ones, nor ten in a hurry of one a day."
        )
    if claimed is None:
        return
    print(f"May be claimed: {claimed.text}.")
    if claimed.tried > 1 and claimed.shows:
        print(f"As the only repair tried it would be {percent(claimed.alone, 'up')}.")
    if "shown" not in facts:
        return
    if facts["shown"]:
        print("That shows it.")
        return
    more = f"{facts['more']} more good in a row"
    if not facts["as_planned"]:
        more += " (more were bad, or more tried, than planned; do not start the count again)"
    elif need is not None and need.failures:
        more = f"{facts['more']} more trials, at most {need.failures} bad in all"
    print(f"Not shown yet: {more}.")
    if facts.get("against_before"):
        print(f"Against the count before: {facts['against_before']['text']}.")


def _compare(args: argparse.Namespace) -> int:
    from refettle.proving.compare import WHY, compare, worst_positions

    given = [counts("--compare", text) for text in args.compare.split(",")]
    alpha = share("--alpha", args.alpha)
    if len(given) < 2:
        raise Refused(f"--compare: {args.compare!r} found; allowed: two or more counts, as 0/10,4/10")
    if len(given) == 2:
        found = compare(given[0], given[1], alpha)
        if args.json:
            print_json({**asdict(found), "shows": found.shows, "text": found.text})
        else:
            print(f"{found.text}.")
            print(f"Fisher {found.fisher:.4f}, Boschloo {found.boschloo:.4f}, Barnard {found.barnard:.4f}; one-sided, "
                  f"shown from {alpha:g} down.")  # fmt: skip
            print(f"{WHY}.")
        return DONE if found.shows else DOES_NOT_HOLD
    positions = worst_positions({f"{i}": each for i, each in enumerate(given, 1)}, alpha)
    if args.json:
        print_json({"positions": [asdict(each) for each in positions], "alpha": alpha, "why": WHY})
    else:
        for each in positions:
            says = "fails more than the others" if each.shows else "is not shown to fail more than the others"
            print(f"position {each.name}: {each.counts}, others {each.others}: {says}, by luck alone in "
                  f"{percent(each.corrected, 'up')} of cases")  # fmt: skip
        print(f"One-sided, corrected for {len(positions)} positions (Holm). {WHY}.")
    return DONE if any(each.shows for each in positions) else DOES_NOT_HOLD


def _sequential(args: argparse.Namespace) -> int:
    from refettle.proving.sequential import characteristics, decide, fixed_plan, sequential_test

    if args.p1 is None:
        raise Refused("--p0 without --p1 found; allowed: both")
    rates = share("--p0", args.p0), share("--p1", args.p1)
    errors = share("--alpha", args.alpha), share("--beta", args.beta)
    test = sequential_test(*rates, *errors, args.longest)
    fixed = fixed_plan(*rates, *errors)
    exact = [characteristics(test, rate) for rate in rates]
    made = _made(args)
    found = decide(test, made or Counts(0, 0))
    if args.json:
        print_json({"test": asdict(test), "exact": [asdict(each) for each in exact], "fixed": asdict(fixed),
                    "decision": asdict(found)})  # fmt: skip
    else:
        print(f"{found.text[0].upper()}{found.text[1:]}.")
        print(f"Pass at bad <= {test.slope:.4f} n - {test.pass_at:.4f}, fail at bad >= {test.slope:.4f} n + "
              f"{test.fail_at:.4f}, {test.longest} trials at most.")  # fmt: skip
        for each in exact:
            chances = f"passes {percent(each.passes)}, fails {percent(each.fails)}, undecided {percent(each.undecided)}"
            print(f"  at a failure rate of {percent(each.rate)}: {chances}, {each.trials:.1f} trials on average")
        print(f"  with a number fixed in advance: {fixed.trials} trials, at most {fixed.allowed} bad")
    return DONE if made is None or found.says == "pass" else DOES_NOT_HOLD
