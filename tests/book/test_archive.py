"""One job as one file: what is packed comes out the same elsewhere, and nothing hostile comes in."""

from __future__ import annotations

import hashlib
import io
import json
import random
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from hypothesis import HealthCheck, given
from hypothesis import settings as trying
from hypothesis import strategies as st
from PIL import Image

from refettle.book import experience, files, photos, store, stores_check
from refettle.book.archive import HEAD, LIBRARY, LOG, TYPE, ArchiveError, pack
from refettle.book.archive_unpack import LEFT_OUT, unpack
from refettle.book.backup_facts import log_digest
from refettle.book.log import LogError
from refettle.book.models import Entry, Job, Owner, Photo, TypeVersion
from refettle.book.models_experience import BenchIdentity
from refettle.book.models_stores import Movement, Part
from refettle.book.stores import receive
from refettle.book.wants_settle import parts_of
from refettle.knowledge.loading import LoadedType

AT = datetime(2031, 3, 2, 10, 15, tzinfo=UTC)
Members = dict[str, bytes]


def picture(seed: int = 1) -> bytes:
    out = io.BytesIO()
    grain = random.Random(seed).randbytes(40 * 30 * 3)
    Image.frombytes("RGB", (40, 30), grain).save(out, "JPEG", quality=95)
    return out.getvalue()


def elsewhere() -> None:
    """From now on the book is another bench's."""
    BenchIdentity.objects.update(bench="beef" * 4)


@pytest.fixture
def full(db: None, loaded: LoadedType) -> Job:
    """A customer's job with a photo, a file, parts out of the stores and a correction."""
    owner = store.get_or_create_owner("Ingrid Mossbank", "ingrid@mossbank.example")
    job = store.open_job(loaded, owner=owner, serial="L48-0731", label="the grey one", opened=AT)
    photo = photos.store_photo(io.BytesIO(picture()), settings.REFETTLE_PHOTOS)
    board = files.keep(b"Designator,Value\nC1,470u 25V\n", settings.REFETTLE_FILES)
    part = Part.objects.create(code="C470", name="470 µF")
    lot = receive(part, 10, who="Ada").lot
    for entry in (
        {"kind": "take-in", "said": "Mossbank says it hums"},
        {"kind": "photo", "photo": photo.sha256, "caption": "the board"},
        {"kind": "board", "file": board, "name": "board.csv"},
        {"kind": "part-wanted", "what": "470u 25V", "part": "C470", "count": 2},
        {"kind": "part-taken", "part": "C470", "lot": lot.pk, "count": 1, "wanted": 4, "price": 0.4},
        {"kind": "note", "text": "wrnog"},
        {"kind": "correction", "corrects": 6, "with": {"kind": "note", "text": "wrong"}, "why": "typed"},
    ):
        store.append(job, entry, "Ada Quill", AT)
    return job


@pytest.fixture
def packed(full: Job, tmp_path: Path) -> Path:
    pack(full, tmp_path / "job.zip")
    return tmp_path / "job.zip"


def kept() -> tuple[Any, ...]:
    """All that unpacking could have changed."""
    folders = [settings.REFETTLE_PHOTOS, settings.REFETTLE_FILES, settings.REFETTLE_HOME]
    there = sorted(str(p) for folder in folders for p in Path(folder).rglob("*") if p.is_file())
    tables = (Job, Entry, Photo, Owner, TypeVersion, Movement)
    return there, [table.objects.count() for table in tables]


def members_of(file: Path) -> Members:
    with zipfile.ZipFile(file) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def write(file: Path, members: Members, *, sealed: bool = True) -> Path:
    """A zip file of these; `sealed`: job.json says of each what it is."""
    members = dict(members)
    if sealed:
        head = json.loads(members[HEAD])
        head["members"] = {n: {"bytes": len(d), "sha256": hashlib.sha256(d).hexdigest()} for n, d in members.items()
                           if n != HEAD}  # fmt: skip
        members[HEAD] = json.dumps(head).encode()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return file


