"""Where the tip's uncertainty comes from, over the working envelope.

Every source is a 1-sigma of something that the description says (`tipdatum.machine`) and reaches the tip
through the same derivatives as in the calibration (`sensitivity`). Sources are independent and add in
squares, as the law of propagation of uncertainty has it (JCGM 100, 5.1.2). Elevations are relative to a
reference touched at one posture, so what both postures share falls out; noise and pin play do not share.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tipdatum.calibration import joints
from tipdatum.calibration.deviations import spread_matrix
from tipdatum.calibration.envelope import SWING_DEG, TILT_DEG, tip_grid
from tipdatum.calibration.observations import Assumptions
from tipdatum.calibration.tip_figures import TipFigures
from tipdatum.kinematics.frames import STANDARD_GRAVITY_MPS2, Array
from tipdatum.machine.description import Machine
from tipdatum.machine.parts import Sensor

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

CALIBRATED = "what the calibration left"
"""Source that stands for mounts, biases and lengths of a calibrated machine, with all that ties them."""

TURN_ON_MPS2 = Assumptions().turn_on_mps2

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
        figures: envelope and reference of the machine; P postures.
        variance: source → (P,) m². worst_m: largest 1-sigma, also between the postures.
        calibration: names of the sources that a calibration speaks of.
        described: those of them that the calibration left out, so that they count as described.
        beside: figure (as in `TipFigures`) → its budget, of an arm that has others than the tip's height.
    """

    figures: TipFigures
    variance: dict[str, Array] = field(default_factory=dict)
    worst_m: float = 0.0
    calibration: tuple[str, ...] = ()
    described: tuple[str, ...] = ()
    beside: dict[str, Budget] = field(default_factory=dict)

    @property
    def total(self) -> Array:
        """(P,) m², all sources."""
        total: Array = np.sum(list(self.variance.values()), axis=0)
        return total

    @property
    def sigma(self) -> Array:
        """(P,) m, 1-sigma of the tip's elevation."""
        return np.asarray(np.sqrt(self.total))

    @property
    def rms_m(self) -> float:
        """Root of the mean variance over the envelope."""
        return self.figures.rms(self.total)

    @property
    def words(self) -> str:
        """The figures in one line; whoever tells them tells them so."""
        return (
            f"Tip elevation over the working envelope, against the reference: "
            f"{1000 * self.rms_m:.1f} mm RMS, "
            f"{1000 * self.worst_m:.1f} mm at worst (1-sigma, at rest; figures are advisory)."
        )

    @property
    def beside_words(self) -> list[str]:
        """The same of the figures beside the tip's elevation, a line each."""
        found, ways = [], ", ".join(
            f"{what} by {span[1]:.0f}° to either side"
            for what, span, has in (
                ("swung", SWING_DEG, "sideways" in self.beside), ("tilted", TILT_DEG, "fall" in self.beside)
            )
            if has
        )  # fmt: skip
        if ways:
            found.append(f"The envelope holds every posture straight, and {ways}.")
        if (corner := self.beside.get("left")) is not None and (fall := self.beside.get("fall")) is not None:
            worst = 1000 * max(float(self.beside[side].sigma.max()) for side in ("left", "right"))
            found.append(
                f"Edge: corners {1000 * corner.rms_m:.1f} mm RMS, {worst:.1f} mm at worst; its fall "
                f"{math.degrees(fall.rms_m):.2f}° RMS."
            )
        if (aside := self.beside.get("sideways")) is not None:
            found.append(
                f"Sideways, by the swing's axis and what tells it: {1000 * aside.rms_m:.0f} mm RMS, "
                f"{1000 * float(aside.sigma.max()):.0f} mm at worst; elevation on level ground does without."
            )
        return found

    @property
    def standing_words(self) -> str:
        """What the description says of its calibration, and what that left out, in one line."""
        said = self.figures.machine.calibrated
        if said is None:
            return "Not calibrated: mounts and lengths count as the description states them."
        if CALIBRATED not in self.variance:
            changed = "" if self.figures.machine.calibration_holds else ", but changed since"
            lost = "" if changed else ", but how its figures go together is not in the file"
            return (
                f"Calibrated {said.date}{changed}{lost}: "
                "mounts and lengths count as the description states them."
            )
        told = f"Calibrated {said.date}: {said.verdict}. What it left counts with all that ties it together."
        if not self.described:
            return told
        left_out = ", ".join(self.described)
        return (
            f"{told} It was written before it could say anything of {left_out}: "
            "that counts as the description states it, until the machine is calibrated again."
        )

    @property
    def besides_m(self) -> float:
        """RMS of what no calibration takes away: noise, the next power-up, pins, heave, temperature."""
        rest = [v for s, v in self.variance.items() if s not in self.calibration]
        return self.figures.rms(np.sum(rest, axis=0)) if rest else 0.0

    def cells(self) -> tuple[Array, Array, Array]:
        """Reach, height and 1-sigma (root mean square over bucket attitudes) of each tip position, (K,) m."""
        places = np.round(np.stack([self.figures.postures.reach, self.figures.postures.height], axis=-1), 6)
        unique, which = np.unique(places, axis=0, return_inverse=True)
        count = np.bincount(which.ravel())
        mean = np.bincount(which.ravel(), self.total) / count
        sigma: Array = np.sqrt(np.asarray(mean, dtype=float))
        return unique[:, 0].astype(float), unique[:, 1].astype(float), sigma

    def shares(self) -> list[tuple[str, float, float]]:
        """Source, its own RMS sigma in m, its share of the mean variance; largest first."""
        total = self.rms_m**2
        found = [(s, (rms := self.figures.rms(v)), rms**2 / total) for s, v in self.variance.items()]
        return sorted(found, key=lambda f: -f[1])

    def within(self, tolerance_m: float) -> float:
        """Share of the envelope where 95 % lies within ± the tolerance."""
        return float(self.figures.weight @ (COVERAGE_95 * self.sigma <= tolerance_m))


