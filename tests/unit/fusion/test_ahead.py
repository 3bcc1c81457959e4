"""Poses between blocks: what the gyros add follows the motion, whatever it is."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from tipdatum.fusion.chain.prediction import BlockEnd, predict
from tipdatum.fusion.chain.samples import SampleBuffer
from tipdatum.kinematics.frames import Array

STEP_S = 0.01
PLAIN = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.0, 0.0, 0.0]]


def stretch(
    seconds: float, bodies: list[tuple[float, float]], slope: float, slew: tuple[float, float]
) -> tuple[BlockEnd, list[SampleBuffer], Array, float]:
    """A machine on a slope that slews, with bodies that turn; gyro rates are scipy's, from its attitudes.

    On a slope of `slope` rad the roll goes with the heading, and so do all angles θ: both follow from the
    attitude of the upper, which turns about its own axis.
    """
    t = np.arange(0.0, seconds + STEP_S / 2, STEP_S)
    fine = 1e-4
    start_rate, change = slew
    ground = Rotation.from_euler("X", slope)

    def turned(at: Array) -> Rotation:
        heading = 0.7 + start_rate * at + 0.5 * change * at * at
        return ground * Rotation.from_euler("Z", heading[:, None])

    samples = []
    angles = []
    ends: list[float] = []
    for theta, rate in bodies:

        def body(at: Array, theta: float = theta, rate: float = rate) -> Rotation:
            return turned(at) * Rotation.from_euler("Y", -(theta + rate * at)[:, None])

        rates = (body(t - fine).inv() * body(t + fine)).as_rotvec() / (2.0 * fine)
        s = SampleBuffer(0.3)
        for when, w in zip(t.tolist(), rates.tolist(), strict=True):
            s.add(when, (0.0, 0.0, 9.81), (w[0], w[1], w[2]))
        samples.append(s)
        ways = body(t[[0, -1]]).as_matrix()
        # Elevation of the body's x axis within the arm plane, roll of that plane: of R = Rz Rx(roll) Ry(-θ).
        roll = np.arcsin(ways[:, 2, 1])
        theta_of = np.arctan2(ways[:, 2, 0], ways[:, 2, 2])
        angles.append(theta_of[0])
        ends.append(theta_of[1])
        rolls = roll
    before = turned(np.array([-0.026, -0.024])).as_matrix()
    plane = np.diff(np.arctan2(before[:, 1, 0], before[:, 0, 0])) / 0.002
    lean = float(np.cos(rolls[0]))
    start = BlockEnd(
        0.0, [*map(float, angles), float(rolls[0])], [0.0, float(plane[0]) * lean, *([0.0] * len(bodies))],
        [[0.0, 0.0, 0.0] for _ in bodies], [PLAIN for _ in bodies],
        [0.0] * len(bodies),
    )  # fmt: skip
    return start, samples, np.array([*ends, rolls[1]]), float(t[-1])


RATES = st.floats(-0.8, 0.8)


@given(
    seconds=st.sampled_from([0.05, 0.1, 0.2]),
    bodies=st.lists(st.tuples(st.floats(-2.0, 1.0), RATES), min_size=1, max_size=4),
    slope=st.floats(-0.12, 0.12),
    slew=st.tuples(st.floats(-0.6, 0.6), st.floats(-1.0, 1.0)),
)
def test_angles_go_on_with_slew_and_bodies_turning_at_once(
    seconds: float, bodies: list[tuple[float, float]], slope: float, slew: tuple[float, float]
) -> None:
    # Source: scipy.spatial.transform.Rotation. A tenth of a milliradian is 1 mm at 10 m.
    start, samples, true, t = stretch(seconds, bodies, slope, slew)
    found = predict(start, samples, t)
    np.testing.assert_allclose(found.angles, true, atol=1e-4)
