"""What one part's readings must look like: an inertial sensor's and an inclinometer's checks."""

from __future__ import annotations

import math
from typing import Final

from tipdatum_drivers.findings import Findings
from tipdatum_drivers.part_limits import PartLimits
from tipdatum_drivers.rate_check import RateCheck
from tipdatum_drivers.reading import Imu, Tilt, Vector

NEAR_G: Final = 0.15
"""Part of g; wide enough for the worst scale and bias of cheap parts."""
AGREEMENT_BAD, AGREEMENT_GOOD = 0.3, 0.6
"""Agreement of gyro and tilt below which the gyro is not believed, and above which it is again."""
FRESH_START_S: Final = 1.0
"""After a longer silence a reading is not held against the one before."""
FASTEST_STEADY_RADPS: Final = 1.5
"""A clipped gyro repeats to the last bit, noise keeps a live one from it. 1.5 rad/s is below the smallest
full scale of the usual parts (125 °/s) and above what a steady turn of an excavator repeats."""
FINE_DEG: Final = 0.02
"""An inclinometer that has shown a finer step than this shows noise when it is alive."""


FASTEST_DEGPS = {"upper": 250.0, "boom": 250.0, "second_boom": 250.0, "stick": 300.0}
ELSE_DEGPS: Final = 400.0
"""Rates that no body of an excavator reaches, °/s. Uppers slew at up to 15 turns a minute, 90 °/s (common
practice, no source); in 36 recorded and simulated digs upper, boom and stick stay below 90, and the bucket
of a hurried 1.8 t machine reaches 112. Ringing and shocks have the rest."""


CLIPPED_KEEPS: Final = 0.998
"""How much of the share of clipped readings stays from one to the next: five seconds at 100 Hz."""


