"""refettle job quote, refettle job decide: the range of a job, and what to do with its unit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from refettle.cli.common import DOES_NOT_HOLD, DONE, print_json, refusing, table

if TYPE_CHECKING:
    from refettle.book.models import Job
    from refettle.book.quoting import Costs
    from refettle.book.state import JobState

LIKELY = 6


def _costs(job: Job, add: list[str]) -> tuple[JobState, Costs]:
    from django.conf import settings

    from refettle.book.experience import experience
    from refettle.book.quoting import SCOPES, costs, learned_times
    from refettle.book.records import ends_for
    from refettle.book.store import job_state

    customer = job.unit.owner.kind == "customer"
    extra = [work for name in add if (work := SCOPES[name]) is not None]
    with refusing():
        state = job_state(job)
        times = learned_times(state, experience().time_of)
        rate, currency = float(settings.REFETTLE_RATE), settings.REFETTLE_CURRENCY
        ends = ends_for(state.compiled.loaded.unit_type, job.opened.date())
        found = costs(state, rate, currency, customer=customer, extra=extra, times=times, ends=ends)
    return state, found


def chance_facts(found: Costs) -> dict[str, Any]:
    """Where the chance to end working comes from."""
    seen = found.outlook
    facts: dict[str, Any] = {"by_the_log": round(found.to_come.chance, 4), "base_rate": None}
    if seen is None:
        return facts
    ends = seen.ends
    return facts | {
        "low": round(seen.low, 4),
        "high": round(seen.high, 4),
        "usual_by_the_model": round(seen.usual, 4),
        "gone_through_with": round(seen.through, 4),
        "base_rate": {
            "source": ends.source,
            "category": ends.category,
            "age": ends.band,
            "records": ends.records,
            "records_of_category": ends.category_records,
            "fixed": round(ends.fixed, 4),
            "repairable": round(ends.repairable, 4),
            "end_of_life": round(ends.end_of_life, 4),
            "ends_working": round(ends.chance, 4),
            "low": round(ends.low, 4),
            "high": round(ends.high, 4),
            "worth_jobs": round(ends.worth, 2),
            "weight": round(ends.weight, 4),
        },
        "own_jobs": {"worked": ends.worked, "of": ends.jobs},
        "such_units_end_working": round(ends.blended, 4),
    }


def chance_lines(found: Costs) -> list[str]:
    """The same for people."""
    seen = found.outlook
    if seen is None:
        return [f"Works in the end in about {100 * found.chance:.0f} of 100."]
    ends = seen.ends
    own = f"{ends.worked} of {ends.jobs} own jobs of this type worked" if ends.jobs else "no own job of this type yet"
    return [
        f"Works in the end in about {100 * seen.chance:.0f} of 100 ({100 * seen.low:.0f} to {100 * seen.high:.0f}); "
        f"by the log alone {100 * seen.by_log:.0f}.",
        f"  Published repair records ({ends.source}), {ends.category}, {ends.band}: {100 * ends.chance:.0f} of 100 end "
        f"working ({100 * ends.low:.0f} to {100 * ends.high:.0f});",
        f"  {ends.records} records of this age, {ends.category_records} of the category. They weigh "
        f"{100 * ends.weight:.0f} %; {own}.",
    ]


def run_quote(job: Job, add: list[str], as_json: bool) -> int:
    """Print the range; exit status 1 above the ceiling that was accepted."""
    from refettle.book.quoting import over_ceiling

    state, found = _costs(job, add)
    over, to_come, unit = over_ceiling(state, found), found.to_come, found.currency
    accepted = state.money.accepted
    if as_json:
        print_json(
            {
                "job": job.number,
                "currency": unit,
                "rate": found.rate,
                "spent": {
                    "minutes": round(found.minutes, 1),
                    "labour": round(found.labour, 2),
                    "parts": round(found.parts, 2),
                    "outgoings": round(found.paid, 2),
                    "all": round(found.spent, 2),
                },
                "to_come": {
                    "minutes_p50": round(to_come.minutes_p50, 1),
                    "minutes_p90": round(to_come.minutes_p90, 1),
                    "p50": round(to_come.p50, 2),
                    "p90": round(to_come.p90, 2),
                    "mean": round(to_come.mean, 2),
                    "chance_working": round(found.chance, 4),
                    "likely": [
                        {"work": n, "times_a_job": round(s, 3), "minutes_mean": round(m, 1)}
                        for n, s, m in to_come.likely
                    ],
                },
                "whole": {"p50": round(found.p50, 2), "p90": round(found.p90, 2), "ceiling": round(found.ceiling, 2)},
                "chance_from": chance_facts(found),
                "accepted_ceiling": str(accepted.agreed) if accepted else None,
                "stop_and_ask": over is not None,
            }
        )
        return DOES_NOT_HOLD if over else DONE
    rows = [
        ["", "P50", "P90"],
        ["spent so far", f"{found.spent:.2f}", f"{found.spent:.2f}"],
        ["still to come", f"{to_come.p50:.2f}", f"{to_come.p90:.2f}"],
        [f"the whole job [{unit}]", f"{found.p50:.2f}", f"{found.p90:.2f}"],
        ["minutes still to come", f"{to_come.minutes_p50:.0f}", f"{to_come.minutes_p90:.0f}"],
    ]
    print(table(rows))
    print(f"\nCeiling to stop and ask at: {found.ceiling:.0f} {unit}, at {found.rate:g} {unit} an hour.")
    print("\n".join(chance_lines(found)))
    print("\nMost of it goes to")
    print(table([["minutes", "work"], *([f"{m:.0f}", n] for n, _, m in to_come.likely[:LIKELY])]))
    if over:
        words = "is passed" if over.passed else "will be passed"
        print(
            f"\nStop and ask: the ceiling of {over.ceiling:.2f} {unit} {words}: {over.spent:.2f} spent, "
            f"{over.expected:.2f} still expected."
        )
    return DOES_NOT_HOLD if over else DONE


def run_decide(job: Job, as_json: bool) -> int:
    """Print the decision; exit status 1 where a price is missing or it is not to finish."""
    from refettle.book.quoting import PRICES, decision, hours

    state, found = _costs(job, [])
    made = decision(state, found)
    if made is None:
        missing = [p for p in PRICES if state.money.value(p, found.currency) is None]
        if as_json:
            print_json({"job": job.number, "best": None, "missing": missing})
        else:
            print(f"Missing in {found.currency}: {', '.join(m.replace('_', ' ') for m in missing)}.")
            fields = " ".join(f"{m}=AMOUNT" for m in missing)
            print(f"Write it with: refettle job log {job.number} values currency={found.currency} {fields}")
        return DOES_NOT_HOLD
    hour = hours(state, found)
    facts: dict[str, Any] = {
        "job": job.number,
        "currency": found.currency,
        "best": made.best,
        "close": made.close,
        "values": {k: round(v, 2) for k, v in made.values.items()},
        "chances_best": {k: round(v, 3) for k, v in made.chances.items()},
        "margin": round(made.margin, 2),
        "chance_working": round(made.p, 4),
        "chance_from": chance_facts(found),
        "cost_to_finish": round(made.cost, 2),
        "chance_needed": None if made.p_needed is None else round(made.p_needed, 4),
        "price_needed": None if made.price_needed is None else round(made.price_needed, 2),
        "cost_allowed": round(made.cost_allowed, 2),
        "spent_not_counted": round(made.spent, 2),
        "per_hour": None if hour is None else round(hour.per_hour, 2),
    }
    if as_json:
        print_json(facts)
    else:
        print(f"{made.best[0].upper()}{made.best[1:]}{', though it is too close to call' if made.close else ''}.\n")
        rows = [
            [k, f"{v:.2f} {found.currency}", f"best in {100 * made.chances[k]:.0f} of 100"]
            for k, v in made.values.items()
        ]
        print(table([["", "expected", "when the inputs vary"], *rows]))
        print(f"\nFinishing must bring {made.margin:.2f} more than the best of the others.")
        print(f"It may still cost {made.cost_allowed:.2f}; {made.cost:.2f} is expected.")
        print("\n".join(chance_lines(found)))
        if made.price_needed is not None:
            print(f"Working, it must bring {made.price_needed:.2f}.")
        if hour is not None:
            print(f"Sold working, an hour brings {hour.per_hour:.2f} {found.currency}.")
        print(f"Spent so far, and left out of this: {made.spent:.2f} {found.currency}.")
    return DONE if made.best == "finish" else DOES_NOT_HOLD
