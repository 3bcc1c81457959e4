"""Points of a bucket that tilts: what each is worth, and how each stands against targets and limits.

Worth is held against errors that are drawn and carried through matrices.

Heights come from up vectors: a point v of a body stands v·u higher than the body's origin, where u is up in
the body's axes, (cos φ sin θ, sin φ, cos φ cos θ) at an elevation angle θ and a roll φ. Turns about swing and
tilt axis are scipy's. Nothing here is the chain's own geometry or its derivatives.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tipdatum.core.messages_out import arm_message, tip_message
from tipdatum.fusion.estimator import Event
from tipdatum.fusion.pose import Anchor, Matrices, Pose
from tipdatum.grade.report import TipReport
from tipdatum.grade.work import Work
from tipdatum.grade.worth import Worth
from tipdatum.machine.description import Machine, parse_machine
from tipdatum.walltime import WallTime

Floats = NDArray[np.float64]

SIGMAS = {"foot": 0.004, "boom": 0.003, "stick": 0.002, "tip": 0.004}
PLAIN: dict[str, Any] = {
    "name": "plain",
    "boom": {"foot_m": [0.8, 0.1, 0.9], "length_m": 3.1, "foot_sigma_m": 0.004, "length_sigma_m": 0.003},
    "stick": {"length_m": 1.6, "length_sigma_m": 0.002},
    "bucket": [
        {"name": "b", "tip_m": 0.9, "width_m": 1.6, "tip_sigma_m": 0.004, "outline_m": [[0.6, 1.5]]},
    ],
    "sensor": {one: {"body": one} for one in ("upper", "boom", "stick", "bucket")},
}  # fmt: skip
TURNING: dict[str, Any] = {
    **PLAIN,
    "name": "swings and tilts",
    "boom_swing": {"pivot_m": [0.6, 0.1, 0.9]},
    "bucket": [{**PLAIN["bucket"][0], "tilt_axis_m": [0.18, 0.15], "tilt_axis_deg": 128.5}],
    "sensor": {**PLAIN["sensor"], "swing": {"body": "boom_swing", "type": "slew"}},
}
TOUCHED = {"plain": (0.02, -0.05, 0.6, -0.9, -1.6), "turning": (0.02, -0.05, 0.6, -0.9, -1.6, 0.1, 0.05)}
NOW = {"plain": (0.03, -0.04, 0.4, -0.7, -2.2), "turning": (0.03, -0.04, 0.4, -0.7, -2.2, 0.5, -0.4)}
COMMON = 0.6
"""Part of an angle's variance that is the same at the touch and now."""
TOUCH_M = 0.0025
"""1-sigma of standing a tip on a mark: 2 to 3 mm (common practice, no source)."""


def height(described: dict[str, Any], q: Floats, off: Floats, point: tuple[float, float, float]) -> Floats:
    """(N,) m: height above the slew centre of a point of the bucket at q (N, size).

    Args:
        off: (N, 6) m, errors of foot x, y, z, boom, stick, and of the tip for a point on the edge.
    """
    phi = q[:, 1]
    turning = "boom_swing" in described

    def up(theta: Floats) -> Floats:
        return np.stack([np.cos(phi) * np.sin(theta), np.sin(phi), np.cos(phi) * np.cos(theta)], axis=-1)

    foot = np.array(described["boom"]["foot_m"]) + off[:, :3]
    if turning:
        pivot = np.array(described["boom_swing"]["pivot_m"])
        swung = Rotation.from_rotvec(-q[:, 5:6] * [0.0, 0.0, 1.0]).apply(pivot)
        foot = swung + foot - pivot
    found = np.einsum("ni,ni->n", foot, up(q[:, 0]))
    for k, part in enumerate(("boom", "stick")):
        found += (described[part]["length_m"] + off[:, 3 + k]) * up(q[:, 2 + k])[:, 0]
    bucket = described["bucket"][0]
    place = np.array(point) + off[:, 5:] * [1.0, 0.0, 0.0]
    if turning:
        a = math.radians(bucket["tilt_axis_deg"])
        at = np.array([bucket["tilt_axis_m"][0], 0.0, bucket["tilt_axis_m"][1]])
        turn = Rotation.from_rotvec(q[:, 6:] * [math.cos(a), 0.0, math.sin(a)])
        place = at + turn.apply(place - at)
    return np.asarray(found + np.einsum("ni,ni->n", place, up(q[:, 4])))


