"""Parts of the fusion, each against an independent answer."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import allantools
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from numpy.typing import NDArray
from scipy.linalg import solve_discrete_are
from scipy.spatial.transform import Rotation

from tipdatum.fusion.arm import SensedArm
from tipdatum.fusion.chain.integration import EpochBlock, Strapdown
from tipdatum.fusion.chain.levers import Levers
from tipdatum.fusion.chain.model import Layout, layout
from tipdatum.fusion.chain.samples import SampleBuffer
from tipdatum.fusion.chain.update import update
from tipdatum.fusion.complementary import ComplementaryEstimator, ComplementaryOptions
from tipdatum.fusion.pose import CALM_S, MOVING_RADPS, Condition
from tipdatum.fusion.sensors import Channel, up_from_tilt
from tipdatum.machine.description import parse_machine
from tipdatum.machine.parts import Sensor
from tipdatum_drivers.presence import Presence
from tipdatum_drivers.reading import Imu, Tilt

Array = NDArray[np.float64]
angle = st.floats(-3.0, 3.0)
rate = st.floats(-1.0, 1.0)


def levers(describe: Callable[..., dict[str, Any]]) -> Levers:
    arm = SensedArm(parse_machine(describe(), "test"))
    return Levers(arm, arm.in_order)


NO_SIDES = np.zeros(0)


def velocities(levers: Levers, theta: Array, tangent: float, rho: Array, alpha: Array = NO_SIDES) -> Array:
    """(N, 3) m/s at one moment."""
    arms = levers.corrected(np.zeros((len(theta), 3)))
    in_plane, across = arms.velocities(theta[:, None], np.array([tangent]), rho[:, None], alpha[:, None])
    return np.stack([in_plane.real, across, in_plane.imag], axis=-1)[:, 0]


def test_velocity_is_the_derivative_of_the_way_that_scipy_rotates(
    describe: Callable[..., dict[str, Any]],
) -> None:
    """Independent answer: positions by scipy's rotations, differentiated numerically."""
    found = levers(describe)
    theta, roll = np.array([0.05, 0.6, -1.2, -1.7]), 0.08
    theta_rate, roll_rate, plane_rate = np.array([0.02, 0.3, -0.4, 0.7]), 0.05, 0.5
    words = describe()
    ways: list[list[tuple[int, list[float]]]] = [[(0, words["sensor"]["upper"]["position_m"])]]
    foot = (0, words["boom"]["foot_m"])
    ways.append([foot, (1, words["sensor"]["boom"]["position_m"])])
    ways.append([foot, (1, [4.6, 0, 0]), (2, words["sensor"]["stick"]["position_m"])])
    ways.append([foot, (1, [4.6, 0, 0]), (2, [2.5, 0, 0]), (3, words["sensor"]["bucket"]["position_m"])])

    def places(t: float) -> Array:
        # The plane turns at a constant rate in its own axes; each body in it about -y.
        plane = Rotation.from_rotvec(t * np.array([roll_rate, plane_rate * math.tan(roll), plane_rate]))
        out = []
        for way in ways:
            p = np.zeros(3)
            for body, step in way:
                p += Rotation.from_euler("y", -(theta[body] + t * theta_rate[body])).apply(step)
            out.append(plane.apply(p))
        return np.array(out)

    h = 1e-5
    numeric = (places(h) - places(-h)) / (2 * h)
    rho = np.array([roll_rate, plane_rate, *theta_rate])
    assert velocities(found, theta, math.tan(roll), rho) == pytest.approx(numeric, abs=1e-7)


