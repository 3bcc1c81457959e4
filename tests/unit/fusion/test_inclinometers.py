"""The filter for arms with inclinometers alone, against scipy's rotations and matrix exponential."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tipdatum.fusion.chain.estimator import ChainEstimator
from tipdatum.fusion.estimator import Estimator, make_estimator
from tipdatum.fusion.pose import Pose
from tipdatum.fusion.tilt_only import InclinometerEstimator
from tipdatum.machine.description import Machine, parse_machine
from tipdatum_drivers.reading import Imu, Slew, Tilt

Array = NDArray[np.float64]
TICK = 0.02
DUAL = ("upper", "boom")


@pytest.fixture
def tilt_words(describe: Callable[..., dict[str, Any]]) -> Callable[..., dict[str, Any]]:
    """The test machine with an inclinometer on each body."""

    def words(time_constant: float = 0.0, **changes: Any) -> dict[str, Any]:
        found = describe(**changes)
        for sensor in found["sensor"].values():
            sensor.update(type="tilt", time_constant_s=time_constant)
        return found

    return words


def shown(t: float, sensor: str, up: Array) -> Tilt:
    """What an inclinometer tells of the direction `up` in its own axes."""
    if sensor in DUAL:
        return Tilt(t, sensor, None, math.degrees(math.asin(up[0])), math.degrees(math.asin(up[1])))
    return Tilt(t, sensor, math.degrees(math.atan2(up[0], up[2])))


def from_forces(readings: list[Imu], time_constant: float, noise_deg: float, every: int = 2) -> list[Tilt]:
    """Inclinometers that low-pass the specific force at first order and tell its direction."""
    rng = np.random.default_rng(4)
    inside: dict[str, tuple[float, Array]] = {}
    count: dict[str, int] = {}
    out = []
    for r in readings:
        force = np.array(r.accel_mps2)
        if r.sensor in inside and time_constant > 0.0:
            t, before = inside[r.sensor]
            force = before + (1.0 - math.exp(-(r.t - t) / time_constant)) * (force - before)
        inside[r.sensor] = (r.t, force)
        count[r.sensor] = count.get(r.sensor, 0) + 1
        if count[r.sensor] % every == 0:
            up = force / np.linalg.norm(force) + math.radians(noise_deg) * rng.normal(size=3)
            out.append(shown(r.t, r.sensor, up / np.linalg.norm(up)))
    return out


def play(estimator: Estimator, readings: list[Tilt]) -> list[Pose]:
    poses = []
    tick = 0.0
    for r in readings:
        estimator.consume(r)
        if r.t >= tick:
            tick = r.t + TICK
            poses.append(estimator.pose(r.t))
    return poses


def heights(machine: Machine, poses: list[Pose]) -> tuple[Array, Array, Array]:
    """t, height and its sigma of the known poses."""
    chain = machine.chain()
    known = [p for p in poses if p.known]
    rows = [chain.height_jacobian(p.angles) for p in known]
    sigma = [math.sqrt(r @ p.covariance @ r) for r, p in zip(rows, known, strict=True)]
    z = [float(chain.tip(p.angles)[2]) for p in known]
    return np.array([p.t for p in known]), np.array(z), np.array(sigma)


def standing(up: dict[str, Array], seconds: float, start: float = 0.0, noise_deg: float = 0.0) -> list[Tilt]:
    rng = np.random.default_rng(8)
    out = []
    for k in range(round(seconds * 20)):
        for j, (sensor, u) in enumerate(up.items()):
            v = u + math.radians(noise_deg) * rng.normal(size=3)
            out.append(shown(start + 0.05 * k + 0.003 * j, sensor, v / np.linalg.norm(v)))
    return out


def posture(upper: Rotation, angles: dict[str, float]) -> dict[str, Array]:
    """`up` in each body's axes, by scipy's rotations."""
    z = np.array([0.0, 0.0, 1.0])
    found = {"upper": upper.inv().apply(z)}
    for body, angle in angles.items():
        found[body] = (upper * Rotation.from_euler("y", -angle)).inv().apply(z)
    return found


def test_it_is_chosen_where_every_sensor_is_an_inclinometer(tilt_words: Callable[..., Any]) -> None:
    words = tilt_words()
    assert isinstance(make_estimator("chain", parse_machine(words, "test"), TICK), InclinometerEstimator)
    words["sensor"]["stick"]["type"] = "imu"
    assert isinstance(make_estimator("chain", parse_machine(words, "test"), TICK), ChainEstimator)


def test_a_standing_arm_on_a_cross_slope_is_found_with_single_axis_parts(
    tilt_words: Callable[..., Any],
) -> None:
    """Height by scipy's rotations; a bucket curled past 180° is carried on or folded alike for the height."""
    machine = parse_machine(tilt_words(), "test")
    upper = Rotation.from_euler("xy", [0.12, -0.05])
    angles = {"boom": 0.7, "stick": -1.1, "bucket": -2.9}
    plane = [Rotation.from_euler("y", -a).apply([1.0, 0.0, 0.0]) for a in angles.values()]
    way = np.array([0.35, 0.0, 1.75]) + 4.6 * plane[0] + 2.5 * plane[1] + 1.3 * plane[2]
    poses = play(make_estimator("chain", machine, TICK), standing(posture(upper, angles), 3.0, 0.0, 0.05))
    t, z, sigma = heights(machine, poses)
    late = t > 1.5
    assert z[late] == pytest.approx(upper.apply(way)[2], abs=0.02)
    assert np.ptp(z[late]) < 0.01
    assert sigma[late].max() < 0.1
    assert poses[-1].quality == "good"
    assert poses[-1].reasons == ()


