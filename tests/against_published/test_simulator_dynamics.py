"""The simulator's bodies against an independent engine: MuJoCo (https://mujoco.org), and against closed
forms.

Figures of machines are invented; what is compared is two solutions of the same equations.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tipdatum.machine.description import Machine, load_machine
from tipdatum.shipped import shipped
from tipdatum.simulator.multibody import Array, Body, Joint, Multibody, cross
from tipdatum.simulator.plant import plant_of

G = 9.80665


MACHINES = ("demo", "two-piece", "swing-boom", "tilting-bucket", "coupler")


def described(name: str) -> Machine:
    return load_machine(Path(shipped("config", "machines", f"{name}.toml")))


@pytest.fixture(scope="module")
def excavator() -> Multibody:
    return plant_of(described("demo")).chain


@pytest.fixture(scope="module", params=MACHINES)
def each(request: pytest.FixtureRequest) -> Multibody:
    """The bodies of one machine of every kind."""
    return plant_of(described(request.param)).chain


def engine(joints: Sequence[Joint], site: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Any:
    """The same chain in the engine, with an accelerometer and a gyro on the last body."""
    mujoco = pytest.importorskip("mujoco", reason="needs the independent engine mujoco")
    text = (
        '<mujoco><compiler angle="radian"/>'
        f'<option gravity="0 0 {-G}" timestep="0.0005" integrator="RK4"/><worldbody>'
    )
    for joint in joints:
        axis = joint.direction
        body = joint.body if joint.body.mass else Body(1e-9, (0.0, 0.0, 0.0), (1e-9, 1e-9, 1e-9))
        kind = "hinge" if joint.kind == "turn" else "slide"
        text += (
            f'<body pos="{row(joint.origin)}"><joint type="{kind}" axis="{row(axis)}"/>'
            f'<inertial pos="{row(body.centre)}" mass="{body.mass!r}" diaginertia="{row(body.inertia)}"/>'
        )
    text += f'<site name="s" pos="{row(site)}"/>' + "</body>" * len(joints)
    text += '</worldbody><sensor><accelerometer site="s"/><gyro site="s"/></sensor></mujoco>'
    model = mujoco.MjModel.from_xml_string(text)
    return mujoco, model, mujoco.MjData(model)


def row(values: Sequence[float]) -> str:
    return " ".join(repr(float(v)) for v in values)


def runge_kutta(
    chain: Multibody, q: Array, v: Array, tau: Array, h: float, steps: int
) -> tuple[Array, Array]:
    """The textbook method of fourth order over the chain's own accelerations."""
    for _ in range(steps):
        a1 = chain.forward(q, v, tau)
        a2 = chain.forward(q + 0.5 * h * v, v + 0.5 * h * a1, tau)
        a3 = chain.forward(q + 0.5 * h * v + 0.25 * h * h * a1, v + 0.5 * h * a2, tau)
        a4 = chain.forward(q + h * v + 0.5 * h * h * a2, v + h * a3, tau)
        q = q + h * v + h * h / 6.0 * (a1 + a2 + a3)
        v = v + h / 6.0 * (a1 + 2.0 * a2 + 2.0 * a3 + a4)
    return q, v


def test_accelerations_are_those_of_the_engine(each: Multibody) -> None:
    mujoco, model, data = engine(each.joints)
    rng = np.random.default_rng(5)
    for _ in range(20):
        q, v = 0.6 * rng.standard_normal(each.size), rng.standard_normal(each.size)
        tau = 2e4 * rng.standard_normal(each.size)
        data.qpos[:], data.qvel[:], data.qfrc_applied[:] = q, v, tau
        mujoco.mj_forward(model, data)
        ours = each.forward(q, v, tau)
        np.testing.assert_allclose(ours, data.qacc, rtol=1e-8, atol=1e-8 * np.abs(ours).max())


def test_what_a_sensor_on_the_bucket_feels_is_that_of_the_engine(each: Multibody) -> None:
    place = (0.12, 0.22, 0.24)
    mujoco, model, data = engine(each.joints, place)
    rng = np.random.default_rng(6)
    for _ in range(20):
        q, v = 0.6 * rng.standard_normal(each.size), rng.standard_normal(each.size)
        data.qpos[:], data.qvel[:] = q, v
        mujoco.mj_forward(model, data)
        motion = each.motion(q, v)
        alpha, accel = motion.accelerations(np.array(data.qacc))
        R, omega = motion.R[-1], motion.omega[-1]
        arm = R @ np.array(place)
        force = accel[-1] + cross(alpha[-1], arm) + cross(omega, cross(omega, arm)) + np.array([0.0, 0.0, G])
        np.testing.assert_allclose(R.T @ force, data.sensordata[:3], rtol=1e-7, atol=1e-7)
        np.testing.assert_allclose(R.T @ omega, data.sensordata[3:], rtol=1e-9, atol=1e-9)


