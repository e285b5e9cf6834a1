"""Kits follow the log: an entry `kit-used` takes a ready kit off the shelf, a correction of it puts it back.

Its parts left the stores when it was made; nothing moves in the ledger.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

from django.conf import settings

from refettle.book.kits_trace import lots_of
from refettle.book.log import LogError
from refettle.book.models import Entry, Job
from refettle.book.models_kits import Kit
from refettle.book.store import StoreError, append
from refettle.book.wants_settle import parts_of
from refettle.language import tr

State = Kit.State


def parts_price(kit: Kit) -> Decimal | None:
    """What was paid for the parts of a kit, lot by lot; None where a lot has no price in the bench's currency."""
    total = Decimal(0)
    for each in lots_of(kit):
        if each.lot.price is None or each.lot.currency != settings.REFETTLE_CURRENCY:
            return None
        total += each.pieces * each.lot.price
    return total


def use(kit: Kit, job: Job, *, who: str, repair: str = "", note: str = "") -> Entry:
    """Write in the job's log that a ready kit is used; the kit follows. Raises StoreError, LogError."""
    if kit.state != State.READY:
        raise StoreError(tr("kit: {code} is {state}; allowed: ready", code=kit.code, state=kit.state), "kit")
    refs = [ref for line in kit.batch.version.lines.all() for ref in re.split(r"[\s,;]+", line.refs) if ref]
    content: dict[str, Any] = {"kind": "kit-used", "kit": kit.code, "refs": refs, "repair": repair, "note": note}
    price = parts_price(kit)
    if price is not None:
        content["price"] = float(round(price, 4))
    made = append(job, {k: v for k, v in content.items() if v not in ("", [])}, who)
    kit.refresh_from_db()
    return made


def settle_kits(job: Job) -> None:
    """Bring the kits in step with the job's log. To be called in the transaction that wrote it.

    Raises
    ------
    LogError
        A kit that is not there, is not ready, or is named twice.
    """
    codes = [each.kit.upper() for each in parts_of(job).kits.values() if not each.elsewhere]
    twice = next((code for code in codes if codes.count(code) > 1), None)
    if twice is not None:
        raise LogError(tr("kit: {twice} found twice in this job; allowed: once", twice=twice), field="kit")
    held = {kit.code.upper(): kit for kit in Kit.objects.select_for_update().filter(job=job, state=State.USED)}
    for code, kit in held.items():
        if code not in codes:
            bad = any(each.lot.recalled is not None for each in lots_of(kit))
            kit.state, kit.job = State.RECALLED if bad else State.READY, None
            kit.save(update_fields=["state", "job"])
    for code in codes:
        if code in held:
            continue
        found = Kit.objects.select_for_update().filter(code__iexact=code).first()
        if found is None or found.state != State.READY:
            if found is None:
                raise LogError(tr("kit: '{code}' found; allowed: the code of a ready kit", code=code), field="kit")
            raise LogError(
                tr(
                    "kit: '{code}' found, which is {state}; allowed: the code of a ready kit",
                    code=code,
                    state=tr(str(found.state)),
                ),
                field="kit",
            )
        found.state, found.job = State.USED, job
        found.save(update_fields=["state", "job"])
