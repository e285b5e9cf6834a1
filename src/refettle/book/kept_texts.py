"""Texts that the book itself wrote into the log, the stores or a plan.

They are kept in English whatever the page, and shown in the language of the page: `kept` knows a text again by its
wording, with whatever stands in the places of its figures.
"""

from __future__ import annotations

import re
import string
from functools import cache

from refettle.language import SOURCE, Filling, local, manner, mark, shown, spoken, tr

FIGURE = re.compile(r"[-+−±]?\d[\d,]*\.\d+( ?[^\d\s]{1,3}( pp)?)?( ±\d+(\.\d+)?( dBFS)?)?")
MEASURED = re.compile(r"[-+−]?\d+\.\d+[ \u202f][^\d\s.]{1,3}( pp)?")
EMPTY = dict.fromkeys(("made", "least", "most", "of_one", "in_time", "after"), ".*?")
"""Placeholders that may be empty."""
TEXTS = (
    mark("kit batch {batch}: {note}"),
    mark("kit batch {batch}"),
    mark("missing: {codes}"),
    mark("too many or not of this batch: {codes}"),
    mark("{grams} g too heavy"),
    mark("{grams} g too light"),
    mark("one more of {parts} would explain it"),
    mark("one less of {parts} would explain it"),
    mark("with parts of {lots}, recalled"),
    mark("lot recalled: {reason}"),
    mark("{code} taken apart"),
    mark("will not come"),
    mark("{pieces} of {code} came in its place and went back. {note}"),
    mark("{pieces} of {code} came in its place and went back"),
    mark("order {order}, in place of {code}"),
    mark("order {order}"),
    mark("Left out of what is published."),
    mark("[left out]"),
    mark("Own stock"),
    mark("coil"),
    mark("exact"),
    mark("erased owner {owner}"),
    mark("Electrical safety"),
    mark("Electrical safety record"),
    mark("not sent"),
    mark("partly here"),
    mark("all here"),
    mark("closed"),
    mark("cancelled"),
    mark("sent"),
    mark("let go"),
    mark("served"),
    mark("open"),
    mark("being made"),
    mark("reservoir"),
    mark("rectified halves"),
    mark("tape speed"),
    mark("{wave}, diodes {diodes}"),
    mark("{figure}, mono"),
    mark("{figure}, left"),
    mark("{figure}, right"),
    mark("{clicks}, {rate} a minute ({more} more in music or speech, or at its ends, not counted)"),
    mark("{clicks}, {rate} a minute"),
    mark("valley"),
    mark("wave"),
    mark("{value} ({low} to {high})"),
    mark("at most {value}"),
    mark("Owner not told"),
    mark("donor {donor}"),
    mark("found when counted"),
    mark("taken over"),
    mark("lot {lot}"),
)
"""The longer before the shorter of those that begin alike."""
FIELDS = (
    mark("part"), mark("count"), mark("counted"), mark("lacking"), mark("kits"), mark("minutes"), mark("fee"),
    mark("margin"), mark("name"), mark("note"), mark("who"), mark("why"), mark("what"), mark("how"), mark("source"),
    mark("lot code"), mark("unit type"), mark("board revision"), mark("region"), mark("sold to"), mark("unit"),
    mark("value"), mark("kind"), mark("volt"), mark("celsius"), mark("diameter_mm"), mark("height_mm"),
    mark("pitch_mm"), mark("mount"), mark("maker"), mark("place"), mark("gram"), mark("shelf_days"),
    mark("lead_days"), mark("reorder_at"), mark("no_reorder"), mark("price"), mark("made"), mark("since"),
    mark("pieces"), mark("quarantined"), mark("code"), mark("label"), mark("serial"),
)  # fmt: skip
"""Names of fields, as errors of the stores and kits say them."""
LABELS = (
    mark("line {n}, alternate"),
    mark("line {n}, pieces"),
    mark("line {n}, places"),
    mark("line {n}, note"),
    mark("line {n}, wanted"),
    mark("line {n}"),
    mark("job {job}, entry {entry} ({kind})"),
    mark("unit {unit}, {field}"),
    mark("kit {kit}, {field}"),
    mark("{sku}, pieces"),
    mark("{sku}, price"),
)
"""Of fields in a list, likewise."""
PRICES = (
    mark("{between:,} rows without number or price are taken as headings between or notes, and left out"),
    mark("{column}: {found} found; allowed: {allowed}"),
    mark("no price: {cell}"),
)
"""What a price list of a supplier had against its rows, likewise; kept with the list."""
BACKUPS = (
    mark("{folder} is in the data folder; allowed: a folder outside of it, best on another disk"),
    mark("{folder} holds backups of another book ({home}); allowed: a folder each"),
    mark("{folder} holds other things; allowed: a new or empty folder, or one of backups"),
    mark("{folder} is not there; allowed: a folder in one that is (a disk put in)"),
    mark("{folder} is not there; put the disk in, or name the folder of the backups"),
    mark("{folder} holds no backups; begin with: {command}"),
    mark("{folder} is being used by another backup; try again when it is over"),
    mark("{folder} has a backup of this very second; try again"),
    mark("Backup {backup} was made, but old ones could not be taken away: {reason}"),
    mark(
        "{folder}: the disk is full: {free} MB free, {needed} MB needed. No backup was made; make room, or keep fewer "
        "with --keep"
    ),
    mark("{folder}: the disk is full. No backup was made; make room, or keep fewer with --keep"),
    mark("the book's database is damaged: {damage}. No backup was made; look with: refettle doctor"),
    mark("a fault of the bench book; the lines where it was started say why"),
    mark("{database} holds the table '{table}' of another program; allowed: an empty database"),
    mark("{database} holds {count} rows in '{table}'; allowed: an empty database"),
    mark("the copy lacks {count} of its append-only guards ({first})"),
    mark("the database refused: {reason}"),
    mark("the book holds the table '{table}', none of Refettle's: it would be left behind"),
    mark("{table}, id {row}: the target refused it: {reason}"),
    mark("{table}: {here} rows here, {there} in the copy"),
    mark("{table}, id {row}: differs in the copy in {fields}"),
    mark("{table}: differs in the copy"),
    mark("job {job}: its log says something else in the copy"),
    mark("{database}: {reason}. No backup was made"),
)
"""Why a backup failed, or a move of the book that one is made by, as the command line says it. The bench page says it
too, to whoever looks."""
PLAN = (
    mark("job {job}"),
    mark("kit {kit}, v{version}"),
    mark("the stores"),
    mark("as the kit says"),
    mark("may stand in, by the kit's list"),
    mark("{code}, {pieces} in each of {kits} kits"),
    mark("{code}, to have {pieces}"),
    mark("no rate was given for {currency}"),
    mark("Only parts that must be looked at first would do; tick that to take them in."),
    mark("No part of the stores is this yet: {note}."),
    mark("No part of the stores is this yet."),
    mark("proven: no order costs less and leaves as few lines short"),
    mark("proven: no order costs less"),
    mark("{made}not proven: the cheapest order may cost up to {gap:.2f} less ({counted:.2%})"),
    mark("{made}not proven, and nothing is known of how much cheaper it could be"),
    mark("without at least one of {names}"),
    mark("with another part on at least one line"),
    mark("there is no order {words} that serves as many lines"),
    mark("the cheapest order {words} costs {least}{more:.2f} more"),
    mark("{says}: the stores have it"),
    mark("{says}: with {asked} here, fewer lines could be served"),
    mark("{says}: what it saves was not worked out in the time"),
    mark("{says} saves {most}{saves:.2f} against the cheapest order with {asked} here"),
    mark("{quantity} of {part} in place of {asked}"),
    mark("each line where it costs least, shipping not looked at: {more:.2f} more"),
    mark("each line where it costs least: {counted:.2f}, short of {short}"),
    mark("all from {name}: {more:.2f} more"),
    mark("all from {name}: as it is"),
    mark("{name} alone serves the most lines, for {counted:.2f}; short of {lines}"),
    mark("nobody offers {shown}, and there is none in the stores"),
    mark("{shown} arrives on {first} at the earliest, needed by {by}"),
    mark("{most} of {quantity}{of_one} to be had{in_time}, from all who offer {shown}"),
    mark("{most} of {quantity}{of_one} to be had{in_time}{after}"),
    mark("the break: {bought} cost {cost}, {step} would cost {less} {currency}"),
    mark("{more} reach the minimum order of {minimum_order}"),
    mark("{more} reach free shipping from {free_from}, which saves {shipping}"),
    mark("{more} than the line needs"),
    mark("{step} more for {less} {currency}"),
    mark("sold from {from_quantity} pieces on"),
    mark("sold in steps of {multiple} packs of {pack}"),
    mark("sold in packs of {pack}"),
    mark("{part} for {places}"),
)
"""What a plan of orders says, likewise; it is kept as it was worked out."""