@settings(max_examples=40, deadline=None)
@given(
    theta=st.lists(angle, min_size=4, max_size=4),
    rates=st.lists(rate, min_size=6, max_size=6),
    tangent=st.floats(-0.3, 0.3),
)
def test_lever_jacobian_agrees_with_finite_differences(
    theta: list[float], rates: list[float], tangent: float
) -> None:
    from_conftest = {
        "name": "m",
        "boom": {"foot_m": [0.35, 0.02, 1.75], "length_m": 4.6},
        "stick": {"length_m": 2.5},
        "bucket": [{"name": "b", "tip_m": 1.3, "width_m": 0.6}],
        "sensor": {
            b: {"body": b, "position_m": [0.5, 0.2, 0.3]} for b in ("upper", "boom", "stick", "bucket")
        },
    }
    found = levers(lambda: from_conftest)

    y0, J = np.array([*rates, *theta, tangent]), np.zeros((4, 3, 11))

    def at(y: Array) -> Array:
        return velocities(found, y[6:10], float(y[10]), y[:6])

    found.corrected(np.zeros((4, 3))).jacobian(y0[6:10], tangent, y0[:6], NO_SIDES, J)
    for k in range(11):
        step = np.zeros(11)
        step[k] = 1e-4
        assert (at(y0 + step) - at(y0 - step)) / 2e-4 == pytest.approx(J[:, :, k], abs=1e-6)


EVERY_JOINT: dict[str, Any] = {
    "name": "m",
    "boom": {"foot_m": [0.81, 0.03, 0.76], "length_m": 2.3},
    "second_boom": {"length_m": 2.6},
    "boom_swing": {"pivot_m": [0.61, 0.05, 0.55]},
    "stick": {"length_m": 2.1},
    "bucket": [
        {
            "name": "b",
            "tip_m": 0.9,
            "width_m": 1.5,
            "tilt_axis_m": [0.175, 0.148],
            "tilt_axis_deg": 128.5,
        }
    ],
    "sensor": {
        b: {"body": b, "position_m": [0.5, 0.2, 0.3]}
        for b in ("upper", "boom", "second_boom", "stick", "bucket")
    },
}


def test_velocity_of_an_arm_with_every_joint_is_the_derivative_of_its_scipy_way() -> None:
    """Independent answer: the upper hangs on the post by the swing turned back, the bucket on its axis."""
    found = levers(lambda: EVERY_JOINT)
    theta, roll = np.array([0.05, 0.6, 0.1, -1.2, -1.7]), 0.08
    theta_rate, roll_rate, plane_rate = np.array([0.02, 0.3, -0.2, -0.4, 0.7]), 0.05, 0.5
    alpha, alpha_rate = np.array([0.7, -0.5]), np.array([0.2, 0.3])
    axis = np.array([math.cos(math.radians(128.5)), 0.0, math.sin(math.radians(128.5))])
    centre, own = np.array([0.175, 0.0, 0.148]), np.array([0.5, 0.2, 0.3])

    def places(t: float) -> Array:
        plane = Rotation.from_rotvec(t * np.array([roll_rate, plane_rate * math.tan(roll), plane_rate]))
        body = [Rotation.from_euler("y", -a) for a in theta + t * theta_rate]
        swing, tilt = alpha + t * alpha_rate
        upper = body[0] * Rotation.from_euler("z", -swing)
        pivot, foot = np.array([0.61, 0.05, 0.55]), np.array([0.81, 0.03, 0.76])
        at = upper.apply(pivot) + body[0].apply(foot - pivot)
        out = [upper.apply(own), at + body[1].apply(own)]
        at = at + body[1].apply([2.3, 0, 0])
        out.append(at + body[2].apply(own))
        at = at + body[2].apply([2.6, 0, 0])
        out.append(at + body[3].apply(own))
        at = at + body[3].apply([2.1, 0, 0])
        out.append(at + body[4].apply(centre + Rotation.from_rotvec(tilt * axis).apply(own - centre)))
        return np.array([plane.apply(p) for p in out])

    h = 1e-5
    numeric = (places(h) - places(-h)) / (2 * h)
    rho = np.array([roll_rate, plane_rate, *theta_rate, *alpha_rate])
    assert velocities(found, theta, math.tan(roll), rho, alpha) == pytest.approx(numeric, abs=1e-7)


