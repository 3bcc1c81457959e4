"""Faults put into recorded readings, for unit tests and for `tests/benchmarks/fault_campaign.py`.

Each takes records in order of arrival and gives them back with one sensor (or the whole line) spoilt between
two moments. Seeded, so a case is the same every time. The magnitudes are those of common parts: 16-bit words
over ±2000 °/s and ±8 g (data sheets of low-cost inertial sensors, from memory).
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TypeAlias

import numpy as np
from msgspec.structs import replace
from scipy.spatial.transform import Rotation

from tipdatum_drivers.reading import Imu, Record, Vector

GYRO_FULL_RADPS = math.radians(2000.0)
ACCEL_FULL_MPS2 = 8.0 * 9.80665
WORD = 1 << 15

Records: TypeAlias = list[Record]
OfOne: TypeAlias = Callable[[Imu], Imu | None]


@dataclass(frozen=True)
class Case:
    """Where a fault is put: whose readings, from when to when (s), who sits next on the arm, chance."""

    sensor: str
    start: float
    end: float
    neighbour: str
    rng: random.Random

    def holds(self, record: Record) -> bool:
        """Whether a record is the sensor's, within the time of the fault."""
        return isinstance(record, Imu) and record.sensor == self.sensor and self.start <= record.t < self.end


@dataclass(frozen=True)
class Fault:
    """One kind of fault.

    Attributes:
        name: as a person would say it.
        spoil: records and case in, spoilt records out.
        seconds: how long it lasts, s; 0: one reading.
        undetectable: why no sensor can show it, or "" where one can.
        harmless: whether it leaves the readings as good as they were, so that naming is no duty.
    """

    name: str
    spoil: Callable[[Records, Case], Records]
    seconds: float = 10.0
    undetectable: str = ""
    harmless: bool = False


# -- building blocks ---------------------------------------------------------------------------------------


def each(change: Callable[[Case], OfOne]) -> Callable[[Records, Case], Records]:
    """A fault of every reading for itself; None loses a reading."""

    def spoil(records: Records, case: Case) -> Records:
        of_one = change(case)
        out: Records = []
        for record in records:
            if isinstance(record, Imu) and case.holds(record):
                changed = of_one(record)
                if changed is not None:
                    out.append(changed)
            else:
                out.append(record)
        return out

    return spoil


def once(change: Callable[[Imu, Case], Imu]) -> Callable[[Records, Case], Records]:
    """A fault of the first reading from the start on."""

    def spoil(records: Records, case: Case) -> Records:
        out, done = [], False
        for record in records:
            if not done and isinstance(record, Imu) and case.holds(record):
                record, done = change(record, case), True
            out.append(record)
        return out

    return spoil


def with_axis(vector: Vector, axis: int, value: float) -> Vector:
    """A vector with one component replaced."""
    x, y, z = (value if i == axis else v for i, v in enumerate(vector))
    return (x, y, z)


def _triple(values: Sequence[float]) -> Vector:
    x, y, z = values
    return (float(x), float(y), float(z))


def _gyro(reading: Imu) -> Vector:
    return reading.gyro_radps or (0.0, 0.0, 0.0)


def _by_rates(change: Callable[[Vector], Vector]) -> Callable[[Records, Case], Records]:
    return each(lambda case: lambda r: replace(r, gyro_radps=change(_gyro(r))))


def _by_forces(change: Callable[[Vector], Vector]) -> Callable[[Records, Case], Records]:
    return each(lambda case: lambda r: replace(r, accel_mps2=change(r.accel_mps2)))


# -- one reading -------------------------------------------------------------------------------------------


def gyro_spike(axis: int, rate: float) -> Callable[[Records, Case], Records]:
    """One rate that is off by `rate`, rad/s."""
    return once(
        lambda r, case: replace(
            r, gyro_radps=with_axis(_gyro(r), axis, _gyro(r)[axis] + case.rng.choice((-rate, rate)))
        )
    )


def accel_spike(axis: int, force: float) -> Callable[[Records, Case], Records]:
    """One force that is off by `force`, m/s²."""
    return once(
        lambda r, case: replace(
            r, accel_mps2=with_axis(r.accel_mps2, axis, r.accel_mps2[axis] + case.rng.choice((-force, force)))
        )
    )