def kept(text: str) -> str:
    """A kept text in the current language; as it is where it is nobody's but the writer's."""
    return _shown(text, TEXTS)


def planned(text: str) -> str:
    """What a plan of orders says, in the current language."""
    return _shown(text, PLAN)


def priced(text: str) -> str:
    """What a price list had against one of its rows, in the current language."""
    return _shown(text, PRICES)


def backup_trouble(text: str) -> str:
    """Why a backup failed, in the current language; what the system or the database said of it stays as it said it."""
    return _told(text.rstrip("."), BACKUPS) or text


def label(field: str) -> str:
    """The name of a field in the current language."""
    return _shown(field, LABELS)


def _shown(text: str, among: tuple[str, ...]) -> str:
    if manner() == SOURCE or not text:
        return text
    if MEASURED.fullmatch(text):
        return local(text)
    parts = [_filled(each, among) for each in text.split("; ")]
    if len(parts) > 1 and all(parts):
        return "; ".join(str(each) for each in parts)
    told = _told(text, among) or _told(text[0].lower() + text[1:], among)
    if told is not None:
        return told[0].upper() + told[1:] if text[0].isupper() else told
    if parts[0] is not None:  # what the book wrote stands before what somebody added
        return "; ".join(known or each for known, each in zip(parts, text.split("; "), strict=True))
    return text


def _told(text: str, among: tuple[str, ...]) -> str | None:
    if (exact := spoken(text)) != text:
        return exact
    return _filled(text, among)


def _filled(text: str, among: tuple[str, ...]) -> str | None:
    for template, pattern in _patterns(among):
        if found := pattern.fullmatch(text):
            values = {name: _shown(words, among) for name, words in found.groupdict().items()}
            return shown(_Filled().vformat(tr(template), (), values))
    return None


class _Filled(Filling):
    """Placeholders filled with what stood in them, figures with the signs of the current language."""

    def format_field(self, value: str, format_spec: str) -> str:
        return local(value) if format_spec or FIGURE.fullmatch(value) else super().format_field(value, "")


@cache
def _patterns(among: tuple[str, ...]) -> tuple[tuple[str, re.Pattern[str]], ...]:
    made = []
    for template in among:
        if "{" not in template:
            continue
        pattern = "".join(
            re.escape(words) + (f"(?P<{name}>{EMPTY.get(name, '.+?')})" if name else "")
            for words, name, _spec, _kind in string.Formatter().parse(template)
        )
        made.append((template, re.compile(pattern, re.DOTALL)))
    return tuple(made)
