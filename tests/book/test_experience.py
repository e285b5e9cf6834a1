"""Experience: what finished jobs show, what they teach the next one, and what passes between benches."""

from __future__ import annotations

import json
from copy import deepcopy
from typing import Any

import pytest

from refettle.book import exchange, experience, store
from refettle.book.exchange import ExchangeError
from refettle.book.gathered import gather
from refettle.book.lesson import lesson
from refettle.book.log import LogError
from refettle.book.models import Job
from refettle.book.models_experience import BenchIdentity, Lesson, OtherBench, OtherLesson
from refettle.book.replay import replay
from refettle.knowledge.compile import CompiledType, compile_type
from refettle.knowledge.loading import load_shipped_type
from tests.book.finished import finished_log
from tests.book.logs import Entry, entry


@pytest.fixture(scope="module")
def compiled() -> CompiledType:
    return compile_type(load_shipped_type("piper-pocket"))


@pytest.fixture(scope="module")
def logs(compiled: CompiledType) -> list[tuple[list[Entry], set[str]]]:
    return [finished_log(compiled, seed) for seed in (0, 3)]


@pytest.fixture(scope="module")
def lessons(compiled: CompiledType, logs: list[tuple[list[Entry], set[str]]]) -> list[dict[str, Any]]:
    return [lesson(compiled, log) for log, _ in logs]


# ---------------------------------------------------------------- one job


def test_a_finished_job_shows_what_was_found(
    logs: list[tuple[list[Entry], set[str]]], lessons: list[dict[str, Any]]
) -> None:
    for (_, at_fault), taught in zip(logs, lessons, strict=True):
        found = {block: part["found"] for block, part in taught["blocks"].items()}
        top = max(found, key=lambda block: found[block])
        assert top in at_fault
        assert sum(found[b] for b in at_fault if b in found) > 0.6
        assert taught["works"]
        assert taught["failed"]
        assert taught["minutes"] > 0
        assert 0.3 < sum(part["expected"] for part in taught["blocks"].values()) < 3


def test_a_cure_tried_last_has_no_credit_for_what_others_did(compiled: CompiledType) -> None:
    """The lamp works after the first repair; a second one follows, of what was never wrong."""
    fixes = {r.id: r for r in compiled.model.repairs}
    assert "battery.replace-springs" in fixes
    assert "speaker.recap" in fixes
    point = next(s for s in compiled.steps.values() if s.is_point and s.lifeless)
    points = [s.id for s in compiled.steps.values() if s.is_point]
    log = [
        entry(1, "complaint", point=point.id, outcome=point.outcomes[0]),
        entry(2, "check", check=point.id, outcome=point.outcomes[0]),
        entry(3, "repair", repair="battery.replace-springs"),
        *(entry(4 + i, "check", check=p, outcome="good") for i, p in enumerate(points)),
    ]
    n = len(log)
    log += [
        entry(n + 1, "repair", repair="speaker.recap"),
        *(entry(n + 2 + i, "check", check=p, outcome="good") for i, p in enumerate(points)),
        entry(n + 40, "stage", stage="handed over"),
    ]
    first, second = lesson(compiled, log)["cures"]
    assert first["cured"] > 0.4
    assert second["tried"] < 0.1


def test_an_unfinished_job_has_no_lesson(compiled: CompiledType, logs: list[tuple[list[Entry], set[str]]]) -> None:
    with pytest.raises(LogError, match="allowed: a job handed over or parted out"):
        lesson(compiled, logs[0][0][:-1])


# ---------------------------------------------------------------- many jobs


def made_up(kind: str, found: float, expected: float = 0.2, **changes: Any) -> dict[str, Any]:
    cure = {"repair": "fix", "kind": kind, "said": 0.5, "tried": found, "cured": found, "minutes": 20.0, "parts": 3.0}
    return {
        "type": "Piper Pocket",
        "end": "handed over",
        "failed": True,
        "works": True,
        "blocks": {"rail5": {"kind": kind, "expected": expected, "found": found}},
        "modes": {"rail5.dry": found},
        "cures": [cure],
        "checks": [[0.7, True, 0.6], [0.2, False, 0.8]],
        "minutes": 60.0,
        "replace_all": 200.0,
        **changes,
    }


