"""What a slip could do unseen, and what a solution is good for.

Sources of what is checked: redundancy numbers add up to the degrees of freedom, w = v / (σ √r), the smallest
slip found is δ₀ σ / √r, and it moves the unknowns by N⁻¹ Jᵀ P ∇ (Baarda 1968; Ghilani, *Adjustment
Computations*, ch. 21; Förstner and Wrobel, *Photogrammetric Computer Vision*, 4.6).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from retrofits import SimulatedRetrofit, simulated

from tipdatum.calibration.adjustment import Solution, adjust
from tipdatum.calibration.observations import Observation
from tipdatum.calibration.outcome import CalibrationOutcome, conclude
from tipdatum.calibration.recordings import gather
from tipdatum.calibration.reliability import NONCENTRAL, reliability
from tipdatum.calibration.tip_figures import TipFigures
from tipdatum.calibration.unknowns import make_setup
from tipdatum.calibration.verification import verify
from tipdatum.machine.description import Machine


def solve(
    case: SimulatedRetrofit,
    observations: tuple[Observation, ...] | None = None,
    machine: Machine | None = None,
) -> Solution:
    chosen = case.book.solving() if observations is None else observations
    evidence = gather(case.book, [], chosen)
    return adjust(make_setup(machine or case.described, chosen, evidence, case.book.assume))


def concluded(*arguments: Any, **others: Any) -> CalibrationOutcome:
    return conclude(solve(*arguments, **others), "", "2026-05-01T10:00:00Z")


def changed(case: SimulatedRetrofit, name: str, to: float) -> tuple[Observation, ...]:
    return tuple(o.model_copy(update={"value": to}) if o.id == name else o for o in case.book.solving())


@pytest.fixture(scope="module")
def case() -> SimulatedRetrofit:
    return simulated(1)


@pytest.fixture(scope="module")
def marks_alone() -> SimulatedRetrofit:
    return simulated(1, level=False)


@pytest.fixture(scope="module")
def outcome(case: SimulatedRetrofit) -> CalibrationOutcome:
    return concluded(case)


def test_redundancy_numbers_add_up_to_the_degrees_of_freedom(outcome: CalibrationOutcome) -> None:
    s = outcome.solution
    rows = sum(j.redundancy for j in s.judged)
    scaled = s.covariance / max(1.0, s.factor) ** 2
    prior_sigma = np.array([50.0 if u.described else u.sigma for u in s.unknowns])
    priors = float(np.sum(1.0 - np.diag(scaled) / prior_sigma**2))
    assert rows + priors == pytest.approx(len(s.judged), rel=1e-4)


def test_a_slip_moves_its_test_and_the_tip_as_reliability_says(
    case: SimulatedRetrofit, outcome: CalibrationOutcome
) -> None:
    figures = TipFigures(outcome.machine)
    before = outcome.solution
    told = next(r for r in reliability(before, figures) if r.kind == "height" and 0.3 < r.redundancy < 0.9)
    w_before = next(j.standardised for j in before.judged if j.row.id == told.id)
    half = float(-np.sign(w_before)) * told.smallest / 2.0
    value = next(o.value or 0.0 for o in case.book.observation if o.id == told.id)
    after = solve(case, changed(case, told.id, value + half))
    assert after.rejected == []
    w_after = next(j.standardised for j in after.judged if j.row.id == told.id)
    assert abs(w_after - w_before) == pytest.approx(NONCENTRAL / 2.0, rel=0.05)
    columns = [before.place[n] for n in figures.names]
    mounts = [s.state.mount for s in (before, after)]
    moved = after.x[columns] - before.x[columns]
    assert np.allclose(mounts[0], mounts[1], atol=0.01)
    assert figures.rms((figures.J @ moved) ** 2) == pytest.approx(told.effect_m / 2.0, rel=0.1)


def test_a_good_retrofit_is_accepted_and_says_how_well_it_knows_the_tip(
    case: SimulatedRetrofit, outcome: CalibrationOutcome
) -> None:
    assert (outcome.verdict.word, outcome.verdict.reasons) == ("accepted", [])
    assert tip_error(case, outcome) < 2.0 * outcome.budget.rms_m


def one_standing(case: SimulatedRetrofit) -> tuple[Observation, ...]:
    return tuple(o for o in case.book.solving() if o.standing != "C2")


def test_what_nothing_checks_is_told_by_name_with_what_would_check_it(marks_alone: SimulatedRetrofit) -> None:
    found = concluded(marks_alone, one_standing(marks_alone))
    assert found.verdict.word == "doubtful"
    dangerous = [r.id for r in found.checked if r.matters]
    assert dangerous
    for name in dangerous:
        assert any(name in reason for reason in found.verdict.reasons)
        assert any(f"to check {name}: " in line for line in found.verdict.settle)


def test_a_second_tape_over_the_lengths_settles_what_they_hide(marks_alone: SimulatedRetrofit) -> None:
    chosen = one_standing(marks_alone)
    lengths = dict(zip(("boom", "stick", "bucket"), marks_alone.truth.lengths, strict=True))
    taped = tuple(
        Observation(id=f"tape {of}", kind="length", of=of, value=round(length, 3), unit="m", sigma=0.003)
        for of, length in lengths.items()
    )
    before, after = concluded(marks_alone, chosen), concluded(marks_alone, (*chosen, *taped))
    worst = [max(r.effect_m for r in o.checked if "length" in r.id) for o in (before, after)]
    assert worst[1] < 0.4 * worst[0]


@pytest.mark.parametrize("by", [0.6, -0.1], ids=["0.6 m too long", "10 cm too short"])
def test_a_wrong_described_length_is_named_and_no_reading_accused(case: SimulatedRetrofit, by: float) -> None:
    stick = case.described.stick.model_copy(update={"length_m": case.described.stick.length_m + by})
    found = concluded(case, machine=case.described.model_copy(update={"stick": stick}))
    assert found.solution.rejected == ["described stick.length_m"]
    assert tip_error(case, found) < 2.0 * found.budget.rms_m


def test_a_described_length_with_which_the_linkage_cannot_close_is_named_too() -> None:
    case = simulated(1, rocker=True)
    stick = case.described.stick.model_copy(update={"length_m": 1.24 * case.described.stick.length_m})
    machine = case.described.model_copy(update={"stick": stick})
    assert solve(case, machine=machine).rejected == ["described stick.length_m"]


def test_one_value_in_millimetres_is_named_alone_and_costs_nothing(case: SimulatedRetrofit) -> None:
    value = next(o.value or 0.0 for o in case.book.observation if o.id == "posture-3-tip")
    found = solve(case, changed(case, "posture-3-tip", 1000.0 * value))
    assert found.rejected == ["posture-3-tip"]


@pytest.mark.parametrize("factor", [10.0, 0.1])
def test_one_decimal_slip_of_metres_costs_no_good_reading_even_behind_a_linkage(factor: float) -> None:
    case = simulated(0, rocker=True)
    name = "posture-2-stick_bucket"
    value = next(o.value or 0.0 for o in case.book.observation if o.id == name)
    assert solve(case, changed(case, name, factor * value)).rejected == [name]


def test_heights_that_are_all_wrong_alike_are_named_together(case: SimulatedRetrofit) -> None:
    spoilt = tuple(
        o.model_copy(update={"value": (o.value or 0.0) + 0.04}) if o.kind == "height" and o.of == "tip" else o
        for o in case.book.solving()
    )
    found = concluded(case, spoilt)
    assert found.verdict.word == "doubtful"
    assert any("all heights of the tip share an offset" in reason for reason in found.verdict.reasons)


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_two_standings_under_one_name_are_named_where_only_marks_were_touched(
    marks_alone: SimulatedRetrofit,
) -> None:
    touched = {o.standing for o in marks_alone.book.solving() if o.kind == "tip_on_mark"}
    assert len(touched) == 2
    first, second = sorted(str(name) for name in touched)
    one = tuple(
        o.model_copy(update={"standing": first}) if o.standing == second else o
        for o in marks_alone.book.solving()
    )
    found = concluded(marks_alone, one)
    assert found.verdict.word == "refused"
    assert f'"{first}" is two standings' in found.verdict.reasons[0]


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_exchanged_sensors_are_named(case: SimulatedRetrofit) -> None:
    sensors = dict(case.described.sensor)
    for name, other in (("boom", "stick"), ("stick", "boom")):
        there = case.described.sensor[other]
        sensors[name] = case.described.sensor[name].model_copy(
            update={"body": there.body, "mount_rpy_deg": there.mount_rpy_deg}
        )
    found = concluded(case, machine=case.described.model_copy(update={"sensor": sensors}))
    assert found.verdict.word == "refused"
    assert any("sensors boom and stick are exchanged" in reason for reason in found.verdict.reasons)


def tip_error(case: SimulatedRetrofit, found: CalibrationOutcome) -> float:
    return verify(found.machine, case.acceptance, gather(case.book, [], case.acceptance)).rms_m
