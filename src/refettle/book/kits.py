"""What belongs into a kit: versions by unit type, board revision and region; each line's part held against its place.

A version is never changed; a change is a new version. What the stores have decides how many can be made now.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.db.models import Count, Max, QuerySet
from django.utils import timezone

from refettle.book.kept_texts import label
from refettle.book.kits_match import find_part
from refettle.book.models_kits import Kit, KitLine, KitVersion, KitWish
from refettle.book.models_stores import Part
from refettle.book.store import StoreError
from refettle.book.stores_moves import quantity, said
from refettle.book.stores_values import rated_of_part
from refettle.language import tr
from refettle.parts.capacitor import CapacitorError
from refettle.parts.capacitor_text import read_capacitor
from refettle.parts.kit_list import MOST_LINES, MOST_PIECES
from refettle.parts.kits import Buildable, Need, Plan, buildable, plan
from refettle.parts.substitutes import assess


@dataclass(frozen=True)
class LineTyped:
    """One line of a kit as somebody wants it: codes of parts, pieces with spares in them."""

    part: str
    quantity: int
    refs: str = ""
    spares: int = 0
    alternates: tuple[str, ...] = ()
    note: str = ""
    wanted: str = ""


# ---------------------------------------------------------------- versions


def versions() -> QuerySet[KitVersion]:
    """All versions, the newest of each kit first."""
    return KitVersion.objects.order_by("slug", "revision", "region", "-number")


def newest() -> list[KitVersion]:
    """The newest version of each kit, with those withdrawn left out."""
    made: dict[tuple[str, str, str], KitVersion] = {}
    for version in versions().filter(withdrawn=False).prefetch_related("lines__part"):
        made.setdefault((version.slug, version.revision, version.region), version)
    return list(made.values())


def find_version(pk: int) -> KitVersion:
    """A version by its number in the book. Raises StoreError."""
    version = KitVersion.objects.filter(pk=pk).prefetch_related("lines__part").first()
    if version is None:
        raise StoreError(tr("kit: {n} found; allowed: one of {allowed}", n=pk, allowed=_known()), "kit")
    return version


def _known() -> str:
    return ", ".join(str(pk) for pk in KitVersion.objects.order_by("pk").values_list("pk", flat=True)[:40]) or tr(
        "none yet"
    )


def later(version: KitVersion) -> KitVersion | None:
    """The newest version of the same kit, where that is another one."""
    same = KitVersion.objects.filter(slug=version.slug, revision=version.revision, region=version.region)
    last = same.order_by("-number").first()
    return last if last is not None and last.pk != version.pk else None


def new_version(
    lines: Sequence[LineTyped],
    *,
    slug: str,
    name: str,
    who: str,
    revision: str = "",
    region: str = "",
    note: str = "",
    board: str = "",
    minutes: float = 5.0,
    fee: Any = 0,
    margin: float = 0.3,
) -> KitVersion:
    """Write the next version of the kit of this unit type, board revision and region.

    Raises
    ------
    StoreError
        Naming the line or field, what was found, what is allowed: a part that is not in the stores, one that the rules
        refuse for its place, no lines.
    """
    if not lines or len(lines) > MOST_LINES:
        raise StoreError(tr("lines: {n} found; allowed: 1 to {most}", n=len(lines), most=MOST_LINES), "lines")
    head = {
        "slug": said(slug, "unit type", 120, 1),
        "revision": said(revision, "board revision", 80),
        "region": said(region, "region", 80),
        "name": said(name, "name", 200, 1),
        "note": note.strip()[:4000],
        "board": board,
        "minutes": number_of(minutes, "minutes", 0.0, 10_000.0),
        "fee": number_of(fee, "fee", 0.0, 1e6),
        "margin": number_of(margin, "margin", 0.0, 0.95),
        "who": said(who, "who", 200, 1),
    }
    checked = [_checked(n, line) for n, line in enumerate(lines, start=1)]
    with transaction.atomic():
        same = KitVersion.objects.filter(slug=head["slug"], revision=head["revision"], region=head["region"])
        number = (same.aggregate(last=Max("number"))["last"] or 0) + 1
        version = KitVersion.objects.create(number=number, **head)
        KitLine.objects.bulk_create(KitLine(version=version, n=n, **line) for n, line in enumerate(checked, start=1))
    return find_version(version.pk)


def number_of(value: Any, name: str, low: float, high: float) -> float:
    """A number as typed, comma or point. Raises StoreError naming it."""
    try:
        number = float(str(value).replace(",", "."))
    except ValueError:
        number = float("nan")
    if not low <= number <= high:
        raise StoreError(
            tr(
                "{field}: '{found}' found; allowed: {low:g} to {high:g}",
                field=label(name),
                found=str(value)[:40],
                low=low,
                high=high,
            ),
            name,
        )
    return number


def _checked(n: int, line: LineTyped) -> dict[str, Any]:
    where = f"line {n}"
    part = find_part(line.part, where)
    others = [find_part(code, f"{where}, alternate") for code in line.alternates]
    codes = [part.code, *(each.code for each in others)]
    if len(set(codes)) != len(codes):
        raise StoreError(
            tr("{where}: {codes} found; allowed: each part once", where=where, codes=", ".join(codes)), where
        )
    pieces = quantity(line.quantity, f"{where}, pieces")
    if pieces > MOST_PIECES or not 0 <= line.spares < pieces:
        raise StoreError(
            tr(
                "{where}: {pieces} pieces, {spares} of them spare, found; allowed: 1 to {most}, fewer "
                "spares than pieces",
                where=where,
                pieces=pieces,
                spares=line.spares,
                most=MOST_PIECES,
            ),
            where,
        )
    if line.wanted:
        try:
            original = read_capacitor(line.wanted)
        except CapacitorError as error:
            raise StoreError(f"{where}: {error}", where) from None
        for each in (part, *others):
            rated = rated_of_part(each)
            if rated is None:
                raise StoreError(
                    tr(
                        "{where}: {code} found, of which the stores do not know that it is a capacitor; allowed: "
                        "one for {wanted}",
                        where=where,
                        code=each.code,
                        wanted=line.wanted,
                    ),
                    where,
                )
            refused = assess(original, rated).refusals
            if refused:
                raise StoreError(
                    tr(
                        "{where}: {code} found for {wanted}, refused: {reasons}; allowed: a part that can stand "
                        "in, or what the place needs put right",
                        where=where,
                        code=each.code,
                        wanted=line.wanted,
                        reasons="; ".join(f.reason for f in refused),
                    ),
                    where,
                )
    return {
        "part": part,
        "quantity": pieces,
        "spares": line.spares,
        "refs": said(line.refs, f"{where}, places", 500),
        "alternates": codes[1:],
        "note": said(line.note, f"{where}, note", 500),
        "wanted": said(line.wanted, f"{where}, wanted", 200),
    }


def withdraw(version: KitVersion) -> None:
    """Make no more of it. What was made of it stays as it is."""
    KitVersion.objects.filter(pk=version.pk).update(withdrawn=True)
    version.withdrawn = True


def typed_of(version: KitVersion) -> list[LineTyped]:
    """The lines of a version, to make the next one from."""
    return [
        LineTyped(x.part.code, x.quantity, x.refs, x.spares, tuple(x.alternates), x.note, x.wanted)
        for x in version.lines.select_related("part")
    ]


def differences(old: KitVersion, new: KitVersion) -> list[str]:
    """What changed from one version to another, a sentence each; lines are held together by their places."""
    said_: list[str] = []
    for name, words in (
        ("name", tr("name")),
        ("note", tr("note")),
        ("minutes", tr("minutes")),
        ("fee", tr("fee")),
        ("margin", tr("margin")),
    ):
        was, now = getattr(old, name), getattr(new, name)
        if was != now:
            said_.append(
                tr("{field}: {was} is now {now}", field=words, was=was or tr("nothing"), now=now or tr("nothing"))
            )
    if old.board != new.board:
        said_.append(
            tr("another board file")
            if new.board and old.board
            else tr("board file added")
            if new.board
            else tr("board file gone")
        )
    before, after = ({line.refs or line.part.code: line for line in v.lines.select_related("part")} for v in (old, new))
    for key, line in before.items():
        if key not in after:
            said_.append(
                tr("gone: {quantity} × {code} for {key}", quantity=line.quantity, code=line.part.code, key=key)
            )
    for key, line in after.items():
        was_line = before.get(key)
        if was_line is None:
            said_.append(tr("new: {quantity} × {code} for {key}", quantity=line.quantity, code=line.part.code, key=key))
            continue
        for name, words in (
            ("quantity", tr("pieces")),
            ("spares", tr("spares")),
            ("note", tr("note")),
            ("wanted", tr("wanted")),
        ):
            was, now = getattr(was_line, name), getattr(line, name)
            if was != now:
                said_.append(
                    tr(
                        "{key}: {field} {was} is now {now}",
                        key=key,
                        field=words,
                        was=was or tr("none"),
                        now=now or tr("none"),
                    )
                )
        if was_line.part_id != line.part_id:
            said_.append(tr("{key}: {before} is now {now}", key=key, before=was_line.part.code, now=line.part.code))
        if was_line.alternates != line.alternates:
            said_.append(
                tr("{key}: may be replaced by {codes}", key=key, codes=", ".join(line.alternates) or tr("nothing"))
            )
    return said_


# ---------------------------------------------------------------- how many


def needs_of(version: KitVersion) -> list[Need]:
    """The lines as the computation takes them; a line's name is its number."""
    return [Need(str(x.n), x.quantity, (x.part.code, *x.alternates)) for x in version.lines.all()]