def test_what_is_found_more_often_than_expected_weighs_more() -> None:
    learned = gather([made_up("regulator", 1.0)] * 10 + [made_up("regulator", 0.0)] * 10)
    (weight,) = learned.weights
    assert 1.3 < weight.factor.mean < 2.5  # 10 found where 4 were expected, held back by the prior
    assert weight.jobs == 20
    (cure,) = learned.cures
    assert cure.tried == cure.cured == 10
    assert 0.5 < cure.chance.mean < cure.chance.high < 1
    assert cure.price == 3.0
    assert cure.time is not None
    assert cure.time.jobs == 20
    assert learned.saved is not None
    assert learned.saved.minutes == 20 * 140
    assert learned.advice is not None
    assert learned.advice.cases == 40


def test_a_unit_that_never_failed_moves_no_weight() -> None:
    assert not gather([made_up("regulator", 0.0, failed=False, cures=[])] * 20).weights


def test_jobs_of_others_teach_but_do_not_judge_the_advice_here() -> None:
    learned = gather([], [made_up("regulator", 1.0)] * 5)
    assert learned.jobs == learned.others == 5
    assert learned.weights
    assert learned.advice is None
    assert learned.saved is None


def test_nothing_taught_is_nothing_known(compiled: CompiledType) -> None:
    learned = gather([])
    assert learned.factors(compiled.loaded) == {}
    assert learned.jobs == 0


# ---------------------------------------------------------------- weights of a job


def test_a_job_keeps_the_weights_it_was_opened_with(compiled: CompiledType) -> None:
    plain = replay(compiled, [])
    learned = replay(compiled, [entry(1, "experience", factors={"slot": 3.0}, jobs=9)])
    slot = [i for i, mode in enumerate(compiled.model.modes) if mode.block == "slot"]
    for i in slot:
        before, now = plain.compiled.model.modes[i].prior, learned.compiled.model.modes[i].prior
        assert now == pytest.approx(min(0.4, 3 * before))
    chance = {s.block: s.chance for s in plain.suspects()}
    assert {s.block: s.chance for s in learned.suspects()}["slot"] > 1.5 * chance["slot"]
    back = replay(compiled, [entry(1, "experience", factors={"slot": 3.0}, jobs=9), entry(2, "correction", corrects=1)])
    assert back.compiled is compiled


def test_a_factor_of_no_block_is_refused(compiled: CompiledType) -> None:
    with pytest.raises(LogError, match="entry 1: factors: 'flux' found; allowed: a block of this unit type: "):
        replay(compiled, [entry(1, "experience", factors={"flux": 2.0}, jobs=1)])


# ---------------------------------------------------------------- in the book


def closed_job(compiled: CompiledType, log: list[Entry]) -> Job:
    job = store.open_job(compiled.loaded)
    store.append_all(job, [{k: v for k, v in each.items() if k != "n"} for each in log])
    return job


@pytest.mark.django_db
def test_a_lesson_is_kept_until_its_log_grows(
    compiled: CompiledType, logs: list[tuple[list[Entry], set[str]]], lessons: list[dict[str, Any]]
) -> None:
    job = closed_job(compiled, logs[0][0])
    assert [j.number for j in experience.waiting()] == [job.number]
    assert experience.refresh() == 0
    kept = Lesson.objects.get()
    assert (kept.data, kept.trouble) == (lessons[0], "")
    assert not experience.waiting().exists()
    assert experience.experience().own == 1
    store.append(job, {"kind": "note", "text": "collected"}, "Ada")
    assert experience.waiting().exists()
    store.append(job, {"kind": "stage", "stage": "fault finding"}, "Ada")
    assert experience.experience().own == 0  # it is not finished any more
    assert experience.forget() == 1


@pytest.mark.django_db
def test_a_new_job_begins_with_what_was_learned(compiled: CompiledType) -> None:
    for n in range(12):
        job = store.open_job(compiled.loaded)
        store.append(job, {"kind": "stage", "stage": "parted out"}, "Ada")
        taught = made_up(compiled.loaded.blocks["slot"].kind, 1.0, blocks={
            "slot": {"kind": compiled.loaded.blocks["slot"].kind, "expected": 0.2, "found": float(n % 4 > 0)}
        })  # fmt: skip
        Lesson.objects.create(job=job, entries=1, rules=experience.RULES, data=taught)
    job = store.open_job(compiled.loaded)
    made = experience.weigh(job, "Ada")
    assert made is not None
    assert made.n == 1
    assert made.data["jobs"] == 12
    assert made.data["factors"]["slot"] > 1.5
    state = store.job_state(job)
    Lesson.objects.all().delete()
    assert store.job_state(job).compiled is state.compiled  # whatever is learned or forgotten later


@pytest.mark.django_db
def test_without_experience_a_job_begins_as_before(compiled: CompiledType) -> None:
    assert experience.weigh(store.open_job(compiled.loaded), "Ada") is None