def flipped_bit(value: float, full: float, bit: int) -> float:
    """`value` as a two's-complement word over ±`full` with one bit turned."""
    word = max(-WORD, min(WORD - 1, round(value / full * WORD))) & 0xFFFF
    word ^= 1 << bit
    return (word - 0x10000 if word & 0x8000 else word) * full / WORD


def _bit(reading: Imu, case: Case, bit: int) -> Imu:
    axis = case.rng.randrange(6)
    if axis < 3:
        value = flipped_bit(reading.accel_mps2[axis], ACCEL_FULL_MPS2, bit)
        return replace(reading, accel_mps2=with_axis(reading.accel_mps2, axis, value))
    rates = _gyro(reading)
    value = flipped_bit(rates[axis - 3], GYRO_FULL_RADPS, bit)
    return replace(reading, gyro_radps=with_axis(rates, axis - 3, value))


def all_words(share: float) -> Callable[[Imu, Case], Imu]:
    """Every word at this share of full scale: -1 is 0x8000."""
    a, w = share * ACCEL_FULL_MPS2, share * GYRO_FULL_RADPS
    return lambda r, case: replace(r, accel_mps2=(a, a, a), gyro_radps=(w, w, w))


# -- rubbish -----------------------------------------------------------------------------------------------


def rubbish(share: float) -> Callable[[Records, Case], Records]:
    """This share of the readings are random words."""

    def change(case: Case) -> OfOne:
        def one(r: Imu) -> Imu:
            if case.rng.random() >= share:
                return r
            a = [case.rng.uniform(-ACCEL_FULL_MPS2, ACCEL_FULL_MPS2) for _ in range(3)]
            w = [case.rng.uniform(-GYRO_FULL_RADPS, GYRO_FULL_RADPS) for _ in range(3)]
            return replace(r, accel_mps2=_triple(a), gyro_radps=_triple(w))

        return one

    return each(change)


# -- wrong for as long as it lasts -------------------------------------------------------------------------


def _of_axis(axis: int, factor: float) -> Callable[[Records, Case], Records]:
    return _by_rates(lambda w: with_axis(w, axis, factor * w[axis]))


def _scaled(factor: float) -> Callable[[Vector], Vector]:
    return lambda v: (factor * v[0], factor * v[1], factor * v[2])


def turned(rpy_deg: Callable[[float, random.Random], Sequence[float]]) -> Callable[[Records, Case], Records]:
    """The part turned on its bracket by angles that may change with the time since the start.

    The gyro tells the turning itself where it is slow enough to be told by differences.
    """

    def change(case: Case) -> OfOne:
        seed = case.rng.random()

        def at(t: float) -> Rotation:
            return Rotation.from_euler("xyz", rpy_deg(t - case.start, random.Random(seed)), degrees=True)

        def one(r: Imu) -> Imu:
            now = at(r.t)
            own = (now.inv() * at(r.t + 0.005)).as_rotvec() / 0.005
            force, rate = now.inv().apply(np.array([r.accel_mps2, _gyro(r)]))
            return replace(r, accel_mps2=_triple(force), gyro_radps=_triple(rate + own))

        return one

    return each(change)


def _knock(degrees: float) -> Callable[[float, random.Random], Sequence[float]]:
    def angles(since: float, rng: random.Random) -> Sequence[float]:
        way = Rotation.random(random_state=rng.randrange(1 << 30)).as_rotvec()
        way /= np.linalg.norm(way)
        # A blow turns the part within a twentieth of a second.
        share = min(1.0, since / 0.05)
        turn = Rotation.from_rotvec(way * math.radians(degrees) * share)
        return [float(angle) for angle in turn.as_euler("xyz", degrees=True)]

    return angles


def _wobble(since: float, rng: random.Random) -> Sequence[float]:
    return (1.0 * math.sin(14.0 * since), 2.0 * math.sin(19.0 * since), 0.5 * math.sin(9.0 * since))


def _dangles(since: float, rng: random.Random) -> Sequence[float]:
    """Fallen off: hangs by its cable, turning slowly."""
    return (
        70.0 * math.sin(2.0 * since + 0.5) - 70.0 * math.sin(0.5),
        60.0 * math.sin(2.7 * since),
        40.0 * since,
    )


