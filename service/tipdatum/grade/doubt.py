"""Has the machine moved? What the sensor on the upper can tell, and what it cannot.

Three signs are watched:

- **Rattle with a still arm.** Tracks that turn shake the machine at 2 to 12 Hz in pitch and roll. Digging
  does so as well, which is why only moments count in which neither arm nor upper moves. The limit lies above
  what the engine makes: a multiple of the quiet level that this machine showed, of what it shook while the
  tip stood on the mark, and an absolute least. It misses a travel on rubber or soft ground, and one with the
  arm moving.
- **Speed of the slew centre.** See `tipdatum.grade.slew_centre`: it finds a shuffle that begins within two
  seconds of a calm moment, on whatever ground, and misses a slow start and one amid the work.
- **Lasting tilt.** The slew axis' lean, turned back by the slew angle so that swinging on a slope does not
  count, as a mean over some seconds against the mean some seconds before. A track that sinks shows here.
  A machine also rocks towards its arm as the load moves: a change counts only beyond that. It misses ground
  that is as even there as here.

The height of the slew centre itself is never seen: a wired travel switch, or the operator, is better than any
of this. What comes of it is a doubt, until a touch.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from operator import sub
from typing import Final

from tipdatum.fusion.pose import Pose
from tipdatum.grade.slew_centre import SlewCentre
from tipdatum.kinematics.frames import Array, rotation_from_rpy_deg
from tipdatum.machine.description import Machine
from tipdatum.sentences import sentence
from tipdatum_drivers.reading import Imu

LOW_HZ, HIGH_HZ = 2.0, 12.0
"""Band of track rattle: above rocking and swinging, below most engines' firing."""
LOW_RADPS, HIGH_RADPS = 2.0 * math.pi * LOW_HZ, 2.0 * math.pi * HIGH_HZ

RATTLE_LEAST_RADPS: Final = math.radians(0.16)
"""Rattle that is never taken for quiet, rad/s: nearly twice the most seen with a still arm (0.09 °/s)."""

RATTLE_TIMES_QUIET: Final = 3.0
"""Rattle counts from this multiple of the machine's own quiet level."""

POWER_S: Final = 0.2
"""Time constant of the mean square, s: short, so that a shock of long ago is not taken for rattle."""

RATTLE_LASTS_S: Final = 0.9
"""How long it must last, s: a knock dies away sooner."""

STILL_RADPS: Final = math.radians(1.5)
"""Rate of any joint or of slewing, rad/s, above which the arm is not still."""

JOINTS_S: Final = 0.15
"""Time constant over which joint rates are smoothed for that, s."""

CALM_AFTER_S: Final = 1.0
"""How long the arm must have been still before rattle counts, s: swinging-out after a movement."""

TILT_MEAN_S, TILT_APART_S = 10.0, 20.0
"""Means over so long, taken so far apart, s."""

LEAN_EVERY_S: Final = 0.2
"""How often the lean is noted, s."""

LEAST_LEANS: Final = 15
"""Fewest notes in a mean: three seconds without slewing."""

TILT_RAD: Final = math.radians(0.28)
"""Change of the lean that counts with the arm alike, rad: twice the most seen without an event (0.14°)."""

ROCKING_RAD_PER_M: Final = math.radians(0.2)
"""How far a machine may lean towards its arm, rad for each metre that the tip has gone elsewhere: it rocks on
soft ground as the load moves, by up to 0.197 °/m in simulated digs, and that is no settlement. Less would
call the longest reaches one, since there the change alone, `TILT_RAD`, is not enough for the difference."""


TILT_SIGMAS: Final = 4.0
"""And at least so many standard deviations of the upper's angles: a rough estimator sees leans that are not
there."""


TRAVELLED_M: Final = 0.25
"""1-sigma of how much higher or lower a machine stands that has travelled, m: five metres, as between two
set-ups along a trench, on worked ground that rises by a twentieth (common practice, no source)."""

SETTLED_M: Final = 0.03
"""1-sigma of that of one which has settled or been pushed where it stands, m: half the length of its tracks,
some 2 m, leaning by two or three times the change that is noticed."""