def test_a_bucket_that_passes_half_a_turn_goes_on(tilt_words: Callable[..., Any]) -> None:
    machine = parse_machine(tilt_words(time_constant=0.1), "test")
    e = make_estimator("chain", machine, TICK)
    for k in range(240):
        turn = -2.8 - min(max(0.0, 0.02 * k - 1.5), 1.2)
        up = posture(Rotation.identity(), {"boom": 0.5, "stick": -1.0, "bucket": turn})
        for j, (sensor, u) in enumerate(up.items()):
            e.consume(shown(0.02 * k + 0.002 * j, sensor, u))
    assert e.pose(0.02 * 239 + 0.006).angles[4] == pytest.approx(-4.0, abs=0.02)


@pytest.mark.parametrize("time_constant", [0.0, 0.2])
def test_an_arm_at_work_is_followed_no_worse_than_simply_and_sigma_says_how_badly(
    dig: Callable[..., Any], tilt_words: Callable[..., Any], time_constant: float
) -> None:
    d = dig(seconds=30)
    machine = parse_machine(tilt_words(time_constant=time_constant), "test")
    readings = from_forces(d.readings, time_constant, 0.05)
    rms = {}
    for name in ("chain", "complementary"):
        t, z, sigma = heights(machine, play(make_estimator(name, machine, TICK), readings))
        moving = t > 6.0
        off = (z - d.height_at(t))[moving]
        rms[name] = float(np.sqrt(np.mean(off * off)))
        if name == "chain":
            assert (np.abs(off) < 2.0 * sigma[moving]).mean() > 0.8
            rest = (t > 2.0) & (t < 3.9)
            assert np.ptp(z[rest]) < 0.01
            assert sigma[moving].mean() > 3.0 * sigma[rest].mean()
    assert rms["chain"] < 1.1 * rms["complementary"]