@settings(max_examples=30, deadline=None)
@given(
    theta=st.lists(angle, min_size=5, max_size=5),
    rates=st.lists(rate, min_size=9, max_size=9),
    tangent=st.floats(-0.3, 0.3),
    alpha=st.lists(st.floats(-1.4, 1.4), min_size=2, max_size=2),
)
def test_lever_jacobian_of_an_arm_with_every_joint(
    theta: list[float], rates: list[float], tangent: float, alpha: list[float]
) -> None:
    found = levers(lambda: EVERY_JOINT)
    y0, J = np.array([*rates, *theta, tangent, *alpha]), np.zeros((5, 3, 17))

    def at(y: Array) -> Array:
        return velocities(found, y[9:14], float(y[14]), y[:9], y[15:])

    found.corrected(np.zeros((5, 3))).jacobian(y0[9:14], tangent, y0[:9], y0[15:], J)
    for k in range(17):
        step = np.zeros(17)
        step[k] = 1e-4
        assert (at(y0 + step) - at(y0 - step)) / 2e-4 == pytest.approx(J[:, :, k], abs=1e-6)


@pytest.mark.parametrize("at", [layout(4, 1, 2), layout(5, 1, 2, sides=2, blind=True, zero=True, slack=True)])
def test_layout_is_without_gaps_or_overlaps(at: Layout) -> None:
    covered = [*range(*at.theta.indices(999)), at.roll]
    places = (
        at.side,
        at.velocity,
        at.base,
        at.pivot,
        at.turn,
        at.common,
        at.lagged,
        at.zero,
        at.slack,
        at.constants,
    )
    for part in places:
        covered += range(*part.indices(999))
    covered += [at.anchor]
    assert covered == list(range(at.size))


def test_update_settles_at_the_gain_of_the_riccati_equation() -> None:
    """Steady state of predict and update against scipy.linalg.solve_discrete_are."""
    F, H = np.array([[1.0, 0.1], [0.0, 0.98]]), np.array([[1.0, 0.2]])
    Q, R = np.diag([1e-4, 2e-3]), np.array([[0.05]])
    x, P = np.zeros(2), np.eye(2)
    for _ in range(2000):
        P = F @ P @ F.T + Q
        before = P.copy()
        update(x, P, H, np.zeros(1), R)
    steady = solve_discrete_are(F.T, H.T, Q, R)
    assert before == pytest.approx(steady, rel=1e-8)
    gain = steady @ H.T @ np.linalg.inv(H @ steady @ H.T + R)
    assert (np.eye(2) - gain @ H) @ steady == pytest.approx(P, rel=1e-8)


def sums(
    times: Array, force: Array, rate: Array, epoch_s: float, epochs: int = 1, turn: Array | None = None
) -> list[EpochBlock]:
    """Every block that one sensor's samples fill."""
    kept, strapdown, found = SampleBuffer(0.3), Strapdown(epochs, epoch_s), []
    span = epochs * epoch_s
    number = math.ceil(times[0] / span)
    turn = np.eye(6)[None] if turn is None else turn
    for t, f, w in zip(times.tolist(), force.tolist(), rate.tolist(), strict=True):
        kept.add(t, tuple(f), tuple(w))
        while kept.covers(number * span, (number + 1) * span):
            found.append(
                strapdown.block([kept], np.ones(1, dtype=bool), number * span, turn, np.zeros((1, 6)))
            )
            number += 1
    return found


def test_mean_over_an_epoch_follows_the_averaging_law_of_white_noise() -> None:
    """σ of a mean of n white readings is σ/√n (any text on statistics); here n = 4 of 100 Hz in 0.04 s."""
    rng = np.random.default_rng(3)
    force = rng.normal(0.0, 1.0, (8000, 3))
    found = sums(0.01 * np.arange(8000) + 0.003, force, np.zeros((8000, 3)), 0.04, epochs=4)
    means = np.concatenate([b.force_y[0] for b in found])
    assert np.std(means) == pytest.approx(1.0 / math.sqrt(4.0), rel=0.06)


