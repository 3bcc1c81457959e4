"""The budget's worst posture against a machine of matrices that shares nothing with the service.

Readings come from frames of homogeneous transforms, the tip from what a description with one thing wrong
would make of them: mounts turned by pytransform3d's exponential map, heights by sines, linkages by a root.
Derivatives are central differences, variances add as the law of propagation has it (JCGM 100:2008,
5.1.2), and the worst posture is searched by scipy from a coarse grid over the joints' ranges.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from matrix_machine import Matrix, Posture, Standing, TrueMachine
from pytransform3d.rotations import matrix_from_compact_axis_angle
from scipy.optimize import brentq, minimize

from tipdatum.calibration.budget import FILTER_HZ, DataSheet, make_budget, with_figures
from tipdatum.calibration.envelope import (
    ATTITUDES_DEG,
    BOOM_DEG,
    BUCKET_DEG,
    NEAR,
    STICK_DEG,
    TRANSMISSION_DEG,
)
from tipdatum.machine.description import Machine, parse_machine

G = 9.80665
LINKAGE = {
    "rocker_pivot_m": [2.15, 0.02], "rocker_m": 0.60, "link_m": 0.55, "bucket_ear_m": 0.39,
    "bucket_ear_angle_deg": 136.0, "assembly": 1, "length_sigma_m": 0.0005,
}  # fmt: skip
MOUNTS = {"upper": (3.0, -2.0, 5.0), "boom": (90.0, 4.0, 180.0), "stick": (-3.0, 88.0, 2.0),
          "bucket": (92.0, 3.0, 178.0), "rocker": (10.0, 80.0, 5.0)}  # fmt: skip
LENGTH_M, FOOT_M, MOUNT_RAD, BIAS_MPS2 = 0.002, 0.004, math.radians(0.05), 0.01


def described(rocker: bool) -> Machine:
    bodies = ("upper", "boom", "stick", "rocker" if rocker else "bucket")
    data: dict[str, Any] = {
        "name": "invented",
        "boom": {"foot_m": [0.35, 0.0, 1.75], "foot_sigma_m": FOOT_M, "length_m": 4.6,
                 "length_sigma_m": LENGTH_M},
        "stick": {"length_m": 2.5, "length_sigma_m": LENGTH_M},
        "bucket": [{"name": "b", "tip_m": 1.3, "width_m": 0.6, "tip_sigma_m": LENGTH_M}],
        "sensor": {b: {"body": b, "mount_rpy_deg": list(MOUNTS[b])} for b in bodies},
        **({"linkage": LINKAGE} if rocker else {}),
    }  # fmt: skip
    machine = parse_machine(data, "invented")
    return with_figures(machine, DataSheet(accel_bias_mps2=BIAS_MPS2, mount_deg=math.degrees(MOUNT_RAD)))


def mount(rpy_deg: tuple[float, float, float]) -> Matrix:
    """Yaw, then pitch, then roll, each by the exponential map."""
    turned = np.eye(3)
    for axis, angle in zip(np.eye(3)[::-1], rpy_deg[::-1], strict=True):
        turned = turned @ matrix_from_compact_axis_angle(math.radians(angle) * axis)
    return np.asarray(turned)


class Described:
    """What a service would make of true readings, with errors in what it was told."""

    def __init__(self, rocker: bool) -> None:
        self.bodies = ("upper", "boom", "stick", "rocker" if rocker else "bucket")
        self.mounts = {b: mount(MOUNTS[b]) for b in self.bodies}
        zero = {b: np.zeros(3) for b in self.bodies}
        self.machine = TrueMachine(
            (0.35, 1.75), (4.6, 2.5, 1.3), dict(LINKAGE) if rocker else {}, self.mounts, zero, zero, 0.0
        )
        lengths = ["foot x", "foot z", "boom", "stick", "tip"]
        linkage = ["pivot x", "pivot z", "rocker_m", "link_m", "bucket_ear_m", "ear angle"] if rocker else []
        self.names = lengths + linkage
        self.sigma = [FOOT_M, FOOT_M, LENGTH_M, LENGTH_M, LENGTH_M]
        self.sigma += [0.0005] * 5 + [0.0005 / LINKAGE["bucket_ear_m"]] if rocker else []
        for body in self.bodies:
            self.names += [f"{body} {what} {a}" for what in ("mount", "bias") for a in "xyz"]
            self.sigma += [MOUNT_RAD] * 3 + [BIAS_MPS2] * 3

    def readings(self, p: Posture) -> dict[str, Matrix]:
        frames = self.machine.frames(p, Standing(0.0, 0.0))
        return {b: G * (frames[b][:3, :3] @ self.mounts[b])[2] for b in self.bodies}

    def height(self, p: Posture, readings: dict[str, Matrix], error: dict[str, float]) -> float:
        """Tip over the slew centre as told, for the readings of a true posture."""

        def of(name: str) -> float:
            return error.get(name, 0.0)

        angle = {}
        for body, force in readings.items():
            turn, bias = (np.array([of(f"{body} {what} {a}") for a in "xyz"]) for what in ("mount", "bias"))
            up = self.mounts[body] @ (force - bias)
            if turn.any():
                up = matrix_from_compact_axis_angle(turn) @ up
            angle[body] = math.atan2(up[0], up[2])
        if "rocker" in angle:
            angle["bucket"] = angle["stick"] + self._bucket(p, angle["rocker"] - angle["stick"], of)
        upper, z = angle["upper"], self.machine.foot[1] + of("foot z")
        height = (self.machine.foot[0] + of("foot x")) * math.sin(upper) + z * math.cos(upper)
        for body, name, length in zip(
            ("boom", "stick", "bucket"), ("boom", "stick", "tip"), self.machine.lengths, strict=True
        ):
            height += (length + of(name)) * math.sin(angle[body])
        return height

    def _bucket(self, p: Posture, rocker: float, of: Callable[[str], float]) -> float:
        k = LINKAGE
        x, z = k["rocker_pivot_m"][0] + of("pivot x"), k["rocker_pivot_m"][1] + of("pivot z")
        crank, ear = k["rocker_m"] + of("rocker_m"), k["bucket_ear_m"] + of("bucket_ear_m")
        end = (x + crank * math.cos(rocker), z + crank * math.sin(rocker))
        stick = self.machine.lengths[1] + of("stick")

        def gap(bucket: float) -> float:
            at = bucket + math.radians(k["bucket_ear_angle_deg"]) + of("ear angle")
            pin = (stick + ear * math.cos(at), ear * math.sin(at))
            return math.dist(pin, end) - k["link_m"] - of("link_m")

        near = 0.06
        return float(brentq(gap, p.bucket - near, p.bucket + near, xtol=1e-14))

    def derivatives(self, p: Posture) -> Matrix:
        step, seen = 2e-5, self.readings(p)
        sides = ([self.height(p, seen, {n: s}) for n in self.names] for s in (step, -step))
        higher, lower = map(np.array, sides)
        return np.asarray((higher - lower) / (2 * step))


class Envelope:
    """Independent variances over the joints' ranges."""

    def __init__(self, rocker: bool, reference: Matrix, noise_mps2: float) -> None:
        self.told, self.noise = Described(rocker), noise_mps2
        self.sigma = np.array(self.told.sigma)
        self.J_reference = self.told.derivatives(Posture(0.0, *_relative(reference)))
        self.biases = np.array([" bias " in n for n in self.told.names])

    def sigma_m(self, boom: float, stick: float, attitude: float) -> float:
        """1-sigma of the tip there, 0 outside of the envelope; stick relative, attitude absolute, degrees."""
        bucket = attitude - boom - stick
        p = Posture(0.0, *map(math.radians, (boom, stick, bucket)))
        inside = BOOM_DEG[0] <= boom <= BOOM_DEG[1] and STICK_DEG[0] <= stick <= STICK_DEG[1]
        inside &= (
            ATTITUDES_DEG[0] <= attitude <= ATTITUDES_DEG[1] and BUCKET_DEG[0] <= bucket <= BUCKET_DEG[1]
        )
        machine = self.told.machine
        if inside and machine.linkage:
            inside = machine.transmission(p.bucket) >= math.radians(TRANSMISSION_DEG)
        if not inside or machine.arm(p, Standing(0.0, 0.0))["tip"][0, 3] < NEAR[0] * (0.35 + 8.4):
            return 0.0
        J = self.told.derivatives(p)
        shared = float(np.sum(((J - self.J_reference) * self.sigma) ** 2))
        return math.sqrt(shared + self.noise**2 * float(np.sum(J[self.biases] ** 2)))

    def worst_m(self) -> float:
        places = [
            (b, s, a)
            for b in np.linspace(*BOOM_DEG, 5)
            for s in np.linspace(*STICK_DEG, 6)
            for a in np.linspace(*ATTITUDES_DEG, 5)
        ]
        found = sorted(((self.sigma_m(*p), p) for p in places), reverse=True)[:3]
        best = found[0][0]
        for _, place in found:
            end = minimize(
                lambda v: -self.sigma_m(*v), place, method="Nelder-Mead",
                options={"maxfev": 90, "initial_simplex": _simplex(place)},
            )  # fmt: skip
            best = max(best, -float(end.fun))
        return best