@pytest.mark.parametrize(("time_constant", "every"), [(0.0, 1), (0.1, 2), (0.3, 10)])
def test_slow_work_is_followed_better_than_simply(
    dig: Callable[..., Any], tilt_words: Callable[..., Any], time_constant: float, every: int
) -> None:
    d = dig(seconds=30, pace=0.15, noise=1.0, seed=5)
    machine = parse_machine(tilt_words(time_constant=time_constant), "test")
    readings = from_forces(d.readings, time_constant, 0.05, every)
    rms, trembling = {}, {}
    for name in ("chain", "complementary"):
        t, z, _ = heights(machine, play(make_estimator(name, machine, TICK), readings))
        off = z - d.height_at(t)
        rest, work = (t > 2.5) & (t < 3.9), t > 6.0
        rms[name] = float(np.sqrt(np.mean((off[work] - off[rest].mean()) ** 2)))
        trembling[name] = float(np.ptp(z[rest]))
    assert rms["chain"] < 0.7 * rms["complementary"]
    assert trembling["chain"] < trembling["complementary"]


def test_a_lost_sensor_is_stale_and_found_anew(tilt_words: Callable[..., Any]) -> None:
    machine = parse_machine(tilt_words(), "test")
    e = make_estimator("chain", machine, TICK)
    first = posture(Rotation.identity(), {"boom": 0.5, "stick": -1.0, "bucket": -1.5})
    second = posture(Rotation.identity(), {"boom": 0.5, "stick": -0.3, "bucket": -1.5})
    play(e, standing(first, 2.0))
    lost = play(e, [r for r in standing(first, 1.0, 2.0) if r.sensor != "stick"])
    assert lost[-1].quality == "stale"
    assert "stick sensor silent" in lost[-1].reasons[0]
    assert np.isnan(lost[-1].angles).all()
    back = play(e, standing(second, 1.5, 3.0))[-1]
    assert back.angles[3] == pytest.approx(-0.3, abs=0.01)


def test_a_jolt_of_one_reading_hardly_moves_a_standing_arm(tilt_words: Callable[..., Any]) -> None:
    machine = parse_machine(tilt_words(), "test")
    up = posture(Rotation.identity(), {"boom": 0.5, "stick": -1.0, "bucket": -1.5})
    readings = standing(up, 4.0, 0.0, 0.03)
    k = next(i for i, r in enumerate(readings) if r.sensor == "stick" and r.t > 2.5)
    readings[k] = Tilt(readings[k].t, "stick", math.degrees(-1.0) + 25.0)
    poses = play(make_estimator("chain", machine, TICK), readings)
    after = [p.angles[3] for p in poses if p.known and p.t > readings[k].t]
    assert max(abs(a + 1.0) for a in after) < math.radians(5.0)
    assert after[-1] == pytest.approx(-1.0, abs=0.003)


def test_time_that_steps_back_starts_anew_and_is_told(tilt_words: Callable[..., Any]) -> None:
    e = make_estimator("chain", parse_machine(tilt_words(), "test"), TICK)
    up = posture(Rotation.identity(), {"boom": 0.5, "stick": -1.0, "bucket": -1.5})
    play(e, standing(up, 2.0, 10.0))
    poses = play(e, standing(up, 2.0))
    assert [v.kind for v in e.events()] == ["time-step"]
    assert poses[-1].known


def test_what_mounts_are_off_cancels_between_the_reference_and_the_same_posture(
    tilt_words: Callable[..., Any],
) -> None:
    words = tilt_words()
    for sensor in words["sensor"].values():
        sensor["mount_sigma_deg"] = 1.0
    machine = parse_machine(words, "test")
    e = make_estimator("chain", machine, TICK)
    up = posture(Rotation.identity(), {"boom": 0.5, "stick": -1.0, "bucket": -1.5})
    play(e, standing(up, 4.0, 0.0, 0.02))
    at = 3.99
    assert e.set_anchor(at)
    pose = e.pose(at)
    assert pose.anchor is not None
    row = machine.chain().height_jacobian(pose.angles)
    alone = float(row @ pose.covariance @ row)
    relative = alone - 2.0 * float(row @ pose.anchor.covariance) + pose.anchor.variance_m2
    assert 0.0 < relative < 0.1 * alone
    e.clear_anchor()
    assert e.pose(at).anchor is None