def test_epoch_means_of_white_noise_have_its_allan_deviation() -> None:
    """N/√τ at the epoch's length and beyond, by `allantools`: angle random walk as data sheets mean it."""
    rng = np.random.default_rng(4)
    walk, rate_hz, length, count = 0.002, 200.0, 0.05, 60_000
    rate = np.zeros((count, 3))
    rate[:, 1] = rng.normal(0.0, walk * math.sqrt(rate_hz), count)
    force = np.tile([0.0, 0.0, 9.8], (count, 1))
    found = sums(np.arange(count) / rate_hz + 0.001, force, rate, length, epochs=2)
    means = np.concatenate([b.rate_y[0] for b in found])
    taus, deviation, _, _ = allantools.oadev(
        means, rate=1.0 / length, data_type="freq", taus=[0.05, 0.2, 1.0]
    )
    # Neighbouring epochs share the span between two samples, which the shortest time sees.
    assert deviation[1:] == pytest.approx(walk / np.sqrt(taus[1:]), rel=0.06)
    assert deviation[0] == pytest.approx(walk / math.sqrt(length), rel=0.12)


@pytest.mark.parametrize("epochs", [1, 4])
def test_epoch_sums_of_a_turning_body_agree_with_scipys_rotation(epochs: int) -> None:
    """A body that turns at 1 rad/s under constant gravity: sums over epochs, in axes at their middles."""
    turn, length = 1.0, 0.05
    up = np.array([0.0, 0.0, 9.80665])
    times = 0.001 + 0.005 * np.arange(200)
    force = np.array([Rotation.from_euler("y", -turn * t).inv().apply(up) for t in times])
    rate = np.tile([0.0, -turn, 0.0], (200, 1))
    block = sums(times, force, rate, length, epochs)[1]
    first = 2 if epochs == 1 else 2 * epochs
    for k in range(epochs):
        middle = Rotation.from_euler("y", -turn * (first + k + 0.5) * length).inv().apply(up)
        seen = block.force[0, k]
        assert (seen.real, block.force_y[0, k], seen.imag) == pytest.approx(middle, abs=2e-4)
        half = block.moment[0, k]
        assert (half.real, half.imag) == pytest.approx(middle[[0, 2]] / 2.0, abs=2e-4)
        assert block.rate_y[0, k] == pytest.approx(-turn)
    assert block.turned[0, 1] == pytest.approx(-turn * ((first + epochs) * length - times[0]))


def test_several_sensors_at_once_give_what_each_gives_alone() -> None:
    """Different rates and phases, one of them silent; sums by themselves are checked above."""
    rng = np.random.default_rng(5)
    mounts = np.zeros((3, 6, 6))
    for i, R in enumerate(Rotation.random(3, random_state=6).as_matrix()):
        mounts[i, :3, :3] = mounts[i, 3:, 3:] = R.T
    times = [np.arange(0.0, 0.6, 0.01), np.arange(0.003, 0.6, 0.021), np.arange(0.001, 0.6, 0.005)]
    data = [(rng.normal(0, 9, (len(t), 3)), rng.normal(0, 1, (len(t), 3))) for t in times]
    samples = [SampleBuffer(0.3) for _ in times]
    for i in (0, 2):
        for t, f, w in zip(times[i].tolist(), *(part.tolist() for part in data[i]), strict=True):
            samples[i].add(t, tuple(f), tuple(w))
    active = np.array([True, False, True])
    together = Strapdown(4, 0.05).block(samples, active, 0.2, mounts, np.zeros((3, 6)))
    for i in (0, 2):
        alone = sums(times[i], *data[i], 0.05, 4, mounts[i : i + 1])
        one = next(b for b in alone if b.turned[0] == pytest.approx(together.turned[i]))
        for part in ("force", "force_y", "moment", "moment_y", "rate", "rate_y", "shake"):
            assert getattr(together, part)[i] == pytest.approx(getattr(one, part)[0])
    assert not together.force[1].any()


def test_a_gap_leaves_its_blocks_out_and_the_next_whole_one_counts() -> None:
    still = np.tile([0.0, 0.0, 9.8], (40, 1))
    times = np.concatenate([0.01 * np.arange(20), 1.012 + 0.01 * np.arange(20)])
    kept = SampleBuffer(0.3)
    for t, f in zip(times.tolist(), still.tolist(), strict=True):
        kept.add(t, tuple(f), (0.0, 0.0, 0.0))
    assert [k for k in range(30) if kept.covers(0.05 * k, 0.05 * (k + 1))] == [21, 22, 23]