class ImuChecks:
    """Range, frozen values, |accel| near 1 g, gyro against tilt, clipped gyro, temperature.

    Args:
        limits: what is believable. findings: takes what is found. g: local gravity, m/s².
        body: where the sensor sits, for the fastest rate.
    """

    def __init__(self, limits: PartLimits, findings: Findings, g: float, body: str = "") -> None:
        self._limits, self._findings = limits, findings
        self._accel_limit = limits.accel_g * 9.80665
        fastest = limits.rate_degps or FASTEST_DEGPS.get(body, ELSE_DEGPS)
        self._gyro_limit = math.radians(fastest)
        self._near_low, self._near_high = (1.0 - NEAR_G) * g, (1.0 + NEAR_G) * g
        self._rate_check = RateCheck(g)
        self._last: Imu | None = None
        self._same_since = self._near_since = self._near_last = 0.0
        self._stuck = 0
        self._hard = 1.5 * g
        self._top = 0.0
        self.clipped: float | None = None
        """Share of the last few hundred readings with a force at the end of the part's range; None before the
        first reading. The end shows itself: it is the largest component so far, met to the bit again."""

    def possible(self, reading: Imu) -> bool:
        """Whether a live part on an excavator can say this at all."""
        accel, gyro = reading.accel_mps2, reading.gyro_radps
        # A vector is in range when its length is: that settles nearly every reading, and is false for NaN.
        if not (
            math.hypot(*accel) <= self._accel_limit
            and (gyro is None or math.hypot(*gyro) <= self._gyro_limit)
        ) and not self._in_range(reading.t, accel, gyro):
            return False
        if accel[0] == accel[1] == accel[2] and (gyro is None or gyro[0] == gyro[1] == gyro[2]):
            self._findings.found(reading.t, "constant words", f"all three axes say {accel[0]:.4g} m/s²")
            return False
        return True

    def believable(self, reading: Imu) -> bool:
        """Whether a possible reading can be used, by itself and beside the one before."""
        t, accel, gyro = reading.t, reading.accel_mps2, reading.gyro_radps
        before, self._last = self._last, reading
        if before is None or not 0.0 <= (dt := t - before.t) <= FRESH_START_S:
            self._same_since = self._near_last = t
            self._near_since = math.inf
            self._rate_check.restart()
            return True
        conditions, force = self._findings.conditions, math.hypot(*accel)
        clipped = 1.0 if force > self._hard and self._is_clipped(accel) else 0.0
        self.clipped = CLIPPED_KEEPS * (self.clipped or 0.0) + (1.0 - CLIPPED_KEEPS) * clipped
        if self._near_low < force < self._near_high and t >= self._near_since and not conditions:
            self._near_last = t  # as nearly always; `_gravity` has the rest
        else:
            self._gravity(t, force)
        if conditions or reading.temp_c is not None:
            judge_warmth(reading, self._limits, self._findings)
        if accel == before.accel_mps2 and gyro == before.gyro_radps:
            if t - self._same_since > self._limits.frozen_s:
                text = f"the same reading for more than {self._limits.frozen_s:g} s"
                self._findings.begin(t, "frozen", text)
            # Six words of a live part never all repeat: this is the last reading told again, or a frozen one.
            return gyro is None
        self._same_since = t
        if conditions:
            self._findings.end("frozen")
        if gyro is None or before.gyro_radps is None:
            return True
        if self._rate_check.add(dt, accel, gyro):
            self._agreement(t, self._rate_check.agreement)
        # A live gyro's noise hardly ever repeats: three comparisons settle nearly every reading.
        (x, y, z), (u, v, w) = gyro, before.gyro_radps
        if x == u or y == v or z == w or self._stuck or conditions:
            return not self._saturated(t, gyro, before.gyro_radps)
        return True

    @property
    def repeats(self) -> bool:
        """Whether the last reading looked at told again what the one before had told."""
        return self._last is not None and self._last.t > self._same_since

    def _is_clipped(self, accel: Vector) -> bool:
        """Whether a component stands at the largest ever told, to the bit and not for the first time."""
        size = max(map(abs, accel))
        if size > self._top:
            self._top = size
            return False
        return size == self._top

    def _in_range(self, t: float, accel: Vector, gyro: Vector | None) -> bool:
        # Chained comparisons are false for NaN as well.
        (x, y, z), limit = accel, self._accel_limit
        if not (-limit <= x <= limit and -limit <= y <= limit and -limit <= z <= limit):
            self._findings.found(t, "out of range", f"accel {shown(accel)} m/s²")
            return False
        if gyro is not None:
            (x, y, z), limit = gyro, self._gyro_limit
            if not (-limit <= x <= limit and -limit <= y <= limit and -limit <= z <= limit):
                self._findings.found(t, "out of range", f"gyro {shown(gyro)} rad/s")
                return False
        return True

    def _gravity(self, t: float, force: float) -> None:
        if self._near_low < force < self._near_high:
            self._near_last = t
            if t < self._near_since:
                self._near_since = t
            elif self._findings.conditions and t - self._near_since >= 0.5:
                self._findings.end("not 1 g")
            return
        self._near_since = math.inf
        if t - self._near_last > self._limits.not_1_g_s:
            hint = " (is it in g?)" if 0.85 < force < 1.15 else ""
            self._findings.begin(
                t, "not 1 g", f"|accel| is {force:.2f} m/s²{hint}, at rest it should be 9.81"
            )

    def _agreement(self, t: float, agreement: float | None) -> None:
        if agreement is None:
            return
        if agreement < AGREEMENT_BAD:
            text = "the gyro does not fit the change of tilt: axes, sign, unit?"
            self._findings.begin(t, "rate disagrees", text)
        elif agreement > AGREEMENT_GOOD:
            self._findings.end("rate disagrees")

    def _saturated(self, t: float, gyro: Vector, before: Vector) -> bool:
        (x, y, z), (u, v, w) = gyro, before
        if (
            (x == u and abs(x) > FASTEST_STEADY_RADPS)
            or (y == v and abs(y) > FASTEST_STEADY_RADPS)
            or (z == w and abs(z) > FASTEST_STEADY_RADPS)
        ):
            self._stuck += 1
            if self._stuck >= 2:
                self._findings.begin(t, "gyro saturated", f"{shown(gyro)} rad/s")
                return True
        else:
            self._stuck = 0
        if self._findings.conditions:
            self._findings.end("gyro saturated")
        return False


