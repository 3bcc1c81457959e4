"""What the adjustment solves for: every unknown by name, with what was known of it before.

Unknowns live at a locus, which is what they can influence: the whole machine, one sensor, one sensor
during one power-up, one standing, or one still window. Residuals that differ in locus do not see each
other's unknowns, which lets the adjustment differentiate a hundred columns with a dozen evaluations.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tipdatum.calibration import joints
from tipdatum.calibration.observations import OF, Assumptions, Observation
from tipdatum.calibration.recordings import RecordedEvidence, StillWindow
from tipdatum.kinematics.chain import Chain
from tipdatum.machine.description import Machine

Locus = Literal["machine", "sensor", "power_up", "standing", "window"]

WEAK = 50.0
"""Prior 1-sigma of what is not known at all (metres or radians): wide enough to weigh nothing."""

ANGLES = ("upper", "roll", "boom", "stick", "bucket", "rocker", "slew", "second_boom", "swing", "tilt")
"""Unknown angles of a still window; `arm_angles` says which are q of `tipdatum.kinematics.chain`."""

UPPER, ROLL, BOOM, STICK, BUCKET, ROCKER, SLEW, SECOND_BOOM, SWING, TILT = range(len(ANGLES))


def plane_angles(machine: Machine) -> list[int]:
    """Places in `ANGLES` of what stands in the arm plane, in the order of `Machine.straight_chain`."""
    return [UPPER, ROLL, *(ANGLES.index(body) for body in machine.sections)]


def arm_angles(machine: Machine) -> list[int]:
    """Places in `ANGLES` of q, in the order of `Machine.chain`."""
    swing = [] if machine.boom_swing is None else [SWING]
    tilt = [] if machine.bucket[0].tilt_axis_m is None else [TILT]
    return [*plane_angles(machine), *swing, *tilt]


def all_angles(machine: Machine, plane: Sequence[float]) -> tuple[float, ...]:
    """In the order of `ANGLES`, from angles as in `plane_angles`, rad; the others 0."""
    found = [0.0] * len(ANGLES)
    for place, angle in zip(plane_angles(machine), plane, strict=True):
        found[place] = float(angle)
    return tuple(found)


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

    @property
    def tilts(self) -> bool:
        """Whether the bucket tilts."""
        return self.machine.bucket[0].tilt_axis_m is not None

    @cached_property
    def stated_joints(self) -> list[joints.Stated]:
        """What the description states of joints beside the plane and of a coupler."""
        return joints.stated(self.machine, self.assume)

    @cached_property
    def described_chain(self) -> Chain:
        """The arm as it is described."""
        return self.machine.chain()

    @cached_property
    def encoded(self) -> list[tuple[str, int, float, float]]:
        """Id, window, reading and 1-sigma of the boom's encoder, rad: as was recorded, or noted by hand."""
        sensor, least = self.machine.swing_sensor, math.radians(self.assume.encoder_sigma_deg)
        if sensor is None:
            return []
        found = []
        for w, window in enumerate(self.windows):
            if sensor in window.told_deg:
                told = math.radians(window.told_deg[sensor])
                found.append((f"{sensor} in {window.label}", w, told, least))
        for o in self.observations:
            if o.kind == "encoder" and o.place in self.of_window and o.of == sensor:
                sigma = max(math.radians(o.sigma or 0.0), least)
                found.append((o.id, self.of_window[o.place], math.radians(o.value or 0.0), sigma))
        return found

    @cached_property
    def _told(self) -> dict[int, set[int]]:
        """SWING and TILT → windows in which something tells that angle."""
        told: dict[int, set[int]] = {}
        for k in (SWING, TILT):
            known = joints.told_places(self.machine, self.observations, ANGLES[k])
            told[k] = {w for place, w in self.of_window.items() if place in known}
        told[SWING] |= {w for _, w, _, _ in self.encoded}
        return told

    @cached_property
    def free_angles(self) -> NDArray[np.int_]:
        """(n, 2) window and angle of every unknown angle: rocker, slew, swing, tilt where one is told."""
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
                and (k not in (SWING, TILT) or w in self._told[k])
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
    for missing, kinds, of, words in (
        (machine.boom_swing is None, ("swing", "encoder"), ("boom_swing",), "a boom that swings"),
        (machine.bucket[0].tilt_axis_m is None, ("tilt",), ("tilt",), "a bucket that tilts"),
        (machine.coupler is None, (), ("coupler", "coupler_bucket"), "a coupler"),
    ):
        strange = next(
            (o for o in observations if missing and (o.kind in kinds or (o.kind in OF and o.of in of))), None
        )
        if strange is not None:
            raise ValueError(f"{strange.id} is of {words}, and the machine's file describes none")
    told = machine.swing_sensor
    other = next((o for o in observations if o.kind == "encoder" and o.of != told), None)
    if other is not None:
        raise ValueError(f"{other.id} is of {other.of}, which is no sensor of the boom's swing")
    if machine.bucket[0].tilt_axis_m is not None and machine.sensor_on("bucket") is None:
        raise ValueError("no sensor on the bucket, which tilts: a calibration cannot tell how it stands")


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
    for name, unit, prior, sigma in setup.stated_joints:
        found.append(Unknown(name, unit, prior, sigma, degree if unit == "rad" else mm, described=True))
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
