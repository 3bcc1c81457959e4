"""The guided capture, driven by a script: asks, waits, keeps, and goes on where it stopped."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest

from tipdatum.calibration import guide
from tipdatum.calibration.guide import Guide, StoppedError
from tipdatum.calibration.joint_steps import motion_steps
from tipdatum.calibration.observations import ObservationBook
from tipdatum.calibration.still import Block

SENSORS = ("upper", "boom", "stick", "bucket")


def rest(start: float, seconds: float, tilt: float, sensors: tuple[str, ...] = SENSORS) -> Iterator[Block]:
    for i in range(int(seconds * 2)):
        for sensor in sensors:
            t = start + i / 2
            accel = (9.8 * np.sin(tilt), 0.0, 9.8 * np.cos(tilt))
            yield Block(
                sensor=sensor, t0=t, t1=t + 0.48, n=25, accel_mps2=accel, gyro_radps=(0.0, 0.0, 0.0)
            )  # fmt: skip


def turning(start: float, seconds: float, rate: float, sensors: tuple[str, ...] = SENSORS) -> Iterator[Block]:
    for i in range(int(seconds * 2)):
        for sensor in sensors:
            t = start + i / 2
            tilt = rate * i / 2
            accel = (9.8 * np.sin(tilt), 0.0, 9.8 * np.cos(tilt))
            yield Block(
                sensor=sensor, t0=t, t1=t + 0.48, n=25, accel_mps2=accel, gyro_radps=(0.0, -rate, 0.0)
            )  # fmt: skip


@pytest.fixture
def talk(retrofit: Any) -> Callable[..., tuple[Guide, list[str], list[ObservationBook]]]:
    def start(
        source: Iterator[Block], answers: list[str], book: ObservationBook | None = None
    ) -> tuple[Guide, list[str], list[ObservationBook]]:
        said: list[str] = []
        kept: list[ObservationBook] = []
        told = iter(answers)
        made = Guide(
            machine=retrofit.machine,
            book=book or ObservationBook(),
            source=source,
            say=said.append,
            status=lambda state: None,
            ask=lambda words, default: next(told),
            keep=kept.append,
            standing="S1",
            power_up="one",
        )
        return made, said, kept

    return start


READINGS = ["", "25.6", "-8,7", "", "1.28", "3.28", "2.89", "1.62"]
"""Take the rest; slopes with a decimal comma, the bucket's left out; four heights."""


def test_a_measured_posture_becomes_observations_with_their_rest(talk: Any, retrofit: Any) -> None:
    made, said, kept = talk(rest(0, 8, 0.1), READINGS)
    made.run([guide.measured_step(1, "anywhere", retrofit.machine)])
    book = kept[-1]
    assert {o.of: o.value for o in book.observation if o.kind == "slope"} == {"boom": 25.6, "stick": -8.7}
    assert {o.standing for o in book.observation} == {"S1"}
    assert set(book.rest[0].sensor) == set(SENSORS)
    assert any(guide.MEASURED_IS_SAFE in text for text in said)


def test_a_rest_on_the_way_can_be_refused(talk: Any, retrofit: Any) -> None:
    source = [*rest(0, 6, 0.1), *turning(6, 3, 0.2), *rest(9, 6, 0.7)]
    made, _, kept = talk(iter(source), ["n", *READINGS])
    made.run([guide.measured_step(1, "anywhere", retrofit.machine)])
    assert kept[-1].rest[0].sensor["boom"].accel_mps2[0] == pytest.approx(9.8 * np.sin(0.7), abs=1e-3)


def test_what_is_in_the_book_is_not_asked_again(talk: Any, retrofit: Any) -> None:
    step = guide.measured_step(1, "anywhere", retrofit.machine)
    made, _, kept = talk(rest(0, 8, 0.1), READINGS)
    made.run([step])
    again, said, _ = talk(iter([]), [], kept[-1])
    again.run([step])
    assert said == ["measured-1: already in the book"]


def test_what_is_no_number_is_asked_again(talk: Any, retrofit: Any) -> None:
    made, said, kept = talk(rest(0, 8, 0.1), ["", "about 25", *READINGS[1:]])
    made.run([guide.measured_step(1, "anywhere", retrofit.machine)])
    assert any('"about 25" is no number' in text for text in said)
    assert kept[-1].observation[0].value == 25.6


def test_skip_leaves_a_step_out_and_stop_ends_with_what_there_is(talk: Any, retrofit: Any) -> None:
    source = [*rest(0, 6, 0.1), *turning(6, 3, 0.2), *rest(9, 6, 0.7)]
    steps = [guide.measured_step(i, "anywhere", retrofit.machine) for i in (1, 2)]
    made, said, kept = talk(iter(source), ["skip", "stop"])
    with pytest.raises(StoppedError):
        made.run(steps)
    assert "measured-1: left out" in said
    assert kept == []


def test_readings_that_end_stop_the_capture(talk: Any, retrofit: Any) -> None:
    made, _, _ = talk(rest(0, 2, 0.1), READINGS)
    with pytest.raises(StoppedError):
        made.run([guide.measured_step(1, "anywhere", retrofit.machine)])


def test_a_swing_is_kept_with_its_axis(talk: Any, retrofit: Any) -> None:
    source = [*rest(0, 6, 0.0), *turning(6, 4, 0.2), *rest(10, 6, 0.8)]
    made, _, kept = talk(iter(source), [])
    made.run([step for step in motion_steps(retrofit.machine) if step.swing == "boom"])
    assert kept[-1].swing[0].sensor["boom"].axis == pytest.approx((0.0, -1.0, 0.0), abs=1e-6)
    assert kept[-1].observation[0].kind == "single_joint"


def test_a_loose_sensor_is_taken_alone(talk: Any, retrofit: Any) -> None:
    made, _, kept = talk(rest(0, 6, 0.1, ("boom",)), [""])
    made.run(guide.bench_steps("boom", 9.80665)[:1])
    assert kept[-1].observation[0].kind == "specific_force"
    assert kept[-1].observation[0].standing is None