def swapped(records: Records, case: Case) -> Records:
    """Two sensors answer with each other's name."""
    other = {case.sensor: case.neighbour, case.neighbour: case.sensor}
    return [
        replace(r, sensor=other[r.sensor])
        if isinstance(r, Imu) and case.start <= r.t < case.end and r.sensor in other
        else r
        for r in records
    ]


def frozen(noise: float) -> Callable[[Records, Case], Records]:
    """Its last value again and again, with this share of a low-cost part's noise."""

    def change(case: Case) -> OfOne:
        held: list[Imu] = []

        def one(r: Imu) -> Imu:
            if not held:
                held.append(r)
            a = [v + case.rng.gauss(0.0, 0.02 * noise) for v in held[0].accel_mps2]
            w = [v + case.rng.gauss(0.0, 0.001 * noise) for v in _gyro(held[0])]
            if not noise:
                a, w = list(held[0].accel_mps2), list(_gyro(held[0]))
            return replace(r, accel_mps2=_triple(a), gyro_radps=_triple(w))

        return one

    return each(change)


def constant(value: float) -> Callable[[Records, Case], Records]:
    """Every word the same, for ever."""
    return each(lambda case: lambda r: replace(r, accel_mps2=(value,) * 3, gyro_radps=(value,) * 3))


# -- lost, late, twice -------------------------------------------------------------------------------------


def silence(records: Records, case: Case) -> Records:
    """Nothing comes from the sensor."""
    return [r for r in records if not case.holds(r)]


def silence_of_all(records: Records, case: Case) -> Records:
    """Nothing comes from anybody."""
    return [r for r in records if not (isinstance(r, Imu) and case.start <= r.t < case.end)]


def on_and_off(records: Records, case: Case) -> Records:
    """Silent 0.4 s, speaking 0.6 s, and so on."""
    return [r for r in records if not (case.holds(r) and (r.t - case.start) % 1.0 < 0.4)]


def late_bursts(stamped: bool, every_s: float, everybody: bool) -> Callable[[Records, Case], Records]:
    """What was measured within `every_s` comes together at its end, with the device's stamp or without."""

    def spoil(records: Records, case: Case) -> Records:
        out: list[Record] = []
        for r in records:
            if (everybody and isinstance(r, Imu) and case.start <= r.t < case.end) or case.holds(r):
                assert isinstance(r, Imu)
                number = math.floor((r.t - case.start) / every_s) + 1
                stamp = (r.t if r.t_sample is None else r.t_sample) if stamped else None
                r = replace(r, t=max(r.t, case.start + number * every_s), t_sample=stamp)
            out.append(r)
        return sorted(out, key=lambda r: r.t)

    return spoil


def repeated(records: Records, case: Case) -> Records:
    """Every fifth reading comes twice."""
    out: Records = []
    for i, r in enumerate(records):
        out.append(r)
        if case.holds(r) and i % 5 == 0:
            out.append(r)
    return out


def reordered(records: Records, case: Case) -> Records:
    """One reading in ten changes its place with the next of its sensor; their times of arrival stay."""
    out = list(records)
    places = [i for i, r in enumerate(out) if case.holds(r)]
    for a, b in zip(places[::10], places[1::10], strict=False):
        one, two = out[a], out[b]
        assert isinstance(one, Imu)
        assert isinstance(two, Imu)
        out[a], out[b] = replace(two, t=one.t), replace(one, t=two.t)
    return out


def _drift(case: Case) -> OfOne:
    return lambda r: replace(
        r, t_sample=(r.t if r.t_sample is None else r.t_sample) - 5e-4 * (r.t - case.start)
    )


def _stamp_off(seconds: float) -> Callable[[Records, Case], Records]:
    return once(lambda r, case: replace(r, t_sample=r.t + seconds))


def _thinned(case: Case, each_of: int) -> OfOne:
    """One reading of so many comes."""
    count = [0]

    def one(r: Imu) -> Imu | None:
        count[0] += 1
        return r if count[0] % each_of == 0 else None

    return one


AT_REST = "a gyro that is wrong shows only while its body turns about the axis"
NAMES = "xyz"

