"""What the adjustment solves for: every unknown by name, with what was known of it before.

Unknowns live at a locus, which is what they can influence: the whole machine, one sensor, one sensor
during one power-up, one standing, or one still window. Residuals that differ in locus do not see each
other's unknowns, which lets the adjustment differentiate a hundred columns with a dozen evaluations.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tipdatum.calibration.observations import OF, Assumptions, Observation
from tipdatum.calibration.recordings import RecordedEvidence, StillWindow
from tipdatum.kinematics.chain import Chain
from tipdatum.kinematics.frames import Array, rotation_from_rpy_deg
from tipdatum.machine.description import Machine

Locus = Literal["machine", "sensor", "power_up", "standing", "window"]

WEAK = 50.0
"""Prior 1-sigma of what is not known at all (metres or radians): wide enough to weigh nothing."""

ANGLES = ("upper", "roll", "boom", "stick", "bucket", "rocker", "slew", "second_boom")
"""Unknown angles of a still window; `arm_angles` says which are q of `tipdatum.kinematics.chain`."""

UPPER, ROLL, BOOM, STICK, BUCKET, ROCKER, SLEW, SECOND_BOOM = range(len(ANGLES))


def arm_angles(machine: Machine) -> list[int]:
    """Places in `ANGLES` of q, in the order of the chain; swing and tilt are 0 in a calibration."""
    return [UPPER, ROLL, *(ANGLES.index(body) for body in machine.sections)]


def length_names(machine: Machine) -> tuple[str, ...]:
    """Unknowns that are the lengths of the chain, in its order."""
    return tuple(f"{body}.tip_m" if body == "bucket" else f"{body}.length_m" for body in machine.sections)


LINKAGE = ("rocker_pivot_x", "rocker_pivot_z", "rocker_m", "link_m", "bucket_ear_m", "bucket_ear_angle")


@dataclass(frozen=True, slots=True)
class Unknown:
    """One scalar. `prior` and `sigma` are what was known before; `scale` is a natural step for it.

    `described` ones have what was known of them as a row that is tested (`methods.described`).
    """

    name: str
    unit: str
    prior: float
    sigma: float
    scale: float
    locus: Locus = "machine"
    index: int = 0
    slot: int = 0
    described: bool = False


@dataclass
class Setup:
    """The case to be adjusted: machine, still windows, sensors, standings and marks, all numbered.

    Attributes:
        sensors: names of the machine's tilt sensors. bodies: the body each sits on.
        windows: still windows. of_window: `Observation.place` → number.
        power_ups: (file, sensor number) → number. standings, marks: names.
        mark_places: (standing number, mark number) of marks that were touched.
    """

    machine: Machine
    assume: Assumptions
    observations: tuple[Observation, ...]
    evidence: RecordedEvidence
    sensors: tuple[str, ...]
    bodies: tuple[str, ...]
    windows: tuple[StillWindow, ...]
    of_window: dict[tuple[str, float, float], int]
    power_ups: dict[tuple[str, int], int] = field(default_factory=dict)
    standings: tuple[str, ...] = ()
    marks: tuple[str, ...] = ()
    mark_places: tuple[tuple[int, int], ...] = ()

    @property
    def has_linkage(self) -> bool:
        """Whether the bucket's angle comes through the linkage."""
        return "rocker" in self.bodies

    @cached_property
    def free_angles(self) -> NDArray[np.int_]:
        """(n, 2) window and angle of every unknown angle: rocker and slew only where something was read."""
        rocker = self.sensors[self.bodies.index("rocker")] if self.has_linkage else ""
        slewed = {o.place for o in self.observations if o.kind == "slew"}
        slewed_windows = {w for place, w in self.of_window.items() if place in slewed}
        return np.array(
            [
                (w, k)
                for w, window in enumerate(self.windows)
                for k in range(len(ANGLES))
                if (k != ROCKER or rocker in window.sensors)
                and (k != SLEW or w in slewed_windows)
                and (k != SECOND_BOOM or self.machine.second_boom is not None)
            ],
            dtype=int,
        ).reshape(-1, 2)

    def sensor_on(self, body: str) -> int | None:
        """Number of the sensor on that body."""
        return self.bodies.index(body) if body in self.bodies else None