def free_for(needs: Sequence[Need]) -> dict[str, int]:
    """Part -> free pieces."""
    codes = {code for need in needs for code in need.parts}
    return {part.code: part.free for part in Part.objects.filter(code__in=codes)}


def buildable_now(version: KitVersion) -> Buildable:
    """How many can be made of what is free, and the numbers of the lines that limit."""
    needs = needs_of(version)
    return buildable(needs, free_for(needs))


def plan_for(version: KitVersion, count: int) -> Plan:
    """How so many would be filled, and which parts that lacks."""
    needs = needs_of(version)
    return plan(needs, free_for(needs), count)


def limiting(version: KitVersion, found: Buildable) -> list[KitLine]:
    """The lines that limit."""
    return [line for line in version.lines.all() if str(line.n) in found.limits]


# ---------------------------------------------------------------- wishes


def wish(version: KitVersion, count: Any, *, who: str, by: Any = None) -> KitWish:
    """So many kits are to be made: their parts are needed until they are."""
    number = quantity(count, "kits")
    if number > MOST_PIECES:
        raise StoreError(tr("kits: {n} found; allowed: 1 to {most}", n=number, most=MOST_PIECES), "kits")
    if version.withdrawn:
        raise StoreError(tr("kit: {version} is withdrawn; allowed: a version that is made", version=version), "kit")
    return KitWish.objects.create(version=version, count=number, by=by or None, who=said(who, "who", 200, 1))


