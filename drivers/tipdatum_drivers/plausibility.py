"""Is what a sensor says believable? One monitor a sensor: readings in, believable readings and faults out.

What is judged, and what becomes of the reading:

==================== ==================================================================== =============
fault                when                                                                 reading
==================== ==================================================================== =============
time went back       `t` before that of the reading before                                dropped
sample time wrong    the device's stamp goes back or lies in the future                   used, unstamped
late                 the device's stamp is older than a reading may be                    dropped
out of range         more than the part can measure, or not finite                        dropped
jump                 an inclinometer's angle leaps faster than a machine can turn it      dropped
frozen               the same to the last bit for too long                                dropped
not 1 g              |accel| was not near 1 g once in a long time                         dropped
rate disagrees       the gyro does not fit the change of tilt (`rate_check`)              dropped
gyro saturated       a rate stands at one large value while all else moves                dropped
temperature          outside the part's range                                             used
wrong serial         the device that answers is not the one described                     dropped
==================== ==================================================================== =============

Each onset is counted once however long it lasts; each ends by itself as soon as the readings are good again,
a wrong serial when the right device is back or the new one has been accepted (`accept_serial`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Annotated, Literal, Protocol

from pydantic import Field

from tipdatum_drivers.arrivals import Arrivals
from tipdatum_drivers.options import Options
from tipdatum_drivers.rate_check import RateCheck
from tipdatum_drivers.reading import Fault, Identity, Imu, Reading, Tilt, Vector

STALE_S = 0.25
"""Silence after which a sensor's last reading is no longer current, unless its own period is long."""
STALE_PERIODS = 2.5
CLOCK_STEP_S = 0.5
"""A reading further back than this means that the clock was set, not that a reading was late."""
NEAR_G = 0.15
"""Part of g; wide enough for the worst scale and bias of cheap parts."""
AGREEMENT_BAD, AGREEMENT_GOOD = 0.3, 0.6
"""Agreement of gyro and tilt below which the gyro is not believed, and above which it is again."""
DROPPING = frozenset({"frozen", "not 1 g", "rate disagrees", "wrong serial"})
"""Lasting conditions under which readings are not used."""

State = Literal["ok", "waiting", "stale", "fault"]


class Limits(Options):
    """What is believable; the defaults fit the usual parts on an excavator, 15 g shocks included."""

    accel_g: Annotated[float, Field(gt=0, le=400)] = 33.0
    """Largest component, g: the widest range of the usual parts is 32 g."""
    gyro_degps: Annotated[float, Field(gt=0, le=10000)] = 4100.0
    """Largest component, °/s: the widest range of the usual parts is 4000 °/s."""
    temp_min_c: float = -40.0
    temp_max_c: float = 85.0
    frozen_s: Annotated[float, Field(gt=0)] = 1.0
    """An inertial sensor's noise never repeats for this long."""
    tilt_frozen_s: Annotated[float, Field(gt=0)] = 60.0
    """Inclinometers filter and round; used only where the smallest step seen is finer than 0.02°."""
    not_1_g_s: Annotated[float, Field(gt=0)] = 5.0
    """Longest time without one reading near 1 g; the hardest work passes it several times a second."""
    jump_degps: Annotated[float, Field(gt=0)] = 400.0
    """Faster than any part of an excavator turns."""


class Description(Protocol):
    """What a monitor reads of a sensor's description."""

    @property
    def serial(self) -> str | None: ...
    @property
    def stale_after_s(self) -> float | None: ...


@dataclass(frozen=True, slots=True)
class SensorHealth:
    """Health of one sensor at one moment. `age_s` counts from the last reading that could be used."""

    state: State
    text: str
    rate_hz: float | None
    jitter_s: float | None
    age_s: float | None
    faults: dict[str, int]
    last_fault: str | None