@dataclass
class Told:
    """An estimator that says what it is told."""

    machine: Machine
    angles: tuple[float, ...]
    spread: Floats
    anchor: Anchor | None = None
    slew: float = 0.0

    def pose(self, t: float) -> Pose:
        nothing = np.zeros_like(self.spread)
        size = len(self.angles)
        return Pose(
            t, self.angles, (0.0,) * size, Matrices(self.spread, nothing), "good", (), anchor=self.anchor,
            slew_rad=self.slew, slew_known=True,
        )  # fmt: skip

    def consume(self, reading: object) -> None:
        """Needs none."""

    def set_anchor(self, t: float, bucket_point: object = None) -> bool:
        return True

    def clear_anchor(self) -> None:
        self.anchor = None

    def replace_machine(self, machine: Machine) -> None:
        self.machine = machine

    def events(self) -> list[Event]:
        return []


@dataclass
class Case:
    """A machine that touched in one posture and stands in another, and what both may be wrong by."""

    described: dict[str, Any]
    name: str
    spread: Floats
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(5))
    t: float = 0.0

    def __post_init__(self) -> None:
        self.machine = parse_machine(self.described, "test")
        chain = self.machine.chain()
        row = np.array(chain.locate(TOUCHED[self.name]).height_jacobian)
        there = float(chain.tip(np.array(TOUCHED[self.name]))[2])
        anchor = Anchor(there, float(row @ self.spread @ row), COMMON * self.spread @ row)
        self.estimator = Told(self.machine, TOUCHED[self.name], self.spread, anchor)
        started = datetime(2026, 5, 11, 6, 40, tzinfo=UTC)
        self.work = Work(self.machine, self.estimator, None, None, started)

    def send(self, name: str, **body: Any) -> None:
        for _ in range(40):
            self.tick()
        outcome = self.work.command(name, body, self.t, "tester", token=name)
        while outcome is None:
            self.tick()
            outcome = next(iter(self.work.outcomes()), None)
        assert outcome.ok, outcome.text

    def tick(self) -> TipReport:
        self.t += 0.05
        return self.work.report(self.t)

    def stand(self) -> None:
        self.estimator.angles = NOW[self.name]

    def drawn(self, *points: tuple[float, float, float], count: int = 400_000) -> Floats:
        """(points, count) m: errors of elevations of points of the bucket, after a touch with the tip."""
        size = len(NOW[self.name])
        both = np.block([[self.spread, COMMON * self.spread], [COMMON * self.spread, self.spread]])
        wrong = self.rng.multivariate_normal(np.zeros(2 * size), both, count)
        foot = [SIGMAS["foot"]] * 3
        off = self.rng.normal(0.0, [*foot, SIGMAS["boom"], SIGMAS["stick"], SIGMAS["tip"]], (count, 6))
        tip = (self.described["bucket"][0]["tip_m"], 0.0, 0.0)
        touched = height(self.described, TOUCHED[self.name] + wrong[:, :size], off, tip)
        touched += self.rng.normal(0.0, TOUCH_M, count)
        found = []
        for point in points:
            moved = off * [1, 1, 1, 1, 1, point[0] == tip[0]]
            found.append(height(self.described, NOW[self.name] + wrong[:, size:], moved, point) - touched)
        return np.array(found)


def spread_of(size: int) -> Floats:
    """(size, size) rad²: some milliradians, correlated."""
    rng = np.random.default_rng(11)
    mixed = rng.normal(0.0, 1.0, (size, 2 * size))
    unit = mixed @ mixed.T / (2 * size)
    sigmas = np.array([0.002, 0.004, 0.0015, 0.0025, 0.003, 0.006, 0.005])[:size]
    return np.asarray(unit * np.outer(sigmas, sigmas))


@pytest.fixture(params=["plain", "turning"])
def case(request: pytest.FixtureRequest) -> Case:
    described = PLAIN if request.param == "plain" else TURNING
    return Case(described, request.param, spread_of(len(NOW[request.param])))


