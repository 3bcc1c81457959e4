"""The arm's chain against a textbook, a machine-scale set from other libraries, and a URDF library."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from pytransform3d.urdf import UrdfTransformManager

from tipdatum.kinematics.chain import Chain, TiltAxis
from tipdatum.kinematics.frames import elevation_angle, roll_angle, rotation_from_rpy_deg

Floats = NDArray[np.float64]


def _planar(lengths: tuple[float, float, float], absolute_deg: Floats) -> tuple[Chain, Floats]:
    chain = Chain(np.zeros(3), np.array(lengths), ("boom", "stick", "bucket"), 0.0)
    return chain, np.concatenate([[0.0, 0.0], np.radians(absolute_deg)])


@pytest.mark.parametrize(
    ("relative_deg", "tip", "wrist"),
    [
        ((0, 0, 0), (9.0, 0.0), (7.0, 0.0)),
        ((10, 20, 30), (7.5373, 3.9266), (6.5373, 2.1946)),
        ((90, 90, 90), (-3.0, 2.0), (-3.0, 4.0)),
    ],
)
def test_planar_three_link_arm_of_the_textbook(
    relative_deg: tuple[float, ...], tip: tuple[float, float], wrist: tuple[float, float]
) -> None:
    """J. J. Craig, *Introduction to Robotics*, MATLAB exercise 3A: links 4, 3, 2 m; four decimals."""
    chain, q = _planar((4.0, 3.0, 2.0), np.cumsum(np.array(relative_deg, dtype=float)))
    pins = chain.pins(q)
    assert pins[-1][[0, 2]] == pytest.approx(tip, abs=6e-5)
    assert pins[-2][[0, 2]] == pytest.approx(wrist, abs=6e-5)


@pytest.mark.parametrize(
    ("absolute_deg", "x", "z", "mm_a_degree"),
    [
        ((30, -50, -100), 5.902559, -0.713849, (77.99, 29.06, -4.03)),
        ((45, -30, -90), 5.891677, 1.023671, (63.68, 39.15, 0.00)),
        ((10, -70, -135), 5.026988, -2.478231, (88.69, 15.46, -16.41)),
        ((0, -90, -90), 5.160000, -3.920000, (90.06, 0.00, 0.00)),
        ((62, -5, -60), 5.667618, 3.178462, (42.28, 45.03, 11.61)),
    ],
)
def test_machine_scale_arm_of_another_library(
    absolute_deg: tuple[float, ...], x: float, z: float, mm_a_degree: tuple[float, ...]
) -> None:
    """Links 5.16, 2.59, 1.33 m (recalled from Koivo et al. 1996); tip and slopes from numpy and pinocchio."""
    chain, q = _planar((5.16, 2.59, 1.33), np.array(absolute_deg, dtype=float))
    assert chain.tip(q)[[0, 2]] == pytest.approx((x, z), abs=1e-6)
    # The table holds finite differences over one degree, rounded to 0.01 mm.
    slopes = chain.height_jacobian(q)[2:] * math.radians(1.0) * 1000.0
    assert slopes == pytest.approx(mm_a_degree, abs=0.02)


URDF = """
<robot name="arm">
  <link name="ground"/><link name="plane"/><link name="upper"/><link name="boom"/><link name="stick"/>
  <link name="bucket"/><link name="tip"/><link name="left"/><link name="right"/>
  <joint name="roll" type="continuous"><parent link="ground"/><child link="plane"/><axis xyz="1 0 0"/></joint>
  <joint name="upper" type="continuous"><parent link="plane"/><child link="upper"/>
    <axis xyz="0 -1 0"/></joint>
  <joint name="boom" type="continuous"><parent link="upper"/><child link="boom"/><axis xyz="0 -1 0"/>
    <origin xyz="0.35 -0.07 1.75" rpy="0 0 0"/></joint>
  <joint name="stick" type="continuous"><parent link="boom"/><child link="stick"/><axis xyz="0 -1 0"/>
    <origin xyz="4.60 0 0" rpy="0 0 0"/></joint>
  <joint name="bucket" type="continuous"><parent link="stick"/><child link="bucket"/><axis xyz="0 -1 0"/>
    <origin xyz="2.50 0 0" rpy="0 0 0"/></joint>
  <joint name="tip" type="fixed"><parent link="bucket"/><child link="tip"/>
    <origin xyz="1.30 0 0" rpy="0 0 0"/></joint>
  <joint name="left" type="fixed"><parent link="tip"/><child link="left"/>
    <origin xyz="0 0.3 0" rpy="0 0 0"/></joint>
  <joint name="right" type="fixed"><parent link="tip"/><child link="right"/>
    <origin xyz="0 -0.3 0" rpy="0 0 0"/></joint>