def turned(axis: tuple[float, float, float], angle: float, about: Sequence[float]) -> Array:
    """(4, 4) a turn about an axis of length 1 through a point, by the exponential of its matrix."""
    x, y, z = axis
    K = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    R = np.eye(3) + math.sin(angle) * K + (1.0 - math.cos(angle)) * K @ K
    T = np.eye(4)
    T[:3, :3], T[:3, 3] = R, np.array(about) - R @ np.array(about)
    return T


def shifted(x: float, y: float = 0.0, z: float = 0.0) -> Array:
    T = np.eye(4)
    T[:3, 3] = x, y, z
    return T


@pytest.mark.parametrize("name", MACHINES)
def test_the_edge_stands_where_the_description_says(name: str) -> None:
    """Matrices written from the keys as docs/machines.md explains them, on a level machine.

    The coupler's come from its own keys, so the folded ones that a description is read to are checked too.
    """
    machine = described(name)
    plant = plant_of(machine)
    bucket = machine.bucket[0]
    raw = tomllib.loads(Path(shipped("config", "machines", f"{name}.toml")).read_text())
    rng = np.random.default_rng(8)
    for _ in range(5):
        q = np.zeros(plant.chain.size)
        for section in plant.sections:
            q[plant.chain.index[section.name]] = rng.uniform(section.low, section.high)
        at = {joint.name: float(q[i]) for i, joint in enumerate(plant.chain.joints)}
        T = np.eye(4)
        if machine.boom_swing is not None:
            T = T @ turned((0.0, 0.0, 1.0), at["swing"], machine.boom_swing.pivot_m)
        T = T @ shifted(*machine.boom.foot_m)
        lengths = [machine.boom.length_m]
        lengths += [] if machine.second_boom is None else [machine.second_boom.length_m]
        for joint, length in zip(plant.arm[:-1], [*lengths, machine.stick.length_m], strict=True):
            # With y to the left a section that rises turns about -y.
            T = T @ turned((0.0, -1.0, 0.0), at[joint.name], (0.0, 0.0, 0.0)) @ shifted(length)
        T = T @ turned((0.0, -1.0, 0.0), at["bucket"], (0.0, 0.0, 0.0))
        if "coupler" in raw:
            # In the coupler's frame its x leads to the bucket's pin; the bucket's x stands at δ to it.
            held = math.radians(raw["coupler"]["offset_deg"])
            own = described_bucket("trenching-600")["bucket_ear_angle_deg"]
            delta = held - math.radians(own)
            T = T @ turned((0.0, -1.0, 0.0), -delta, (0.0, 0.0, 0.0)) @ shifted(raw["coupler"]["length_m"])
            T = T @ turned((0.0, -1.0, 0.0), delta, (0.0, 0.0, 0.0))
        if bucket.tilt_axis_m is not None and bucket.tilt_axis_deg is not None:
            a = math.radians(bucket.tilt_axis_deg)
            point = (bucket.tilt_axis_m[0], 0.0, bucket.tilt_axis_m[1])
            T = T @ turned((math.cos(a), 0.0, math.sin(a)), at["tilt"], point)
        motion = plant.chain.motion(q, np.zeros_like(q))
        tool = plant.chain.index[plant.tool]
        for side in (0.0, 0.5 * bucket.width_m, -0.5 * bucket.width_m):
            ours = motion.point(tool, np.add(plant.tip, (0.0, side, 0.0)))
            np.testing.assert_allclose(ours, (T @ [bucket.tip_m, side, 0.0, 1.0])[:3], atol=1e-9)


def described_bucket(name: str) -> dict[str, Any]:
    return tomllib.loads(Path(shipped("config", "buckets", f"{name}.toml")).read_text())


