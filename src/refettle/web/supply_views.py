"""A supply worked out, for a page: what is bad, every case in figures, and its drawings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from refettle.drawing.plot import Limit, Look, Trace, line_plot
from refettle.drawing.plot_counts import Bar, bars, histogram
from refettle.drawing.plot_views import FAN_WORDS, fan_plot
from refettle.knowledge.supply_files import LoadedSupply
from refettle.language import shown, tr, tr_in
from refettle.quantities import show
from refettle.supply.regulator import SHUTDOWN, WORKING
from refettle.supply.report import Bench, Case
from refettle.supply.spread import MonteCarlo, Quantity, WorstCase
from refettle.web.plots import PlotView, plot_view
from refettle.web.supplies import Worked

PERIODS = 2
LOOKS: dict[str, Look] = {"low": "second", "nominal": "main", "high": "before"}


@dataclass(frozen=True)
class CaseRow:
    """A case, or a rail in a case, in words."""

    case: str
    what: str
    values: tuple[str, ...]
    bad: bool = False


@dataclass(frozen=True)
class Said:
    """A finding and the cases it holds in."""

    level: str
    subject: str
    text: str
    cases: str


@dataclass(frozen=True)
class SupplyView:
    """A supply for a page."""

    headline: str
    bad: bool
    findings: tuple[Said, ...]
    rest: tuple[Said, ...]
    cases: tuple[CaseRow, ...]
    rails: tuple[CaseRow, ...]
    facts: tuple[tuple[str, str], ...]
    worst: tuple[str, ...]
    assumed: tuple[str, ...]
    plots: tuple[PlotView, ...]


def supply_view(worked: Worked, ident: str = "supply") -> SupplyView:
    """What was worked out, for a page."""
    every = [(_level(name), case) for name, case in worked.cases.items()]
    every += [(tr("{level}, aged", level=_level(name)), case) for name, case in worked.aged.items()]
    said = _said(every, worked.bench)
    bad = [s for s in said if s.level == "bad"]
    watch = [s for s in said if s.level in ("watch", "not assessed")]
    headline = (
        tr("Something is bad")
        if bad
        else tr("Holds, with little in hand")
        if _tight(watch)
        else tr("Holds in every case")
    )
    return SupplyView(
        headline=headline,
        bad=bool(bad),
        findings=tuple(bad + watch),
        rest=tuple(s for s in said if s.level == "good"),
        cases=tuple(_case_row(name, case) for name, case in every),
        rails=tuple(_rail_row(name, case, n) for name, case in every for n in range(len(case.rails)) if case.held),
        facts=_bench_facts(worked),
        worst=tuple(_worst(each) for each in worked.worst),
        assumed=worked.loaded.assumed,
        plots=tuple(_plots(worked, ident)),
    )


def _level(name: str) -> str:
    """Of the mains; a figure stays as it is."""
    words = {"low": tr_in("mains", "low"), "nominal": tr_in("mains", "nominal"), "high": tr_in("mains", "high")}
    return words.get(name, name)


def _tight(watch: list[Said]) -> bool:
    return any(s.level == "watch" and s.subject != "discharge" for s in watch)


def _said(every: list[tuple[str, Case]], on_bench: Bench) -> list[Said]:
    """Findings once each, the worst first, with the cases they hold in."""
    order = {"bad": 0, "watch": 1, "not assessed": 2, "good": 3}
    found: dict[tuple[str, str, str], list[str]] = {}
    for name, case in every:
        for f in case.findings:
            found.setdefault((f.level, f.subject, f.text), []).append(name)
    for f in on_bench.findings:
        found.setdefault((f.level, f.subject, f.text), [])
    said = [
        Said(level, subject, text, "" if len(cases) in (0, len(every)) else tr(" and ").join(cases))
        for (level, subject, text), cases in found.items()
    ]
    return sorted(said, key=lambda s: order[s.level])


def _case_row(name: str, case: Case) -> CaseRow:
    mains = show(case.mains, "V")
    if not case.held:
        return CaseRow(name, mains, (tr("breaks down"), "", "", "", ""), True)
    values = (
        show(case.mean, "V"), show(case.valley, "V"), show(case.ripple, "V"), show(case.capacitor_rms, "A", 2),
        show(case.rectifier_heat, "W", 2),
    )  # fmt: skip
    return CaseRow(name, mains, values)


def _rail_row(name: str, case: Case, n: int) -> CaseRow:
    rail = case.rails[n]
    dips = (
        tr("{depth}, {share:.0f}\u2009% of the time", depth=show(rail.depth, "V", 2), share=100 * rail.share)
        if rail.depth
        else tr("none")
    )
    hot = tr("shuts down") if rail.junction is None else shown(f"{rail.junction:.0f}\u2009°C")
    heat = show(rail.heat, "W", 2)
    values = (show(rail.mean, "V"), show(rail.headroom, "V", 2), dips, show(rail.ripple, "V", 2), heat, hot)
    return CaseRow(name, rail.name, values, rail.depth > 0 or rail.junction is None or rail.junction > WORKING)


def _worst(each: WorstCase) -> str:
    hot = (
        tr("it shuts down") if each.junction is None else tr("junction {junction:.0f}\u2009°C", junction=each.junction)
    )
    return tr(
        "{name}: headroom {headroom}, heat {heat}, {hot}",
        name=each.name,
        headroom=show(each.headroom, "V", 2),
        heat=show(each.heat, "W", 2),
        hot=hot,
    )


def _bench_facts(worked: Worked) -> tuple[tuple[str, str], ...]:
    on_bench, supply = worked.bench, worked.loaded.supply
    emptied = on_bench.discharge
    facts = [
        (
            tr("Reservoir"),
            tr("{farad} with {esr}", farad=show(supply.reservoir.farad, "F"), esr=show(supply.reservoir.esr, "Ω")),
        )
    ]
    facts.append((tr("Across it without load, high mains"), show(on_bench.unloaded, "V")))
    facts.append((tr("It then holds"), show(emptied.energy, "J", 2)))
    facts.append(
        (
            tr("To empty it through the bench’s resistor"),
            tr("up to {time}", time=show(emptied.hands_seconds, "s", 2)),
        )
    )
    if on_bench.bleeder_seconds is not None:
        facts.append(
            (
                tr("Through its own bleeder"),
                tr("up to {time}", time=show(on_bench.bleeder_seconds, "s", 2)),
            )
        )
    for each in worked.ageing:
        what = tr("{name} at low mains", name=each.name)
        if each.left is None:
            facts.append((what, tr("holds until less than a tenth of the reservoir is left")))
        elif each.left >= 1:
            facts.append((what, tr("drops out with a new reservoir")))
        else:
            grown = tr(" and {esr:.2g} times the ESR", esr=each.esr) if each.esr else ""
            facts.append(
                (
                    what,
                    tr(
                        "drops out from {left:.0f}\u2009% of the capacitance{grown} on",
                        left=100 * each.left,
                        grown=grown,
                    ),
                )
            )
    if on_bench.inrush:
        where = tr("the fuse") if supply.fuse else tr("the winding")
        facts.append(
            (
                tr("Switch-on"),
                tr("up to {inrush} through {where}, estimate", inrush=show(on_bench.inrush, "A", 2), where=where),
            )
        )
    return tuple(facts)


def _plots(worked: Worked, ident: str) -> list[PlotView]:
    found = []
    if any(case.held for case in worked.cases.values()):
        found.append(_waves(worked, worked.cases, tr("New parts"), f"{ident}-new"))
    if any(case.held for case in worked.aged.values()):
        found.append(_waves(worked, worked.aged, tr("Aged parts"), f"{ident}-aged"))
    if worked.loaded.supply.regulators:
        found.append(_headrooms(worked, f"{ident}-headroom"))
    if worked.without:
        found.append(_heat(worked, f"{ident}-heat"))
    return found


def _waves(worked: Worked, cases: Mapping[str, Case], what: str, ident: str) -> PlotView:
    supply = worked.loaded.supply
    traces = []
    for name in ("high", "nominal", "low"):
        steady = cases[name].steady
        if steady is None:
            continue
        volt = np.tile(np.asarray(steady.volt, dtype=float).ravel(), PERIODS)
        seconds = np.arange(volt.size) / (volt.size / PERIODS * supply.mains_hz)
        traces.append(Trace(tr("{level} mains", level=_level(name)), seconds, volt, look=LOOKS[name]))
    limits = _needs(worked.loaded)
    low = cases["low"]
    title = tr("Across the reservoir, {what}", what=what[:1].lower() + what[1:])
    if low.held:
        says = tr(
            "At low mains the valley is {valley}, the ripple {ripple}.",
            valley=show(low.valley, "V"),
            ripple=show(low.ripple, "V"),
        )
    else:
        says = tr("At low mains the rail breaks down.")
    return plot_view(title, line_plot(traces, title=title, says=says, limits=limits, ident=ident), says)


def _headrooms(worked: Worked, ident: str) -> PlotView:
    rows = []
    for label, cases in (("", worked.cases), (tr(", aged"), worked.aged)):
        for name, case in cases.items():
            rows += [
                Bar(tr("{rail}, {level} mains{aged}", rail=rail.name, level=_level(name), aged=label), rail.headroom)
                for rail in case.rails
                if case.held
            ]
    title = tr("What the regulators have in hand")
    short = [row.name for row in rows if row.value < 0]
    says = tr("Too little: {short}.", short=", ".join(short)) if short else tr("Every rail holds in every case.")
    if not rows:
        return plot_view(title, "", tr("The rail breaks down in every case."))
    told = [Bar(r.name, r.value, told=show(r.value, "V", 2)) for r in rows]
    limit = Limit(0.0, tr("drops out below 0\u2009V"))
    return plot_view(
        title, bars(told, title=title, says=says, unit="V", limit=limit, bad_below=True, ident=ident), says
    )


def _heat(worked: Worked, ident: str) -> PlotView:
    rows = []
    for name, case in (
        (tr("as it belongs"), worked.cases["high"]),
        *((tr("without {part}", part=tr(p)), c) for p, c in worked.without.items()),
    ):
        for rail in case.rails:
            hot = SHUTDOWN if rail.junction is None else rail.junction
            told = tr("shuts down") if rail.junction is None else shown(f"{rail.junction:.0f}\u2009°C")
            rows.append(Bar(f"{rail.name}, {name}", hot, told=told))
    title = tr("Junction at high mains, with parts missing")
    over = [row.name for row in rows if row.value > WORKING]
    says = (
        tr("Above the {working:.0f}\u2009°C to work with: {over}.", working=WORKING, over=", ".join(over))
        if over
        else tr("Each stays cool enough.")
    )
    limit = Limit(WORKING, tr("{working:.0f}\u2009°C to work with", working=WORKING))
    return plot_view(title, bars(rows, title=title, says=says, unit="°C", limit=limit, ident=ident), says)


@dataclass(frozen=True)
class SpreadView:
    """The variants for a page."""

    says: str
    percents: tuple[int, ...]
    rows: tuple[CaseRow, ...]
    plots: tuple[PlotView, ...]


def spread_view(drawn: MonteCarlo, loaded: LoadedSupply, ident: str = "spread") -> SpreadView:
    """What the variants did, drawn."""
    told = [
        tr(
            "{name} drops out in {drops_out:.1f}\u2009% of them and shuts down in {shuts_down:.1f}\u2009%",
            name=rail.name,
            drops_out=100 * rail.drops_out,
            shuts_down=100 * rail.shuts_down,
        )
        for rail in drawn.rails
    ]
    if drawn.broken_down:
        told.insert(0, tr("the rail breaks down in {broken_down:.1f}\u2009%", broken_down=100 * drawn.broken_down))
    says = tr(
        "Of {count} variants, {told}. Seed {seed}.",
        count=drawn.count,
        told="; ".join(told or [tr("all were worked out")]),
        seed=drawn.seed,
    )
    quantity_rows = [("", q) for q in (drawn.mean, drawn.valley, drawn.ripple, drawn.capacitor_rms)]
    quantity_rows += [(rail.name, q) for rail in drawn.rails for q in (rail.headroom, rail.heat, rail.junction)]
    rows = tuple(
        CaseRow(where, q.name, tuple(_shown(v, q.unit) for v in q.percentiles.values())) for where, q in quantity_rows
    )
    plots = _fan(drawn, loaded, f"{ident}-fan")
    for n, rail in enumerate(drawn.rails):
        says_out = tr("It drops out in {drops_out:.1f}\u2009% of the variants.", drops_out=100 * rail.drops_out)
        plots += _histogram(
            rail.headroom,
            tr("{name}: headroom", name=rail.name),
            Limit(0.0, tr("drops out")),
            True,
            says_out,
            f"{ident}-h{n}",
        )
        hot = Quantity("junction", "°C", np.minimum(rail.junction.values, SHUTDOWN + 25), {})
        share = float(np.mean(rail.junction.values > WORKING))
        says_hot = tr("Hotter than it should be in {share:.1f}\u2009% of the variants.", share=100 * share)
        limit = Limit(WORKING, tr("{working:.0f}\u2009°C to work with", working=WORKING))
        plots += _histogram(hot, tr("{name}: junction", name=rail.name), limit, False, says_hot, f"{ident}-j{n}")
    if not drawn.rails:
        plots += _histogram(drawn.valley, tr("Valley of the rail"), None, True, "", f"{ident}-v")
    return SpreadView(says, tuple(drawn.mean.percentiles), rows, tuple(plots))


def _fan(drawn: MonteCarlo, loaded: LoadedSupply, ident: str) -> list[PlotView]:
    if not np.isfinite(drawn.waves).all():
        return []
    times = np.concatenate([drawn.times, drawn.times + 1 / loaded.supply.mains_hz])
    title = tr("Across the reservoir, the variants")
    lowest = show(float(drawn.waves[0].min()), "V")
    says = tr("In 19 of 20 variants the rail stays above {lowest} at every instant.", lowest=lowest)
    cuts = np.tile(drawn.waves, 2)
    svg = fan_plot(times, cuts, says=says, title=title, limits=_needs(loaded), ident=ident)
    return [plot_view(title, svg, says, key=tr(FAN_WORDS))]


def _needs(loaded: LoadedSupply) -> list[Limit]:
    """What each regulator needs at its input."""
    least = [(r.name, r.volt + float(r.dropout_at(r.ampere))) for r in loaded.supply.regulators]
    return [Limit(volt, tr("{name} needs {volt}", name=name, volt=show(volt, "V"))) for name, volt in least]


def _shown(value: float, unit: str) -> str:
    if not np.isfinite(value):
        return ""
    return shown(f"{value:.0f}\u2009°C") if unit == "°C" else show(value, unit, 3)


def _histogram(
    quantity: Quantity, title: str, limit: Limit | None, bad_below: bool, says: str, ident: str
) -> list[PlotView]:
    if not np.isfinite(quantity.values).any():
        return []
    svg = histogram(
        quantity.values, title=title, says=says, unit=quantity.unit, limit=limit, bad_below=bad_below, ident=ident
    )
    return [plot_view(title, svg, says)]