</robot>
"""
"""The demo machine, its boom foot 7 cm to the right. Angles are positive upwards: opposite to URDF's."""

CHAIN = Chain(np.array([0.35, -0.07, 1.75]), np.array([4.60, 2.50, 1.30]), ("boom", "stick", "bucket"), 0.3)
angle = st.floats(-4.0, 4.0)


@pytest.fixture(scope="module")
def urdf() -> UrdfTransformManager:
    manager = UrdfTransformManager()
    manager.load_urdf(URDF)
    return manager


@settings(max_examples=60, deadline=None)
@given(st.tuples(st.floats(-0.3, 0.3), st.floats(-0.3, 0.3), angle, angle, angle))
def test_whole_chain_with_pitch_and_roll_agrees_with_pytransform3d(
    urdf: UrdfTransformManager, q: tuple[float, ...]
) -> None:
    """pytransform3d (BSD-3) turns the same machine, written as URDF, by its own code."""
    upper, roll, *links = q
    urdf.set_joint("roll", roll)
    urdf.set_joint("upper", upper)
    for name, now, before in zip(("boom", "stick", "bucket"), links, (upper, *links[:-1]), strict=True):
        urdf.set_joint(name, now - before)

    def place(frame: str) -> Floats:
        matrix: Floats = urdf.get_transform(frame, "ground")
        return matrix[:3, 3]

    pins = CHAIN.pins(q)
    for row, frame in zip(pins, ("boom", "stick", "bucket", "tip"), strict=True):
        np.testing.assert_allclose(row, place(frame), atol=1e-9)
    np.testing.assert_allclose(CHAIN.corners(q), [place("left"), place("right")], atol=1e-9)


TURNED_URDF = """
<robot name="arm">
  <link name="ground"/><link name="plane"/><link name="post"/><link name="upper"/><link name="swung"/>
  <link name="boom"/><link name="second"/><link name="stick"/><link name="coupler"/><link name="axis"/>
  <link name="bucket"/><link name="tip"/><link name="left"/><link name="right"/>
  <joint name="roll" type="continuous"><parent link="ground"/><child link="plane"/><axis xyz="1 0 0"/></joint>
  <joint name="post" type="continuous"><parent link="plane"/><child link="post"/><axis xyz="0 -1 0"/></joint>
  <joint name="upper" type="continuous"><parent link="post"/><child link="upper"/><axis xyz="0 0 1"/></joint>
  <joint name="swing" type="continuous"><parent link="upper"/><child link="swung"/><axis xyz="0 0 1"/>
    <origin xyz="0.61 0.05 0.55" rpy="0 0 0"/></joint>
  <joint name="boom" type="continuous"><parent link="swung"/><child link="boom"/><axis xyz="0 -1 0"/>
    <origin xyz="0.20 -0.02 0.21" rpy="0 0 0"/></joint>
  <joint name="second" type="continuous"><parent link="boom"/><child link="second"/><axis xyz="0 -1 0"/>
    <origin xyz="2.30 0 0" rpy="0 0 0"/></joint>
  <joint name="stick" type="continuous"><parent link="second"/><child link="stick"/><axis xyz="0 -1 0"/>
    <origin xyz="2.60 0 0" rpy="0 0 0"/></joint>
  <joint name="coupler" type="continuous"><parent link="stick"/><child link="coupler"/><axis xyz="0 -1 0"/>
    <origin xyz="2.10 0 0" rpy="0 0 0"/></joint>
  <joint name="tilt" type="continuous"><parent link="coupler"/><child link="axis"/>
    <axis xyz="-0.6225146366376195 0 0.7826081568524139"/>
    <origin xyz="0.175 0 0.148" rpy="0 0 0"/></joint>
  <joint name="bucket" type="fixed"><parent link="axis"/><child link="bucket"/>
    <origin xyz="-0.175 0 -0.148" rpy="0 0 0"/></joint>
  <joint name="tip" type="fixed"><parent link="bucket"/><child link="tip"/>
    <origin xyz="0.90 0 0" rpy="0 0 0"/></joint>
  <joint name="left" type="fixed"><parent link="tip"/><child link="left"/>
    <origin xyz="0 0.75 0" rpy="0 0 0"/></joint>
  <joint name="right" type="fixed"><parent link="tip"/><child link="right"/>
    <origin xyz="0 -0.75 0" rpy="0 0 0"/></joint>
</robot>
"""
"""A machine that has every joint: swing at the foot, second boom, tilting bucket (axis at 128.5°)."""