def make_budget(
    machine: Machine,
    reference: tuple[float, float] | None = None,
    temperature_k: float = 0.0,
    nodes: tuple[int, int, int] | None = None,
) -> Budget:
    """The budget of a described machine over the working envelope.

    Args:
        reference: reach and height, m, where the reference is touched; None: well out, on the ground.
        temperature_k: change since the calibration, for sensors that state a drift.

    Raises:
        ValueError: the reference is out of reach, or the machine has no sensors.
    """
    if not any(s.type in ("imu", "tilt") for s in machine.sensor.values()):
        raise ValueError("the description has no tilt sensors")
    figures = TipFigures(machine, reference, nodes)
    budget = _budget_at(figures, temperature_k)
    budget.worst_m = figures.worst(budget.total, lambda there: _budget_at(there, temperature_k).total)
    budget.beside = {
        figure: _budget_at(figures.of(figure), temperature_k) for figure in figures.figures if figure != "tip"
    }
    return budget


def map_of(budget: Budget, step_m: float, temperature_k: float = 0.0) -> Budget:
    """The same budget over the cells of a map."""
    return _budget_at(budget.figures.at(tip_grid(budget.figures.machine, step_m)), temperature_k)


def _budget_at(figures: TipFigures, temperature_k: float) -> Budget:
    machine, place = figures.machine, {n: i for i, n in enumerate(figures.names)}
    budget = Budget(figures)

    def shared(source: str, sigmas: Mapping[str, float]) -> None:
        columns = [place[n] for n in sigmas if n in place]
        difference = figures.J[:, columns] * np.array([sigmas[n] for n in sigmas if n in place])
        budget.variance[source] = np.sum(difference**2, axis=1)

    known, told = spread_of(machine, figures.names), frozenset[str]()
    if known is not None:
        budget.variance[CALIBRATED] = np.sum((figures.J @ known) ** 2, axis=1)
        told = frozenset(machine.calibration["spread"])

    def untold(source: str, sigmas: Mapping[str, float]) -> None:
        left = {name: sigma for name, sigma in sigmas.items() if name not in told}
        if left and any(n in place for n in left):
            shared(source, left)

    _described(machine, figures, untold)
    budget.calibration = tuple(budget.variance)
    budget.described = tuple(s for s in budget.variance if known is not None and s != CALIBRATED)
    for name in figures.sensitivity.sensors:
        sensor = machine.sensor[name]
        bias_names = [f"sensor.{name}.accel_bias.{a}" for a in "xyz"]
        if sensor.type == "tilt":
            noise = math.radians(sensor.noise.tilt_deg) * STANDARD_GRAVITY_MPS2
        else:
            if known is not None:
                shared(f"{name}: next power-up", dict.fromkeys(bias_names, TURN_ON_MPS2))
            noise = sensor.noise.accel_mps2_rthz * math.sqrt(FILTER_HZ)
        columns = [place[n] for n in bias_names]
        # Noise is not shared with the reference's; an average over seconds makes that one small.
        budget.variance[f"{name}: noise"] = noise**2 * np.sum(figures.J_here[:, columns] ** 2, axis=1)
        drift = sensor.noise.accel_per_kelvin_mps2 * temperature_k
        if drift:
            shared(f"{name}: temperature", dict.fromkeys(bias_names, drift))
    if machine.swing_sensor is not None:
        read = math.radians(Assumptions().encoder_sigma_deg)
        here = figures.J_here[:, place[joints.ZERO]]
        budget.variance[f"{machine.swing_sensor}: noise and play"] = (read * here) ** 2
    if figures.figure in ("fall", "sideways"):
        return budget
    t = machine.tolerance
    everywhere = np.ones(len(figures.postures))
    for source, sigma, times in (
        ("pin play", t.pin_play_m, 2.0),  # at the reference and now, independently
        ("heave", t.heave_m, 1.0),
        ("temperature of arm and pins", t.temperature_m, 1.0),
    ):
        if sigma:
            budget.variance[source] = times * sigma**2 * everywhere
    return budget