class SensorMonitor:
    """Plausibility and statistics of one sensor; all times are arguments.

    Args:
        name: the sensor's name in the machine description. description: its serial and stale limit.
        limits: what is believable. g: local gravity, m/s².
    """

    def __init__(
        self, name: str, description: Description, limits: Limits | None = None, g: float = 9.80665
    ) -> None:
        self.name = name
        self.faults: dict[str, int] = {}
        """Faults by kind since the start."""
        self.last_fault: str | None = None
        self._last_fault_t = -math.inf
        self.serial: str | None = None
        """What the device told last."""
        self._expected = description.serial
        self._stale_after = description.stale_after_s
        self._limits = limits or Limits()
        self._accel_limit = self._limits.accel_g * 9.80665
        self._gyro_limit = math.radians(self._limits.gyro_degps)
        self._near_low, self._near_high = ((1.0 + sign * NEAR_G) * g for sign in (-1, 1))
        self._arrivals = Arrivals()
        self._rate_check = RateCheck(g)
        self._conditions: dict[str, str] = {}
        self._new: list[Fault] = []
        self._used: float | None = None
        self._last: Reading | None = None
        self._sampled = -math.inf
        self._same_since = self._near_since = self._near_last = 0.0
        self._resolution = math.inf
        self._jumps = self._stuck = 0

    def check(self, reading: Reading) -> tuple[Reading | None, list[Fault]]:
        """Judge one reading: what of it may be used (None: nothing), and the faults that this one began."""
        self._new = []
        if isinstance(reading, Identity):
            self._identify(reading)
            return None, self._new
        before = self._last
        accepted: Reading | None = reading
        if before is not None and reading.t < before.t:
            if before.t - reading.t <= CLOCK_STEP_S:
                self._found(reading.t, "time went back", f"by {before.t - reading.t:.3f} s")
                return None, self._new
            before = self._last = None
            self._sampled = -math.inf
        dt = self._arrivals.add(reading.t) or 0.0
        if isinstance(reading, Imu):
            accepted = self._stamp(reading)
            if not self._imu(reading, before if isinstance(before, Imu) else None, dt):
                accepted = None
        elif isinstance(reading, Tilt):
            accepted = self._stamp(reading)
            if not self._tilt(reading, before if isinstance(before, Tilt) else None, dt):
                accepted = None
        if accepted is not None and self._conditions and not DROPPING.isdisjoint(self._conditions):
            accepted = None
        if accepted is not None:
            self._used = reading.t
        return accepted, self._new

    def count(self, fault: Fault) -> None:
        """Count a fault that a driver found in what this sensor sent."""
        self.faults[fault.kind] = self.faults.get(fault.kind, 0) + 1
        self.last_fault = f"{fault.kind}: {fault.text}" if fault.text else fault.kind
        self._last_fault_t = fault.t

    def accept_serial(self, serial: str) -> None:
        """Take the device with this serial from now on: it has been put to zero, and that is recorded."""
        self._expected = serial
        self._conditions.pop("wrong serial", None)

    def health(self, t: float) -> SensorHealth:
        """Health at time `t`, s."""
        age = None if self._used is None else max(0.0, t - self._used)
        arrived = self._arrivals.last
        limit = self.stale_after_s
        silent = arrived is None or t - arrived > limit
        state: State = "ok"
        text = ""
        if arrived is None:
            state, text = "waiting", "no reading yet" + (f" ({self.last_fault})" if self.last_fault else "")
        elif silent:
            state, text = "stale", f"no reading for more than {limit:.2g} s"
            if self._last_fault_t >= arrived:
                text += f" ({self.last_fault})"
        elif self._conditions:
            state, text = "fault", "; ".join(self._conditions.values())
        elif age is None or age > limit:
            state, text = "fault", f"readings come, but none can be used: {self.last_fault}"
        return SensorHealth(
            state,
            text,
            0.0 if silent and arrived is not None else self._arrivals.rate_hz,
            self._arrivals.jitter_s,
            age,
            dict(self.faults),
            self.last_fault,
        )

    @property
    def stale_after_s(self) -> float:
        """Age beyond which the last reading is not current, s."""
        if self._stale_after is not None:
            return self._stale_after
        return max(STALE_S, STALE_PERIODS * (self._arrivals.period_s or 0.0))

    # -- what is found -------------------------------------------------------------------------------

    def _found(self, t: float, kind: str, text: str) -> None:
        fault = Fault(t, self.name, kind, text)
        self.count(fault)
        self._new.append(fault)

    def _begin(self, t: float, kind: str, text: str) -> None:
        if kind not in self._conditions:
            self._found(t, kind, text)
            self._conditions[kind] = f"{kind}: {text}"

    def _end(self, kind: str) -> None:
        if self._conditions:
            self._conditions.pop(kind, None)

    def _identify(self, told: Identity) -> None:
        self.serial = told.serial
        if self._expected is None:
            # The first one is the one that was measured in; a change while running is a swap.
            self._expected = told.serial
        if told.serial == self._expected:
            self._end("wrong serial")
            return
        text = f'"{told.serial}" answers, described is "{self._expected}"; re-zero it'
        if self._conditions.get("wrong serial") != f"wrong serial: {text}":
            self._end("wrong serial")
            self._begin(told.t, "wrong serial", text)

    def _stamp(self, reading: Imu | Tilt) -> Imu | Tilt | None:
        """The reading with a stamp that can be used, without it, or None when it is too old."""
        stamp, t = reading.t_sample, reading.t
        if stamp is None:
            return reading
        if stamp > t + 0.01 or (stamp <= self._sampled and self._sampled - stamp <= CLOCK_STEP_S):
            self._found(t, "sample time wrong", f"{stamp:.3f} s, received at {t:.3f} s")
            return replace(reading, t_sample=None)
        self._sampled = stamp
        if t - stamp > self.stale_after_s:
            self._found(t, "late", f"{t - stamp:.2f} s old when it came")
            return None
        return reading

    def _warmth(self, reading: Imu | Tilt) -> None:
        low, high = self._limits.temp_min_c, self._limits.temp_max_c
        if reading.temp_c is not None and not low <= reading.temp_c <= high:
            self._begin(
                reading.t, "temperature", f"{reading.temp_c:.0f} °C is outside {low:g} to {high:g} °C"
            )
        else:
            self._end("temperature")

    # -- inertial sensors ----------------------------------------------------------------------------

    def _imu(self, reading: Imu, before: Imu | None, dt: float) -> bool:
        """Whether this reading is believable by itself and beside the one before."""
        t, accel, gyro = reading.t, reading.accel_mps2, reading.gyro_radps
        x, y, z = accel
        limit = self._accel_limit
        if not (-limit <= x <= limit and -limit <= y <= limit and -limit <= z <= limit):
            self._found(t, "out of range", f"accel {_shown(accel)} m/s²")
            return False
        if gyro is not None:
            top = self._gyro_limit
            if not (-top <= gyro[0] <= top and -top <= gyro[1] <= top and -top <= gyro[2] <= top):
                self._found(t, "out of range", f"gyro {_shown(gyro)} rad/s")
                return False
        self._last = reading
        if before is None:
            self._same_since = self._near_last = t
            self._near_since = math.inf
            return True
        self._gravity(t, math.sqrt(x * x + y * y + z * z))
        if reading.temp_c is not None or self._conditions:
            self._warmth(reading)
        if accel == before.accel_mps2 and gyro == before.gyro_radps:
            if t - self._same_since > self._limits.frozen_s:
                self._begin(t, "frozen", f"the same reading for more than {self._limits.frozen_s:g} s")
            return True
        self._same_since = t
        self._end("frozen")
        if gyro is None or before.gyro_radps is None:
            return True
        self._rate_check.add(dt, accel, gyro)
        agreement = self._rate_check.agreement
        if agreement is not None:
            if agreement < AGREEMENT_BAD:
                self._begin(
                    t, "rate disagrees", "the gyro does not fit the change of tilt: axes, sign, unit?"
                )
            elif agreement > AGREEMENT_GOOD:
                self._end("rate disagrees")
        return not self._saturated(t, gyro, before.gyro_radps)

    def _gravity(self, t: float, force: float) -> None:
        if self._near_low < force < self._near_high:
            if self._near_since > t:
                self._near_since = t
            self._near_last = t
            if t - self._near_since >= 0.5:
                self._end("not 1 g")
            return
        self._near_since = math.inf
        if t - self._near_last > self._limits.not_1_g_s:
            hint = " (is it in g?)" if 0.85 < force < 1.15 else ""
            self._begin(t, "not 1 g", f"|accel| is {force:.2f} m/s²{hint}, at rest it should be 9.81")

    def _saturated(self, t: float, gyro: Vector, before: Vector) -> bool:
        # Noise keeps a live rate from repeating to the last bit; a clipped one repeats. 1.5 rad/s is below
        # the smallest full scale of the usual parts (125 °/s) and above what a steady turn repeats.
        same = any(abs(now) > 1.5 and now == was for now, was in zip(gyro, before, strict=True))
        self._stuck = self._stuck + 1 if same else 0
        if self._stuck >= 2:
            self._begin(t, "gyro saturated", f"{_shown(gyro)} rad/s")
            return True
        self._end("gyro saturated")
        return False

    # -- inclinometers -------------------------------------------------------------------------------

    def _tilt(self, reading: Tilt, before: Tilt | None, dt: float) -> bool:
        t, now = reading.t, _angles(reading)
        if not all(-360.0 <= angle <= 360.0 for angle in now):
            self._found(t, "out of range", f"{_shown(now)} degrees")
            return False
        if before is None or len(was := _angles(before)) != len(now):
            self._last, self._same_since = reading, t
            return True
        self._warmth(reading)
        step = max(abs((a - b + 180.0) % 360.0 - 180.0) for a, b in zip(now, was, strict=True))
        if step > self._limits.jump_degps * max(dt, 0.02) and self._jumps < 3:
            self._jumps += 1
            self._found(t, "jump", f"by {step:.1f}° in {dt:.3f} s")
            return False
        self._jumps = 0
        self._last = reading
        if step > 0.0:
            self._resolution = min(self._resolution, step)
            self._same_since = t
            self._end("frozen")
        elif t - self._same_since > self._limits.tilt_frozen_s and self._resolution < 0.02:
            self._begin(t, "frozen", f"the same reading for more than {self._limits.tilt_frozen_s:g} s")
        return True


def _angles(reading: Tilt) -> tuple[float, ...]:
    return tuple(
        angle for angle in (reading.angle_deg, reading.pitch_deg, reading.roll_deg) if angle is not None
    )


def _shown(values: tuple[float, ...]) -> str:
    return "(" + ", ".join(f"{value:.4g}" for value in values) + ")"