# ---------------------------------------------------------------- out and in


def test_it_comes_out_the_same_on_another_bench(full: Job, packed: Path, tmp_path: Path) -> None:
    log, state = store.entries(full), store.job_state(full)
    lines = Movement.objects.count()
    for folder in (settings.REFETTLE_PHOTOS, settings.REFETTLE_FILES):
        for path in [p for p in Path(folder).rglob("*") if p.is_file()]:
            path.unlink()
    elsewhere()
    taken = unpack(packed, who="Bo")
    job = store.find_job(taken.job)
    assert (taken.was, taken.entries, taken.photos, taken.files) == (full.number, 7, 1, 1)
    assert job.number == full.number + 1
    *same, came = store.entries(job)
    assert same == log
    assert (came["kind"], came["n"], came["who"], came["job"], came["entries"]) == ("came-over", 8, "Bo", 1, 7)
    after = store.job_state(job)
    assert after.suspects() == state.suspects()
    assert (after.stage, after.minutes, after.parts) == (state.stage, state.minutes, state.parts)
    assert (job.unit.serial, job.unit.label, job.opened) == ("L48-0731", "the grey one", AT)
    assert job.unit.owner == full.unit.owner
    assert job.unit.type_version == full.unit.type_version
    photo = Photo.objects.get()
    assert photos.original_path(settings.REFETTLE_PHOTOS, photo.sha256, photo.format).is_file()
    assert files.fetch(log[2]["file"], settings.REFETTLE_FILES).startswith(b"Designator")
    assert Movement.objects.count() == lines
    assert stores_check.verify() == []


def test_without_the_owner(full: Job, tmp_path: Path) -> None:
    full.unit.label = "Ingrid's grey one"
    told = pack(full, tmp_path / "job.zip", owner=False)
    assert told.label == "Ingrid's grey one"
    assert told.naming == (1,)  # the words of an entry are packed as they are
    assert b"ingrid@" not in b"".join(members_of(tmp_path / "job.zip").values())
    elsewhere()
    owner = store.find_job(unpack(tmp_path / "job.zip", who="Bo").job).unit.owner
    assert (owner.name, owner.contact, owner.kind) == (LEFT_OUT, "", "customer")


def test_the_same_twice_is_noticed(full: Job, packed: Path, tmp_path: Path) -> None:
    before = kept()
    with pytest.raises(ArchiveError, match="job 1 of this very bench") as refused:
        unpack(packed, who="Bo")
    assert refused.value.status == 1
    assert kept() == before
    elsewhere()
    first = unpack(packed, who="Bo")
    before = kept()
    with pytest.raises(ArchiveError, match=f"was unpacked before, as job {first.job}"):
        unpack(packed, who="Bo")
    BenchIdentity.objects.update(bench="cafe" * 4)
    pack(store.find_job(first.job), tmp_path / "third.zip")  # passed on, and come back by a third bench
    BenchIdentity.objects.update(bench="dead" * 4)
    with pytest.raises(ArchiveError, match="was unpacked before"):
        unpack(tmp_path / "third.zip", who="Bo")
    assert kept() == before
    assert unpack(packed, who="Bo", again=True).job == first.job + 1


def test_a_longer_log_of_a_job_that_is_here_is_noticed(full: Job, packed: Path, tmp_path: Path) -> None:
    store.append(full, {"kind": "note", "text": "more"}, "Ada", AT)
    pack(full, tmp_path / "longer.zip")
    elsewhere()
    unpack(packed, who="Bo")
    with pytest.raises(ArchiveError, match="was unpacked before with 7 entries"):
        unpack(tmp_path / "longer.zip", who="Bo")