def open_wishes(version: KitVersion | None = None) -> QuerySet[KitWish]:
    """Wishes not yet made."""
    found = KitWish.objects.filter(closed=None).select_related("version").order_by("id")
    return found if version is None else found.filter(version=version)


def to_make(version: KitVersion) -> int:
    """Kits wished for that are neither made nor in a batch on the bench, whose parts are taken or promised already."""
    wished = sum(w.count - w.made for w in open_wishes(version))
    running = sum(b.count - b.kits.count() for b in version.batches.filter(done=None, dropped=None))
    return max(0, wished - running)


def needs() -> dict[int, int]:
    """Part -> pieces that kits still to be made need, of each line's own part."""
    made: dict[int, int] = {}
    wished = open_wishes().values_list("version_id", flat=True)
    for version in KitVersion.objects.filter(pk__in=set(wished)).prefetch_related("lines"):
        count = to_make(version)
        for line in version.lines.all():
            if count:
                made[line.part_id] = made.get(line.part_id, 0) + count * line.quantity
    return made


def close_wish(wished: KitWish) -> None:
    """What is not made of a wish is wanted no longer."""
    KitWish.objects.filter(pk=wished.pk, closed=None).update(closed=timezone.now())


def made_one(version: KitVersion) -> None:
    """A kit got ready: the oldest open wish has one less to go."""
    first = KitWish.objects.filter(version=version, closed=None).order_by("id").select_for_update().first()
    if first is None:
        return
    first.made += 1
    if first.made >= first.count:
        first.closed = timezone.now()
    first.save(update_fields=["made", "closed"])


def ready_of(version: KitVersion) -> int:
    """Ready kits of any version for the same unit type, revision and region."""
    same = {f"batch__version__{name}": getattr(version, name) for name in ("slug", "revision", "region")}
    return Kit.objects.filter(state=Kit.State.READY, **same).count()


def stock_of_kits(version: KitVersion) -> dict[str, int]:
    """State -> kits of this version."""
    counted = Kit.objects.filter(batch__version=version).order_by().values_list("state").annotate(n=Count("pk"))
    return {str(state): n for state, n in counted}
