"""Whatever sensors a machine has, however sure its description is, whoever is silent: figures or reasons."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from tipdatum.fusion.estimator import MotionReading, make_estimator
from tipdatum.machine.description import parse_machine
from tipdatum_drivers.reading import Imu, Tilt

BODIES = ("upper", "boom", "stick", "bucket")
kinds = st.fixed_dictionaries({b: st.sampled_from(["imu", "imu", "no gyro", "tilt", "none"]) for b in BODIES})
sure = st.dictionaries(
    st.sampled_from(["mount_sigma_deg", "latency_sigma_s", "position_sigma_m"]), st.sampled_from([0.0, 0.05])
)
losses = st.lists(
    st.tuples(st.sampled_from(BODIES), st.floats(0.5, 7.0), st.sampled_from([0.1, 0.4, 2.0])), max_size=2
)


def as_kind(reading: Imu, kind: str) -> MotionReading:
    if kind == "imu":
        return reading
    if kind == "no gyro":
        return replace(reading, gyro_radps=None)
    x, y, z = reading.accel_mps2
    size = math.hypot(x, y, z)
    pitch, roll = math.degrees(math.asin(x / size)), math.degrees(math.asin(y / size))
    return Tilt(reading.t, reading.sensor, pitch_deg=pitch, roll_deg=roll)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(kinds=kinds, sure=sure, losses=losses, keep_every=st.sampled_from([1, 2, 12]))
def test_figures_are_finite_or_absent_with_a_reason(
    kinds: dict[str, str],
    sure: dict[str, float],
    losses: list[tuple[str, float, float]],
    keep_every: int,
    dig: Callable[..., Any],
    describe: Callable[..., dict[str, Any]],
) -> None:
    assume(any(kind != "none" for kind in kinds.values()))
    words = describe()
    for body, kind in kinds.items():
        if kind == "none":
            del words["sensor"][body]
            if body != "upper":
                (words["bucket"][0] if body == "bucket" else words[body])["held_deg"] = -20.0
        else:
            words["sensor"][body] |= sure | ({"type": "tilt"} if kind == "tilt" else {})
    estimator = make_estimator("chain", parse_machine(words, "test"), 0.02)
    known = 0
    for k, reading in enumerate(dig(seconds=8, noise=1.0, rate_hz=50).readings):
        kind, count = kinds[reading.sensor], k // len(BODIES)
        lost = any(b == reading.sensor and t < reading.t < t + span for b, t, span in losses)
        if kind == "none" or lost or count % keep_every:
            continue
        estimator.consume(as_kind(reading, kind))
        pose = estimator.pose(reading.t)
        if pose.known:
            known += 1
            assert np.isfinite(pose.angles).all()
            assert np.linalg.eigvalsh(pose.covariance).min() > -1e-9
        else:
            assert pose.reasons
    assert known > 0


def said_of_sensors(
    turned_deg: float, dig: Callable[..., Any], describe: Callable[..., dict[str, Any]]
) -> list[str]:
    """What is said against sensors in a dig with inclinometers on upper and boom, at every reading.

    The stick's sensor sits turned by so much from 10 s on.
    """
    words = describe()
    kinds = {"upper": "tilt", "boom": "tilt"}
    for body in kinds:
        words["sensor"][body] |= {"type": "tilt"}
    estimator = make_estimator("chain", parse_machine(words, "test"), 0.02)
    c, s = math.cos(math.radians(turned_deg)), math.sin(math.radians(turned_deg))
    turn = np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])
    said = []
    for reading in dig(seconds=30, noise=1.0, rate_hz=50).readings:
        if reading.sensor == "stick" and reading.t > 10.0:
            force, rate = (tuple((turn @ v).tolist()) for v in (reading.accel_mps2, reading.gyro_radps))
            reading = replace(reading, accel_mps2=force, gyro_radps=rate)
        estimator.consume(as_kind(reading, kinds.get(reading.sensor, "imu")))
        reasons = map(str, estimator.pose(reading.t).reasons)
        said.append(next((text for text in reasons if "sensor does" in text or "gyro of" in text), ""))
    return said


def test_what_hangs_on_a_body_whose_rate_no_gyro_tells_is_not_suspected_for_it(
    dig: Callable[..., Any], describe: Callable[..., dict[str, Any]]
) -> None:
    assert not any(said_of_sensors(0.0, dig, describe))


def test_what_hides_a_contradiction_is_no_agreement(
    dig: Callable[..., Any], describe: Callable[..., dict[str, Any]]
) -> None:
    said = said_of_sensors(90.0, dig, describe)
    assert all(said[len(said) // 2 :])