def test_a_sensor_alone_learns_its_presence_and_one_that_is_watched_takes_what_it_is_given() -> None:
    reading = Imu(0.0, "boom", (0.0, 0.0, 9.80665), (0.0, 0.0, 0.0))
    watched = Presence()
    alone = Channel("boom", Sensor(body="boom"), 9.80665)
    given = Channel("boom", Sensor(body="boom"), 9.80665, watched)
    for k in range(5):
        for channel in (alone, given):
            channel.raw(replace(reading, t=0.4 * k))
    assert alone.presence.stale_after_s == pytest.approx(1.0)
    assert alone.presence.missing(1.6 + 1.1) == "silent for 1.1 s"
    assert watched.last is None
    assert given.presence is watched
    assert not alone.is_back(2.5)
    assert alone.is_back(2.7)


@pytest.mark.parametrize(
    ("words", "up"),
    [
        ({"angle_deg": 90.0}, (1.0, 0.0, 0.0)),
        ({"angle_deg": -180.0}, (0.0, 0.0, -1.0)),
        ({"pitch_deg": 30.0, "roll_deg": 0.0}, (0.5, 0.0, math.sqrt(0.75))),
        ({"pitch_deg": 0.0, "roll_deg": -30.0}, (0.0, -0.5, math.sqrt(0.75))),
    ],
)
def test_inclinometer_angles_become_up(words: dict[str, float], up: tuple[float, float, float]) -> None:
    """sin 30° = 1/2: tilt of one axis in the gravity field, as accelerometer application notes define it."""
    assert up_from_tilt(Tilt(0.0, "s", **words)) == pytest.approx(up, abs=1e-12)


def test_moving_is_entered_at_once_and_left_after_a_calm_while() -> None:
    c = Condition()
    c.update(0.0, 0.0, 0.001, starting=False)
    assert c.judge("good", ()) == ("good", ())
    c.update(0.1, 2 * MOVING_RADPS, 0.001, starting=False)
    assert c.judge("good", ()) == ("moving", ("arm moving",))
    for k in range(3):
        c.update(0.2 + 0.1 * k, 0.8 * MOVING_RADPS, 0.001, starting=False)
        assert c.moving
    c.update(0.6, 0.0, 0.001, starting=False)
    c.update(0.6 + 0.5 * CALM_S, 0.0, 0.001, starting=False)
    assert c.moving
    c.update(0.6 + CALM_S + 0.01, 0.0, 0.001, starting=False)
    assert c.judge("good", ()) == ("good", ())
    assert c.judge("stale", ("x",))[0] == "stale"


def test_complementary_finds_a_posture_at_rest(dig: Callable[..., Any]) -> None:
    d = dig(seconds=8)
    e = ComplementaryEstimator(d.machine, 0.02, ComplementaryOptions())
    for r in d.readings:
        if r.t > 3.5:
            break
        e.consume(r)
    pose = e.pose(3.5)
    assert pose.quality == "good"
    height = float(d.machine.chain().tip(pose.angles)[2])
    assert height == pytest.approx(float(d.height_at(np.array([3.5]))[0]), abs=0.002)


def test_complementary_forgets_a_disturbance_with_its_time_constant(dig: Callable[..., Any]) -> None:
    """First-order step response: 1/e of a wrong tilt is left after one time constant."""
    d = dig(seconds=8)
    e = ComplementaryEstimator(d.machine, 0.02, ComplementaryOptions(crossover_hz=0.16))
    tau = 1.0 / (2.0 * math.pi * 0.16)

    def feed(start: float, stop: float, tilt: float) -> None:
        for k in range(round((stop - start) * 100)):
            f = (9.8 * math.sin(tilt), 0.0, 9.8 * math.cos(tilt))
            for body in ("upper", "boom", "stick", "bucket"):
                e.consume(Imu(start + 0.01 * k, body, f, (0.0, 0.0, 0.0)))

    feed(0.0, 10.0, 0.0)
    feed(10.0, 10.0 + tau, 0.2)
    assert e.pose(10.0 + tau).angles[2] == pytest.approx(0.2 * (1.0 - math.exp(-1.0)), abs=0.003)