TURNED = Chain(
    np.array([0.81, 0.03, 0.76]),
    np.array([2.30, 2.60, 2.10, 0.90]),
    ("boom", "second_boom", "stick", "bucket"),
    0.75,
    swing_pivot=(0.61, 0.05, 0.55),
    tilt_axis=TiltAxis(0.175, 0.148, math.radians(128.5)),
)


@pytest.fixture(scope="module")
def turned_urdf() -> UrdfTransformManager:
    manager = UrdfTransformManager()
    manager.load_urdf(TURNED_URDF)
    return manager


side = st.floats(-1.4, 1.4)


@settings(max_examples=60, deadline=None)
@given(st.tuples(st.floats(-0.3, 0.3), st.floats(-0.3, 0.3), angle, angle, angle, angle, side, side))
def test_swing_second_boom_and_tilt_agree_with_pytransform3d(
    turned_urdf: UrdfTransformManager, q: tuple[float, ...]
) -> None:
    """The upper hangs on the swing post that q speaks of by the swing turned back."""
    post, roll, *links, swing, tilt = q
    turned_urdf.set_joint("roll", roll)
    turned_urdf.set_joint("post", post)
    turned_urdf.set_joint("upper", -swing)
    turned_urdf.set_joint("swing", swing)
    turned_urdf.set_joint("tilt", tilt)
    joints = ("boom", "second", "stick", "coupler")
    for name, now, before in zip(joints, links, (post, *links[:-1]), strict=True):
        turned_urdf.set_joint(name, now - before)

    def frame(name: str) -> Floats:
        matrix: Floats = turned_urdf.get_transform(name, "ground")
        return matrix

    located = TURNED.locate(q)
    for pin, name in zip(located.pins, ("boom", "second", "stick", "coupler", "tip"), strict=True):
        np.testing.assert_allclose(pin, frame(name)[:3, 3], atol=1e-9)
    np.testing.assert_allclose(located.corners, [frame("left")[:3, 3], frame("right")[:3, 3]], atol=1e-9)
    up = frame("upper")[2, :3]
    leans = TURNED.upper(q)
    np.testing.assert_allclose(leans, (elevation_angle(up), roll_angle(up)), atol=1e-9)


@settings(max_examples=50, deadline=None)
@given(st.tuples(st.floats(-180, 180), st.floats(-90, 90), st.floats(-180, 180)))
def test_mount_angles_mean_what_a_urdf_origin_means(rpy_deg: tuple[float, float, float]) -> None:
    roll, pitch, yaw = (math.radians(a) for a in rpy_deg)
    manager = UrdfTransformManager()
    manager.load_urdf(
        '<robot name="m"><link name="body"/><link name="sensor"/><joint name="j" type="fixed">'
        f'<parent link="body"/><child link="sensor"/><origin xyz="0 0 0" rpy="{roll!r} {pitch!r} {yaw!r}"/>'
        "</joint></robot>"
    )
    sensor_to_body = manager.get_transform("sensor", "body")[:3, :3]
    np.testing.assert_allclose(rotation_from_rpy_deg(rpy_deg), sensor_to_body, atol=1e-9)
