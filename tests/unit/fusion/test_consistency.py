"""By which figures sensors contradict each other, what it looks like, and how long a suspicion lasts."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from tipdatum.fusion.chain.consistency import Alarm, Consistency, Look, carried, unseen
from tipdatum.fusion.chain.evidence import Evidence

G = 9.80665
SPAN = 0.15
NAMES = ("upper", "boom", "stick", "bucket")


def look(t: float, **changes: Any) -> Look:
    """Four sensors that rest and agree."""
    n = 4
    parts: dict[str, Any] = {
        "innovation": np.zeros((n, 3)),
        "shake": np.zeros(n),
        "force": np.tile([0.0, 0.0, G], (n, 1)),
        "rate": np.zeros((n, 3)),
        "roll": np.zeros(n),
        "plane": np.zeros(n),
        "theta": np.zeros(n),
        "gyro": np.ones(n, dtype=bool),
        "active": np.ones(n, dtype=bool),
        "fastest": 0.0,
        "unseen": np.zeros(n),
        "unseen_rate": 0.0,
        "carried": np.zeros(n),
    }
    return Look(t, SPAN, **{**parts, **changes})


def run(watch: Consistency, seconds: float, start: float = 0.0, **changes: Any) -> Alarm | None:
    """The first alarm."""
    for i in range(round(seconds / SPAN)):
        alarm = watch.look(look(start + SPAN * (i + 1), **changes))
        if alarm is not None:
            return alarm
    return None


def pushed(sensor: int, acceleration: float) -> np.ndarray[Any, Any]:
    innovation = np.zeros((4, 3))
    innovation[sensor, 0] = acceleration * SPAN
    return innovation


def test_an_angle_that_is_wrong_by_two_degrees_is_an_alarm_and_a_quarter_of_one_none() -> None:
    # At rest an accelerometer that is turned by ε shows g sin ε that was not expected.
    two, quarter = (G * math.sin(math.radians(angle)) for angle in (2.0, 0.25))
    alarm = run(Consistency(4), 2.0, innovation=pushed(2, two))
    assert alarm is not None
    assert (alarm.innermost, alarm.alone) == (2, False)
    assert alarm.t <= 1.0
    watch = Consistency(4)
    assert run(watch, 10.0, innovation=pushed(2, quarter)) is None
    assert watch.ratios[2] == pytest.approx(max(watch.ratios))
    assert 0.2 < watch.ratios[2] < 0.5


def test_a_shock_of_one_block_is_none_however_hard() -> None:
    watch = Consistency(4)
    run(watch, 3.0)
    assert watch.look(look(3.15, innovation=pushed(3, 50.0))) is None
    assert run(watch, 3.0, start=3.15) is None


def test_a_blow_that_fills_half_of_a_second_is_none() -> None:
    # Pulses of one direction with a duty of a half leave a mean as large as their spread.
    watch = Consistency(4)
    run(watch, 3.0)
    struck = np.zeros(4)
    struck[3] = 12.0**2
    for k in range(3):
        assert watch.look(look(3.0 + SPAN * (k + 1), innovation=pushed(3, 12.0), shake=struck)) is None
    assert run(watch, 3.0, start=3.0 + 3 * SPAN) is None


def test_what_all_sensors_have_in_common_is_an_alarm_only_while_the_machine_stands() -> None:
    alike = np.zeros((4, 3))
    alike[:, 0] = 1.5 * SPAN
    assert run(Consistency(4), 5.0, innovation=alike, fastest=0.03) is None
    assert run(Consistency(4), 5.0, innovation=alike, fastest=0.001) is not None


def test_vibration_widens_the_gate() -> None:
    calm, shaken = Consistency(4), Consistency(4)
    run(calm, 2.0, innovation=pushed(1, 0.4))
    run(shaken, 2.0, innovation=pushed(1, 0.4), shake=np.full(4, 9.0))
    assert shaken.ratios[1] < 0.5 * calm.ratios[1]
    assert shaken.vibration[1] == pytest.approx(3.0)


def test_what_slow_samples_may_leave_out_is_no_contradiction() -> None:
    # White noise of a density q has the mean square q/T over T (1 s); as a rate it turns an angle by
    # sqrt(q T), and the longest look takes 3 s.
    assert unseen(0.04, 0.0) == pytest.approx(0.2)
    assert unseen(0.0, 3e-4) == pytest.approx(9.8 * 0.03)
    wide = unseen(0.04, 3e-4)
    assert run(Consistency(4), 3.0, innovation=pushed(2, 0.8)) is not None
    assert run(Consistency(4), 3.0, innovation=pushed(2, 0.8), unseen=np.full(4, wide)) is None


def test_a_slow_gyro_widens_the_gates_of_all_that_hangs_on_its_body() -> None:
    # A sensor 4 m from the hinge of a body whose rate is missed by 0.1 rad/s is missed by 0.4 m/s; at both
    # ends of a window that is the root of two times as much.
    ways = np.zeros((3, 3, 3))
    ways[2, 2, 1] = 4.0
    found = carried(ways, np.array([0.0, 0.01, 0.0]))
    assert found == pytest.approx([0.0, 0.0, 0.4 * math.sqrt(2.0)])


def test_nobody_judges_a_body_whose_turning_is_not_measured() -> None:
    alone = np.array([0.0, 0.0, 0.0, math.inf])
    assert run(Consistency(4), 3.0, innovation=pushed(3, 5.0), unseen=alone) is None
    assert run(Consistency(4), 3.0, innovation=pushed(2, 5.0), unseen=alone) is not None


def test_of_several_that_do_not_fit_the_innermost_is_suspected() -> None:
    both = pushed(1, 3.0) + pushed(2, 6.0) + pushed(3, 8.0)
    alarm = run(Consistency(4), 2.0, innovation=both)
    assert alarm is not None
    assert alarm.innermost == 1


@pytest.mark.parametrize(
    ("factor", "words"),
    [(-1.0, "turns the wrong way about z"), (0.0, "tells little of the turn about z"), (2.0, "2.0 times")],
)
def test_a_gyro_that_is_alone_is_named_with_what_it_looks_like(factor: float, words: str) -> None:
    plane = np.array([0.4, 0.4, 0.4, 0.4])
    plane[2] *= factor
    rate = np.zeros((4, 3))
    rate[:, 2] = plane
    watch = Consistency(4)
    alarm = run(watch, 2.0, plane=plane, rate=rate, fastest=0.4)
    assert alarm is not None
    assert (alarm.odd[0], alarm.alone) == (2, True)
    assert words in Evidence(watch.looks, G).words(2, NAMES[2], "slew")


def test_two_gyros_cannot_outvote_each_other() -> None:
    gyro = np.array([False, True, True, False])
    plane = np.array([0.0, 0.4, -0.4, 0.0])
    assert run(Consistency(4), 3.0, plane=plane, gyro=gyro, fastest=0.4) is None


def test_a_force_far_from_1_g_is_the_accelerometers() -> None:
    force = np.tile([0.0, 0.0, G], (4, 1))
    force[0] *= 2.0
    watch = Consistency(4)
    run(watch, 2.0, force=force)
    evidence = Evidence(watch.looks, G)
    assert evidence.weighs_wrong() == 0
    assert "2.0 g on the mean" in evidence.words(0, "upper", "any")


def test_nothing_is_judged_while_a_sensor_is_silent() -> None:
    active = np.array([True, True, False, True])
    watch = Consistency(4)
    assert run(watch, 5.0, innovation=pushed(3, 9.0), active=active) is None
    assert watch.ratios == [0.0] * 4
