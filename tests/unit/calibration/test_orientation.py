"""A part bolted on another way than described: found from a swing and slopes, and only if plainly wrong."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tipdatum.calibration.observations import Observation, ObservationBook, SensorSwing, SwingEntry
from tipdatum.calibration.orientation import found_mounts
from tipdatum.calibration.parameters import start_mounts
from tipdatum.calibration.recordings import gather
from tipdatum.calibration.unknowns import Setup, make_setup


def with_swings(retrofit: Any, described: list[float]) -> Setup:
    """The invented case with a swing of the boom, and the boom's mount described as `described`."""
    axes = {n: retrofit.mounts[n].T @ np.array([0.0, -1.0, 0.0]) for n in ("boom", "stick", "bucket")}
    swing = SwingEntry(
        id="swing",
        sensor={n: SensorSwing(axis=tuple(a), turned_rad=0.8, linearity=0.003) for n, a in axes.items()},
    )
    seen = Observation(id="swing", kind="single_joint", of="boom", value=1.0, unit="sign", standing="S")
    book: ObservationBook = retrofit.book.model_copy(
        update={"swing": (swing,), "observation": (*retrofit.book.observation, seen)}
    )
    sensors = dict(retrofit.machine.sensor)
    sensors["boom"] = sensors["boom"].model_copy(update={"mount_rpy_deg": tuple(described)})
    machine = retrofit.machine.model_copy(update={"sensor": sensors})
    return make_setup(machine, book.solving(), gather(book, [], book.solving()), book.assume)


@pytest.mark.parametrize("described", [[0.0, 0.0, 0.0], [-90.0, 0.0, 90.0], [35.0, -60.0, 110.0]])
def test_a_mount_that_is_plainly_wrong_is_found(retrofit: Any, described: list[float]) -> None:
    setup = with_swings(retrofit, described)
    found = found_mounts(setup, start_mounts(setup))[setup.sensors.index("boom")]
    off = Rotation.from_matrix(found @ retrofit.mounts["boom"].T).magnitude()
    assert np.degrees(off) < 4.0


def test_a_mount_a_few_degrees_off_is_left_to_the_adjustment(retrofit: Any) -> None:
    setup = with_swings(retrofit, [-90.0, 0.0, -90.0])
    described = start_mounts(setup)
    found = found_mounts(setup, described)
    assert all(np.array_equal(a, b) for a, b in zip(found, described, strict=True))