def test_what_came_over_moves_nothing_here_and_what_is_written_here_does(full: Job, packed: Path) -> None:
    elsewhere()
    job = store.find_job(unpack(packed, who="Bo").job)
    (want,) = parts_of(job).open
    assert (want.part, want.left) == ("", 1)  # the other bench's code may be another part here
    on_hand = Part.objects.get().on_hand
    # A correction of a taking there changes what the job cost, not the stores here.
    taken = {k: v for k, v in store.entries(job)[4].items() if k not in ("n", "at", "who")}
    store.append(job, {"kind": "correction", "corrects": 5, "with": {**taken, "price": 0.6}}, "Bo")
    assert store.job_state(job).stores.cost == pytest.approx(0.6)
    assert Part.objects.get().on_hand == on_hand
    with pytest.raises(LogError, match="taken at another bench"):
        store.append(job, {"kind": "part-returned", "taken": 5, "count": 1, "why": "not used"}, "Bo")
    lot = Part.objects.get().lots.get()
    store.append(job, {"kind": "part-taken", "part": "C470", "lot": lot.pk, "count": 1, "wanted": 4}, "Bo")
    assert Part.objects.get().on_hand == on_hand - 1
    assert stores_check.verify() == []


def test_a_kit_used_there_is_not_asked_for_here(db: None, loaded: LoadedType, tmp_path: Path) -> None:
    job = store.open_job(loaded, opened=AT)
    store.append(job, {"kind": "note", "text": "x"}, "Ada", AT)
    Entry.objects.create(job=job, n=2, at=AT, who="Ada", kind="kit-used", data={"kit": "K3-2", "price": 1.5})
    pack(job, tmp_path / "job.zip")
    elsewhere()
    taken = store.find_job(unpack(tmp_path / "job.zip", who="Bo").job)
    store.append(taken, {"kind": "correction", "corrects": 1, "with": None}, "Bo")
    assert store.job_state(taken).stores.cost == pytest.approx(1.5)


def test_where_it_came_from_cannot_be_written_or_unsaid_by_hand(full: Job, packed: Path) -> None:
    elsewhere()
    job = store.find_job(unpack(packed, who="Bo").job)
    came = {k: v for k, v in store.entries(job)[-1].items() if k not in ("n", "at", "who")}
    for entry in (came, {"kind": "correction", "corrects": 8, "with": None},
                  {"kind": "correction", "corrects": 6, "with": came}):  # fmt: skip
        with pytest.raises(LogError, match=r"by hand|where the job came from"):
            store.append(job, entry, "Bo")


def test_a_job_finished_there_is_that_bench_s_lesson(db: None, loaded: LoadedType, tmp_path: Path) -> None:
    full = store.open_job(loaded)
    store.append(full, {"kind": "stage", "stage": "handed over", "why": "a test"}, "Ada")
    pack(full, tmp_path / "job.zip")
    elsewhere()
    job = store.find_job(unpack(tmp_path / "job.zip", who="Bo").job)
    assert job.closed is not None
    for each in (full, job):
        experience.keep(each)
    assert not experience.own_lessons().filter(job=job).exists()


def test_what_is_missing_is_said_and_may_be_missing(full: Job, tmp_path: Path) -> None:
    for path in list(Path(settings.REFETTLE_FILES).rglob("*")):
        if path.is_file():
            path.unlink()
    told = pack(full, tmp_path / "job.zip")
    assert len(told.missing) == 1
    elsewhere()
    assert unpack(tmp_path / "job.zip", who="Bo").missing == told.missing


def test_a_file_that_is_there_is_not_written_over(full: Job, packed: Path) -> None:
    before = packed.read_bytes()
    with pytest.raises(ArchiveError, match="allowed: a new one"):
        pack(full, packed)
    assert packed.read_bytes() == before


# ---------------------------------------------------------------- hostile


def head(**changed: Any) -> Callable[[Members], None]:
    def change(members: Members) -> None:
        members[HEAD] = json.dumps({**json.loads(members[HEAD]), **changed}).encode()

    return change