def test_every_point_s_sigma_is_the_scatter_of_errors_that_are_drawn(case: Case) -> None:
    """JCGM 101:2008, propagation of distributions: 400 000 draws tell a sigma to 0.1 %."""
    case.send("datum/set", elevation_m=10.0)
    case.stand()
    report = case.tick()
    half, tip = case.described["bucket"][0]["width_m"] / 2.0, case.described["bucket"][0]["tip_m"]
    drawn = case.drawn((tip, 0.0, 0.0), (tip, half, 0.0), (tip, -half, 0.0)).std(axis=1)
    site = case.work.site
    assert site.pose is not None
    worth = Worth(site, site.pose, site.chain.locate(site.pose.angles))
    told = [worth.of(name) for name in ("tip", "left", "right")]
    assert told == pytest.approx(drawn, rel=0.01)
    assert report.sigma_m == told[0]
    tilts = case.name == "turning"
    assert (report.left_sigma_m, report.right_sigma_m) == (tuple(told[1:]) if tilts else (None, None))
    apart = abs(drawn[1] / drawn[2] - 1.0)
    assert apart > 0.02, "or the corners' need not be told apart"


def test_the_heel_s_sigma_knows_that_a_longer_tip_moves_no_heel(case: Case) -> None:
    case.send("datum/set", elevation_m=10.0)
    case.send("target/level", elevation_m=9.0)
    case.stand()
    against = case.tick().against
    assert against is not None
    assert against.governing == "heel"
    x, z = case.described["bucket"][0]["outline_m"][0]
    [drawn] = case.drawn((x, 0.0, z)).std(axis=1)
    assert against.governing_sigma_m == pytest.approx(drawn, rel=0.01)


def test_without_a_reference_sigma_is_that_of_the_height_and_corners_have_no_elevation(case: Case) -> None:
    report = case.tick()
    assert (report.left_m, report.left_sigma_m, report.right_sigma_m) == (None, None, None)


def test_the_edge_s_fall_is_worth_the_scatter_of_its_two_ends(case: Case) -> None:
    case.stand()
    edge = case.tick().edge
    assert edge is not None
    size = len(NOW[case.name])
    q = NOW[case.name] + case.rng.multivariate_normal(np.zeros(size), case.spread, 400_000)
    half, tip = case.described["bucket"][0]["width_m"] / 2.0, case.described["bucket"][0]["tip_m"]
    none = np.zeros((len(q), 6))
    left, right = (height(case.described, q, none, (tip, y, 0.0)) for y in (half, -half))
    fall = np.tan(np.arcsin((left - right) / (2.0 * half)))
    assert edge.fall == pytest.approx(float(np.mean(fall)), abs=1e-4)
    assert edge.fall_sigma() == pytest.approx(float(np.std(fall)), rel=0.01)


def test_an_upright_edge_has_no_fall_and_so_no_sigma_of_it() -> None:
    case = Case(TURNING, "turning", spread_of(7))
    # The axis level and the bucket tilted by a right angle.
    case.estimator.angles = (0.0, 0.0, 0.4, -0.7, -math.radians(128.5), 0.0, math.pi / 2)
    edge = case.tick().edge
    assert edge is not None
    assert edge.fall_sigma() is None


ROLL_ONLY = np.diag([0.0, 0.02, 0.0, 0.0, 0.0]) ** 2
"""An arm that is known but for its roll: the tip, near the plane's middle, hardly cares; corners do."""


def test_the_judgement_of_the_governing_corner_is_by_its_own_sigma() -> None:
    exact = {**PLAIN, "boom": {"foot_m": [0.8, 0.0, 0.9], "length_m": 3.1}, "stick": {"length_m": 1.6}}
    exact["bucket"] = [{"name": "b", "tip_m": 0.9, "width_m": 1.6}]
    case = Case(exact, "plain", ROLL_ONLY)
    case.estimator.anchor = None
    case.send("datum/set", elevation_m=10.0)
    # A hand's breadth of tolerance: wide for the tip, less than two sigma for a corner 0.8 m beside it.
    case.send("target/level", elevation_m=10.0)
    case.send("target/tolerance", above_m=0.03, below_m=0.03)
    tip = tip_message(case.tick(), WallTime(datetime(2026, 5, 11, tzinfo=UTC)))
    assert tip.judgement == "on grade"
    assert tip.governing == "left", "the machine leans to the left"
    assert tip.governing_sigma_m == pytest.approx(math.hypot(tip.sigma_m or 0.0, 0.8 * 0.02), rel=0.03)
    assert tip.governing_judgement == "cannot judge"


