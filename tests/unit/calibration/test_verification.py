"""Acceptance and the daily check: errors against a reference, and which sensor would explain them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tipdatum.calibration.observations import Observation
from tipdatum.calibration.recordings import RecordedEvidence, gather
from tipdatum.calibration.rest_posture import posture_of
from tipdatum.calibration.verification import (
    Check,
    check_of,
    suspects,
    trend_mm_per_month,
    verify,
)
from tipdatum.machine.description import Machine, parse_machine

TRUE_ANGLE_DEG = 0.6


def true_machine(retrofit: Any, turned: str = "") -> Machine:
    """The invented machine as it is; one mount turned by `TRUE_ANGLE_DEG` about the body's y axis."""
    data = retrofit.machine.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
    data["boom"]["length_m"], data["stick"]["length_m"] = retrofit.lengths[:2]
    data["bucket"][0]["tip_m"] = retrofit.lengths[2]
    for name, sensor in data["sensor"].items():
        mount = Rotation.from_matrix(retrofit.mounts[name])
        if name == turned:
            mount = Rotation.from_rotvec([0.0, TRUE_ANGLE_DEG, 0.0], degrees=True) * mount
        sensor["mount_rpy_deg"] = mount.as_euler("xyz", degrees=True).tolist()
        sensor["accel_offset_mps2"] = retrofit.bias[name].tolist()
    return parse_machine(data, "true")


def heights(retrofit: Any) -> tuple[list[Observation], RecordedEvidence]:
    chosen = [o for o in retrofit.book.observation if o.kind == "height" and o.of == "tip"]
    return chosen, gather(retrofit.book, [], chosen)


def test_the_true_description_errs_by_the_readings_alone(retrofit: Any) -> None:
    found = verify(true_machine(retrofit), *heights(retrofit))
    assert found.rms_m < 3.0 * found.points[0].reading_sigma_m


def test_a_nominal_description_fails(retrofit: Any) -> None:
    found = verify(retrofit.machine, *heights(retrofit))
    assert found.rms_m > 0.02
    assert not check_of(found, "2026-05-01T07:00:00Z", 0.01).passed


def test_a_height_that_ends_in_reference_is_the_reference(retrofit: Any) -> None:
    chosen, evidence = heights(retrofit)
    renamed = [*chosen[:2], chosen[2].model_copy(update={"id": "daily-reference"}), *chosen[3:]]
    found = verify(true_machine(retrofit), renamed, evidence)
    assert found.reference == "daily-reference"
    assert len(found.points) == len(chosen) - 1


@pytest.mark.parametrize("sensor", ["boom", "stick", "bucket"])
def test_the_sensor_that_was_knocked_is_named_with_its_turn(retrofit: Any, sensor: str) -> None:
    found = verify(true_machine(retrofit, turned=sensor), *heights(retrofit))
    best = suspects(retrofit.machine, [check_of(found, "2026-05-01T07:00:00Z", 0.01)])[0]
    assert best.sensor == sensor
    assert best.turn_deg == pytest.approx(TRUE_ANGLE_DEG, abs=0.3)  # five readings of 2 mm


def test_the_95_percent_figure_of_twenty_is_students(retrofit: Any) -> None:
    """t(0.975, 5) = 2.571, any table of Student's distribution."""
    found = verify(true_machine(retrofit), *heights(retrofit))
    assert len(found.points) == 5
    assert found.half_width_95_m == pytest.approx(2.571 * found.rms_m, rel=1e-3)


def test_a_drift_of_the_mean_shows_as_a_trend(retrofit: Any) -> None:
    found = verify(true_machine(retrofit), *heights(retrofit))
    check = check_of(found, "2026-05-01T07:00:00Z", 0.03)
    moved: list[Check] = []
    for k in range(4):
        points = [p.model_copy(update={"error_m": 0.001 * k}) for p in check.points]
        moved.append(check.model_copy(update={"points": points}))
    assert trend_mm_per_month(moved, np.array([0.0, 10.0, 20.0, 30.0])) == pytest.approx(3.0)


def test_a_missing_sensor_is_named(retrofit: Any) -> None:
    chosen, evidence = heights(retrofit)
    for window in evidence.windows.values():
        window.sensors.pop("stick")
    with pytest.raises(ValueError, match=r"height 0 tip: no reading for stick"):
        verify(true_machine(retrofit), chosen, evidence)


def test_a_posture_that_the_linkage_cannot_take_is_told_and_the_others_are_compared(
    make_retrofit: Callable[..., Any],
) -> None:
    case = make_retrofit(seed=3, rocker=True)
    chosen = [o for o in case.book.observation if o.kind == "height" and o.of == "tip"]
    evidence, machine = gather(case.book, [], chosen), case.machine
    lost = chosen[2]
    assert lost.place is not None
    window = evidence.windows[lost.place]
    read = np.array(window.sensors["rocker"].accel_mps2)
    for turn in range(0, 360, 10):
        accel = Rotation.from_rotvec([0.0, turn, 0.0], degrees=True).apply(read)
        turned = window.sensors["rocker"].model_copy(update={"accel_mps2": tuple(accel)})
        window.sensors["rocker"] = turned
        if not _closes(machine, lost, evidence):
            break
    kept = [o for o in chosen if _closes(machine, o, evidence)]
    assert lost not in kept
    found = verify(machine, [*kept[:1], lost, *kept[1:]], evidence)
    assert [name for name, _ in found.without] == [lost.id]
    assert len(found.points) == len(kept) - 1
    assert not check_of(found, "2026-05-01T10:00:00Z", 100.0).passed


def _closes(machine: Machine, o: Observation, evidence: RecordedEvidence) -> bool:
    assert o.place is not None
    try:
        posture_of(machine, evidence.windows[o.place].sensors)
    except ValueError:
        return False
    return True
