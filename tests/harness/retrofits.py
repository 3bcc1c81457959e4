"""Simulated retrofits of machines of many sizes, by a forward model that shares nothing with the service.

Bodies are a chain of 4×4 matrices in the ground's frame (textbook homogeneous transforms), mounts come from
scipy's rotations, the linkage from a bracketed root of its loop, touches from a numerical search. The machine
tilts on its tracks with the load moment and sags a little between a reading and its rest. Figures are
invented; what a test may conclude from them is whether the calibration finds what was put in.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from matrix_machine import Matrix, Posture, Standing, TrueMachine, right_angle_rpy
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from tipdatum.calibration.observations import (
    Observation,
    ObservationBook,
    RestEntry,
    SensorRest,
    SensorSwing,
    SwingEntry,
)
from tipdatum.machine.description import Machine, parse_machine

GRAVITY = 9.80665
FACES = ((1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0), (0, 0, 1), (0, 0, -1), (1, 1, 0), (0, 1, 1))
MARKS = {"A": (0.62, 0.35), "B": (0.80, -0.40)}
"""Mark → distance in reaches of the arm, and azimuth from the first standing, rad."""


@dataclass
class SimulatedRetrofit:
    """A described machine, its true one, the book a person would have written, and what was true of it.

    Attributes:
        true_values: observation id → what a perfect reading would have said.
        acceptance: observations with true heights, for judging alone.
    """

    name: str
    described: Machine
    truth: TrueMachine
    book: ObservationBook
    true_values: dict[str, float] = field(default_factory=dict)
    acceptance: tuple[Observation, ...] = ()


class Maker:
    """Makes one retrofit; every draw comes from one seed."""

    def __init__(self, seed: int, rocker: bool, level: bool = True) -> None:
        self.rng = np.random.default_rng([seed, int(rocker)])
        self.rocker, self.level = rocker, level
        self.name = f"machine {seed}, sensor on the {'rocker' if rocker else 'bucket'}"
        rng = self.rng
        size = math.exp(rng.uniform(math.log(0.45), math.log(1.45)))
        self.size = size
        self.rests: list[RestEntry] = []
        self.swings: list[SwingEntry] = []
        self.observations: list[Observation] = []
        self.true: dict[str, float] = {}
        told = {
            "foot": (0.36 * size * rng.uniform(0.6, 1.4), 1.70 * size * rng.uniform(0.85, 1.15)),
            "lengths": tuple(round(v * size * rng.uniform(0.88, 1.12), 3) for v in (4.6, 2.5, 1.35)),
        }
        linkage: dict[str, Any] = {}
        if rocker:
            k = told["lengths"][1] / 2.5
            linkage = {
                "rocker_pivot_m": [round(2.15 * k, 3), 0.0],
                "rocker_m": round(0.60 * k, 3),
                "link_m": round(0.55 * k, 3),
                "bucket_ear_m": round(0.385 * k, 3),
                "bucket_ear_angle_deg": 136.0,
                "assembly": 1,
            }
        self.sensors = ("upper", "boom", "stick", "rocker" if rocker else "bucket")
        right_angles = list(Rotation.create_group("O"))
        data: dict[str, Any] = {
            "name": "Simulated retrofit",
            "boom": {"foot_m": [round(told["foot"][0], 3), 0.0, round(told["foot"][1], 3)],
                     "length_m": told["lengths"][0]},
            "stick": {"length_m": told["lengths"][1]},
            "bucket": [{"name": "digging", "tip_m": told["lengths"][2], "width_m": 0.6}],
            "sensor": {},
        }  # fmt: skip
        if rocker:
            data["linkage"] = linkage
        mounts = {}
        for name in self.sensors:
            nominal = right_angles[int(rng.integers(24))]
            data["sensor"][name] = {
                "body": name,
                "mount_rpy_deg": right_angle_rpy(nominal),
            }
            mounts[name] = (nominal * Rotation.from_rotvec(rng.uniform(-5, 5, 3), degrees=True)).as_matrix()
        self.described = parse_machine(data, "simulated")
        true_linkage = dict(linkage)
        if rocker:
            true_linkage["rocker_pivot_m"] = [v + rng.normal(0, 0.0025) for v in linkage["rocker_pivot_m"]]
            for key in ("rocker_m", "link_m", "bucket_ear_m"):
                true_linkage[key] = linkage[key] + rng.normal(0, 0.0025)
            true_linkage["bucket_ear_angle_deg"] += rng.normal(0, 0.4)
        foot = self.described.boom.foot_m
        self.truth = TrueMachine(
            foot=(foot[0] + rng.normal(0, 0.01), foot[2] + rng.normal(0, 0.01)),
            lengths=(
                told["lengths"][0] + rng.normal(0, 0.005),
                told["lengths"][1] + rng.normal(0, 0.005),
                told["lengths"][2] - 0.010 + rng.normal(0, 0.003),
            ),
            linkage=true_linkage,
            mounts=mounts,
            bias={n: rng.normal(0, 0.06, 3) for n in self.sensors},
            scale={n: rng.normal(0, 0.003, 3) for n in self.sensors},
            rocking=math.radians(rng.uniform(0.03, 0.12)),
        )
        self.shifts: dict[tuple[str, str], Matrix] = {}
        self.exact = False
        """Sensors without noise and power-up: what is left is what the calibration left."""

    # -- what sensors and people see ----------------------------------------------------------------------

    def read(self, name: str, up: Matrix, power_up: str) -> SensorRest:
        """A rest's average of one sensor that sees `up` in its own axes."""
        t = self.truth
        shift = self.shifts.setdefault((name, power_up), self.rng.normal(0, 0.0025, 3))
        accel = (1.0 + t.scale[name]) * GRAVITY * up + t.bias[name]
        if not self.exact:
            accel = accel + shift + self.rng.normal(0, 0.001, 3)
        a = [round(float(v), 6) for v in accel]
        return SensorRest(
            accel_mps2=(a[0], a[1], a[2]), sigma_mps2=(0.0013, 0.0013, 0.0013), samples=200,
            gyro_radps=(0.0, 0.0, 0.0),
        )  # fmt: skip

    def stand(self, rest: str, p: Posture, s: Standing, power_up: str) -> dict[str, Matrix]:
        """Keep a rest at a posture; its frames."""
        frames = self.truth.frames(p, s)
        sensors = {
            n: self.read(n, (frames[n][:3, :3] @ self.truth.mounts[n])[2, :], power_up) for n in self.sensors
        }
        self.rests.append(RestEntry(id=rest, power_up=power_up, sensor=sensors))
        return frames

    def note(self, name: str, true: float, error: float, **fields: Any) -> None:
        """An observation with its true value and its error."""
        self.true[name] = true
        value = round(true + error, 4)
        self.observations.append(Observation(id=name, value=value, **fields))

    def sagged(self, p: Posture) -> Posture:
        """The posture a little later or earlier."""
        sag = self.rng.normal(0, 0.0005) / sum(self.truth.lengths)
        return Posture(p.slew, p.boom + sag, p.stick, p.bucket)

    def measured(self, rest: str, p: Posture, s: Standing, standing: str, power_up: str) -> None:
        """Slopes and heights of one posture."""
        self.stand(rest, p, s, power_up)
        frames = self.truth.frames(self.sagged(p), s)
        for of in ("boom", "stick", "bucket"):
            slope = math.degrees(math.asin(frames[of][2, 0]))
            self.note(
                f"{rest}-{of}", slope, self.rng.normal(0, 0.05), method="slopes", kind="slope", of=of,
                unit="deg", sigma=0.05, rest=rest, standing=standing,
            )  # fmt: skip
        pins = {"boom_foot": "boom", "boom_stick": "stick", "stick_bucket": "bucket", "tip": "tip"}
        for of, frame in pins.items():
            self.note(
                f"{rest}-{of}", float(frames[frame][2, 3]) + 0.4, self.rng.normal(0, 0.002),
                method="slopes", kind="height", of=of, unit="m", sigma=0.002, rest=rest, standing=standing,
            )  # fmt: skip

    def some_posture(self, slew: float = 0.0, bucket_deg: tuple[float, float] = (-150.0, -30.0)) -> Posture:
        """A posture that the arm takes with its tip over the yard."""
        reach = sum(self.truth.lengths)
        while True:
            boom = math.radians(self.rng.uniform(-5, 55))
            stick = math.radians(self.rng.uniform(-140, -35))
            bucket = math.radians(self.rng.uniform(*bucket_deg)) - boom - stick
            p = Posture(slew, boom, stick, bucket)
            if not self.truth.takes(bucket):
                continue
            tip = self.truth.arm(p, Standing(0.0, 0.0))["tip"][:3, 3]
            if not (0.05 < tip[2] < 0.45 * reach and tip[0] > 0.28 * reach):
                continue
            return p

    # -- the methods --------------------------------------------------------------------------------------

    def bench(self) -> None:
        """Eight rests of each loose sensor."""
        for name in self.sensors:
            for i, face in enumerate(FACES, 1):
                up = Rotation.from_rotvec(self.rng.uniform(-4, 4, 3), degrees=True).apply(
                    np.array(face) / np.linalg.norm(face)
                )
                rest = f"bench-{name}-{i}"
                sensor = {name: self.read(name, up, f"bench {name}")}
                self.rests.append(RestEntry(id=rest, power_up=f"bench {name}", sensor=sensor))
                self.note(
                    rest, GRAVITY, 0.0, method="bench", kind="specific_force", of=f"{name}: face {i}",
                    unit="m/s2", sigma=0.002, rest=rest,
                )  # fmt: skip

    def motions(self, s: Standing, standing: str) -> None:
        """One swing of each joint."""
        start = self.some_posture()
        self.stand("motion-still", start, s, "motions")
        self.observations.append(
            Observation(id="motion-still", method="motions", kind="still", of="machine", rest="motion-still",
                        standing=standing)
        )  # fmt: skip
        frames = self.truth.frames(start, s)
        axes = {
            "slew": (("upper", "boom", "stick", "bucket", "rocker"), frames["upper"][:3, 2]),
            "boom": (("boom", "stick", "bucket", "rocker"), -frames["boom"][:3, 1]),
            "stick": (("stick", "bucket", "rocker"), -frames["stick"][:3, 1]),
            "bucket": (("bucket", "rocker"), -frames["bucket"][:3, 1]),
        }
        for joint, (moving, axis) in axes.items():
            seen = {}
            for name in self.sensors:
                if name not in moving:
                    continue
                own = (frames[name][:3, :3] @ self.truth.mounts[name]).T @ axis
                own = own + self.rng.normal(0, math.radians(0.07), 3)
                own /= np.linalg.norm(own)
                seen[name] = SensorSwing(
                    axis=(float(own[0]), float(own[1]), float(own[2])), turned_rad=0.8, linearity=0.01
                )
            self.swings.append(SwingEntry(id=f"motion-{joint}", sensor=seen))
            self.observations.append(
                Observation(id=f"motion-{joint}", method="motions", kind="single_joint", of=joint, value=1.0,
                            unit="sign", standing=standing)
            )  # fmt: skip

    def on_mark(self, mark: Matrix, s: Standing, attitude: float) -> Posture | None:
        """The posture that puts the tip on a point with the bucket at an attitude; None if none does."""
        far = mark - np.array(s.place)
        slew = math.atan2(far[1], far[0]) - s.heading

        def gap(v: Matrix) -> Matrix:
            frames = self.truth.arm(Posture(*v), s)
            x, z = frames["bucket"][:3, 0] @ frames["upper"][:3, 0], frames["bucket"][2, 0]
            out = frames["tip"][:3, 3] - mark
            return np.array([*out, math.remainder(math.atan2(z, x) - attitude, 2 * math.pi)])

        for boom in (0.5, 0.2, 0.9):
            stick = -1.5
            start = np.array([slew, boom, stick, attitude - boom - stick])
            found = least_squares(gap, start, xtol=1e-12, ftol=1e-12, gtol=1e-12)
            p = Posture(*found.x)
            p.bucket = math.remainder(p.bucket, 2 * math.pi)
            if found.cost > 1e-12 or not (-2.6 < p.stick < -0.4 and -0.6 < p.boom < 1.1):
                continue
            if not self.truth.takes(p.bucket):
                continue
            return p
        return None

    def common(self, standings: dict[str, Standing], touches: tuple[int, int] = (4, 3)) -> None:
        """The tip on two marks from two standings, and the levelled difference of the marks."""
        reach = sum(self.truth.lengths)
        first = next(iter(standings.values()))
        places = {}
        for i, (mark, (far, azimuth)) in enumerate(MARKS.items()):
            up = (0.03 + 0.25 * i) * self.size
            places[mark] = np.array(first.place) + np.array(
                [far * reach * math.cos(azimuth), far * reach * math.sin(azimuth), up]
            )
        for name, s in standings.items():
            for mark, count in zip(MARKS, touches, strict=True):
                attitudes = np.radians(np.linspace(-150, -60, 12)) + self.rng.normal(0, 0.03, 12)
                taken = 0
                for attitude in (attitudes[k] for k in (9, 3, 6, 1, 10, 4, 7, 0, 11, 2, 5, 8)):
                    if taken == count:
                        break
                    where = places[mark] + self.rng.normal(0, 0.0025, 3)
                    p = self.on_mark(where, s, float(attitude))
                    if p is None:
                        continue
                    taken += 1
                    rest = f"{name}-{mark}{taken}"
                    self.stand(rest, p, s, f"common {name}")
                    self.note(
                        f"{rest}-touch", 0.0, 0.0, method="common", kind="tip_on_mark", of=mark, unit="m",
                        sigma=0.003, rest=rest, standing=name,
                    )  # fmt: skip
                    self.note(
                        f"{rest}-slew", math.degrees(p.slew), self.rng.normal(0, 1.0), method="common",
                        kind="slew", of="upper", unit="deg", sigma=1.0, rest=rest, standing=name,
                    )  # fmt: skip
        self.note(
            "marks-B-A", float(places["B"][2] - places["A"][2]), self.rng.normal(0, 0.002), method="common",
            kind="height_difference", of="B-A", unit="m", sigma=0.002,
        )  # fmt: skip

    def reversal(self, s: Standing, standing: str) -> None:
        """Four headings of an arm that stays."""
        p = self.some_posture()
        for slew in (0, 90, 180, 270):
            rest = f"reversal-{slew}"
            self.stand(rest, Posture(math.radians(slew), p.boom, p.stick, p.bucket), s, "reversal")
            self.note(
                rest, float(slew), self.rng.normal(0, 0.5), method="reversal", kind="slew", of="upper",
                unit="deg", sigma=0.5, rest=rest, standing=standing,
            )  # fmt: skip

    def bucket_rests(self, s: Standing, standing: str) -> None:
        """The bucket alone moves; its slope at six rests."""
        p = self.some_posture()
        for i, bucket in enumerate(np.linspace(-1.5, 0.35, 6), 1):
            q = Posture(p.slew, p.boom, p.stick, float(bucket))
            rest = f"rocker-{i}"
            frames = self.stand(rest, q, s, "rocker")
            self.note(
                f"{rest}-bucket", math.degrees(math.asin(frames["bucket"][2, 0])), self.rng.normal(0, 0.05),
                method="rocker", kind="slope", of="bucket", unit="deg", sigma=0.05, rest=rest,
                standing=standing,
            )  # fmt: skip

    def working_posture(self) -> Posture:
        """A posture that the arm digs in, over the ground or under it."""
        while True:
            boom, stick = math.radians(self.rng.uniform(-35, 60)), math.radians(self.rng.uniform(-150, -30))
            bucket = math.radians(self.rng.uniform(-150, -60)) - boom - stick
            p = Posture(0.0, boom, stick, bucket)
            if self.truth.takes(bucket):
                tip = self.truth.arm(p, Standing(0.0, 0.0))["tip"][:3, 3]
                if tip[0] > 0.28 * sum(self.truth.lengths):
                    return p

    def judges(self, points: int) -> tuple[Observation, ...]:
        """Postures at work with exact sensors and true heights, after a reference on the yard."""
        self.exact = True
        found = []
        for i in range(points + 1):
            name = "judge-reference" if i == 0 else f"judge-{i}"
            p = self.some_posture() if i == 0 else self.working_posture()
            frames = self.stand(name, p, Standing(0.0, 0.0), "judges")
            found.append(
                Observation(id=name, method="acceptance", kind="height", of="tip", unit="m", sigma=0.002,
                            value=float(frames["tip"][2, 3]), rest=name, standing="Z")
            )  # fmt: skip
        return tuple(found)

    def acceptance(self, s: Standing) -> tuple[Observation, ...]:
        """Twenty postures and a reference, with true heights."""
        found = []
        for i in range(21):
            name = "acceptance-reference" if i == 0 else f"acceptance-{i}"
            frames = self.stand(name, self.some_posture(float(self.rng.uniform(-1, 1))), s, "acceptance")
            found.append(
                Observation(id=name, method="acceptance", kind="height", of="tip", unit="m", sigma=0.002,
                            value=float(frames["tip"][2, 3]), rest=name, standing="Z")
            )  # fmt: skip
        return tuple(found)

    def make(self, postures: int = 6) -> SimulatedRetrofit:
        """The whole retrofit."""
        tilt = self.rng.uniform

        def ground(most: float, **where: Any) -> Standing:
            return Standing(math.radians(tilt(-most, most)), math.radians(tilt(-most, most)), **where)

        reach = sum(self.truth.lengths)
        self.bench()
        measured = ground(1.0)
        self.motions(measured, "S")
        if self.level:
            for i in range(1, postures + 1):
                self.measured(f"posture-{i}", self.some_posture(), measured, "S", "slopes")
        if self.rocker and self.level:
            self.bucket_rests(measured, "S")
        first = ground(2.0)
        a, b = (
            np.array(MARKS[m][0]) * reach * np.array([math.cos(MARKS[m][1]), math.sin(MARKS[m][1])])
            for m in "AB"
        )
        middle = (a + b) / 2
        # The second standing faces the marks from the other side.
        other = 2.0 * middle
        second = ground(
            2.0,
            place=(float(other[0]), float(other[1]), float(tilt(-0.2, 0.2))),
            heading=math.pi + tilt(-0.4, 0.4),
        )
        self.common({"C1": first, "C2": second})
        self.reversal(ground(1.5), "R")
        judges = self.acceptance(ground(1.5))
        book = ObservationBook(
            machine=self.described.name, rest=tuple(self.rests), swing=tuple(self.swings),
            observation=tuple(self.observations),
        )  # fmt: skip
        return SimulatedRetrofit(self.name, self.described, self.truth, book, self.true, judges)


def simulated(seed: int, rocker: bool = False, level: bool = True, postures: int = 6) -> SimulatedRetrofit:
    """A retrofit: `level` with slopes and heights of some postures, otherwise marks and motions alone."""
    return Maker(seed, rocker, level).make(postures)


def fleet(count: int = 10, level: bool = True) -> list[SimulatedRetrofit]:
    """Machines of many sizes, every other one with its sensor on the rocker."""
    return [
        simulated(seed, rocker, level)
        for seed, rocker in zip(range(count), itertools.cycle((False, True)), strict=False)
    ]
