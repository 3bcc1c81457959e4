"""A still machine of invented dimensions, and readings of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import pytest

from small_machine import DESCRIPTION
from tipdatum.machine.description import Machine, parse_machine
from tipdatum_drivers.reading import Imu

ANGLES_DEG = {"upper": 0.0, "boom": 20.0, "stick": -60.0, "bucket": -100.0}

Readings = Callable[..., Iterator[Imu]]


@pytest.fixture
def machine() -> Machine:
    return parse_machine(DESCRIPTION, "test")


@pytest.fixture
def readings() -> Readings:
    """`readings(start, stop, without=...)`: every body in turn at 100 Hz, with a little noise."""

    def make(start: float, stop: float, without: tuple[str, ...] = ()) -> Iterator[Imu]:
        for step in range(round(start * 100), round(stop * 100)):
            for place, (body, angle) in enumerate(ANGLES_DEG.items()):
                if body in without:
                    continue
                t = step / 100 + place * 0.002
                theta = math.radians(angle)
                # Readings of a live part never repeat to the last bit; these wobble by a few parts in 10⁴.
                wobble = 0.003 * math.sin(step * 1.7 + place)
                accel = (9.80665 * math.sin(theta) + wobble, wobble, 9.80665 * math.cos(theta) - wobble)
                yield Imu(t, body, accel, (wobble * 0.01, -wobble * 0.01, wobble * 0.01))

    return make
