"""Inclinometers that stand still where they cannot, seen beside what the bodies do."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pytest

from tipdatum_drivers.part_limits import USUAL_LIMITS, PartLimits
from tipdatum_drivers.plausibility import SensorMonitor
from tipdatum_drivers.reading import Tilt
from tipdatum_drivers.together import Together

BODIES = ("upper", "boom", "stick", "bucket")


@dataclass
class Described:
    body: str
    serial: str | None = None
    stale_after_s: float | None = None
    type: str = "tilt"
    limits: PartLimits = USUAL_LIMITS


class Digging:
    """Inclinometers with steps of 0.05° at 20 Hz; what stands is frozen from t = 10 s on."""

    def __init__(self, frozen: str = "", moving: tuple[str, ...] = ("boom", "stick", "bucket")) -> None:
        self.monitors = {b: SensorMonitor(b, Described(b)) for b in BODIES}
        self.together = Together((b, self.monitors[b]) for b in BODIES)
        self._frozen, self._moving = frozen, moving
        self._angles = dict.fromkeys(BODIES, 0.0)

    def run(self, start: float, seconds: float) -> None:
        for i in range(round(seconds * 20)):
            t = start + 0.05 * i
            # 6 °/s, turning back every four seconds.
            rate = math.radians(6.0) * (1 if t % 8.0 < 4.0 else -1)
            for k, body in enumerate(BODIES):
                turning = body in self._moving and not (body == self._frozen and t >= 10.0)
                self._angles[body] += math.degrees(rate) * 0.05 * turning
                shown = round((10.0 * k + self._angles[body]) / 0.05) * 0.05
                self.monitors[body].check(Tilt(t, body, pitch_deg=shown, roll_deg=0.0))
            self.together.turned(t, 0.05, dict.fromkeys(self._moving, rate))
            self.together.compare(t)


def test_work_is_no_fault_at_a_resolution_of_a_twentieth_of_a_degree() -> None:
    digging = Digging()
    digging.run(0.0, 60.0)
    assert all(not m.faults for m in digging.monitors.values())


@pytest.mark.parametrize(("body", "within"), [("stick", 2.2), ("bucket", 2.2), ("boom", 4.2)])
def test_an_inclinometer_that_stands_while_its_neighbour_turns_is_frozen_and_forgiven(
    body: str, within: float
) -> None:
    digging = Digging(frozen=body)
    digging.run(0.0, 10.0 + within)
    assert {b: m.faults for b, m in digging.monitors.items() if m.faults} == {body: {"frozen": 1}}
    t = 10.0 + within
    stood = digging.monitors[body].standing_angle
    assert stood is not None
    assert digging.monitors[body].check(Tilt(t, body, pitch_deg=stood[0] + 0.05, roll_deg=0.0))[0] != ()
    assert digging.monitors[body].is_ok(t)


def test_nothing_is_said_of_an_upper_that_stands_while_the_arm_works() -> None:
    digging = Digging(moving=("boom", "stick", "bucket"), frozen="upper")
    digging.run(0.0, 120.0)
    assert all(not m.faults for m in digging.monitors.values())


def test_a_standing_machine_is_no_fault_however_long() -> None:
    digging = Digging(moving=())
    digging.run(0.0, 300.0)
    assert all(not m.faults for m in digging.monitors.values())


def test_a_server_that_answers_zeros_for_all_is_named_on_each() -> None:
    monitors = {b: SensorMonitor(b, Described(b)) for b in BODIES}
    together = Together(monitors.items())
    for i in range(60):
        for body, monitor in monitors.items():
            monitor.check(Tilt(0.05 * i, body, pitch_deg=0.0, roll_deg=0.0))
        together.compare(0.05 * i)
    for body, monitor in monitors.items():
        assert "does one device answer for all?" in monitor.health(3.0).text
        assert monitor.check(Tilt(3.0, body, pitch_deg=0.0, roll_deg=0.0))[0] == ()
    for k, (body, monitor) in enumerate(monitors.items()):
        monitor.check(Tilt(3.05, body, pitch_deg=float(k), roll_deg=0.0))
    together.compare(3.05)
    for k, (body, monitor) in enumerate(monitors.items()):
        assert monitor.check(Tilt(3.1, body, pitch_deg=k + 0.1, roll_deg=0.0))[0] != ()
        assert monitor.is_ok(3.1)
