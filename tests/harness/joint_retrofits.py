"""Simulated retrofits of machines with more joints, by a forward model that shares nothing with the service.

Every section is a homogeneous transform composed with pytransform3d (BSD-3); touches and postures out of
readings come from scipy's least squares. Figures are invented; a test may only conclude from them whether a
calibration finds what was put in.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pytransform3d.rotations import matrix_from_axis_angle, matrix_from_euler
from pytransform3d.transformations import concat, transform_from
from scipy.optimize import least_squares

from tipdatum.calibration.observations import (
    Observation,
    ObservationBook,
    RestEntry,
    SensorRest,
    SensorSwing,
    SwingEntry,
)
from tipdatum.machine.description import Machine, parse_machine

Matrix = NDArray[np.float64]
Pose = dict[str, float]
"""Joint → rad: slew, swing and tilt, and each section's angle above the upper's x axis."""

GRAVITY = 9.80665
FACES = ((1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0), (0, 0, 1), (0, 0, -1), (1, 1, 0), (0, 1, 1))
POSTURES = ((26, -9, -108), (25, -59, -34), (25, -60, -146), (38, -58, -120), (4, -33, -100), (31, -63, -75))
FOLDS = (20.0, 38.0, 12.0, 30.0, 25.0, 15.0)
LENGTHS = {"boom": "length_m", "second_boom": "length_m", "stick": "length_m"}


def moved(x: float = 0.0, y: float = 0.0, z: float = 0.0) -> Matrix:
    """4x4 of a shift, m."""
    return np.asarray(transform_from(np.eye(3), [x, y, z]))


def about(axis: tuple[float, float, float], angle: float) -> Matrix:
    """4x4 of a turn, rad."""
    return np.asarray(transform_from(matrix_from_axis_angle([*axis, angle]), np.zeros(3)))


def lifted(angle: float) -> Matrix:
    """4x4 of a section's turn from x towards z."""
    return about((0.0, -1.0, 0.0), angle)


def chained(*parts: Matrix) -> Matrix:
    """One transform after the other, each in the axes of those before."""
    found = np.eye(4)
    for part in parts:
        found = np.asarray(concat(part, found))
    return found


@dataclass
class Body:
    """A machine in the figures of a description, which `frames` puts up section by section."""

    data: dict[str, Any]
    mounts: dict[str, Matrix] = field(default_factory=dict)
    bias: dict[str, Matrix] = field(default_factory=dict)

    @property
    def sections(self) -> tuple[str, ...]:
        """Those that it has."""
        return tuple(s for s in ("boom", "second_boom", "stick") if s in self.data)

    def frames(self, pose: Pose, ground: Matrix) -> dict[str, Matrix]:
        """4x4 of every body and point against the horizontal at the slew centre."""
        d, bucket = self.data, self.data["bucket"][0]
        found = {"upper": chained(ground, about((0, 0, 1), pose.get("slew", 0.0)))}
        foot, at = np.array(d["boom"]["foot_m"]), found["upper"]
        if "boom_swing" in d:
            pivot = np.array(d["boom_swing"]["pivot_m"])
            at = chained(at, moved(*pivot), about((0, 0, 1), pose.get("swing", 0.0)), moved(*(foot - pivot)))
        else:
            at = chained(at, moved(*foot))
        found["boom_foot"], before = at, 0.0
        ends = ("boom_second", "boom_stick") if "second_boom" in d else ("boom_stick",)
        for section, end in zip(self.sections, (*ends, "stick_bucket"), strict=True):
            found[section] = chained(at, lifted(pose[section] - before))
            at, before = chained(found[section], moved(d[section]["length_m"])), pose[section]
            found[end] = at
        at, turn, pin = chained(at, lifted(pose["bucket"] - before)), 0.0, np.eye(4)
        if "coupler" in d:
            c = d["coupler"]
            turn = math.radians(c["offset_deg"] - bucket["bucket_ear_angle_deg"])
            at = chained(at, lifted(-turn))
            pin = moved(c["length_m"])
        found["coupler_line"] = at
        tilting = d["coupler"] if "tilt_axis_m" in d.get("coupler", {}) else bucket
        if "tilt_axis_m" in tilting and tilting is bucket:
            at = chained(at, pin, lifted(turn))
            found["coupler_bucket"], pin, turn = at, np.eye(4), 0.0
        if "tilt_axis_m" in tilting:
            x, z = tilting["tilt_axis_m"]
            a = math.radians(tilting["tilt_axis_deg"])
            axis = about((math.cos(a), 0.0, math.sin(a)), pose.get("tilt", 0.0))
            at = chained(at, moved(x, 0.0, z), axis, moved(-x, 0.0, -z))
        found["coupler"] = at
        at = chained(at, pin, lifted(turn))
        found.setdefault("coupler_bucket", at)
        found["bucket"] = at
        half = bucket["width_m"] / 2.0
        for name, y in (("tip", 0.0), ("left", half), ("right", -half)):
            found[name] = chained(at, moved(bucket["tip_m"], y, 0.0))
        return found

    def felt(self, frames: dict[str, Matrix], sensor: str) -> Matrix:
        """(3,) m/s², specific force in the sensor's axes, without its bias."""
        body = frames[self.data["sensor"][sensor]["body"]][:3, :3]
        return np.asarray((body @ self.mounts[sensor]).T @ [0.0, 0.0, GRAVITY])

    @property
    def tilt_sensors(self) -> tuple[str, ...]:
        """Names of those that feel gravity."""
        return tuple(n for n, s in self.data["sensor"].items() if s.get("type", "imu") == "imu")