def _simplex(place: tuple[float, float, float]) -> Matrix:
    middle = np.array([np.mean(BOOM_DEG), np.mean(STICK_DEG), np.mean(ATTITUDES_DEG)])
    inwards = np.sign(middle - np.array(place)) * 8.0
    return np.array([place, *(np.array(place) + np.diag(inwards))])


def _relative(q: Matrix) -> tuple[float, float, float]:
    return float(q[2]), float(q[3] - q[2]), float(q[4] - q[3])


@pytest.mark.parametrize("rocker", [False, True], ids=["bucket sensor", "rocker sensor"])
def test_the_worst_posture_is_that_of_an_independent_machine(rocker: bool) -> None:
    machine = described(rocker)
    budget = make_budget(machine)
    noise = machine.sensor["boom"].noise.accel_mps2_rthz * math.sqrt(FILTER_HZ)
    independent = Envelope(rocker, budget.figures.reference.q[0], noise)
    assert budget.worst_m == pytest.approx(independent.worst_m(), rel=0.01)


@pytest.mark.parametrize("rocker", [False, True], ids=["bucket sensor", "rocker sensor"])
def test_sigma_at_a_posture_is_that_of_an_independent_machine(rocker: bool) -> None:
    machine = described(rocker)
    budget = make_budget(machine)
    noise = machine.sensor["boom"].noise.accel_mps2_rthz * math.sqrt(FILTER_HZ)
    independent = Envelope(rocker, budget.figures.reference.q[0], noise)
    chosen = np.random.default_rng(2).choice(len(budget.figures.postures), 8, replace=False)
    for i in chosen:
        boom, stick, bucket = np.degrees(_relative(budget.figures.postures.q[i]))
        inside = 1.0 - 1e-9  # nodes stand on the ends of ranges, where rounding would put them outside
        there = independent.sigma_m(boom * inside, stick * inside, (boom + stick + bucket) * inside)
        if there:
            assert float(budget.sigma[i]) == pytest.approx(there, rel=2e-3)