def test_the_arm_message_tells_the_fall_and_its_sigma_in_percent(case: Case) -> None:
    case.stand()
    report = case.tick()
    arm = arm_message(report, WallTime(datetime(2026, 5, 11, tzinfo=UTC)))
    assert report.edge is not None
    assert arm.edge_fall_percent == pytest.approx(100.0 * report.edge.fall, abs=0.006)
    assert arm.edge_fall_sigma_percent == pytest.approx(100.0 * (report.edge.fall_sigma() or 0.0), abs=0.006)


WITH_SLEW = {
    **TURNING,
    "bucket": [{**TURNING["bucket"][0], "outline_m": []}],
    "sensor": {**TURNING["sensor"], "slew": {"body": "upper", "type": "slew"}},
}
"""A cross slope has a direction, which a slew sensor keeps."""


def laid_over(tilt_deg: float, slew_deg: float = 0.0) -> tuple[Case, dict[str, tuple[float, float, float]]]:
    """A machine with its reference set that then lays its bucket over; and where its edge is.

    Left, right and tip: forward and left of the slew axis in axes that do not turn, and elevation, m. Plan is
    the chain's, heights are by up vectors.
    """
    case = Case(WITH_SLEW, "turning", spread_of(7) * 0.01)
    case.send("datum/set", elevation_m=10.0)
    zero = float(height(TURNING, np.array([TOUCHED["turning"]]), np.zeros((1, 6)), (0.9, 0.0, 0.0))[0])
    q = (*NOW["turning"][:6], math.radians(tilt_deg))
    # The edge is laid over about a level axis.
    q = (*q[:4], -math.radians(128.5), *q[5:])
    case.estimator.angles, case.estimator.slew = q, math.radians(slew_deg)
    chain, found = case.machine.chain(), {}
    for name, y in (("left", 0.8), ("right", -0.8), ("tip", 0.0)):
        up = float(height(TURNING, np.array([q]), np.zeros((1, 6)), (0.9, y, 0.0))[0])
        reach, lateral, _ = chain.point(q, (0.9, y, 0.0))[0]
        turn = math.radians(slew_deg)
        found[name] = (
            reach * math.cos(turn) - lateral * math.sin(turn),
            reach * math.sin(turn) + lateral * math.cos(turn),
            10.0 + up - zero,
        )
    return case, found


@pytest.mark.parametrize("tilt_deg", [20.0, -20.0])
def test_the_arm_message_calls_the_corners_by_their_sides(tilt_deg: float) -> None:
    case, found = laid_over(tilt_deg)
    arm = arm_message(case.tick(), WallTime(datetime(2026, 5, 11, tzinfo=UTC)))
    assert arm.corners is not None
    told = {corner.name: corner for corner in arm.corners}
    assert set(told) == {"left", "right"}
    for name, corner in told.items():
        assert corner.lateral_m == pytest.approx(found[name][1], abs=0.001)
    apart = (told["left"].height_m or 0.0) - (told["right"].height_m or 0.0)
    assert apart == pytest.approx(found["left"][2] - found["right"][2], abs=0.001)