def log(change: Callable[[list[dict[str, Any]]], None]) -> Callable[[Members], None]:
    """The log changed, and everything that says what it is."""

    def changed(members: Members) -> None:
        entries = [json.loads(line) for line in members[LOG].decode().splitlines()]
        change(entries)
        members[LOG] = "".join(json.dumps(e) + "\n" for e in entries).encode()
        try:
            head(entries=len(entries), log=log_digest(entries))(members)
        except (KeyError, TypeError, ValueError):
            head(entries=len(entries))(members)

    return changed


def put(name: str, data: bytes) -> Callable[[Members], None]:
    return lambda members: members.__setitem__(name, data)


def unit_type(text: bytes | None = None, library: bytes | None = None) -> Callable[[Members], None]:
    def change(members: Members) -> None:
        members[TYPE] = members[TYPE] if text is None else text
        members[LIBRARY] = members[LIBRARY] if library is None else library
        kind = json.loads(members[HEAD])["type"]
        sha256 = hashlib.sha256(members[TYPE] + b"\0" + members[LIBRARY]).hexdigest()
        head(type={**kind, "sha256": sha256})(members)

    return change


def photo(data: bytes, ending: str = "jpg", file_format: str = "JPEG") -> Callable[[Members], None]:
    """The photo is this instead, by its right hash, in the log as well."""

    def change(members: Members) -> None:
        old = next(name for name in members if name.startswith("photos/"))
        del members[old]
        sha256 = hashlib.sha256(data).hexdigest()
        members[f"photos/{sha256}.{ending}"] = data
        log(lambda entries: entries[1].update(photo=sha256))(members)
        head(photos=[{"sha256": sha256, "format": file_format, "taken_at": None}])(members)

    return change


def with_place() -> bytes:
    out = io.BytesIO()
    image = Image.new("RGB", (40, 30), "grey")
    exif = image.getexif()
    exif.get_ifd(0x8825)[1] = "N"
    exif[0x010F] = "A camera"
    image.save(out, "JPEG", exif=exif)
    return out.getvalue()


def huge_picture() -> bytes:
    out = io.BytesIO()
    Image.new("1", (20_000, 20_000)).save(out, "PNG")
    return out.getvalue()


