"""Where the tip's uncertainty comes from, over the working envelope.

Every source is a 1-sigma of something that the description says (`tipdatum.machine`) and reaches the tip
through the same derivatives as in the calibration (`sensitivity`). Sources are independent and add in
squares, as the law of propagation of uncertainty has it (JCGM 100, 5.1.2). Elevations are relative to a
reference touched at one posture, so what both postures share falls out; noise and pin play do not share.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tipdatum.calibration.envelope import TRENCHING_DEG, Postures, envelope, reach_points
from tipdatum.calibration.sensitivity import TipSensitivity
from tipdatum.kinematics.frames import STANDARD_GRAVITY_MPS2, Array
from tipdatum.machine.description import Machine, Sensor

TAPE_M = 0.005
"""1-sigma of a length between pins taken with a tape (common practice, no source)."""
UNKNOWN_MOUNT_DEG = 1.0
"""1-sigma of a mount that nobody calibrated: set by eye against a casting (common practice, no source)."""

FILTER_HZ = 0.5
"""Noise bandwidth of the service's tilt at rest, Hz."""

COVERAGE_95 = 1.96
"""Half-width of 95 % in sigmas of a normal distribution."""

INSTEAD = {"accel_mps2_rthz": 25e-6 * STANDARD_GRAVITY_MPS2, "accel_bias_mps2": 1e-3 * STANDARD_GRAVITY_MPS2}
"""A good industrial accelerometer: 25 µg/√Hz, 1 mg after calibration. Stands for "buying better"."""

CLASSES: dict[str, tuple[float, str]] = {
    "bulk": (0.100, "bulk digging"),
    "trench": (0.030, "trench for a drain or cable"),
    "footing": (0.020, "footing"),
    "batter": (0.050, "batter"),
    "pipe": (0.010, "pipe bedding at flat grades"),
}
"""What the trade accepts, ±m at 95 % (common practice, no source; contracts and local rules decide)."""


@dataclass(frozen=True, slots=True)
class DataSheet:
    """Figures to try instead of the description's; None keeps what it says. SI units."""

    accel_mps2_rthz: float | None = None
    accel_bias_mps2: float | None = None
    accel_per_kelvin_mps2: float | None = None
    mount_deg: float | None = None

    def of(self, sensor: Sensor) -> Sensor:
        """The sensor with these figures."""
        noise = {
            key: value
            for key, value in (
                ("accel_mps2_rthz", self.accel_mps2_rthz),
                ("accel_bias_mps2", self.accel_bias_mps2),
                ("accel_per_kelvin_mps2", self.accel_per_kelvin_mps2),
            )
            if value is not None
        }
        update: dict[str, Any] = {"noise": sensor.noise.model_copy(update=noise)}
        if self.mount_deg is not None:
            update["mount_sigma_deg"] = self.mount_deg
        return sensor.model_copy(update=update)


@dataclass(slots=True)
class Budget:
    """The tip's variance over the envelope, by source.

    Attributes:
        postures: P of them. reference: where the reference is touched (one posture).
        variance: source → (P,) m².
    """

    postures: Postures
    reference: Postures
    variance: dict[str, Array] = field(default_factory=dict)

    @property
    def sigma(self) -> Array:
        """(P,) m, 1-sigma of the tip's elevation."""
        total: Array = np.sqrt(np.sum(list(self.variance.values()), axis=0))
        return total

    @property
    def rms_m(self) -> float:
        """Root of the mean variance over the envelope."""
        return float(math.sqrt(np.mean(self.sigma**2)))

    def cells(self) -> tuple[Array, Array, Array]:
        """Reach, height and 1-sigma (root mean square over bucket attitudes) of each tip position, (K,) m."""
        places = np.round(np.stack([self.postures.reach, self.postures.height], axis=-1), 6)
        unique, which = np.unique(places, axis=0, return_inverse=True)
        count = np.bincount(which.ravel())
        mean = np.bincount(which.ravel(), self.sigma**2) / count
        sigma: Array = np.sqrt(np.asarray(mean, dtype=float))
        return unique[:, 0].astype(float), unique[:, 1].astype(float), sigma

    def shares(self) -> list[tuple[str, float, float]]:
        """Source, its own RMS sigma in m, its share of the mean variance; largest first."""
        total = self.rms_m**2
        found = [
            (s, float(math.sqrt(np.mean(v))), float(np.mean(v)) / total) for s, v in self.variance.items()
        ]
        return sorted(found, key=lambda f: -f[1])

    def within(self, tolerance_m: float) -> float:
        """Share of the envelope where 95 % lies within ± the tolerance."""
        return float(np.mean(COVERAGE_95 * self.cells()[2] <= tolerance_m))


