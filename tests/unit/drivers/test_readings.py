"""Readings of several ports in one order."""

from __future__ import annotations

from tipdatum_drivers.reading import Imu, Input, Tilt, handed_over


def test_reading_that_was_overtaken_keeps_its_own_time_as_that_of_the_sample() -> None:
    imu = Imu(1.0, "boom", (0.0, 0.0, 9.8))
    assert handed_over(imu, 1.002) == Imu(1.002, "boom", (0.0, 0.0, 9.8), t_sample=1.0)
    stamped = Tilt(1.0, "boom", angle_deg=3.0, t_sample=0.99)
    assert handed_over(stamped, 1.002) == Tilt(1.002, "boom", angle_deg=3.0, t_sample=0.99)
    assert handed_over(Input(1.0, "travel", True), 1.1) == Input(1.1, "travel", True, 1.0)