def as_described(data: dict[str, Any]) -> Body:
    """The machine that a description's tables mean."""
    body = Body(data)
    for name in body.tilt_sensors:
        rpy = np.radians(data["sensor"][name].get("mount_rpy_deg", (0.0, 0.0, 0.0)))
        body.mounts[name] = np.asarray(matrix_from_euler(rpy, 0, 1, 2, True))
        body.bias[name] = np.array(data["sensor"][name].get("accel_offset_mps2", (0.0, 0.0, 0.0)))
    return body


def ground_of(pitch_deg: float, roll_deg: float) -> Matrix:
    """4x4 of tracks that lean."""
    return chained(about((0, 1, 0), math.radians(pitch_deg)), about((1, 0, 0), math.radians(roll_deg)))


KINDS: dict[str, dict[str, Any]] = {
    "two-piece": {
        "boom": {"foot_m": [0.25, 0.0, 1.92], "length_m": 2.34}, "second_boom": {"length_m": 2.60},
        "stick": {"length_m": 2.33}, "bucket": [{"name": "b", "tip_m": 1.30, "width_m": 0.6}],
    },
    "swing": {
        "boom": {"foot_m": [0.81, 0.05, 0.76], "length_m": 2.03},
        "boom_swing": {"pivot_m": [0.61, 0.05, 0.55]},
        "stick": {"length_m": 1.20}, "bucket": [{"name": "b", "tip_m": 0.69, "width_m": 0.37}],
    },
    "tilting": {
        "boom": {"foot_m": [0.26, 0.0, 1.30], "length_m": 3.58}, "stick": {"length_m": 1.88},
        "bucket": [
            {"name": "b", "tip_m": 0.90, "width_m": 1.53, "tilt_axis_m": [0.18, 0.15], "tilt_axis_deg": 128.5}
        ],
    },
    "coupler": {
        "boom": {"foot_m": [0.35, 0.0, 1.75], "length_m": 4.60}, "stick": {"length_m": 2.50},
        "coupler": {"length_m": 0.34, "offset_deg": 118.0},
        "bucket": [
            {"name": "b", "tip_m": 1.05, "width_m": 1.8, "bucket_ear_m": 0.38, "bucket_ear_angle_deg": 128.0}
        ],
    },
    "tilting coupler": {
        "boom": {"foot_m": [0.35, 0.0, 1.75], "length_m": 4.60}, "stick": {"length_m": 2.50},
        "coupler": {
            "length_m": 0.34, "offset_deg": 118.0, "tilt_axis_m": [0.12, 0.10], "tilt_axis_deg": 118.5,
        },
        "bucket": [
            {"name": "b", "tip_m": 1.05, "width_m": 1.8, "bucket_ear_m": 0.38, "bucket_ear_angle_deg": 128.0}
        ],
    },
}  # fmt: skip