HOSTILE: dict[str, tuple[Callable[[Members], Any], str]] = {
    "leads out": (put("../../home/ada/.profile", b"x"), "member '../../home"),
    "leads out inside": (put("photos/../../x.jpg", b"x"), "member 'photos/../"),
    "absolute": (put("/etc/passwd", b"x"), "member '/etc/passwd'"),
    "a drive": (put("C:\\x", b"x"), "member 'C:"),
    "a share": (put("\\\\host\\share\\x", b"x"), "member "),
    "nested": (put("photos/a/b/c/d/e/f/g.jpg", b"x"), "member 'photos/a"),
    "an unknown member": (put("readme.txt", b"x"), "member 'readme.txt'"),
    "a folder": (put("files/", b""), "member 'files/'"),
    "a file no entry names": (put("files/" + hashlib.sha256(b"x").hexdigest(), b"x"), "no entry names it"),
    "no log": (lambda m: m.pop(LOG), "log.jsonl: missing"),
    "no head": (lambda m: m.pop(HEAD), "job.json: missing"),
    "no photo": (lambda m: m.pop(next(n for n in m if n.startswith("photos/"))), "missing, though an entry names it"),
    "head is no JSON": (put(HEAD, b"{"), "job.json: no JSON"),
    "head is a list": (put(HEAD, b"[]"), "job.json: the whole"),
    "head twice": (put(HEAD, b'{"format": "refettle job", "format": "x"}'), "found twice"),
    "head very deep": (put(HEAD, b"[" * 100_000), "brackets 100000 deep"),
    "another format": (head(format="holiday photos"), "job.json: format"),
    "a later version": (head(version=2), "version 2 found; allowed: 1"),
    "more in the head": (head(run="rm -rf /"), "job.json: run"),
    "a job of no number": (head(job=0), "job.json: job"),
    "a number as text": (head(entries="7"), "job.json: entries"),
    "an endless number": (head(job=10**30), "job.json: job"),
    "a name with a line in it": (head(serial="x\ny"), "job.json: serial"),
    "an owner too long": (head(owner={"name": "x" * 121, "contact": ""}), "job.json: owner.name"),
    "an owner without a name": (head(owner={"name": "", "contact": ""}), "job.json: owner.name"),
    "a time outside the calendar": (head(opened="9999-12-31T23:59:59-14:00"), "job.json: opened"),
    "a photo from before the calendar": (
        lambda m: head(photos=[json.loads(m[HEAD])["photos"][0] | {"taken_at": "0001-01-01T00:00:00+14:00"}])(m),
        "job.json: photos.0.taken_at",
    ),
    "a contact that no database keeps": (head(owner={"name": "Ada", "contact": "a\0b"}), "job.json: owner.contact"),
    "a type that is a path": (
        lambda m: head(type=json.loads(m[HEAD])["type"] | {"slug": "../x"})(m),
        "job.json: type.slug",
    ),
    "a time without its zone": (head(opened="2031-03-02T10:15:00"), "job.json: opened"),
    "a type file that leads out": (
        head(type={"slug": "x", "file": "../x.yaml", "sha256": "0" * 64}), "job.json: type.file"),
    "another type": (head(type={"slug": "x", "file": "x.yaml", "sha256": "0" * 64}), "not the unit type"),
    "fewer entries": (lambda m: head(entries=6)(m), "not the 6 that job.json says"),
    "an altered log": (lambda m: put(LOG, m[LOG].replace(b"it hums", b"it sings"))(m), "altered"),
    "a gap": (log(lambda e: e[6].update(n=44)), "line 7: n 44 found; allowed: 7"),
    "not from 1": (log(lambda e: e.pop(0)), "line 1: n 2 found; allowed: 1"),
    "n twice": (log(lambda e: e[3].update(n=3)), "n: 3 found after 3"),
    "n is true": (log(lambda e: e[0].update(n=True)), "n: True found"),
    "no n": (log(lambda e: e[0].pop("n")), "n None found"),
    "no who": (log(lambda e: e[0].update(who="")), "at or who missing"),
    "no time": (log(lambda e: e[0].update(at="yesterday")), "at: 'yesterday' found"),
    "an unknown kind": (log(lambda e: e[5].update(kind="exec")), "kind 'exec' found"),
    "an unknown field": (log(lambda e: e[5].update(shell="rm")), "the unknown field 'shell'"),
    "a number as a word": (log(lambda e: e[3].update(count="2")), "not in the form"),
    "a correction of what is not there": (log(lambda e: e[6].update(corrects=99)), "corrects: 99 found"),
    "a check the type has not": (
        log(lambda e: e.__setitem__(0, {**e[0], "kind": "check", "check": "warp", "outcome": "good"})
            or e[0].pop("said")), "does not replay"),
    "not a number": (lambda m: put(LOG, m[LOG].replace(b"0.4", b"NaN"))(m), "NaN is no number"),
    "half a letter": (
        lambda m: put(LOG, m[LOG].replace(b"it hums", b"\\ud800"))(m), "log.jsonl: "),
    "no UTF-8": (lambda m: put(LOG, m[LOG].replace(b"it hums", b"\xff\xfe"))(m), "no UTF-8"),
    "a very deep line": (lambda m: put(LOG, b'{"kind":' + b"[" * 50_000 + b"\n")(m), "brackets 50001 deep"),
    "a type that is none": (unit_type(text=b"- 1\n"), "type.yaml: "),
    "a type that runs code": (unit_type(text=b"!!python/object/apply:os.system ['true']\n"), "type.yaml: "),
    "a type that multiplies": (
        unit_type(text=b"a: &a [x,x,x,x,x,x,x,x,x]\nb: &b [*a,*a,*a,*a,*a,*a,*a,*a,*a]\n"), "type.yaml: "),
    "a library that is none": (unit_type(library=b'{"kinds": 3}'), "library.json: "),
    "a library without the caution": (
        lambda m: unit_type(library=m[LIBRARY].replace(b'"mains"', b'"mans"'))(m), ": "),
    "a head with U+0000": (
        lambda m: head(type={**json.loads(m[HEAD])["type"], "slug": "x\0"})(m), "the character U+0000"),
    "a library of lists": (unit_type(library=b"[]"), "library.json: "),
    "a photo that is none": (photo(b"GIF89a" + b"x" * 100), "The photo cannot be taken"),
    "a photo that says where": (photo(with_place()), "more than the picture in it"),
    "a photo cut off": (photo(picture(3)[:-200]), "damaged JPEG"),
    "a photo with something behind it": (photo(picture(4) + b"PK\x03\x04" * 50), "photo"),
    "a photo of another ending": (photo(picture(5), "png", "PNG"), "a JPEG photo found"),
    "a picture that is huge": (photo(huge_picture(), "png", "PNG"), "megapixels"),
}  # fmt: skip


