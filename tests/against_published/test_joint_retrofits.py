"""Simulated retrofits of every kind of arm, solved: the machine is put up by pytransform3d (BSD-3).

What is expected is what was put in. The limit of the tip's error leaves room in what the trade asks of pipe
bedding, 10 mm at 95 % (common practice, no source).
"""

from __future__ import annotations

import math
import sys
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "harness"))

from joint_retrofits import KINDS, Case, errors, ground_of, retrofit
from joint_retrofits import Person as Measurer

from tipdatum.calibration.adjustment import Solution, adjust
from tipdatum.calibration.description import as_described, changes, fresh, rewritten
from tipdatum.calibration.outcome import CalibrationOutcome, conclude
from tipdatum.calibration.recordings import gather
from tipdatum.calibration.statistics import determined
from tipdatum.calibration.unknowns import make_setup
from tipdatum.machine.description import parse_machine

ALL = [(kind, True) for kind in KINDS] + [("swing", False)]
NAMES = [kind if encoder else f"{kind} without an encoder" for kind, encoder in ALL]


def solve(case: Case, **changed: Any) -> Solution:
    chosen = case.book.solving()
    machine = parse_machine(case.data | changed, "retrofit.toml")
    return adjust(make_setup(machine, chosen, gather(case.book, [], chosen), case.book.assume))


@cache
def solved(kind: str, encoder: bool = True, seed: int = 1) -> tuple[Case, Solution]:
    case = retrofit(kind, seed, encoder)
    return case, solve(case)


def written(case: Case, solution: Solution) -> dict[str, Any]:
    """Tables of the file that a calibration writes."""
    text = fresh(case.data)
    found: dict[str, Any] = tomllib.loads(
        rewritten(text, as_described(changes(solution), tomllib.loads(text)))
    )
    return found


def rms_mm(error: np.ndarray) -> float:
    return 1000.0 * float(np.sqrt(np.mean(error**2)))


@pytest.mark.parametrize(("kind", "encoder"), ALL, ids=NAMES)
def test_tip_and_edge_of_the_written_file_are_true_to_millimetres(kind: str, encoder: bool) -> None:
    """Booms swung and buckets tilted among the postures; the written file is read by the model's own hand."""
    case, solution = solved(kind, encoder)
    assert solution.rejected == []
    before, after = errors(case, case.data), errors(case, written(case, solution))
    assert rms_mm(before["tip"]) > 10.0
    for point in ("tip", "left", "right"):
        assert rms_mm(after[point]) < 4.0, point


def normalised(case: Case, solution: Solution) -> dict[str, float]:
    """Errors of the found dimensions in stated sigmas."""
    true = case.truth.data
    folded = parse_machine(true, "true")
    values = {
        "boom.foot_m.x": true["boom"]["foot_m"][0], "boom.length_m": true["boom"]["length_m"],
        "stick.length_m": true["stick"]["length_m"], "bucket.tip_m": true["bucket"][0]["tip_m"],
    }  # fmt: skip
    if folded.second_boom is not None:
        values["second_boom.length_m"] = folded.second_boom.length_m
    if folded.boom_swing is not None:
        values |= {f"boom_swing.pivot_m.{a}": folded.boom_swing.pivot_m[i] for i, a in enumerate("xy")}
        if folded.swing_sensor is not None:
            values["boom_swing.zero"] = math.radians(case.zero_deg)
    if folded.coupler is not None:
        values["coupler.length_m"] = folded.coupler.length_m
        values["coupler.offset"] = math.radians(folded.coupler.offset_deg)
    axis, told = folded.bucket[0].tilt_axis_deg, case.machine.bucket[0].tilt_axis_m
    if axis is not None and told is not None and folded.bucket[0].tilt_axis_m is not None:
        # A coupler's offset turns the frame that its axis is found in: they are known together.
        angle = math.radians(axis)
        if folded.coupler is None:
            values["bucket.tilt_axis"] = angle
        off = np.array(folded.bucket[0].tilt_axis_m) - told
        values["bucket.tilt_axis_offset"] = float(off @ [-math.sin(angle), math.cos(angle)])
    return {name: (solution.value(name) - v) / solution.sigma(name) for name, v in values.items()}


