"""The shipped block kinds and unit types: they load, compile, and no step comes without its cautions."""

from __future__ import annotations

import numpy as np
import pytest

from refettle.knowledge.compile import FIRST_POWER, MEET_MAINS, OTHER, OWNER, CompiledType, StepInfo, compile_type
from refettle.knowledge.errors import KnowledgeError
from refettle.knowledge.loading import (
    library_from_text,
    load_library,
    load_shipped_type,
    parse_unit_type,
    shipped_types,
)

SLUGS = sorted(shipped_types())
LIBRARY = load_library()


@pytest.fixture(params=SLUGS)
def compiled(request: pytest.FixtureRequest) -> CompiledType:
    return compile_type(load_shipped_type(request.param))


def gates_of(compiled: CompiledType, step: StepInfo) -> tuple[str, ...]:
    model = compiled.model
    if step.kind == "check":
        return model.checks[model.check_index[step.id]].gates
    return model.repairs[model.repair_index[step.id]].gates


def test_there_is_enough_to_work_with() -> None:
    assert len(LIBRARY.kinds) >= 24
    assert len(SLUGS) >= 5
    assert {k.block_kind: k for k in LIBRARY.kinds.values()} == LIBRARY.kinds
    used = {block.kind for slug in SLUGS for block in load_shipped_type(slug).unit_type.blocks.values()}
    assert len(used) >= 20


@pytest.mark.parametrize("name", sorted(LIBRARY.kinds))
def test_a_kind(name: str) -> None:
    kind = LIBRARY.kinds[name]
    assert "estimate" in kind.weight_basis
    assert {mode for repair in kind.repairs.values() for mode in repair.fixes} == set(kind.modes)
    for step in (*kind.checks.values(), *kind.repairs.values()):
        assert step.source, f"{step.name} names no source, not even common practice"
        assert step.how.strip()
    for repair in kind.repairs.values():
        if repair.harm and repair.harm.causes and "/" in repair.harm.causes:
            other, mode = repair.harm.causes.split("/")
            assert mode in LIBRARY.kinds[other].modes


def test_every_caution_defers_to_local_rules() -> None:
    words = ("local", "rule", "trained", "qualified", "workplace", "sheet", "ordinary", "maker", "licen")
    for caution in LIBRARY.cautions.values():
        assert any(word in caution.defer.lower() for word in words), caution.name
    gating = {key for key, caution in LIBRARY.cautions.items() if caution.gate}
    assert {"mains", "charged-capacitor", "first-power", "picture-tube", "hot-chassis", "lithium", "peroxide"} <= gating


def test_a_type(compiled: CompiledType) -> None:
    unit, model = compiled.loaded.unit_type, compiled.model
    assert "estimate" in (unit.note or "")
    looks = [check.id for check in model.checks if not check.id.startswith(OWNER)]
    assert sorted(compiled.steps) == sorted([*looks, *(repair.id for repair in model.repairs)])
    assert (model.success.max(axis=0) > 0).all(), "a mode that no repair fixes"
    assert sum(mode.prior for mode in model.modes) < 3.0
    assert [mode.id for mode in model.modes if mode.other] == [OTHER]
    # Each mode shows somewhere: at a point, or at some other check.
    visible = np.array([check.shows[:, 0] < 1.0 for check in model.checks]).any(axis=0)
    acting = np.array([mode.dormant_of is None for mode in model.modes])
    hidden = [mode.id for mode, seen in zip(model.modes, visible | ~acting, strict=True) if not seen]
    assert hidden == []


def test_every_step_that_names_a_gating_caution_carries_its_gate(compiled: CompiledType) -> None:
    for step in compiled.steps.values():
        gates = gates_of(compiled, step)
        for caution in step.cautions:
            assert (f"caution:{caution}" in gates) == LIBRARY.cautions[caution].gate, (step.id, caution)
        assert (FIRST_POWER in gates) == step.powered, step.id


def test_every_step_at_a_block_that_meets_the_mains_warns_of_it(compiled: CompiledType) -> None:
    for step in compiled.steps.values():
        block = compiled.loaded.blocks.get(step.block)
        if block is None or block.kind not in MEET_MAINS:
            continue
        if block.kind in ("mains-input", "unit-lead") or step.access != "closed":
            assert "mains" in step.cautions, step.id


def test_in_a_mains_unit_nothing_is_opened_or_switched_on_without_the_mains_caution(compiled: CompiledType) -> None:
    if compiled.loaded.unit_type.power_on.feed != "mains":
        pytest.skip("not fed by the mains")
    for step in compiled.steps.values():
        if step.access != "closed" or step.powered:
            assert set(compiled.loaded.unit_type.cautions) <= set(step.cautions), step.id
            assert {"mains", "charged-capacitor"} <= set(step.cautions), step.id


def test_data_is_saved_before_a_battery_is_touched() -> None:
    compiled = compile_type(load_shipped_type("piper-pocket"))
    for step in compiled.steps.values():
        if step.kind == "repair" and step.block in ("battery", "save_cell"):
            assert "data-saved" in gates_of(compiled, step), step.id


def test_a_step_that_cannot_be_undone_says_what_must_be_shown(compiled: CompiledType) -> None:
    for step in compiled.steps.values():
        if not step.undo:
            assert step.proof, step.id


@pytest.mark.parametrize("slug", SLUGS)
def test_kept_with_a_job_it_stays_the_same_model(slug: str) -> None:
    loaded = load_shipped_type(slug)
    again = parse_unit_type(loaded.text, loaded.file, library_from_text(loaded.library_text))
    assert again.sha256 == loaded.sha256
    assert again.library_text == loaded.library_text
    # The compiled one is kept by its hash; a comment at the end makes it be worked out anew.
    other = parse_unit_type(loaded.text + "# end\n", loaded.file, library_from_text(loaded.library_text))
    assert other.sha256 != loaded.sha256
    one, two = compile_type(loaded), compile_type(other)
    assert one.model is not two.model
    assert one.steps == two.steps
    for field in ("modes", "repairs", "gear", "setup", "retest", "give_up", "rate"):
        assert getattr(one.model, field) == getattr(two.model, field)
    for a, b in zip(one.model.checks, two.model.checks, strict=True):
        assert (a.id, a.outcomes, a.minutes, a.gear, a.gates, a.level) == (
            b.id,
            b.outcomes,
            b.minutes,
            b.gear,
            b.gates,
            b.level,
        )
        assert np.array_equal(a.shows, b.shows)
        assert np.array_equal(a.error, b.error)
        assert (a.trial_shows is None) == (b.trial_shows is None)
        assert a.trial_shows is None or np.array_equal(a.trial_shows, b.trial_shows)


def test_a_change_of_a_kind_in_use_changes_the_hash_and_of_another_does_not() -> None:
    loaded = load_shipped_type("wexcombe-table")
    used, unused = "mains-input", "clock"
    assert unused not in {block.kind for block in loaded.blocks.values()}
    for name, same in ((unused, True), (used, False)):
        kinds = dict(LIBRARY.kinds)
        kinds[name] = kinds[name].model_copy(update={"weight": 9.5})
        library = type(LIBRARY)(kinds, LIBRARY.points, LIBRARY.cautions)
        assert (parse_unit_type(loaded.text, loaded.file, library).sha256 == loaded.sha256) == same


def test_the_library_kept_with_a_job_does_for_its_type_alone() -> None:
    small, large = load_shipped_type("wexcombe-table"), load_shipped_type("larkmere-48")
    with pytest.raises(KnowledgeError, match="allowed: a block kind: "):
        parse_unit_type(large.text, large.file, library_from_text(small.library_text))