@dataclass(frozen=True, slots=True)
class Sign:
    """Why the reference is in doubt, and whether the machine has probably changed its place."""

    text: str
    travelled: bool


class Rattle:
    """Band-passed pitch and roll rate of the upper, as a running root mean square."""

    def __init__(self, to_body: Array) -> None:
        (self._roll_row, self._pitch_row, _) = to_body.tolist()
        self._t: float | None = None
        self._slow = self._fast = (0.0, 0.0)
        self._power = 0.0

    def hear(self, reading: Imu) -> None:
        """Take one reading of the upper's sensor."""
        if reading.gyro_radps is None:
            return
        # In plain numbers, since an array of two costs more than what it computes.
        x, y, z = reading.gyro_radps
        a, b, c = self._roll_row
        roll = a * x + b * y + c * z
        a, b, c = self._pitch_row
        pitch = a * x + b * y + c * z
        before, self._t = self._t, reading.t
        step = 0.0 if before is None else reading.t - before
        if not 0.0 < step < 0.5:
            self._slow, self._fast, self._power = (roll, pitch), (0.0, 0.0), 0.0
            return
        low, high = 1.0 - math.exp(-LOW_RADPS * step), 1.0 - math.exp(-HIGH_RADPS * step)
        (slow_roll, slow_pitch), (fast_roll, fast_pitch) = self._slow, self._fast
        slow_roll += low * (roll - slow_roll)
        slow_pitch += low * (pitch - slow_pitch)
        fast_roll += high * (roll - slow_roll - fast_roll)
        fast_pitch += high * (pitch - slow_pitch - fast_pitch)
        self._slow, self._fast = (slow_roll, slow_pitch), (fast_roll, fast_pitch)
        power = fast_roll * fast_roll + fast_pitch * fast_pitch
        self._power += step / (POWER_S + step) * (power - self._power)

    @property
    def rms(self) -> float:
        """rad/s, both axes together."""
        return math.sqrt(self._power)