def make_setup(
    machine: Machine, observations: Sequence[Observation], evidence: RecordedEvidence, assume: Assumptions
) -> Setup:
    """Number everything that occurs in the observations."""
    _fit_the_machine(machine, observations)
    names = [n for n, s in machine.sensor.items() if s.type in ("imu", "tilt")]
    bench = {o.place for o in observations if o.kind == "specific_force"}
    places = [p for p in evidence.windows if p not in bench]
    setup = Setup(
        machine=machine,
        assume=assume,
        observations=tuple(observations),
        evidence=evidence,
        sensors=tuple(names),
        bodies=tuple(machine.sensor[n].body for n in names),
        windows=tuple(evidence.windows[p] for p in places),
        of_window={p: i for i, p in enumerate(places)},
    )
    for window in evidence.windows.values():
        for name in window.sensors:
            if name in names:
                setup.power_ups.setdefault((window.file, names.index(name)), len(setup.power_ups))
    setup.standings = tuple(dict.fromkeys(o.standing for o in observations if o.standing is not None))
    setup.marks = tuple(
        dict.fromkeys(
            m
            for o in observations
            for m in (
                [o.of]
                if o.kind == "tip_on_mark"
                else o.of.split("-")
                if o.kind in ("height_difference", "distance")
                else []
            )
        )
    )
    setup.mark_places = tuple(
        dict.fromkeys(
            (setup.standings.index(o.standing), setup.marks.index(o.of))
            for o in observations
            if o.kind == "tip_on_mark" and o.standing is not None
        )
    )
    return setup


def _fit_the_machine(machine: Machine, observations: Sequence[Observation]) -> None:
    """Raises ValueError where something was observed of a part, or cannot be told of one."""
    if machine.second_boom is None:
        of_it = ("second_boom", "boom_second")
        strange = next((o for o in observations if o.kind in OF and o.of in of_it), None)
        if strange is not None:
            raise ValueError(f"{strange.id} is of a second boom, and the machine's file describes none")
    elif machine.sensor_on("second_boom") is None:
        raise ValueError("no sensor on the second boom: a calibration cannot tell how it stands")


def described_unknowns(setup: Setup) -> list[Unknown]:
    """Dimensions that the description states, first in the order of all unknowns."""
    m, a = setup.machine, setup.assume
    mm, degree = 0.001, math.radians(1.0)
    stated = [
        ("boom.foot_m.x", m.boom.foot_m[0], a.foot_sigma_m),
        ("boom.foot_m.z", m.boom.foot_m[2], a.foot_sigma_m),
        ("boom.length_m", m.boom.length_m, a.length_sigma_m),
        *(
            ()
            if m.second_boom is None
            else (("second_boom.length_m", m.second_boom.length_m, a.length_sigma_m),)
        ),
        ("stick.length_m", m.stick.length_m, a.length_sigma_m),
        ("bucket.tip_m", m.bucket[0].tip_m, a.tip_sigma_m),
    ]
    found = [Unknown(name, "m", prior, sigma, mm, described=True) for name, prior, sigma in stated]
    if setup.has_linkage:
        bar = m.four_bar(0)
        priors = (bar.pivot_x, bar.pivot_z, bar.rocker, bar.link, bar.ear, bar.ear_angle)
        for name, prior in zip(LINKAGE, priors, strict=True):
            angle = name.endswith("angle")
            sigma = math.radians(a.ear_angle_sigma_deg) if angle else a.linkage_sigma_m
            unit, step = ("rad", degree) if angle else ("m", mm)
            found.append(Unknown(f"linkage.{name}", unit, prior, sigma, step, described=True))
    return found


def list_unknowns(setup: Setup) -> list[Unknown]:
    """Every unknown of the case, in the order in which `Parameters` unpacks them."""
    a = setup.assume
    mm, degree = 0.001, math.radians(1.0)
    found = described_unknowns(setup)
    found.append(Unknown("load_tilt", "rad", 0.0, math.radians(a.load_tilt_deg), 0.1 * degree))
    for name in setup.marks:
        # Elevations are relative: the first mark or standing carries the height system.
        found.append(Unknown(f"mark.{name}.elevation_m", "m", 0.0, WEAK, mm))
    for s, k in setup.mark_places:
        place = f"mark.{setup.marks[k]}.{setup.standings[s]}"
        found.append(Unknown(f"{place}.range_m", "m", 0.0, WEAK, mm))
        found.append(Unknown(f"{place}.azimuth", "rad", 0.0, WEAK, degree))
    for i, name in enumerate(setup.sensors):
        found += _sensor_unknowns(setup, i, name)
    for (file, s), i in setup.power_ups.items():
        tilt = setup.machine.sensor[setup.sensors[s]].type == "tilt"
        for k, axis in enumerate("xyz"):
            found.append(
                Unknown(
                    f"power_up.{file}.{setup.sensors[s]}.{axis}",
                    "m/s²",
                    0.0,
                    1e-6 if tilt else a.turn_on_mps2,
                    0.001,
                    "power_up",
                    i,
                    k,
                )
            )
    for i, name in enumerate(setup.standings):
        found.append(Unknown(f"standing.{name}.height_m", "m", 0.0, WEAK, mm, "standing", i, 0))
        found.append(Unknown(f"standing.{name}.pitch", "rad", 0.0, 0.5, degree, "standing", i, 1))
        found.append(Unknown(f"standing.{name}.roll", "rad", 0.0, 0.5, degree, "standing", i, 2))
    for i, k in setup.free_angles:
        name = f"{setup.windows[i].label}.{ANGLES[k]}"
        found.append(Unknown(name, "rad", 0.0, WEAK, degree, "window", i, k))
    return found