@pytest.mark.parametrize("what", HOSTILE)
def test_hostile_contents_are_refused_and_nothing_is_written(what: str, packed: Path, tmp_path: Path) -> None:
    change, said = HOSTILE[what]
    members = members_of(packed)
    change(members)
    whole = b'"members"' in members.get(HEAD, b"")
    bad = write(tmp_path / "bad.zip", members, sealed=whole)
    elsewhere()
    before = kept()
    with pytest.raises(ArchiveError) as refused:
        unpack(bad, who="Bo")
    assert said in str(refused.value)
    assert len(str(refused.value)) < 700
    assert kept() == before


def raw(change: Callable[[zipfile.ZipInfo], None], name: str = LOG) -> Callable[[Path, Members], None]:
    """One member written with other facts about it."""

    def build(file: Path, members: Members) -> None:
        with zipfile.ZipFile(file, "w") as archive:
            for each, data in members.items():
                info = zipfile.ZipInfo(each)
                if each == name:
                    change(info)
                archive.writestr(info, data)

    return build


def link(info: zipfile.ZipInfo) -> None:
    info.external_attr = 0o120777 << 16


def twice(file: Path, members: Members) -> None:
    with zipfile.ZipFile(file, "w") as archive:
        for name, data in members.items():
            archive.writestr(name, data)
        with pytest.warns(UserWarning, match="Duplicate name"):
            archive.writestr(LOG, b"")


def patched(old: bytes, new: Callable[[bytes], bytes]) -> Callable[[Path, Members], None]:
    """Bytes of the directory at its end altered, that of the log."""

    def build(file: Path, members: Members) -> None:
        write(file, members, sealed=False)
        data = file.read_bytes()
        at = data.rindex(b"PK\x01\x02", 0, data.rindex(b"log.jsonl"))
        file.write_bytes(data[:at] + new(data[at:]))

    return build


def declared(size: int) -> Callable[[bytes], bytes]:
    return lambda record: record[:24] + size.to_bytes(4, "little") + record[28:]


def bomb(file: Path, members: Members) -> None:
    """A library of zeros: little in the file, very much when it is unpacked."""
    write(file, {**members, LIBRARY: b"\0" * 30_000_000}, sealed=False)


def over_another(file: Path, members: Members) -> None:
    write(file, members, sealed=False)
    data = file.read_bytes()
    first = data.index(b"PK\x01\x02")
    second = data.index(b"PK\x01\x02", first + 4)
    offset = data[first + 42 : first + 46]
    file.write_bytes(data[: second + 42] + offset + data[second + 46 :])


def many(file: Path, members: Members) -> None:
    with zipfile.ZipFile(file, "w") as archive:
        for n in range(11_000):
            archive.writestr(f"files/{n:064x}", b"")