class MoveWatch:
    """Tells when the machine may have moved or settled; one for the whole run, fed in order of time."""

    def __init__(self, machine: Machine) -> None:
        found = machine.sensor_on("upper")
        self.sensor = found[0] if found else None
        self._rattle = Rattle(rotation_from_rpy_deg(found[1].mount_rpy_deg)) if found else None
        self._centre: SlewCentre | None = None
        if found:
            turned = rotation_from_rpy_deg(found[1].mount_rpy_deg)
            self._centre = SlewCentre(turned, found[1].position_m)
        self._moved_mps = 0.0
        self.still_since: float | None = None
        """Since when neither arm nor upper moves on its own, s; None while one does."""
        self._calm_level = 0.0
        self._joints: list[float] = []
        self._rattling_s = 0.0
        self._quiet = RATTLE_LEAST_RADPS / RATTLE_TIMES_QUIET
        self._t: float | None = None
        self._leans: deque[tuple[float, ...]] = deque()
        """Time, lean (2) and the tip's place (2), each turned back by the slew angle."""

    def hear(self, reading: Imu) -> None:
        """Take a reading of the upper's inertial sensor."""
        if self._rattle is not None and reading.sensor == self.sensor:
            self._rattle.hear(reading)
            self._hear_centre(reading)

    def _hear_centre(self, reading: Imu) -> None:
        centre, gyro = self._centre, reading.gyro_radps
        if centre is None or gyro is None:
            return
        if centre.hear(reading.t, reading.accel_mps2, gyro, self.still_since is not None):
            self._moved_mps = centre.speed

    def start_anew(self) -> None:
        """The reference has just been established: what was before does not count.

        The machine stands, since its tip stood on the mark: what shakes it now is its engine.
        """
        self._leans.clear()
        self._rattling_s = self._moved_mps = 0.0
        self._quiet = max(self._quiet, self._calm_level)
        if self._centre is not None:
            self._centre.forget()

    def watch(self, pose: Pose, reach_m: float) -> Sign | None:
        """A reason to doubt the reference at this tick, or None; `reach_m` of the tip."""
        step = 0.0 if self._t is None else pose.t - self._t
        self._t = pose.t
        if not pose.known or not 0.0 <= step < 0.5:
            self.still_since, self._rattling_s = None, 0.0
            self._leans.clear()
            return None
        self._notice_stillness(pose, step)
        return self._watch_centre() or self._watch_rattle(pose, step) or self._watch_lean(pose, reach_m)

    def _notice_stillness(self, pose: Pose, step: float) -> None:
        # Shaking moves all links together; what counts is whether the joints move, and not for a blink.
        upper, _, *sections = pose.rates
        joints = [*map(sub, sections, (upper, *sections)), pose.slew_rate_radps]
        if len(self._joints) != len(joints):
            self._joints = joints
        gain = 1.0 - math.exp(-step / JOINTS_S)
        self._joints = [was + gain * (now - was) for was, now in zip(self._joints, joints, strict=True)]
        if max(self._joints) > STILL_RADPS or min(self._joints) < -STILL_RADPS:
            self.still_since, self._rattling_s = None, 0.0
        elif self.still_since is None:
            self.still_since = pose.t

    def _watch_centre(self) -> Sign | None:
        speed, self._moved_mps = self._moved_mps, 0.0
        if speed == 0.0:
            return None
        return Sign(sentence("doubt-centre", speed_mps=speed), travelled=True)

    def _watch_rattle(self, pose: Pose, step: float) -> Sign | None:
        since = self.still_since
        if self._rattle is None or since is None or pose.t - since < CALM_AFTER_S:
            return None
        level = self._rattle.rms
        self._calm_level += step / (1.0 + step) * (level - self._calm_level)
        limit = max(RATTLE_LEAST_RADPS, RATTLE_TIMES_QUIET * self._quiet)
        if level <= limit:
            self._rattling_s = max(0.0, self._rattling_s - step)
            self._quiet += step / (30.0 + step) * (level - self._quiet)
            return None
        self._rattling_s += step
        if self._rattling_s < RATTLE_LASTS_S:
            return None
        self._rattling_s = 0.0
        return Sign(sentence("doubt-shook"), travelled=True)

    def _watch_lean(self, pose: Pose, reach_m: float) -> Sign | None:
        last = self._leans[-1][0] if self._leans else -math.inf
        # While it slews, what the lean is depends on how well the slew angle is known at that very moment.
        if abs(pose.slew_rate_radps) > STILL_RADPS or pose.t - last < LEAN_EVERY_S:
            return None
        theta, roll = pose.angles[0], pose.angles[1]
        forward, left = math.cos(roll) * math.sin(theta), math.sin(roll)
        cos, sin = math.cos(pose.slew_rad), math.sin(pose.slew_rad)
        lean = (forward * cos - left * sin, forward * sin + left * cos)
        sigma = math.sqrt(max(0.0, float(pose.covariance[0, 0] + pose.covariance[1, 1])))
        self._leans.append((pose.t, *lean, reach_m * cos, reach_m * sin, sigma))
        while self._leans[-1][0] - self._leans[0][0] > TILT_MEAN_S + TILT_APART_S:
            self._leans.popleft()
        now, before = self._mean(pose.t), self._mean(pose.t - TILT_APART_S)
        if now is None or before is None:
            return None
        change, swung = math.dist(now[:2], before[:2]), math.dist(now[2:4], before[2:4])
        # The earlier lean may be the worse known one: the estimator had only just begun.
        sigma = max(now[4], before[4])
        if change < max(TILT_RAD, TILT_SIGMAS * sigma) + ROCKING_RAD_PER_M * swung:
            return None
        self._leans.clear()
        return Sign(sentence("doubt-lean", change_deg=math.degrees(change)), travelled=False)

    def _mean(self, end: float) -> tuple[float, ...] | None:
        """Mean lean (2), place of the tip (2) and sigma of the lean over the stretch up to `end`."""
        first, last = end - TILT_MEAN_S, end + 1e-9
        rows = [note for note in self._leans if first <= note[0] <= last]
        if len(rows) < LEAST_LEANS:
            return None
        _, *columns = zip(*rows, strict=True)
        return tuple(sum(column) / len(rows) for column in columns)
