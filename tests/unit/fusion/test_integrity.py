"""Sensors that contradict each other: named, figures withheld, and given again when they agree.

Digs are moved by formulas and rotated by scipy (see conftest); faults are put in by `fault_injection`.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from fault_injection import FAULTS, Case
from tipdatum.fusion.chain.consistency import Alarm, Consistency, Look
from tipdatum.fusion.chain.estimator import ChainEstimator, ChainOptions
from tipdatum.fusion.estimator import Event
from tipdatum.fusion.pose import Pose
from tipdatum_drivers.plausibility import SensorMonitor
from tipdatum_drivers.reading import Imu

pytestmark = pytest.mark.slow
TICK = 0.02
NEXT = {"upper": "boom", "boom": "stick", "stick": "bucket", "bucket": "stick"}
BY_NAME = {fault.name: fault for fault in FAULTS}


def play(dig: Any, readings: list[Any]) -> tuple[list[Pose], list[Event]]:
    """Poses at every tick and what was told, with each reading judged as in the service."""
    estimator = ChainEstimator(dig.machine, TICK, ChainOptions())
    monitors = {name: SensorMonitor(name, sensor) for name, sensor in dig.machine.sensor.items()}
    poses: list[Pose] = []
    events: list[Event] = []
    tick = 1
    newest: float | None = None
    for reading in readings:
        while reading.t > tick * TICK:
            if newest is not None:
                poses.append(estimator.pose(max(newest, tick * TICK - 0.02)))
            tick += 1
        for one in monitors[reading.sensor].check(reading)[0]:
            assert isinstance(one, Imu)
            estimator.consume(one)
            newest = one.t
        events += estimator.events()
    return poses, events


def spoilt(dig: Any, fault: str, sensor: str, start: float, end: float) -> list[Any]:
    case = Case(sensor, start, end, NEXT[sensor], random.Random(1))
    return list(BY_NAME[fault].spoil(list(dig.readings), case))


def wrong_and_good(dig: Any, poses: list[Pose], sound: list[Pose], off_m: float = 0.02) -> list[float]:
    """Times of figures that differ from the sound run's by more than they may, and are good or moving."""
    shape = dig.machine.chain()
    known = [p for p in sound if p.known]
    t = np.array([p.t for p in known])
    height = np.array([float(shape.tip(p.angles)[2]) for p in known])
    found = []
    for p in poses:
        if p.known and p.quality in ("good", "moving") and p.t > 6.0:
            row = shape.height_jacobian(p.angles)
            sigma = float(np.sqrt(max(0.0, row @ p.covariance @ row)))
            off = abs(float(shape.tip(p.angles)[2]) - float(np.interp(p.t, t, height)))
            if off > max(off_m, 3.0 * sigma):
                found.append(p.t)
    return found


@pytest.fixture(scope="module")
def sound_runs() -> dict[int, tuple[list[Pose], list[Event]]]:
    return {}


def sound(runs: dict[int, tuple[list[Pose], list[Event]]], dig: Any) -> list[Pose]:
    if id(dig) not in runs:
        runs[id(dig)] = play(dig, dig.readings)
    assert runs[id(dig)][1] == [], "sensors that agree raise no alarm"
    return runs[id(dig)][0]


@pytest.mark.parametrize(
    ("fault", "sensor", "words"),
    [
        ("gyro turned round about z", "stick", "the wrong way about"),
        ("gyro turned round about y", "boom", ""),
        ("sensors swapped", "stick", ""),
        ("accelerometer range twice", "bucket", "g on the mean"),
        ("knocked by 90°", "boom", ""),
    ],
)
def test_a_sensor_that_is_wrong_in_motion_is_named_within_seconds_and_no_wrong_figure_stays_good(
    dig: Callable[..., Any],
    sound_runs: dict[int, tuple[list[Pose], list[Event]]],
    fault: str,
    sensor: str,
    words: str,
) -> None:
    made = dig(seconds=22.0, seed=3, noise=1.0)
    good = sound(sound_runs, made)
    poses, events = play(made, spoilt(made, fault, sensor, 10.0, 16.0))
    told = [e for e in events if e.kind == "consistency" and not e.text.endswith("agrees again")]
    assert told, "nobody was named"
    assert told[0].t < 13.0
    allowed = {sensor, NEXT[sensor]} if fault == "sensors swapped" else {sensor}
    assert told[0].sensor in allowed, told[0].text
    assert any(words in e.text for e in told)
    wrong = wrong_and_good(made, poses, good)
    assert len(wrong) * TICK <= 1.5, f"{len(wrong) * TICK:.1f} s from {wrong[0]:.1f} s"


def test_figures_come_back_by_themselves_when_the_sensors_agree_again(
    dig: Callable[..., Any], sound_runs: dict[int, tuple[list[Pose], list[Event]]]
) -> None:
    made = dig(seconds=30.0, seed=3, noise=1.0)
    good = sound(sound_runs, made)
    poses, events = play(made, spoilt(made, "gyro turned round about z", "stick", 10.0, 11.5))
    assert any(e.text.endswith("agrees again") for e in events)
    last = [p for p in poses if p.t > 27.0]
    assert all(p.known and p.quality in ("good", "moving") for p in last)
    assert wrong_and_good(made, last, good, off_m=0.03) == []


def test_a_knocked_sensor_alone_is_named_and_where_it_sits_now_is_found(dig: Callable[..., Any]) -> None:
    """What was known of its mount would bend all others, one after the other."""
    made = dig(seconds=22.0, seed=3, noise=1.0)
    _, events = play(made, spoilt(made, "knocked by 5°", "boom", 10.0, 22.0))
    assert {e.sensor for e in events} == {"boom"}
    assert "agrees again" in events[-1].text


@pytest.mark.parametrize("slows", [True, False])
def test_nobody_is_named_for_what_a_sensor_bent_before_it_was_known_to_be_slow(
    dig: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, slows: bool
) -> None:
    made = dig(seconds=15.0, seed=3, noise=1.0)
    kept, last = [], 0.0
    for reading in made.readings:
        if slows and reading.sensor == "bucket" and reading.t > 10.0:
            if reading.t - last < 0.199:
                continue
            last = reading.t
        kept.append(reading)
    really = Consistency.look

    def contradicted(self: Consistency, look: Look) -> Alarm | None:
        found = really(self, look)
        return Alarm(look.t, 1, (1, 2.0)) if 13.0 < look.t < 13.2 else found

    monkeypatch.setattr(Consistency, "look", contradicted)
    _, events = play(made, kept)
    named = [e.sensor for e in events if e.kind == "consistency"]
    assert named == ([] if slows else ["boom"])


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    place=st.integers(0, 3500),
    words=st.tuples(*[st.integers(-32768, 32767)] * 6),
)
def test_one_bad_reading_whatever_its_words_makes_no_wrong_good_figure(
    dig: Callable[..., Any],
    sound_runs: dict[int, tuple[list[Pose], list[Event]]],
    place: int,
    words: tuple[int, ...],
) -> None:
    """All six words of one reading at random: ±8 g and ±2000 °/s over 16 bits (data sheets, from memory)."""
    made = dig(seconds=16.0, seed=3, noise=1.0)
    good = sound(sound_runs, made)
    readings = list(made.readings)
    place += 2600
    a = tuple(w / 32768.0 * 78.4 for w in words[:3])
    b = tuple(w / 32768.0 * 34.9 for w in words[3:])
    readings[place] = replace(readings[place], accel_mps2=a, gyro_radps=b)
    poses, _ = play(made, readings)
    assert wrong_and_good(made, poses, good) == []