@dataclass
class Case:
    """A description with a tape's errors, the machine as it is, and the book of a person who measured it."""

    data: dict[str, Any]
    truth: Body
    zero_deg: float
    book: ObservationBook

    @property
    def machine(self) -> Machine:
        """As it is described."""
        return parse_machine(self.data, "retrofit.toml")


class Person:
    """Measures one machine; every draw comes from one seed."""

    def __init__(self, kind: str, seed: int, encoder: bool = True) -> None:
        self.rng = rng = np.random.default_rng([seed, list(KINDS).index(kind)])
        data = copy.deepcopy(KINDS[kind]) | {"name": kind, "sensor": {}}
        bodies = ["upper", *(s for s in LENGTHS if s in data), "coupler" if "coupler" in data else "bucket"]
        for k, body in enumerate(bodies):
            right_angle = ([0.0, 0.0, 90.0], [-90.0, 0.0, 0.0], [90.0, 0.0, 180.0], [0.0, 0.0, 0.0])[k % 4]
            data["sensor"][body] = {"body": body, "mount_rpy_deg": right_angle}
        if "boom_swing" in data and encoder:
            data["sensor"]["swing"] = {"body": "boom_swing", "type": "slew"}
        self.data, self.swings, self.tilts = data, "boom_swing" in data, "tilting" in kind
        self.encoder, self.zero_deg = encoder and self.swings, float(rng.normal(0, 2.0))
        self.truth = as_described(self._as_built(copy.deepcopy(data)))
        for name in self.truth.tilt_sensors:
            off = about(*_axis_angle(rng, 4.0))[:3, :3]
            self.truth.mounts[name] = self.truth.mounts[name] @ off
            self.truth.bias[name] = rng.normal(0, 0.05, 3)
        self.rests: list[RestEntry] = []
        self.motions: list[SwingEntry] = []
        self.notes: list[Observation] = []

    def _as_built(self, data: dict[str, Any]) -> dict[str, Any]:
        """What a tape was off by."""
        draw = self.rng.normal
        foot = data["boom"]["foot_m"]
        data["boom"]["foot_m"] = [foot[0] + draw(0, 0.007), foot[1], foot[2] + draw(0, 0.007)]
        for section, key in LENGTHS.items():
            if section in data:
                data[section][key] += draw(0, 0.004)
        bucket = data["bucket"][0]
        bucket["tip_m"] += draw(-0.008, 0.004)
        if self.swings:
            x, y, z = data["boom_swing"]["pivot_m"]
            data["boom_swing"]["pivot_m"] = [x + draw(0, 0.008), y + draw(0, 0.008), z]
        if "coupler" in data:
            data["coupler"]["length_m"] += draw(0, 0.003)
            data["coupler"]["offset_deg"] += draw(0, 0.4)
        for tilting in (data.get("coupler", {}), bucket):
            if "tilt_axis_m" in tilting:
                tilting["tilt_axis_m"] = [v + draw(0, 0.01) for v in tilting["tilt_axis_m"]]
                tilting["tilt_axis_deg"] += draw(0, 1.5)
        return data

    # -- how something is read ---------------------------------------------------------------------------

    def rest(self, name: str, pose: Pose, ground: Matrix) -> dict[str, Matrix]:
        """A still window."""
        frames = self.truth.frames(pose, ground)
        sensor = {n: self._averages(self.truth.felt(frames, n), n) for n in self.truth.tilt_sensors}
        self.rests.append(RestEntry(id=name, power_up="one", sensor=sensor))
        return frames

    def _averages(self, force: Matrix, sensor: str) -> SensorRest:
        a = force + self.truth.bias[sensor] + self.rng.normal(0, 0.001, 3)
        read = (float(a[0]), float(a[1]), float(a[2]))
        return SensorRest(accel_mps2=read, sigma_mps2=(0.001, 0.001, 0.001), samples=200)

    def note(
        self, rest: str, standing: str, kind: Any, of: str, true: float, sigma: float, unit: str
    ) -> None:
        """One reading, with an error of its sigma."""
        value = float(true + self.rng.normal(0, sigma))
        self.notes.append(
            Observation(id=f"{rest} {kind} {of}", kind=kind, of=of, value=value, sigma=sigma, unit=unit,
                        rest=rest, standing=standing)
        )  # fmt: skip

    def height(self, rest: str, standing: str, of: str, frames: dict[str, Matrix]) -> None:
        """By level and staff, over a benchmark 0.4 m under the slew centre."""
        self.note(rest, standing, "height", of, float(frames[of][2, 3]) + 0.4, 0.002, "m")

    def slope(self, rest: str, standing: str, of: str, line: Matrix) -> None:
        """By a digital level."""
        rise = float(line[2]) / float(np.linalg.norm(line))
        self.note(rest, standing, "slope", of, math.degrees(math.asin(rise)), 0.05, "deg")

    def told(self, rest: str, standing: str, swing: float, by_hand: float = 1.0) -> None:
        """The swing by chalk marks, and what the encoder says."""
        self.note(rest, standing, "swing", "boom", math.degrees(swing), by_hand, "deg")
        if self.encoder:
            self.note(rest, standing, "encoder", "swing", math.degrees(swing) + self.zero_deg, 0.2, "deg")

    # -- what is done ------------------------------------------------------------------------------------

    def bench(self) -> None:
        """Eight rests of each loose sensor."""
        for name in self.truth.tilt_sensors:
            for i, face in enumerate(FACES):
                up = about(*_axis_angle(self.rng, 3.0))[:3, :3] @ face / np.linalg.norm(face)
                rest = f"bench {name} {i}"
                self.rests.append(
                    RestEntry(id=rest, power_up="one", sensor={name: self._averages(GRAVITY * up, name)})
                )
                self.notes.append(
                    Observation(id=rest, method="bench", kind="specific_force", of=name, value=GRAVITY,
                                unit="m/s2", sigma=0.002, rest=rest)
                )  # fmt: skip

    def motion(self) -> None:
        """One swing of each joint."""
        pose = self.posture(0)
        frames = self.truth.frames(pose, ground_of(0.4, -0.7))
        order = ["upper", *self.truth.sections, "coupler" if "coupler" in self.truth.data else "bucket"]
        joints = {"slew": (order, frames["upper"][:3, 2])}
        for k, body in enumerate(order[1:], 1):
            joints["bucket" if body == "coupler" else body] = (order[k:], -frames[body][:3, 1])
        if self.swings:
            joints["boom_swing"] = (order[1:], frames["upper"][:3, 2])
        if self.tilts:
            tilting = self.truth.data.get("coupler", self.truth.data["bucket"][0])
            a = math.radians(tilting["tilt_axis_deg"])
            joints["tilt"] = (order[-1:], frames[order[-1]][:3, :3] @ [math.cos(a), 0.0, math.sin(a)])
        for joint, (turning, axis) in joints.items():
            seen = {}
            for name in turning:
                own = (frames[name][:3, :3] @ self.truth.mounts[name]).T @ axis
                own = own + self.rng.normal(0, math.radians(0.07), 3)
                x, y, z = own / np.linalg.norm(own)
                seen[name] = SensorSwing(axis=(float(x), float(y), float(z)), turned_rad=0.8, linearity=0.01)
            self.motions.append(SwingEntry(id=f"motion-{joint}", sensor=seen))
            self.notes.append(
                Observation(id=f"motion-{joint}", method="motions", kind="single_joint", of=joint, value=1.0,
                            unit="sign")
            )  # fmt: skip

    def posture(self, i: int) -> Pose:
        """One of six unlike each other."""
        boom, stick, bucket = (math.radians(a) for a in POSTURES[i % 6])
        pose = {"boom": boom, "stick": stick, "bucket": bucket}
        if "second_boom" in self.data:
            fold = math.radians(FOLDS[i % 6])
            pose |= {"boom": boom + fold, "second_boom": boom - fold}
        return pose

    def measured(self, of_coupler: bool = True) -> None:
        """Six postures by level and staff, straight ahead and not tilted."""
        ground = ground_of(0.5, -0.8)
        points = ["boom_foot", "boom_stick", "stick_bucket", "tip"]
        points[1:1] = ["boom_second"] if "second_boom" in self.data else []
        if "coupler" in self.data and of_coupler:
            points.insert(-1, "coupler_bucket")
        for i in range(6):
            rest, frames = f"measured {i}", self.rest(f"measured {i}", self.posture(i), ground)
            for section in self.truth.sections:
                self.slope(rest, "S", section, frames[section][:3, 0])
            self.slope(rest, "S", "bucket", frames["tip"][:3, 3] - frames["coupler_bucket"][:3, 3])
            if "coupler" in self.data and of_coupler:
                line = frames["coupler_bucket"][:3, 3] - frames["stick_bucket"][:3, 3]
                self.slope(rest, "S", "coupler", line)
            for point in points:
                self.height(rest, "S", point, frames)

    def swung(self, ground: Matrix | None = None) -> None:
        """Straight ahead once, and the tip on one mark with the boom swung and the upper slewed back."""
        ground = ground_of(-1.5, 2.0) if ground is None else ground
        start = self.posture(3) | {"slew": 0.2}
        mark = self.truth.frames(start, ground)["tip"][:3, 3]
        for i, swing in enumerate((0.0, 0.9, -0.9, 0.5, -0.6)):
            bucket = start["bucket"] + 0.1 * i

            def off(v: Matrix, swing: float = swing, bucket: float = bucket) -> Matrix:
                pose = {"slew": v[0], "boom": v[1], "stick": v[2], "bucket": bucket, "swing": swing}
                return np.asarray(self.truth.frames(pose, ground)["tip"][:3, 3] - mark)

            v = least_squares(off, [0.2 - 0.7 * swing, start["boom"], start["stick"]], xtol=1e-13).x
            pose = {"slew": v[0], "boom": v[1], "stick": v[2], "bucket": bucket, "swing": swing}
            rest = f"swung {i}"
            self.rest(rest, pose, ground)
            self.told(rest, "W", swing, 0.3 if swing == 0.0 else 1.0)
            self.note(rest, "W", "slew", "upper", math.degrees(v[0]), 1.0, "deg")
            self.note(rest, "W", "tip_on_mark", "A", 0.0, 0.003, "m")

    def tilted(self) -> None:
        """A level on the cutting edge, and both corners' heights, tilted either way at three curls."""
        ground = ground_of(0.3, 0.9)
        for i, tilt in enumerate((0.4, -0.4, 0.3, -0.45, 0.45, -0.3)):
            pose = self.posture(i) | {"tilt": tilt}
            rest, frames = f"tilted {i}", self.rest(f"tilted {i}", pose, ground)
            edge = frames["left"][:3, 3] - frames["right"][:3, 3]
            fall = math.degrees(math.asin(edge[2] / np.linalg.norm(edge)))
            self.note(rest, "T", "cross_slope", "edge", fall, 0.05, "deg")
            for point in ("boom_foot", "stick_bucket", "left", "right"):
                self.height(rest, "T", point, frames)

    def done(self) -> Case:
        """What the person ends with."""
        book = ObservationBook(
            rest=tuple(self.rests), swing=tuple(self.motions), observation=tuple(self.notes)
        )
        return Case(self.data, self.truth, self.zero_deg, book)