def _described(
    machine: Machine, figures: TipFigures, shared: Callable[[str, Mapping[str, float]], None]
) -> None:
    """Sources that the description's own keys state."""
    shared("boom length", {"boom.length_m": _taped(machine.boom.length_sigma_m)})
    if machine.second_boom is not None:
        shared("second boom length", {"second_boom.length_m": _taped(machine.second_boom.length_sigma_m)})
    shared("stick length", {"stick.length_m": _taped(machine.stick.length_sigma_m)})
    shared("bucket pin to tip", {"bucket.tip_m": _taped(machine.bucket[0].tip_sigma_m)})
    coupler = machine.coupler
    if coupler is not None and joints.COUPLER in figures.names:
        # Its length is known within that of the tip; how it holds the bucket is not.
        hold = math.radians(Assumptions().ear_angle_sigma_deg) if coupler.length_sigma_m != 0.0 else 0.0
        shared("coupler's hold", {joints.COUPLER_OFFSET: hold})
    foot = _taped(machine.boom.foot_sigma_m, 2.0)
    shared("boom foot", {"boom.foot_m.x": foot, "boom.foot_m.z": foot})
    if machine.boom_swing is not None:
        foot = _taped(machine.boom.foot_sigma_m, 2.0)
        shared("swing's axis", {joints.PIVOT_X: foot, joints.PIVOT_Y: foot})
    if machine.swing_sensor is not None:
        stated = machine.sensor[machine.swing_sensor].mount_sigma_deg
        zero = Assumptions().swing_zero_sigma_deg if stated is None else stated
        shared(f"{machine.swing_sensor}: zero", {joints.ZERO: math.radians(zero)})
    if machine.bucket[0].tilt_axis_m is not None:
        axis = math.radians(Assumptions().tilt_axis_sigma_deg)
        shared("tilt axis", {joints.AXIS: axis, joints.AXIS_OFFSET: Assumptions().tilt_axis_sigma_m})
    if figures.sensitivity.linkage and machine.linkage is not None:
        names = [n for n in figures.names if n.startswith("linkage.")]
        length = _taped(machine.linkage.length_sigma_m, 0.5)
        lever = machine.four_bar().ear
        shared("linkage", {n: length / lever if n.endswith("angle") else length for n in names})
    for name in figures.sensitivity.sensors:
        sensor = machine.sensor[name]
        mount = math.radians(UNKNOWN_MOUNT_DEG if sensor.mount_sigma_deg is None else sensor.mount_sigma_deg)
        shared(f"{name}: mount", {f"sensor.{name}.mount.{a}": mount for a in ("roll", "pitch", "yaw")})
        if sensor.type != "tilt":
            bias_names = [f"sensor.{name}.accel_bias.{a}" for a in "xyz"]
            shared(f"{name}: bias", dict.fromkeys(bias_names, sensor.noise.accel_bias_mps2))


def spread_of(machine: Machine, names: list[str]) -> Array | None:
    """(n, k) joint deviations that a calibration left with the machine; None without one that still holds.

    Names of which it says nothing have none: it was written by a version that did not know them.
    """
    written = machine.calibration.get("spread")
    if not machine.calibration_holds or not isinstance(written, Mapping):
        return None
    return spread_matrix(names, written)


def with_figures(machine: Machine, figures: DataSheet, sensors: tuple[str, ...] = ()) -> Machine:
    """The machine with data-sheet figures in some sensors; in all of them if none is named."""
    chosen = {n: figures.of(s) if not sensors or n in sensors else s for n, s in machine.sensor.items()}
    update: dict[str, Any] = {"sensor": chosen}
    if figures.mount_deg is not None or figures.accel_bias_mps2 is not None:
        # What the calibration found of mounts and biases is asked away.
        update["calibrated"] = None
    return machine.model_copy(update=update)


def better_sensor(budget: Budget, temperature_k: float = 0.0) -> list[tuple[str, float, float]]:
    """For each sensor: name, RMS sigma now and with a good industrial part instead, m; best buy first."""
    found = []
    machine = budget.figures.machine
    for name, sensor in machine.sensor.items():
        if sensor.type not in ("imu", "tilt"):
            continue
        if sensor.type == "tilt":
            part = sensor.model_copy(update={"noise": sensor.noise.model_copy(update={"tilt_deg": 0.005})})
        else:
            better = {k: min(v, getattr(sensor.noise, k)) for k, v in INSTEAD.items()}
            part = sensor.model_copy(update={"noise": sensor.noise.model_copy(update=better)})
        figures = copy.copy(budget.figures)
        figures.machine = machine.model_copy(update={"sensor": {**machine.sensor, name: part}})
        found.append((name, budget.rms_m, _budget_at(figures, temperature_k).rms_m))
    return sorted(found, key=lambda f: f[2])


def _taped(stated: float | None, times: float = 1.0) -> float:
    """A dimension's stated uncertainty, or `times` that of a tape where none is stated."""
    return TAPE_M * times if stated is None else stated