def test_a_driven_arm_goes_where_the_engine_takes_it(excavator: Multibody) -> None:
    mujoco, model, data = engine(excavator.joints)
    q = np.zeros(excavator.size)
    q[-3:] = 0.5, -1.6, -0.8
    _, hold = excavator.equations(excavator.motion(q, np.zeros_like(q)))
    tau = hold.copy()
    tau[-4:] += 2e4, 3e4, -1e4, 2e3  # slew, boom, stick, bucket
    data.qpos[:], data.qfrc_applied[:] = q, tau
    for _ in range(1000):
        mujoco.mj_step(model, data)
    ours, speed = runge_kutta(excavator, q, np.zeros_like(q), tau, 0.002, 250)
    assert np.abs(ours - q).max() > 0.05
    np.testing.assert_allclose(ours, data.qpos, atol=1e-6)
    np.testing.assert_allclose(speed, data.qvel, atol=1e-5)


def test_a_machine_that_is_let_go_falls_with_g_and_turns_no_joint(excavator: Multibody) -> None:
    """Galilei: with nothing that holds it all of it falls alike, whatever its posture."""
    q = np.zeros(excavator.size)
    q[-3:] = 0.4, -1.4, -0.7
    fall = excavator.forward(q, np.zeros_like(q), np.zeros_like(q))
    expected = np.zeros_like(q)
    expected[excavator.index["z"]] = -G
    np.testing.assert_allclose(fall, expected, atol=1e-9)


def test_a_pendulum_swings_with_the_period_of_its_closed_form() -> None:
    """Small swings: T = 2π √((I + m l²) / (m g l)); any text on mechanics."""
    mass, length, inertia = 300.0, 1.4, 80.0
    body = Body(mass, (0.0, 0.0, -length), (inertia, inertia, inertia))
    chain = Multibody([Joint("hinge", "turn", 1, body=body, sense=-1.0)])
    period = 2.0 * math.pi * math.sqrt((inertia + mass * length**2) / (mass * G * length))
    q, v = runge_kutta(chain, np.array([0.01]), np.zeros(1), np.zeros(1), period / 400.0, 400)
    assert q[0] == pytest.approx(0.01, rel=2e-4)
    assert abs(v[0]) < 1e-3 * 0.01 * 2.0 * math.pi / period * 10.0


def energy(chain: Multibody, q: Array, v: Array) -> float:
    """Kinetic and potential energy, J, body by body: ½ m v² + ½ ωᵀ I ω + m g z."""
    m, total = chain.motion(q, v), 0.0
    for i, joint in enumerate(chain.joints):
        mass, centre = joint.body.mass, np.array(joint.body.centre)
        speed, turning = m.point_velocity(i, centre), m.R[i].T @ m.omega[i]
        total += 0.5 * mass * float(speed @ speed) + chain.gravity * mass * float(m.point(i, centre)[2])
        total += 0.5 * float(np.array(joint.body.inertia) @ (turning * turning))
    return total


def test_an_arm_that_swings_freely_keeps_its_energy(excavator: Multibody) -> None:
    joints = [j for j in excavator.joints if j.name in ("slew", "boom", "stick", "bucket")]
    chain = Multibody(joints)
    q, v = np.array([0.2, 0.5, -1.4, -0.6]), np.array([0.8, 0.1, -0.3, 0.5])
    before = energy(chain, q, v)
    after = energy(chain, *runge_kutta(chain, q, v, np.zeros(4), 0.001, 2000))
    motion = energy(chain, q, v) - energy(chain, q, np.zeros(4))
    assert abs(after - before) < 1e-5 * motion


def test_a_bucket_that_tilts_freely_keeps_its_energy() -> None:
    plant = plant_of(described("tilting-bucket"))
    chain = Multibody([j for j in plant.chain.joints if j.name in ("boom", "stick", "bucket", "tilt")])
    q, v = np.array([0.4, -1.2, -0.5, 0.3]), np.array([0.1, -0.3, 0.5, 1.2])
    before = energy(chain, q, v)
    after = energy(chain, *runge_kutta(chain, q, v, np.zeros(4), 0.001, 1000))
    assert abs(after - before) < 1e-5 * (before - energy(chain, q, np.zeros(4)))


def test_work_done_on_a_joint_is_found_again_as_energy(excavator: Multibody) -> None:
    joints = [j for j in excavator.joints if j.name in ("boom", "stick", "bucket")]
    chain = Multibody(joints)
    q, v, tau = np.array([0.3, -1.4, -0.6]), np.zeros(3), np.array([1.5e5, -1e4, 2e3])
    end, speed = runge_kutta(chain, q, v, tau, 0.001, 800)
    gained = energy(chain, end, speed) - energy(chain, q, v)
    assert float(tau @ (end - q)) == pytest.approx(gained, rel=1e-6)