class TiltChecks:
    """Range, leaps, frozen values, temperature.

    Args:
        limits: what is believable. findings: takes what is found.
    """

    def __init__(self, limits: PartLimits, findings: Findings) -> None:
        self._limits, self._findings = limits, findings
        self._last: tuple[float, ...] = ()
        self._same_since = 0.0
        self._turned = 0.0
        self._resolution = math.inf
        self._jumps = 0

    def believable(self, reading: Tilt, dt: float) -> bool:
        """Whether this reading can be used, by itself and beside the one `dt` seconds before."""
        t, now, was = reading.t, _angles(reading), self._last
        if not all(-360.0 <= angle <= 360.0 for angle in now):
            self._findings.found(t, "out of range", f"{shown(now)} degrees")
            return False
        if len(was) != len(now) or not 0.0 <= dt <= max(FRESH_START_S, 0.5 * self._limits.tilt_frozen_s):
            self._last, self._same_since, self._turned = now, t, 0.0
            return True
        judge_warmth(reading, self._limits, self._findings)
        step = max(abs((a - b + 180.0) % 360.0 - 180.0) for a, b in zip(now, was, strict=True))
        # A new angle that stays is no glitch.
        if step > self._limits.jump_degps * max(dt, 0.02) and self._jumps < 3:
            self._jumps += 1
            self._findings.found(t, "jump", f"by {step:.1f}° in {dt:.3f} s")
            return False
        self._jumps = 0
        self._last = now
        if step > 0.0:
            self._resolution = min(self._resolution, step)
            self._same_since, self._turned = t, 0.0
            self._findings.end("frozen")
        elif t - self._same_since > self._limits.tilt_frozen_s and self._resolution < FINE_DEG:
            text = f"the same reading for more than {self._limits.tilt_frozen_s:g} s"
            self._findings.begin(t, "frozen", text)
        return True

    @property
    def standing(self) -> tuple[tuple[float, ...] | None, float]:
        """The angles told last (None before the first), and since when they have been the same, s."""
        return self._last or None, self._same_since

    def stood_while_turning(self, t: float, span: float, body: str, after: float) -> None:
        """The angle has stood for `span` s more in which `body` turned; `after` so long it is frozen."""
        if not self._last:
            return
        self._turned += span
        if self._turned > after:
            text = f"the same angle for {self._turned:.1f} s in which the {body} turned"
            self._findings.begin(t, "frozen", text)

    def answers_like_others(self, t: float, alike: bool) -> None:
        """Whether all inclinometers of the machine answer the same constant."""
        if alike:
            shown_angles = shown(self._last)
            text = (
                f"all inclinometers answer {shown_angles}° and nothing else: does one device answer for all?"
            )
            self._findings.begin(t, "same answer", text)
        else:
            self._findings.end("same answer")


def judge_warmth(reading: Imu | Tilt, limits: PartLimits, findings: Findings) -> None:
    """The part's temperature against its range."""
    low, high, temp = limits.temp_min_c, limits.temp_max_c, reading.temp_c
    if temp is not None and not low <= temp <= high:
        findings.begin(reading.t, "temperature", f"{temp:.0f} °C is outside {low:g} to {high:g} °C")
    else:
        findings.end("temperature")


def shown(values: tuple[float, ...]) -> str:
    """Numbers for a fault's text."""
    return "(" + ", ".join(f"{value:.4g}" for value in values) + ")"


def _angles(reading: Tilt) -> tuple[float, ...]:
    three = (reading.angle_deg, reading.pitch_deg, reading.roll_deg)
    return tuple(angle for angle in three if angle is not None)