def test_another_bucket_goes_on_without_settling(tilt_words: Callable[..., Any]) -> None:
    words = tilt_words()
    e = make_estimator("chain", parse_machine(words, "test"), TICK)
    up = posture(Rotation.identity(), {"boom": 0.5, "stick": -1.0, "bucket": -1.5})
    play(e, standing(up, 2.0))
    before = e.pose(2.0)
    words["bucket"] = [{"name": "other", "tip_m": 1.0, "width_m": 1.5}]
    e.replace_machine(parse_machine(words, "test"))
    assert e.pose(2.0).quality == before.quality
    assert e.pose(2.0).angles == pytest.approx(before.angles)


def test_without_upper_sensor_the_boom_tells_the_roll(tilt_words: Callable[..., Any]) -> None:
    words = tilt_words()
    del words["sensor"]["upper"]
    up = posture(Rotation.from_euler("x", 0.05), {"boom": 0.5, "stick": -1.0, "bucket": -1.5})
    del up["upper"]
    last = play(make_estimator("chain", parse_machine(words, "test"), TICK), standing(up, 3.0))[-1]
    assert last.known
    assert "no sensor on the upper: level machine assumed" in last.reasons
    assert last.angles[1] == pytest.approx(0.05, abs=0.002)
    assert math.degrees(math.sqrt(last.covariance[0, 0])) >= 1.0


def test_a_held_bucket_follows_the_stick(tilt_words: Callable[..., Any]) -> None:
    words = tilt_words(bucket=[{"name": "b", "tip_m": 1.3, "width_m": 0.6, "held_deg": -30.0}])
    del words["sensor"]["bucket"]
    up = posture(Rotation.identity(), {"boom": 0.5, "stick": -1.0})
    last = play(make_estimator("chain", parse_machine(words, "test"), TICK), standing(up, 3.0))[-1]
    assert last.angles[4] == pytest.approx(-1.0 - math.radians(30.0), abs=0.002)


def test_forces_from_what_is_described_as_an_inclinometer_are_told_once(
    tilt_words: Callable[..., Any],
) -> None:
    e = make_estimator("chain", parse_machine(tilt_words(), "test"), TICK)
    for k in range(3):
        e.consume(Imu(0.01 * k, "boom", (0.0, 0.0, 9.8), (0.0, 0.0, 0.0)))
    assert [(v.kind, v.sensor) for v in e.events()] == [("wrong-kind", "boom")]


def test_a_slew_sensor_tells_the_slewing_and_its_steps_are_no_motion(tilt_words: Callable[..., Any]) -> None:
    words = tilt_words()
    words["sensor"]["swing"] = {"body": "upper", "type": "slew"}
    e = make_estimator("chain", parse_machine(words, "test"), TICK)
    up = posture(Rotation.identity(), {"boom": 0.5, "stick": -1.0, "bucket": -1.5})
    qualities = []
    for k in range(800):
        t = 0.02 * k
        turned = 20.0 * min(max(0.0, t - 8.0), 4.0)
        # A part with steps of 0.1° that stands between two of them.
        e.consume(Slew(t, "swing", (179.95 + turned + (0.1 if k % 5 == 0 else 0.0) + 180.0) % 360.0 - 180.0))
        for j, (sensor, u) in enumerate(up.items()):
            e.consume(shown(t + 0.001 * j, sensor, u))
        qualities.append(e.pose(t + 0.004).quality)
        if k == 550:
            assert e.pose(t + 0.004).slew_rate_radps == pytest.approx(math.radians(20.0), rel=0.1)
    assert set(qualities[100:399]) == {"good"}
    assert set(qualities[430:600]) == {"moving"}
    assert qualities[-1] == "good"