def make_budget(
    machine: Machine,
    reference: tuple[float, float] | None = None,
    step_m: float = 0.25,
    temperature_k: float = 0.0,
) -> Budget:
    """The budget of a described machine.

    Args:
        reference: reach and height, m, where the reference is touched; None: in the middle, on the ground.
        temperature_k: change since the calibration, for sensors that state a drift.

    Raises:
        ValueError: the reference is out of reach, or the machine has no sensors.
    """
    sensitivity = TipSensitivity(machine)
    if not sensitivity.sensors:
        raise ValueError("the description has no tilt sensors")
    postures = envelope(machine, step_m)
    reach, height = reference or (0.65 * float(postures.reach.max()), 0.0)
    at, _ = reach_points(machine, np.array([reach]), np.array([height]), np.array([TRENCHING_DEG]))
    if not len(at):
        raise ValueError(f"the arm cannot put the tip {reach:g} m out at {height:+g} m for the reference")
    budget = Budget(postures, at)
    J, J0 = sensitivity.jacobian(postures), sensitivity.jacobian(at)[0]
    place = {n: i for i, n in enumerate(sensitivity.names)}

    def shared(source: str, sigmas: Mapping[str, float]) -> None:
        columns = [place[n] for n in sigmas if n in place]
        difference = (J[:, columns] - J0[columns]) * np.array([sigmas[n] for n in sigmas if n in place])
        budget.variance[source] = np.sum(difference**2, axis=1)

    shared("boom length", {"boom.length_m": _taped(machine.boom.length_sigma_m)})
    shared("stick length", {"stick.length_m": _taped(machine.stick.length_sigma_m)})
    shared("bucket pin to tip", {"bucket.tip_m": _taped(machine.bucket[0].tip_sigma_m)})
    foot = _taped(machine.boom.foot_sigma_m, 2.0)
    shared("boom foot", {"boom.foot_m.x": foot, "boom.foot_m.z": foot})
    if sensitivity.linkage and machine.linkage is not None:
        names = [n for n in sensitivity.names if n.startswith("linkage.")]
        length = _taped(machine.linkage.length_sigma_m, 0.5)
        lever = machine.four_bar().ear
        shared("linkage", {n: length / lever if n.endswith("angle") else length for n in names})
    for name in sensitivity.sensors:
        sensor = machine.sensor[name]
        mount = math.radians(UNKNOWN_MOUNT_DEG if sensor.mount_sigma_deg is None else sensor.mount_sigma_deg)
        shared(f"{name}: mount", {f"sensor.{name}.mount.{a}": mount for a in ("roll", "pitch", "yaw")})
        bias_names = [f"sensor.{name}.accel_bias.{a}" for a in "xyz"]
        tilt = sensor.type == "tilt"
        if tilt:
            noise = math.radians(sensor.noise.tilt_deg) * STANDARD_GRAVITY_MPS2
        else:
            shared(f"{name}: bias", dict.fromkeys(bias_names, sensor.noise.accel_bias_mps2))
            noise = sensor.noise.accel_mps2_rthz * math.sqrt(FILTER_HZ)
        columns = [place[n] for n in bias_names]
        budget.variance[f"{name}: noise"] = noise**2 * np.sum(J[:, columns] ** 2, axis=1)
        drift = sensor.noise.accel_per_kelvin_mps2 * temperature_k
        if drift:
            shared(f"{name}: temperature", dict.fromkeys(bias_names, drift))
    t = machine.tolerance
    everywhere = np.ones(len(postures))
    for source, sigma, times in (
        ("pin play", t.pin_play_m, 2.0),  # at the reference and now, independently
        ("heave", t.heave_m, 1.0),
        ("temperature of arm and pins", t.temperature_m, 1.0),
    ):
        if sigma:
            budget.variance[source] = times * sigma**2 * everywhere
    return budget


def with_figures(machine: Machine, figures: DataSheet, sensors: tuple[str, ...] = ()) -> Machine:
    """The machine with data-sheet figures in some sensors; in all of them if none is named."""
    chosen = {n: figures.of(s) if not sensors or n in sensors else s for n, s in machine.sensor.items()}
    return machine.model_copy(update={"sensor": chosen})


def better_sensor(machine: Machine, **options: Any) -> list[tuple[str, float, float]]:
    """For each sensor: name, RMS sigma now and with a good industrial part instead, m; best buy first."""
    now = make_budget(machine, **options).rms_m
    found = []
    for name, sensor in machine.sensor.items():
        if sensor.type not in ("imu", "tilt"):
            continue
        if sensor.type == "tilt":
            part = sensor.model_copy(update={"noise": sensor.noise.model_copy(update={"tilt_deg": 0.005})})
        else:
            better = {k: min(v, getattr(sensor.noise, k)) for k, v in INSTEAD.items()}
            part = sensor.model_copy(update={"noise": sensor.noise.model_copy(update=better)})
        changed = machine.model_copy(update={"sensor": {**machine.sensor, name: part}})
        found.append((name, now, make_budget(changed, **options).rms_m))
    return sorted(found, key=lambda f: f[2])


def _taped(stated: float | None, times: float = 1.0) -> float:
    """A dimension's stated uncertainty, or `times` that of a tape where none is stated."""
    return TAPE_M * times if stated is None else stated
