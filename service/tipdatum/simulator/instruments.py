"""The sensors on the simulated machine: what each feels at its place, and what of it reaches a line."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from tipdatum.simulator.multibody import Array, MultibodyState, cross
from tipdatum.simulator.plant import Plant
from tipdatum.simulator.sensors import SensorsTable, SimulatedEncoder, SimulatedSensor, renamed
from tipdatum_drivers.reading import Beam, Imu, Reading, Tilt

ENGINE_HZ = 30.0
BEAM_HALF_M = 0.004
"""Half the height of a receiver's window."""


@dataclass(slots=True)
class Faults:
    """What somebody does to sensors: silent ones, stuck ones, and pairs whose plugs changed places."""

    silent: set[str] = field(default_factory=set)
    frozen: dict[str, Imu | Tilt | None] = field(default_factory=dict)
    swapped: dict[str, str] = field(default_factory=dict)

    def apply(self, reading: Imu | Tilt) -> Imu | Tilt | None:
        """The reading as it reaches the line; None where nothing does."""
        name = reading.sensor
        if name in self.silent:
            return None
        if name in self.frozen:
            kept = self.frozen[name]
            if kept is None:
                kept = self.frozen[name] = reading
            elif isinstance(kept, Imu) and isinstance(reading, Imu):
                reading = Imu(
                    reading.t, name, kept.accel_mps2, kept.gyro_radps, kept.temp_c, reading.t_sample
                )
            elif isinstance(kept, Tilt):
                reading = Tilt(
                    reading.t,
                    name,
                    kept.angle_deg,
                    kept.pitch_deg,
                    kept.roll_deg,
                    kept.temp_c,
                    reading.t_sample,
                )
        other = self.swapped.get(name)
        return renamed(reading, other) if other is not None else reading


class Instruments:
    """All sensors of a machine.

    Args:
        plant: what they sit on. told: what they are like. laser_m: height of a rotating laser's plane, None
            without one. seed: of their errors.

    Attributes:
        sensors: inertial ones and inclinometers, by name. encoders: of slew and swing, with their joints.
        faults: what somebody does to them.
    """

    def __init__(self, plant: Plant, told: SensorsTable, laser_m: float | None, seed: int) -> None:
        self._plant, self._laser_m = plant, laser_m
        index = plant.chain.index
        self._stick, self._bucket = index["stick"], index["bucket"]
        joint_of = {section.name: index[section.name] for section in plant.arm}
        joint_of |= {"bucket": index[plant.tool], "upper": index["slew"]}
        self.faults = Faults()
        self.sensors: dict[str, SimulatedSensor] = {}
        self.encoders: list[tuple[SimulatedEncoder, int]] = []
        self._receivers: list[tuple[str, int, Array, float]] = []
        described = plant.machine.sensor
        seeds = np.random.SeedSequence(seed).spawn(len(described))
        for (name, sensor), own in zip(described.items(), seeds, strict=True):
            generator = np.random.default_rng(own)
            if sensor.type in ("imu", "tilt"):
                self.sensors[name] = SimulatedSensor(name, sensor, told, generator, ENGINE_HZ)
            elif sensor.type == "slew":
                joint = index["swing" if sensor.body == "boom_swing" else "slew"]
                self.encoders.append((SimulatedEncoder(name, sensor, told, generator), joint))
            else:
                at = np.asarray(_in_joint(plant, sensor.body, *sensor.position_m))
                self._receivers.append((name, joint_of[sensor.body], at, math.inf))
        self._rigid = [s for s in self.sensors.values() if s.told.body != "rocker"]
        self._joints = [joint_of[s.told.body] for s in self._rigid]
        self._places = [_in_joint(plant, s.told.body, *s.place.tolist()) for s in self._rigid]
        self._rocking = next((s for s in self.sensors.values() if s.told.body == "rocker"), None)

    def level(self, m: MultibodyState) -> None:
        """The machine is at rest: what the sensors feel before time begins."""
        for sensor, joint in zip(self._rigid, self._joints, strict=True):
            sensor.level(self._plant.chain.gravity * m.R[joint][2])

    def observe(self, t: float, m: MultibodyState, qdd: Array) -> None:
        """Show every sensor what its body does at `t` s, with the joints' accelerations `qdd` (n,)."""
        if not self.sensors:
            return
        moving, gravity = m.moving(qdd), self._plant.chain.gravity
        for sensor, joint, place in zip(self._rigid, self._joints, self._places, strict=True):
            sensor.remember((t, *m.felt(joint, place, moving[joint], gravity)))
        if self._rocking is not None:
            self._observe_rocker(t, self._rocking, m, qdd, *m.accelerations(qdd))

    def _observe_rocker(
        self,
        t: float,
        sensor: SimulatedSensor,
        m: MultibodyState,
        qdd: Array,
        alpha: Array,
        accel: Array,
    ) -> None:
        rocker, stick, bucket = self._plant.rocker, self._stick, self._bucket
        beta = float(m.q[bucket])
        rho = rocker.angle(beta) if rocker is not None else None
        if rocker is None or rho is None:
            return
        ratio, eps = rocker.ratio(beta), 1e-3
        bend = (rocker.ratio(beta + eps) - rocker.ratio(beta - eps)) / (2.0 * eps)
        speed = float(m.v[bucket])
        across = -m.R[stick][:, 1]
        omega = m.omega[stick] + across * ratio * speed
        turn = alpha[stick] + cross(m.omega[stick], across * ratio * speed)
        turn = turn + across * (ratio * float(qdd[bucket]) + bend * speed**2)
        c, s = math.cos(rho), math.sin(rho)
        R = m.R[stick] @ np.array([[c, 0.0, -s], [0.0, 1.0, 0.0], [s, 0.0, c]])
        pivot = m.R[stick] @ np.array([rocker.pivot[0], 0.0, rocker.pivot[1]])
        w0 = m.omega[stick]
        at_pivot = accel[stick] + cross(alpha[stick], pivot) + cross(w0, cross(w0, pivot))
        arm = R @ sensor.place
        force = at_pivot + cross(turn, arm) + cross(omega, cross(omega, arm))
        force[2] += self._plant.chain.gravity
        sensor.observe(t, force @ R, omega @ R)

    def due(self, t: float, m: MultibodyState, engine: bool) -> Iterator[Reading]:
        """What reaches a line at `t` s, with the machine at `m`; `engine`: whether it runs and shakes."""
        for sensor in self.sensors.values():
            for reading in sensor.due(t, engine):
                if (kept := self.faults.apply(reading)) is not None:
                    yield kept
        for encoder, joint in self.encoders:
            for angle in encoder.due(t, float(m.q[joint])):
                if encoder.name not in self.faults.silent:
                    yield angle
        if self._laser_m is not None:
            yield from self._crossings(t, m, self._laser_m)

    def _crossings(self, t: float, m: MultibodyState, laser: float) -> Iterator[Beam]:
        for n, (name, joint, place, before) in enumerate(self._receivers):
            above = float(m.point(joint, place)[2]) - laser
            self._receivers[n] = (name, joint, place, above)
            crossed = before * above < 0.0 or (abs(above) < BEAM_HALF_M <= abs(before))
            if crossed and math.isfinite(before) and name not in self.faults.silent:
                yield Beam(t, name)


def _in_joint(plant: Plant, body: str, x: float, y: float, z: float) -> tuple[float, float, float]:
    """A place on a body in the frame of the joint that carries it, m."""
    return plant.on_bucket(x, y, z) if body == "bucket" else (x, y, z)