ODD_ZIPS: dict[str, tuple[Callable[[Path, Members], None], str]] = {
    "a link": (raw(link), "a link, folder or device found"),
    "a member twice": (twice, "found twice"),
    "encrypted": (patched(b"", lambda r: r[:8] + b"\x01\x00" + r[10:]), "encrypted"),
    "another method": (patched(b"", lambda r: r[:10] + b"\x0c\x00" + r[12:]), "packed by method 12"),
    "less than declared": (patched(b"", declared(5_000_000)), "log.jsonl"),
    "more than declared": (patched(b"", declared(10)), "log.jsonl"),
    "more declared than is allowed": (patched(b"", declared(200_000_000)), "bytes declared; allowed: at most"),
    "a bomb": (bomb, "30000000 bytes declared; allowed: at most"),
    "one over another": (over_another, "over another member"),
    "many members": (many, "11000 members found"),
    "no zip": (lambda file, members: file.write_bytes(b"Dear Ada"), "no zip file"),
    "cut off": (lambda file, members: file.write_bytes(write(file, members).read_bytes()[:-300]), "no zip file"),
    "empty": (lambda file, members: file.write_bytes(b""), "no zip file"),
    "nothing in it": (lambda file, members: zipfile.ZipFile(file, "w").close(), "job.json: missing"),
}


@pytest.mark.parametrize("what", ODD_ZIPS)
def test_odd_zip_files_are_refused_and_nothing_is_written(what: str, packed: Path, tmp_path: Path) -> None:
    build, said = ODD_ZIPS[what]
    bad = tmp_path / "bad.zip"
    build(bad, members_of(packed))
    elsewhere()
    before = kept()
    with pytest.raises(ArchiveError) as refused:
        unpack(bad, who="Bo")
    assert said in str(refused.value)
    assert kept() == before


@given(data=st.data())
@trying(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_is_changed_it_is_refused_or_the_same_job(data: st.DataObject, packed: Path, full: Job) -> None:
    """Bytes of the zip file altered, cut out or put in: refused by us and nothing written, or the very same log."""
    BenchIdentity.objects.update(bench="beef" * 4)
    raw_bytes = bytearray(packed.read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(raw_bytes) - 1))
        how = data.draw(st.sampled_from(["flip", "cut", "put", "copy"]))
        if how == "flip":
            raw_bytes[at] ^= data.draw(st.integers(1, 255))
        elif how == "cut":
            del raw_bytes[at : at + data.draw(st.integers(1, 50))]
        elif how == "put":
            raw_bytes[at:at] = data.draw(st.binary(min_size=1, max_size=20))
        else:
            end = data.draw(st.integers(at, len(raw_bytes)))
            raw_bytes[at:at] = raw_bytes[at:end][:2000]
        if not raw_bytes:
            raw_bytes = bytearray(b"x")
    bad = packed.with_name("fuzzed.zip")
    bad.write_bytes(raw_bytes)
    before = kept()
    try:
        taken = unpack(bad, who="Bo", again=True)
    except ArchiveError:
        assert kept() == before
        return
    assert store.entries(store.find_job(taken.job))[:-1] == store.entries(full)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


@given(data=st.data())
@trying(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_job_json_and_the_log_say(data: st.DataObject, packed: Path) -> None:
    """Fields of job.json and of entries set to anything, hashes put right: refused by us, or taken in and replays."""
    BenchIdentity.objects.update(bench="beef" * 4)
    members = members_of(packed)
    if data.draw(st.booleans()):
        names = list(json.loads(members[HEAD]))
        head(**{data.draw(st.sampled_from(names)): data.draw(json_values)})(members)
    else:
        where, value = data.draw(st.integers(0, 6)), data.draw(json_values)

        def change(entries: list[dict[str, Any]]) -> None:
            entries[where][data.draw(st.sampled_from([*entries[where], "note"]))] = value

        log(change)(members)
    bad = write(packed.with_name("fuzzed.zip"), members)
    before = kept()
    try:
        taken = unpack(bad, who="Bo", again=True)
    except ArchiveError:
        assert kept() == before
        return
    store.job_state(store.find_job(taken.job))