def _axis_angle(rng: np.random.Generator, most_deg: float) -> tuple[tuple[float, float, float], float]:
    v = np.radians(rng.uniform(-most_deg, most_deg, 3))
    size = float(np.linalg.norm(v))
    return (v[0] / size, v[1] / size, v[2] / size), size


def retrofit(kind: str, seed: int, encoder: bool = True) -> Case:
    """The whole day: bench, motions, measured postures, and what the kind asks for besides."""
    person = Person(kind, seed, encoder)
    person.bench()
    person.motion()
    person.measured()
    if person.swings:
        person.swung()
    if person.tilts:
        person.tilted()
    return person.done()


def errors(case: Case, found: dict[str, Any], count: int = 10, seed: int = 5) -> dict[str, Matrix]:
    """Errors in m of tip, left and right corner over postures at work.

    They are what a calibrated description makes of exact readings there; the tip's error in a first posture,
    the reference, is taken off.

    Args:
        found: the calibrated description's tables.
    """
    rng, ours = np.random.default_rng(seed), as_described(found)
    names, swings, tilts = ours.tilt_sensors, "boom_swing" in found, case.book and "tilt" in _joints(found)
    out: dict[str, list[float]] = {"tip": [], "left": [], "right": []}
    zero = 0.0
    for i in range(count + 1):
        boom, stick = rng.uniform(-0.4, 0.9), rng.uniform(-2.3, -0.7)
        pose: Pose = {"boom": boom, "stick": boom + stick, "bucket": rng.uniform(-2.6, -1.1)}
        if "second_boom" in found:
            pose["second_boom"] = boom - rng.uniform(0.3, 1.2)
            pose["stick"] = pose["second_boom"] + rng.uniform(-1.6, -0.4)
        if swings and i:
            pose["swing"] = rng.uniform(-0.9, 0.9)
        if tilts and i:
            pose["tilt"] = rng.uniform(-0.45, 0.45)
        ground = ground_of(*rng.uniform(-1.5, 1.5, 2))
        true = case.truth.frames(pose, ground)
        force = {n: case.truth.felt(true, n) + case.truth.bias[n] for n in names}
        yaw = found["sensor"].get("swing", {}).get("mount_rpy_deg", [0.0, 0.0, 0.0])[2]
        # Without an encoder the gyros follow the swing to about a degree.
        off = case.zero_deg + yaw if "swing" in found["sensor"] else rng.normal(0, 1.0)
        swing = pose.get("swing", 0.0) + math.radians(off)
        joints = [*ours.sections, "bucket", *(["tilt"] if tilts else [])]

        def unlike(v: Matrix, swing: float = swing, joints: Any = joints, force: Any = force) -> Matrix:
            guess = dict(zip(joints, v[2:], strict=True)) | {"swing": swing}
            lean = chained(about((0, 1, 0), v[0]), about((1, 0, 0), v[1]))
            frames = ours.frames(guess, lean)
            return np.concatenate([ours.felt(frames, n) - _freed(found, n, force[n]) for n in names])

        start = [0.0, 0.0, *(pose.get(j, 0.0) for j in joints)]
        v = least_squares(unlike, start, xtol=1e-12, ftol=1e-12, gtol=1e-12).x
        lean = chained(about((0, 1, 0), v[0]), about((1, 0, 0), v[1]))
        ours_at = ours.frames(dict(zip(joints, v[2:], strict=True)) | {"swing": swing}, lean)
        if i == 0:
            zero = float(ours_at["tip"][2, 3] - true["tip"][2, 3])
            continue
        for name, kept in out.items():
            kept.append(float(ours_at[name][2, 3] - true[name][2, 3]) - zero)
    return {name: np.array(kept) for name, kept in out.items()}


def _joints(data: dict[str, Any]) -> set[str]:
    tilting = "tilt_axis_m" in data.get("coupler", {}) or "tilt_axis_m" in data["bucket"][0]
    return {"tilt"} if tilting else set()


def _freed(found: dict[str, Any], sensor: str, force: Matrix) -> Matrix:
    """A reading as the description corrects it."""
    one = found["sensor"][sensor]
    scale = np.array(one.get("accel_scale", np.eye(3)))
    return np.asarray(scale @ (force - np.array(one.get("accel_offset_mps2", (0.0, 0.0, 0.0)))))
