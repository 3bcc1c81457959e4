"""Where each quantity stands in the chain filter's state vector.

N sensors in the order upper, boom, stick, bucket (or rocker), those that the machine has.

========== ======== ============================================================================
part       size     meaning
========== ======== ============================================================================
theta      N        rad, elevation angle of the sensor's body
roll       1        rad, of the arm plane
velocity   3N       m/s, what the sensor's accelerometer integrates to (plane axes)
base       3        m/s, velocity of the slew centre that the pivot does not explain (plane axes)
pivot      2        m, x and y from the slew centre of the point about which the machine rocks
turn       gyroless rad/s, θ̇ of a body whose sensor has no gyro
common     0 or 2   rad/s, roll rate and plane rate where no sensor has a gyro
lagged     lagging  rad, θ as an inclinometer with a time constant shows it
constants  19N      per sensor, in its body's axes: gyro bias (rad/s), gyro scale error, error of the
                    latency (s; by so much earlier than described a sample was taken), mount error (rad,
                    the small rotation from the described mount to the true one), accelerometer bias
                    (m/s²), accelerometer scale error, error of the position (m); one latency, three of
                    everything else
anchor     1        m, tip height at the reference moment
========== ======== ============================================================================

All before the constants change with time (`dynamic` of them).
"""

from __future__ import annotations

from dataclasses import dataclass

PER_SENSOR = 19
GYRO_BIAS, GYRO_SCALE, LATENCY = slice(0, 3), slice(3, 6), 6
MOUNT, ACCEL_BIAS, ACCEL_SCALE, LEVER = slice(7, 10), slice(10, 13), slice(13, 16), slice(16, 19)
"""Places within a sensor's constants."""
OF_GYRO, OF_ACCEL = slice(0, 10), slice(6, 16)
"""Those on which a gyro's, and an accelerometer's readings depend."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Places in the state vector; see the module's text."""

    theta: slice
    roll: int
    velocity: slice
    base: slice
    pivot: slice
    turn: slice
    common: slice
    lagged: slice
    dynamic: int
    constants: slice
    anchor: int
    size: int


def layout(sensors: int, gyroless: int, lagging: int) -> Layout:
    """The layout for so many sensors, of which so many have no gyro or an internal lag."""
    at = 0

    def take(width: int) -> slice:
        nonlocal at
        at += width
        return slice(at - width, at)

    theta, roll, velocity = take(sensors), take(1).start, take(3 * sensors)
    base, pivot = take(3), take(2)
    turn, common, lagged = take(gyroless), take(2 if gyroless == sensors else 0), take(lagging)
    dynamic = at
    constants, anchor = take(PER_SENSOR * sensors), take(1).start
    return Layout(theta, roll, velocity, base, pivot, turn, common, lagged, dynamic, constants, anchor, at)