@pytest.mark.parametrize("kind", ["swing", "tilting", "coupler"])
def test_stated_sigmas_of_dimensions_hold_over_several_machines(kind: str) -> None:
    off = [v for seed in range(1, 5) for v in normalised(*solved(kind, True, seed)).values()]
    assert 0.6 < float(np.sqrt(np.mean(np.square(off)))) < 1.4
    assert max(map(abs, off)) < 4.0


OBSERVED = {
    "swing": {"boom_swing.zero", "boom_swing.pivot_m.x", "boom_swing.pivot_m.y"},
    "tilting": {"bucket.tilt_axis", "bucket.tilt_axis_offset"},
    "coupler": {"coupler.length_m", "coupler.offset"},
}


@pytest.mark.parametrize("kind", list(OBSERVED))
def test_what_a_kind_of_machine_has_of_its_own_is_observed(kind: str) -> None:
    seen = {d.name: d.observed for d in determined(solved(kind)[1])}
    assert all(seen[name] for name in OBSERVED[kind])


@pytest.mark.parametrize("kind", list(OBSERVED))
def test_what_nobody_looked_at_is_called_not_observed(kind: str) -> None:
    """Straight ahead alone shows the encoder's zero and no pivot; untilted rests show no axis.

    Of a coupler whose far pin nobody looked at the bucket's slope shows the angle, and of the lengths only
    the sum is known.
    """
    person = Measurer(kind, 1)
    person.bench()
    person.measured(of_coupler=False)
    if person.swings:
        person.told("measured 0", "S", 0.0, 0.3)
    seen = {d.name: d.observed for d in determined(solve(person.done()))}
    left = {name for name in OBSERVED[kind] if seen[name]}
    assert left == {"swing": {"boom_swing.zero"}, "tilting": set(), "coupler": {"coupler.offset"}}[kind]


def test_on_level_ground_marks_alone_show_how_far_a_boom_swung() -> None:
    """Gravity shows no swing there; what is read of slew and swing, and the mark, have to do."""
    person = Measurer("swing", 3)
    person.bench()
    person.motion()
    person.measured()
    person.swung(ground_of(0.0, 0.0))
    case = person.done()
    off = normalised(case, solve(case))
    assert max(map(abs, off.values())) < 4.0


# -- spoilt --------------------------------------------------------------------------------------------------


def concluded(case: Case, **changed: Any) -> CalibrationOutcome:
    return conclude(solve(case, **changed), "digest", "2026-05-04T08:00:00Z")


def turned(case: Case, kind: str) -> Case:
    """The book with the other sign for every reading of a kind."""
    notes = tuple(
        o.model_copy(update={"value": -(o.value or 0.0)}) if o.kind == kind else o
        for o in case.book.observation
    )
    book = case.book.model_copy(update={"observation": notes})
    return Case(case.data, case.truth, case.zero_deg, book)


@pytest.mark.parametrize(
    ("kind", "reading", "named"),
    [
        ("swing", "swing", "the boom's swings are counted to the wrong side"),
        ("tilting", "cross_slope", "the edge's slopes are read from the wrong side"),
    ],
)
def test_a_wrong_sign_is_named_and_not_written(kind: str, reading: str, named: str) -> None:
    encoder = reading != "swing"
    found = concluded(turned(retrofit(kind, 2, encoder), reading))
    assert found.verdict.word == "refused"
    assert found.explanation is not None
    assert found.explanation.words == named


@pytest.mark.parametrize(
    ("kind", "a", "b"), [("two-piece", "second_boom", "stick"), ("swing", "upper", "boom")]
)
def test_exchanged_sensors_are_named_and_not_written(kind: str, a: str, b: str) -> None:
    case = retrofit(kind, 2)
    sensor = case.data["sensor"]
    found = concluded(case, sensor=sensor | {a: sensor[a] | {"body": b}, b: sensor[b] | {"body": a}})
    assert found.verdict.word == "refused"
    assert found.explanation is not None
    assert "are exchanged" in found.explanation.words
    assert {a, b} <= set(found.explanation.words.split())


def test_a_whole_retrofit_is_accepted() -> None:
    assert concluded(retrofit("tilting", 2)).verdict.word == "accepted"