SINGLE: tuple[Fault, ...] = (
    *(Fault(f"one rate {rate:g} rad/s off, {NAMES[k]}", gyro_spike(k, rate), 0.0)
      for rate in (1.5, 3.0, 10.0, 30.0) for k in range(3)),
    *(Fault(f"one force 50 m/s² off, {NAMES[k]}", accel_spike(k, 50.0), 0.0) for k in range(3)),
    *(Fault(f"one word with bit {bit} turned", once(partial(_bit, bit=bit)), 0.0)
      for bit in range(16)),
    Fault("one reading of words 0x8000", once(all_words(-1.0)), 0.0),
    Fault("one reading of words 0x7FFF", once(all_words(1.0 - 1.0 / WORD)), 0.0),
    Fault("one reading of zeros", once(all_words(0.0)), 0.0),
)  # fmt: skip
"""One bad reading."""

RUBBISH: tuple[Fault, ...] = (
    Fault("2 % rubbish", rubbish(0.02)),
    Fault("30 % rubbish", rubbish(0.3)),
)

WRONG: tuple[Fault, ...] = (
    *(Fault(f"gyro dead about {NAMES[k]}", _of_axis(k, 0.0), undetectable=AT_REST) for k in range(3)),
    *(Fault(f"gyro turned round about {NAMES[k]}", _of_axis(k, -1.0), undetectable=AT_REST)
      for k in range(3)),
    Fault("gyro axes exchanged, x and y", _by_rates(lambda w: (w[1], w[0], w[2])), undetectable=AT_REST),
    Fault("gyro axes exchanged, y and z", _by_rates(lambda w: (w[0], w[2], w[1])), undetectable=AT_REST),
    Fault("gyro in degrees", _by_rates(_scaled(math.degrees(1.0)))),
    Fault("gyro in radians taken for degrees", _by_rates(_scaled(math.radians(1.0))), undetectable=AT_REST),
    Fault("gyro range twice", _by_rates(_scaled(2.0)), undetectable=AT_REST),
    Fault("gyro range half", _by_rates(_scaled(0.5)), undetectable=AT_REST),
    Fault("accelerometer range twice", _by_forces(_scaled(2.0))),
    Fault("accelerometer range half", _by_forces(_scaled(0.5))),
    Fault("sensors swapped", swapped),
    Fault("knocked by 5°", turned(_knock(5.0)), undetectable=(
        "an accelerometer knocked along with its gyro at rest shows a turn of the body; motion shows it")),
    Fault("knocked by 90°", turned(_knock(90.0))),
    Fault("fallen off, hanging by its cable", turned(_dangles)),
    Fault("mount that wobbles by 2°", turned(_wobble)),
    Fault("frozen at its last value", frozen(0.0)),
    Fault("frozen at its last value, with noise", frozen(1.0), undetectable=AT_REST),
    Fault("all words 0", constant(0.0)),
)  # fmt: skip
"""A sensor that is wrong for as long as the fault lasts."""

TIMES: tuple[Fault, ...] = (
    Fault("silent", silence, 3.0),
    Fault("silent, all", silence_of_all, 3.0),
    Fault("silent on and off", on_and_off),
    Fault("late bursts of 0.3 s, stamped, all", late_bursts(True, 0.3, True)),
    Fault("bursts of 0.1 s without stamps", late_bursts(False, 0.1, False)),
    Fault("readings twice", repeated, harmless=True),
    Fault("readings in the wrong order", reordered, undetectable="without stamps nothing tells the order"),
    Fault("a stamp 1000 s ahead", _stamp_off(1000.0), 0.0),
    Fault("a stamp 1000 s behind", _stamp_off(-1000.0), 0.0),
    Fault("rate halved", each(partial(_thinned, each_of=2)), harmless=True),
    Fault("rate a tenth", each(partial(_thinned, each_of=10)), harmless=True),
    Fault("rate a hundredth", each(partial(_thinned, each_of=100)), harmless=True),
    Fault("clock 500 ppm slow", each(_drift), harmless=True),
)  # fmt: skip
"""Readings that are right, and lost, late or twice."""

FAULTS: tuple[Fault, ...] = (*SINGLE, *RUBBISH, *WRONG, *TIMES)
