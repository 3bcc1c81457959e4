"""Telling rest from motion while it happens: half-second blocks in, rests and swings out.

Blocks come from samples (a recording, also one that is still growing) or ready-made from the bus. An
engine that runs shakes every sample but hardly moves the mean of half a second, so rest is judged by means.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from tipdatum.calibration.observations import SensorRest, SensorSwing
from tipdatum.calibration.recordings import force_of, swing_axis
from tipdatum.kinematics.frames import Array
from tipdatum_drivers.reading import Imu, Record, Slew, Tilt

BLOCK_S = 0.5

HOLD_S = 4.0
"""Rest that makes an observation, s."""

SHAKEN_MPS2 = 0.05
"""Largest distance of a half second's mean from the rest's; a running engine makes 0.03."""

TURNING_RADPS = 0.004
"""Largest distance of a half second's mean rate from the rest's: 0.2 °/s."""

CREEP_MPS2 = 0.022
"""Largest change of the mean from the first to the second half of a rest: 0.13° of turn."""

FLOOR_MPS2 = 0.001


class Block(BaseModel):
    """Means of one sensor over about half a second, its own axes; as JSON on the topic `raw/<sensor>`."""

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False)

    sensor: str
    t0: float
    t1: float
    n: int = Field(gt=0)
    accel_mps2: tuple[float, float, float]
    spread_mps2: tuple[float, float, float] = (0.0, 0.0, 0.0)
    gyro_radps: tuple[float, float, float] | None = None


class AngleBlock(BaseModel):
    """Mean of what a sensor of one angle told over about half a second; as JSON on `angle/<sensor>`."""

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False)

    sensor: str
    t0: float
    t1: float
    n: int = Field(gt=0)
    angle_deg: float


AnyBlock: TypeAlias = Block | AngleBlock


def blocks(records: Iterable[Record], length_s: float = BLOCK_S) -> Iterator[AnyBlock]:
    """Samples gathered into blocks, in order of their ends; a last block that is not full is left out."""
    open_: dict[str, list[Imu]] = {}
    told: dict[str, list[Slew]] = {}
    for r in records:
        if isinstance(r, Slew):
            turned = told.setdefault(r.sensor, [])
            if turned and r.t - turned[0].t >= length_s:
                yield _angle_block(turned)
                turned.clear()
            turned.append(r)
            continue
        if isinstance(r, Tilt):
            r = Imu(r.t, r.sensor, force_of(r))
        if not isinstance(r, Imu):
            continue
        kept = open_.setdefault(r.sensor, [])
        if kept and r.t - kept[0].t >= length_s:
            yield _block(kept)
            kept.clear()
        kept.append(r)


def _angle_block(kept: list[Slew]) -> AngleBlock:
    first = kept[0]
    turned = [math.remainder(k.angle_deg - first.angle_deg, 360.0) for k in kept]
    return AngleBlock(
        sensor=first.sensor, t0=first.t, t1=kept[-1].t, n=len(kept),
        angle_deg=first.angle_deg + sum(turned) / len(kept),
    )  # fmt: skip


def _block(kept: list[Imu]) -> Block:
    accel = np.array([k.accel_mps2 for k in kept])
    gyros = [k.gyro_radps for k in kept if k.gyro_radps is not None]
    gyro = np.mean(gyros, axis=0) if len(gyros) == len(kept) else None
    return Block(
        sensor=kept[0].sensor,
        t0=kept[0].t,
        t1=kept[-1].t,
        n=len(kept),
        accel_mps2=_three(accel.mean(axis=0)),
        spread_mps2=_three(accel.std(axis=0)),
        gyro_radps=None if gyro is None else _three(gyro),
    )


@dataclass(frozen=True, slots=True)
class Stillness:
    """How the machine stands.

    Attributes:
        still_s: for how long all sensors have been at rest, at most `HOLD_S`. waiting: sensors not heard of.
        spread_mps2, drift_deg: sensor → scatter of single samples, and turn since the rest began.
    """

    still_s: float
    waiting: tuple[str, ...]
    spread_mps2: dict[str, float] = field(default_factory=dict)
    drift_deg: dict[str, float] = field(default_factory=dict)

    @property
    def ready(self) -> bool:
        """Long enough at rest, every sensor heard."""
        return self.still_s >= HOLD_S - BLOCK_S and not self.waiting


class StillWatch:
    """Keeps the last seconds of some sensors and judges them."""

    def __init__(self, sensors: Iterable[str]) -> None:
        self.sensors = tuple(sensors)
        self._kept: dict[str, deque[Block]] = {s: deque() for s in self.sensors}
        self._told: dict[str, deque[AngleBlock]] = {}

    def feed(self, block: AnyBlock) -> None:
        """Take one block; sensors of motion that are not watched are ignored."""
        if isinstance(block, AngleBlock):
            told = self._told.setdefault(block.sensor, deque(maxlen=4 * math.ceil(HOLD_S / BLOCK_S)))
            if told and block.t0 < told[-1].t0:
                told.clear()
            told.append(block)
            return
        kept = self._kept.get(block.sensor)
        if kept is None:
            return
        if kept and block.t0 < kept[-1].t0:
            kept.clear()
        kept.append(block)
        while kept and block.t1 - kept[0].t0 > HOLD_S + 0.75 * BLOCK_S:
            kept.popleft()

    def judge(self) -> Stillness:
        """Present state, from what has been fed."""
        waiting = tuple(s for s, kept in self._kept.items() if not kept)
        lengths, spread, drift = [], {}, {}
        for sensor, kept in self._kept.items():
            if not kept:
                continue
            run = self._run(kept)
            length = run[-1].t1 - run[0].t0 if len(run) > 1 else 0.0
            lengths.append(length / 2.0 if _creeps(run) else length)
            spread[sensor] = float(np.sqrt(np.mean([np.square(b.spread_mps2) for b in run])))
            drift[sensor] = _drift_deg(run)
        return Stillness(min(lengths, default=0.0) if not waiting else 0.0, waiting, spread, drift)

    def span(self) -> tuple[float, float]:
        """Start and end of the present rest, s."""
        runs = [self._run(kept) for kept in self._kept.values() if kept]
        return max(run[0].t0 for run in runs), max(run[-1].t1 for run in runs)

    def rest(self) -> dict[str, SensorRest]:
        """Averages over the present rest, by sensor."""
        found = {}
        for sensor, kept in self._kept.items():
            run = self._run(kept)
            weights = np.array([b.n for b in run], dtype=float)
            accel = np.array([b.accel_mps2 for b in run])
            mean = weights @ accel / weights.sum()
            k = np.arange(len(run)) - (len(run) - 1) / 2.0
            line = np.outer(k, k @ accel / max(float(k @ k), 1e-9))
            scatter = (accel - mean - line).std(axis=0) / math.sqrt(max(len(run), 1))
            gyros = [b.gyro_radps for b in run if b.gyro_radps is not None]
            found[sensor] = SensorRest(
                accel_mps2=_three(mean),
                sigma_mps2=_three(np.hypot(scatter, FLOOR_MPS2)),
                gyro_radps=_three(np.mean(gyros, axis=0)) if gyros else None,
                samples=int(weights.sum()),
                drift_deg=round(_drift_deg(run), 4),
            )
        return found

    def told_deg(self) -> dict[str, float]:
        """What sensors of one angle told over the present rest, degrees; of those that spoke in it alone."""
        start, end = self.span()
        found = {}
        for sensor, kept in self._told.items():
            within = [b for b in kept if b.t0 >= start and b.t1 <= end + BLOCK_S]
            if within:
                first = within[0].angle_deg
                turned = [b.n * math.remainder(b.angle_deg - first, 360.0) for b in within]
                found[sensor] = round(first + sum(turned) / sum(b.n for b in within), 4)
        return found

    @staticmethod
    def _run(kept: deque[Block]) -> list[Block]:
        """The newest blocks that agree with each other."""
        run: list[Block] = []
        for block in reversed(kept):
            if _scattered([b.accel_mps2 for b in (*run, block)], SHAKEN_MPS2):
                break
            gyros = [b.gyro_radps for b in (*run, block) if b.gyro_radps is not None]
            if len(gyros) > 1 and _scattered(gyros, TURNING_RADPS):
                break
            run.append(block)
        return run[::-1]


def swing_of(kept: Iterable[Block], bias: dict[str, Array]) -> dict[str, SensorSwing]:
    """Axis of each gyro over the blocks of one swing; sensors without a known bias or turn are left out."""
    by_sensor: dict[str, list[Block]] = {}
    for block in kept:
        if block.gyro_radps is not None:
            by_sensor.setdefault(block.sensor, []).append(block)
    found = {}
    for sensor, run in by_sensor.items():
        if sensor not in bias or len(run) < 4:
            continue
        rates = np.array([b.gyro_radps for b in run]) - bias[sensor]
        seen = swing_axis(rates, np.array([(b.t1 - b.t0) * b.n / max(b.n - 1, 1) for b in run]))
        if seen is not None:
            found[sensor] = SensorSwing(
                axis=_three(seen.axis),
                turned_rad=round(seen.turned_rad, 4),
                linearity=round(seen.linearity, 4),
            )
    return found


def _scattered(values: Sequence[tuple[float, float, float]], limit: float) -> bool:
    a = np.array(values)
    return float(np.abs(a - a.mean(axis=0)).max()) > limit


def _creeps(run: Sequence[Block]) -> bool:
    """Whether the two halves of a rest differ; one too short to say does not."""
    if len(run) < 6:
        return False
    means = np.array([b.accel_mps2 for b in run])
    half = len(run) // 2
    return float(np.abs(means[:half].mean(axis=0) - means[half:].mean(axis=0)).max()) > CREEP_MPS2


def _drift_deg(run: Sequence[Block]) -> float:
    """Turn of the measured vertical from the first to the second half of a rest, degrees."""
    half = len(run) // 2
    if half == 0:
        return 0.0
    means = np.array([b.accel_mps2 for b in run])
    a, b = means[:half].mean(axis=0), means[half:].mean(axis=0)
    cosine = float(a @ b) / (float(np.linalg.norm(a) * np.linalg.norm(b)) + 1e-12)
    return math.degrees(math.acos(min(1.0, cosine)))


def _three(a: Array) -> tuple[float, float, float]:
    return round(float(a[0]), 6), round(float(a[1]), 6), round(float(a[2]), 6)
