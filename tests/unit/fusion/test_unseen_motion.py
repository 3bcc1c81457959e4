"""What moves the arm unseen drags no angle: a body whose sensor is silent, and a machine that travels."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace
from scipy.spatial.transform import Rotation

from tipdatum.fusion.chain.estimator import ChainEstimator, ChainOptions
from tipdatum_drivers.reading import Imu


def angles_after(machine: Any, readings: Iterable[Imu]) -> tuple[np.ndarray[Any, Any], ChainEstimator]:
    """(4,) rad of upper, boom, stick and bucket when all have been read, and the estimator."""
    estimator = ChainEstimator(machine, 0.02, ChainOptions())
    for reading in readings:
        estimator.consume(reading)
    assert estimator._filter is not None
    return estimator._filter.x[:4].copy(), estimator


@pytest.mark.parametrize("silent", ["boom", "stick"])
def test_the_bodies_beyond_a_silent_sensor_keep_their_angles_while_the_arm_digs(
    dig: Callable[..., Any], silent: str
) -> None:
    made = dig(seconds=22.0, seed=3, noise=1.0, rate_hz=50)
    whole, _ = angles_after(made.machine, made.readings)
    quiet = (r for r in made.readings if r.sensor != silent or r.t < 11.0)
    found, estimator = angles_after(made.machine, quiet)
    assert estimator._filter is not None
    sigma = np.sqrt(estimator._filter.P.diagonal()[:4])
    place = ("upper", "boom", "stick", "bucket").index(silent)
    beyond = slice(place + 1, None)
    off = np.abs(found - whole)[beyond]
    assert off.max() < np.radians(1.0)
    assert (off < 3.0 * sigma[beyond]).all()
    others = np.delete(np.abs(found - whole), place)
    assert others.max() < np.radians(1.0)


def push(t: float) -> float:
    """m/s²: a start to 0.7 m/s and a stop, as on tracks."""
    return 1.2 * ((12.0 < t < 12.6) - (13.6 < t < 14.2))


def test_figures_say_that_the_machine_travels(dig: Callable[..., Any]) -> None:
    made = dig(seconds=20.0, seed=3, noise=1.0, rate_hz=50, pace=0.1)
    estimator = ChainEstimator(made.machine, 0.02, ChainOptions())
    said = set()
    for r in made.readings:
        # Sideways, which every body feels alike on its y axis.
        x, y, z = r.accel_mps2
        estimator.consume(replace(r, accel_mps2=(x, y + push(r.t), z)))
        pose = estimator.pose(r.t)
        if "travels" in "; ".join(pose.reasons):
            assert pose.quality == "settling"
            said.add(round(r.t, 1))
    assert said
    assert 12.0 < min(said) < 12.6
    assert max(said) < 18.0


def test_a_machine_that_starts_and_brakes_tilts_no_body(dig: Callable[..., Any]) -> None:
    made = dig(seconds=16.0, seed=3, noise=1.0, rate_hz=50, pace=0.1)
    before, _ = angles_after(made.machine, made.readings)
    there, _ = angles_after(made.machine, (r for r in made.readings if r.t < 13.0))

    def pushed(r: Imu) -> Imu:
        body = {"upper": 0, "boom": 1, "stick": 2, "bucket": 3}[r.sensor]
        # In axes of the arm plane the push is level and along it; each body feels it in its own.
        turn = Rotation.from_euler("y", float(there[body]))
        x, y, z = (np.array(r.accel_mps2) + turn.apply([push(r.t), 0.0, 0.0])).tolist()
        return replace(r, accel_mps2=(x, y, z))

    print(before, there)
    after, estimator = angles_after(made.machine, [pushed(r) for r in made.readings])
    assert estimator.events() == []
    # Taken for a tilt a second of such a push would show 50 mrad and more.
    assert np.abs(after - before).max() < 0.004