@pytest.mark.parametrize("slew_deg", [0.0, 25.0])
@pytest.mark.parametrize("tilt_deg", [-25.0, 0.0, 10.0, 30.0])
def test_on_a_cross_slope_each_corner_is_held_against_the_slope_under_it(
    tilt_deg: float, slew_deg: float
) -> None:
    case, _ = laid_over(0.0)
    case.send("target/grade", elevation_m=9.0, grade="falling 2%", cross="1V:2H", cross_falls="right")
    placed, edge = laid_over(tilt_deg, slew_deg)
    case.estimator.angles, case.estimator.slew = placed.estimator.angles, placed.estimator.slew
    line = case.work.state.line
    assert line is not None
    against = case.tick().against
    assert against is not None
    off = {}
    for name, (x, y, z) in edge.items():
        # The line runs forward at the slew at which it was set, 0: stations forward, offsets to the left.
        off[name] = z - (9.0 - 0.02 * (x + line.zero_m) + 0.5 * (y - line.aside_m))
    assert (against.left_m, against.right_m, against.deviation_m) == pytest.approx(
        (off["left"], off["right"], off["tip"]), abs=1e-6
    )
    lowest = min(("left", "right"), key=off.__getitem__)
    assert (against.governing, against.governing_m) == (lowest, pytest.approx(off[lowest], abs=1e-6))
    # Laid over as the slope, both are as far from it, and the machine's own lean does not matter.
    edge_now = case.tick().edge
    assert edge_now is not None
    to_set = edge_now.tilt_to_set_rad()
    if slew_deg == 0.0:
        assert to_set is not None
        case.estimator.angles = (*case.estimator.angles[:6], case.estimator.angles[6] + to_set)
        laid = case.tick().against
        assert laid is not None
        assert laid.left_m == pytest.approx(laid.right_m, abs=1e-3)


@pytest.mark.parametrize(("beside_m", "face"), [(1.6, "left"), (0.0, "bottom"), (-1.6, "right")])
def test_in_a_ditch_the_face_under_the_lower_corner_governs_from_either_side(
    beside_m: float, face: str
) -> None:
    """The ditch's line is put `beside_m` to the right of the boom: the edge is so far left of it."""
    narrow = {**WITH_SLEW["bucket"][0], "width_m": 0.6}
    case = Case({**WITH_SLEW, "bucket": [narrow]}, "turning", spread_of(7) * 0.01)
    case.send("datum/set", elevation_m=10.0)
    case.send("target/ditch", elevation_m=9.8, bottom_m=1.2, batter="1V:2H", grade="0%")
    line = case.work.state.line
    assert line is not None
    case.work.site.change(line=line.model_copy(update={"aside_m": line.aside_m - beside_m}))
    against = case.tick().against
    assert against is not None
    assert against.face == face
    if face != "bottom":
        towards_the_bank = {"left": "left", "right": "right"}[face]
        assert against.governing == towards_the_bank
        assert against.governing_m < against.deviation_m


@pytest.mark.parametrize("tilt_deg", [-30.0, 30.0])
def test_a_floor_is_held_by_the_corner_that_a_tilt_lowers_with_its_own_sigma(tilt_deg: float) -> None:
    case, edge = laid_over(tilt_deg)
    lower = "left" if edge["left"][2] < edge["right"][2] else "right"
    case.send("limit/set", kind="floor", value_m=5.0)
    report = case.tick()
    [floor] = report.limits
    assert floor.point == f"{lower} corner"
    sigma = report.left_sigma_m if lower == "left" else report.right_sigma_m
    assert sigma is not None
    # Two sigma are taken off.
    assert floor.distance == pytest.approx(edge[lower][2] - 5.0 - 2.0 * sigma, abs=1e-6)


def test_a_slew_limit_counts_the_boom_s_plane_where_the_boom_swings() -> None:
    """The slew of a pose is that of the boom's plane, whatever upper and swing have of it."""
    case, _ = laid_over(0.0, slew_deg=20.0)
    case.send("limit/set", kind="slew left", value_deg=30.0)
    assert case.tick().limits[0].distance == pytest.approx(10.0, abs=0.01)


@pytest.mark.parametrize(("swing_deg", "times"), [(20.0, 0), (-45.0, 1)])
def test_a_boom_that_is_swung_beside_the_tracks_is_cautioned_about_once(swing_deg: float, times: int) -> None:
    case, _ = laid_over(0.0)
    q = case.estimator.angles
    case.estimator.angles = (*q[:5], math.radians(swing_deg), q[6])
    for _ in range(3):
        case.tick()
    told = [event.text for event in case.work.events() if event.kind == "caution"]
    assert len([text for text in told if "boom is swung" in text]) == times