# ---------------------------------------------------------------- between benches


def file_of(bench: str, jobs: list[dict[str, Any]]) -> str:
    return json.dumps({"format": "refettle experience", "version": 1, "bench": bench, "jobs": jobs})


def sent(bench: str, number: int, found: float = 1.0, entries: int = 5) -> dict[str, Any]:
    return {"bench": bench, "job": f"{number:024x}", "entries": entries, **made_up("regulator", found)}


A, B = "a" * 16, "b" * 16


@pytest.mark.django_db
def test_a_job_counts_once_by_whatever_way_it_comes() -> None:
    first = exchange.merge(file_of(A, [sent(A, 1), sent(A, 2)]), "Tollgate")
    assert (first.new, first.had) == (2, 0)
    again = exchange.merge(file_of(A, [sent(A, 1), sent(A, 2)]))
    assert (again.new, again.had) == (0, 2)
    chain = exchange.merge(file_of(B, [sent(B, 1), sent(A, 1), sent(A, 2)]))
    assert (chain.new, chain.had) == (1, 2)
    assert experience.experience().others == 3
    longer = exchange.merge(file_of(B, [sent(A, 1, found=0.0, entries=9)]))
    assert longer.longer == 1
    assert OtherLesson.objects.get(job=f"{1:024x}", bench__bench=A).entries == 9
    assert exchange.merge(file_of(A, [sent(A, 2, found=0.5)])).differ == 1
    assert [(s.name, s.jobs, s.came_from) for s in exchange.sources()] == [("Tollgate", 2, A), ("", 1, B)]


@pytest.mark.django_db
def test_what_goes_out_comes_back_without_counting(compiled: CompiledType) -> None:
    job = store.open_job(compiled.loaded, owner=store.get_or_create_owner("Iris Vole", "Mill Lane 3"), serial="PP-99")
    store.append(job, {"kind": "stage", "stage": "handed over", "why": "Iris moved away"}, "Ada Quill")
    experience.refresh()
    exchange.merge(file_of(A, [sent(A, 1)]))
    text = exchange.export()
    assert exchange.merge(text).own == 1
    for secret in ("Iris", "PP-99", "Ada", "Mill", "moved", BenchIdentity.objects.get().secret):
        assert secret not in text
    assert [each["bench"] for each in json.loads(text)["jobs"]].count(A) == 1
    assert len(json.loads(exchange.export(passed_on=False))["jobs"]) == 1


@pytest.mark.django_db
def test_a_bench_can_be_taken_out_and_put_back() -> None:
    exchange.merge(file_of(A, [sent(A, 1)]), "Tollgate")
    exchange.take_out("Tollgate")
    assert experience.experience().others == 0
    assert "bench" in json.loads(exchange.export())
    assert not json.loads(exchange.export())["jobs"]
    exchange.merge(file_of(B, [sent(B, 1), sent(A, 1)]))
    assert experience.experience().others == 1  # not back by way of another
    exchange.put_back("aaaa")
    assert experience.experience().others == 2
    with pytest.raises(ExchangeError, match="'nobody' found, which is 0 benches; allowed: one of Tollgate"):
        exchange.take_out("nobody")


def _changed(path: str, value: Any) -> str:
    data = json.loads(file_of(A, [sent(A, 1)]))
    place: Any = data
    *way, last = path.split(".")
    for key in way:
        place = place[int(key) if key.isdecimal() else key]
    place[last] = deepcopy(value)
    return json.dumps(data)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "text that is no JSON"),
        ("[" * 100_000, "text that is no JSON"),
        ("{}", "format: not found"),
        (_changed("version", 7), "version: 7 found; allowed: 1"),
        (_changed("bench", "<b>"), "bench: '<b>' found; allowed: 16 to 32"),
        (_changed("jobs.0.entries", 0), "job 1 of 1: entries: 0 found"),
        (_changed("jobs.0.owner", "Iris"), "job 1 of 1: owner"),
        (_changed("jobs.0.minutes", -1), "job 1 of 1: minutes: '-1' found"),
        (_changed("jobs.0.blocks.rail5.found", 2), "job 1 of 1: blocks.rail5.found: '2' found"),
        (_changed("jobs.0.type", "<script>"), "job 1 of 1: type"),
        (_changed("jobs.0.minutes", float("nan")), "NaN is no number here"),
    ],
)
def test_a_file_that_cannot_be_is_refused_whole(text: str, said: str) -> None:
    with pytest.raises(ExchangeError) as caught:
        exchange.merge(text)
    assert said in str(caught.value)
    assert not OtherBench.objects.exists()