def _sensor_unknowns(setup: Setup, i: int, name: str) -> list[Unknown]:
    a, key = setup.assume, f"sensor.{name}"
    tilt = setup.machine.sensor[name].type == "tilt"
    rests = sum(o.kind == "specific_force" and o.of.split(":")[0] == name for o in setup.observations)
    cross = a.cross_axis if rests >= 10 and not tilt else 1e-9
    mount, bias = math.radians(a.mount_sigma_deg), 1e-9 if tilt else a.accel_bias_mps2
    scale = 1e-9 if tilt else a.accel_scale
    groups = (
        ("mount", "rad", mount, math.radians(0.1), ("roll", "pitch", "yaw")),
        ("accel_bias", "m/s²", bias, 0.01, ("x", "y", "z")),
        ("accel_scale", "", scale, 0.001, ("x", "y", "z")),
        ("cross_axis", "", cross, 0.001, ("yz", "xz", "xy")),
    )
    return [
        Unknown(f"{key}.{group}.{axis}", unit, 0.0, sigma, step, "sensor", i, 3 * g + k)
        for g, (group, unit, sigma, step, axes) in enumerate(groups)
        for k, axis in enumerate(axes)
    ]


class Parameters:
    """The unknowns unpacked into what the methods need. All arrays; windows first.

    `mount[s]` turns sensor axes into body axes; the small turn that is solved for is applied in the
    body's axes, so that its three components are the mount's roll, pitch and yaw errors.
    """

    def __init__(self, setup: Setup, x: Array, start_mounts: Sequence[Array]) -> None:
        self.setup = setup
        n = 2 + len(setup.machine.sections)
        self.foot = np.array([x[0], setup.machine.boom.foot_m[1], x[1]])
        self.lengths = x[2:n]
        self.linkage = x[n : n + 6] if setup.has_linkage else None
        n += 6 if setup.has_linkage else 0
        self.load_tilt = x[n]
        n += 1
        self.mark_elevation = x[n : n + len(setup.marks)]
        n += len(setup.marks)
        places = x[n : n + 2 * len(setup.mark_places)].reshape(-1, 2)
        self.mark_range, self.mark_azimuth = places[:, 0], places[:, 1]
        n += places.size
        self._sensors = x[n : n + 12 * len(setup.sensors)].reshape(-1, 4, 3)
        self._start_mounts = start_mounts
        n += self._sensors.size
        self.bias = self._sensors[:, 1]
        self.shift = x[n : n + 3 * len(setup.power_ups)].reshape(-1, 3)
        n += self.shift.size
        self.standing = x[n : n + 3 * len(setup.standings)].reshape(-1, 3)
        n += self.standing.size
        self.angles = np.zeros((len(setup.windows), len(ANGLES)))
        free = setup.free_angles
        self.angles[free[:, 0], free[:, 1]] = x[n : n + len(free)]

    @cached_property
    def mount(self) -> Array:
        """(S, 3, 3) sensor axes to body axes."""
        turned = [_turn(s[0]) @ m for s, m in zip(self._sensors, self._start_mounts, strict=True)]
        return np.array(turned).reshape(-1, 3, 3)

    @cached_property
    def gain(self) -> Array:
        """(S, 3, 3) reading per specific force."""
        return np.array([_gain(s[2], s[3]) for s in self._sensors]).reshape(-1, 3, 3)

    @cached_property
    def chain(self) -> Chain:
        """The arm with the present dimensions."""
        lengths = np.array(self.lengths)
        if (pin := self.setup.machine.bucket[0].pin_m) is not None:
            lengths[-1] += pin[0]
        return replace(self.setup.machine.straight_chain(), foot=self.foot, lengths=lengths)

    @cached_property
    def pins(self) -> Array:
        """(W, n + 1, 3) m: reach, lateral, height over the slew centre of boom foot … tip, by window."""
        return self.chain.pins(self.angles[:, arm_angles(self.setup.machine)])

    def theta(self, body: str) -> Array:
        """(W,) rad, elevation angle of a body."""
        return self.angles[:, ANGLES.index(body)]


def start_mounts(setup: Setup) -> list[Array]:
    """Mounts as the description has them, sensor to body."""
    return [rotation_from_rpy_deg(setup.machine.sensor[n].mount_rpy_deg) for n in setup.sensors]


def _turn(v: Array) -> Array:
    """Rotation by the rotation vector `v` (Rodrigues' formula)."""
    angle = float(np.linalg.norm(v))
    K = np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])
    if angle < 1e-9:
        return np.asarray(np.eye(3) + K)
    turned: Array = np.eye(3) + math.sin(angle) / angle * K + (1.0 - math.cos(angle)) / angle**2 * (K @ K)
    return turned


def _gain(scale: Array, cross: Array) -> Array:
    """Reading per specific force; cross-axis terms symmetric, because their other half is a turn."""
    yz, xz, xy = cross
    gain: Array = np.array([[1.0 + scale[0], xy, xz], [xy, 1.0 + scale[1], yz], [xz, yz, 1.0 + scale[2]]])
    return gain
