"""Kits, batches, traces as plain values, for `refettle kit --json`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from refettle.book.kits_trace import IntoKit, Recall
    from refettle.book.models_kits import Kit, KitBatch, KitVersion


def version_facts(version: KitVersion, whole: bool = False) -> dict[str, Any]:
    """A version: how many can be made; with `whole` its lines and price."""
    from refettle.book import kits, kits_cost

    found = kits.buildable_now(version)
    places = [f"board {version.revision}" if version.revision else "", version.region]
    facts: dict[str, Any] = {
        "kit": version.pk,
        "name": version.name,
        "type": version.slug,
        "revision": version.revision,
        "region": version.region,
        "place": ", ".join(x for x in places if x),
        "version": version.number,
        "withdrawn": version.withdrawn,
        "buildable": found.count,
        "limited_by": [line.part.code for line in kits.limiting(version, found)],
        "ready": kits.ready_of(version),
        "to_make": kits.to_make(version),
    }
    if not whole:
        return facts
    cost = kits_cost.cost_of(version, max(1, min(found.count or 10, 500)))
    facts["note"] = version.note
    facts["lines"] = [
        {
            "line": line.n,
            "refs": line.refs,
            "part": line.part.code,
            "quantity": line.quantity,
            "spares": line.spares,
            "alternates": line.alternates,
            "wanted": line.wanted,
            "note": line.note,
            "free": line.part.free,
        }
        for line in version.lines.all()
    ]
    facts["price"] = {
        "currency": cost.currency,
        "for": cost.count,
        "parts": round(cost.price.parts, 4),
        "labour": round(cost.price.labour, 4),
        "fee": round(cost.price.fee, 4),
        "cost": round(cost.price.cost, 4),
        "margin": cost.price.margin,
        "price": cost.price.price,
        "unpriced": [each.line.part.code for each in cost.unpriced],
    }
    return facts


def caution_ids(version: KitVersion) -> list[str]:
    """Cautions of fitting a kit."""
    from refettle.web.kit_views import cautions_of

    return [each.id for each in cautions_of(version)[0]]


def batch_facts(batch: KitBatch) -> dict[str, Any]:
    """A batch: its lines, what is filled, what is ready."""
    from refettle.book import kits_batch

    state = kits_batch.state_of(batch)
    word = "dropped" if batch.dropped else "done" if batch.done else "on the bench"
    return {
        "batch": batch.pk,
        "kit": batch.version_id,
        "name": batch.version.name,
        "version": batch.version.number,
        "count": batch.count,
        "state": word,
        "filled": sum(each.filled for each in state.lines),
        "lines": [
            {
                "line": each.line.n,
                "refs": each.line.refs,
                "parts": ", ".join(f"{run.part} for {run.first} to {run.last}" for run in each.runs),
                "each": each.line.quantity,
                "filled": each.filled,
                "bag": kits_batch.bag_code(batch, each.line),
            }
            for each in state.lines
        ],
        "to_check": state.to_check,
        "ready": [kit.code for kit in state.kits.values()],
        "shortages": state.shortages,
        "mistakes": state.mistakes,
    }


def kit_facts(kit: Kit) -> dict[str, Any]:
    """A kit and the lots that went into it."""
    from refettle.book.kits_trace import lots_of

    version = kit.batch.version
    return {
        "kit": kit.code,
        "name": version.name,
        "version": version.number,
        "batch": kit.batch_id,
        "state": kit.state,
        "sold_to": kit.sold_to,
        "sold_at": kit.sold_at,
        "price": kit.price,
        "currency": kit.currency,
        "job": kit.job.number if kit.job else None,
        "note": kit.note,
        "parts": [
            {
                "refs": each.line.refs,
                "part": each.lot.part.code,
                "pieces": each.pieces,
                "lot": str(each.lot),
                "lot_number": each.lot.pk,
            }
            for each in lots_of(kit)
        ],
    }


def _where(each: IntoKit) -> str:
    kit = each.kit
    if kit is None:
        return f"batch {each.batch}"
    if kit.sold_at:
        return f"{kit.sold_to}, {kit.sold_at:%Y-%m-%d}"
    return f"job {kit.job.number}" if kit.job else ""


def reached_facts(found: Recall) -> dict[str, Any]:
    """The kits of a lot, as they were reached."""
    groups = (found.marked, found.sold, found.used, found.being_made, found.others)
    return {
        "lot": str(found.lot),
        "lot_number": found.lot.pk,
        "part": found.lot.part.code,
        "recalled": found.lot.recalled is not None,
        "put_aside": found.aside,
        "still_on_hand": found.left,
        "kits": [
            {
                "kit": each.code,
                "pieces": each.pieces,
                "state": each.state if found.lot.recalled is None or each.state != "ready" else "recalled",
                "where": _where(each),
            }
            for group in groups
            for each in group
        ],
    }
