"""A machine on sloping ground whose pose is exact, built from rotation matrices alone."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tipdatum.fusion.estimator import Event
from tipdatum.fusion.pose import Anchor, Matrices, Pose
from tipdatum.grade.forms import Outcome, WorkOptions
from tipdatum.grade.report import TipReport
from tipdatum.grade.state import WorkState
from tipdatum.grade.work import Work
from tipdatum.machine.description import Machine, parse_machine
from tipdatum_drivers.reading import Beam, Input

Matrix = NDArray[np.float64]

DESCRIPTION: dict[str, Any] = {
    "name": "Invented test machine",
    "boom": {"foot_m": [0.35, 0.1, 1.75], "length_m": 4.6, "length_sigma_m": 0.003, "foot_sigma_m": 0.01},
    "stick": {"length_m": 2.5, "length_sigma_m": 0.003},
    "bucket": [
        {"name": "trenching 600", "tip_m": 1.3, "width_m": 0.6, "floor_angle_deg": -20.0},
        {"name": "ditching 1400", "tip_m": 1.05, "width_m": 1.4, "outline_m": [[0.4, 0.6], [0.1, 0.5]]},
    ],
    "sensor": {
        "upper": {"body": "upper"},
        "boom": {"body": "boom"},
        "stick": {"body": "stick"},
        "bucket": {"body": "bucket"},
        "laser": {"body": "stick", "type": "beam", "position_m": [1.3, 0.2, 0.3], "latency_s": 0.01},
    },
}
SLEW_SENSOR = {"swing": {"body": "upper", "type": "slew"}}
TICK_S = 0.05
"""A slow tick, s: what is tested here does not depend on it."""


def turn(axis: str, angle: float) -> Matrix:
    """Rotation about x, y or z, right-handed."""
    c, s = math.cos(angle), math.sin(angle)
    rows = {
        "x": [[1, 0, 0], [0, c, -s], [0, s, c]],
        "y": [[c, 0, s], [0, 1, 0], [-s, 0, c]],
        "z": [[c, -s, 0], [s, c, 0], [0, 0, 1]],
    }
    return np.array(rows[axis], dtype=float)


@dataclass
class Stand:
    """How the machine stands and holds its arm; everything rad.

    `joints` are boom against upper, stick against boom, bucket against stick, positive raising.
    """

    pitch: float = 0.0
    roll: float = 0.0
    slew: float = 0.0
    joints: tuple[float, float, float] = (0.5, -1.5, -0.6)

    def bodies(self) -> list[Matrix]:
        """Rotations to the world of upper, boom, stick, bucket; the tracks lean by pitch and roll."""
        upper = turn("y", -self.pitch) @ turn("x", self.roll) @ turn("z", self.slew)
        out = [upper]
        for joint in self.joints:
            out.append(out[-1] @ turn("y", -joint))
        return out

    def world(self, machine: Machine, point: Sequence[float] | None = None, body: int = 3) -> Matrix:
        """A point of a body (default: the tip) in the world relative to the slew centre, m."""
        bodies = self.bodies()
        b = machine.bucket[0]
        lengths = [machine.boom.length_m, machine.stick.length_m, b.tip_m]
        at = bodies[0] @ np.array(machine.boom.foot_m)
        for i in range(1, body):
            at = at + bodies[i] @ np.array([lengths[i - 1], 0.0, 0.0])
        local = [lengths[body - 1], 0.0, 0.0] if point is None else point
        return np.asarray(at + bodies[body] @ np.array(local, dtype=float))

    def angles(self) -> Matrix:
        """q as fusion gives it: elevation angle of the upper, roll, elevation angle of each link."""
        ups = [rotation.T @ np.array([0.0, 0.0, 1.0]) for rotation in self.bodies()]
        thetas = [math.atan2(up[0], up[2]) for up in ups]
        return np.array([thetas[0], math.asin(ups[0][1]), *thetas[1:]])


@dataclass
class ExactEstimator:
    """Knows the pose exactly; `sigma` rad is what it claims."""

    machine: Machine
    stand: Stand = field(default_factory=Stand)
    sigma: float = 0.0005
    slew_known: bool = False
    heave: float = 0.0
    heave_sigma: float = 0.0
    quality: str = "good"
    speed: float = 0.0
    slew_offset: float = 0.0
    anchor_height: float | None = None
    anchors: bool = False
    anchor: Anchor | None = None

    def consume(self, reading: object) -> None:
        """Needs no readings."""

    def pose(self, t: float) -> Pose:
        angles = self.stand.angles()
        rates = np.zeros(5)
        rates[2] = self.speed
        anchor = self.anchor
        if anchor is None and self.anchor_height is not None:
            anchor = Anchor(self.anchor_height, 1e-6, np.zeros(5))
        good = self.quality in ("good", "moving", "settling")
        return Pose(
            t=t,
            angles=tuple(angles.tolist()),
            rates=tuple(rates.tolist()),
            spread=Matrices(np.eye(5) * self.sigma**2, np.zeros((5, 5))),
            quality=self.quality,  # type: ignore[arg-type]
            reasons=() if good else (f"arm {self.quality}",),
            slew_rad=self.stand.slew + self.slew_offset,
            slew_known=self.slew_known,
            heave_m=self.heave,
            heave_sigma_m=self.heave_sigma,
            anchor=anchor,
        )

    def set_anchor(self, t: float, bucket_point: object = None) -> bool:
        if self.anchors:
            self.anchor_height = float(self.stand.world(self.machine)[2])
        return self.anchors

    def clear_anchor(self) -> None:
        self.anchor_height = None

    def replace_machine(self, machine: Machine) -> None:
        self.machine = machine

    def events(self) -> list[Event]:
        return []


class Rig:
    """A work over an exact machine whose slew centre has a true elevation, and a clock that ticks."""

    def __init__(
        self,
        slew_sensor: bool = False,
        options: WorkOptions | None = None,
        state: WorkState | None = None,
        anchors: bool = False,
        tables: dict[str, Any] | None = None,
    ) -> None:
        description = {**DESCRIPTION, **(tables or {})}
        if slew_sensor:
            description = {**description, "sensor": {**DESCRIPTION["sensor"], **SLEW_SENSOR}}
        self.machine = parse_machine(description, "test machine")
        self.estimator = ExactEstimator(self.machine, slew_known=slew_sensor, anchors=anchors)
        self.centre_m = 100.0
        self.t = 0.0
        self.work = Work(
            self.machine, self.estimator, options, state, datetime(2026, 5, 11, 6, 40, tzinfo=UTC)
        )

    def stand(self, **changes: Any) -> None:
        """Hold the machine otherwise."""
        self.estimator.stand = Stand(**{**self.estimator.stand.__dict__, **changes})

    @property
    def true_tip_m(self) -> float:
        """Elevation of the tip by rotation matrices."""
        return (
            self.centre_m
            + float(self.estimator.stand.world(self.estimator.machine)[2])
            + self.estimator.heave
        )

    def tick(self, seconds: float = TICK_S) -> TipReport:
        """Let time pass; the last report."""
        report = None
        for _ in range(max(1, round(seconds / TICK_S))):
            self.t += TICK_S
            report = self.work.report(self.t)
        assert report is not None
        return report

    def send(self, name: str, /, **body: Any) -> Outcome:
        """A command after a still moment; waits for its outcome."""
        self.tick(1.2)
        return self.send_now(name, **body)

    def send_now(self, name: str, /, **body: Any) -> Outcome:
        """A command right now; waits for its outcome."""
        outcome = self.work.command(name, body, self.t, "tester", token=name)
        for _ in range(10_000):
            if outcome is not None:
                return outcome
            self.tick()
            outcome = next(iter(self.work.outcomes()), None)
        raise AssertionError("no outcome")

    def beam(self) -> None:
        """The receiver is on the beam now."""
        self.work.observe(Beam(self.t, "laser"))
        self.tick(0.1)

    def switch(self, name: str, on: bool) -> None:
        """A wired input changes."""
        self.work.observe(Input(self.t, name, on))

    @property
    def receiver_m(self) -> float:
        """True elevation of the laser receiver."""
        point = self.machine.sensor["laser"].position_m
        return self.centre_m + float(self.estimator.stand.world(self.machine, point, body=2)[2])


@pytest.fixture(scope="session")
def make_rig() -> Callable[..., Rig]:
    """`make_rig(slew_sensor=False, options=None, state=None)`."""
    return Rig


@pytest.fixture
def rig() -> Rig:
    """A machine without a slew sensor."""
    return Rig()
