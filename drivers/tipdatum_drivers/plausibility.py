"""Is what a sensor says believable? One monitor a sensor: readings in, believable readings and faults out.

What is judged, and what becomes of the reading:

==================== ==================================================================== =============
fault                when                                                                 reading
==================== ==================================================================== =============
time went back       `t` before that of the reading before                                dropped
sample time wrong    the device's stamp goes back or lies in the future                   used, unstamped
late                 the device's stamp is older than a reading may be                    dropped
out of range         more than a body of an excavator does, or not finite                 dropped
constant words       all axes say the same to the last bit: 0x8000, zeros                 dropped
glitch               a rate leaps and comes back (`glitches`)                             dropped
rubbish              a tenth of the readings and more had to be dropped                   others used
jump                 an inclinometer's angle leaps faster than a machine can turn it      dropped
frozen               the same to the last bit for too long; an inclinometer's angle       dropped
                     stands while the body that it hangs on turns (`together`)
same answer          all inclinometers answer the same constant (`together`)              dropped
not 1 g              |accel| was not near 1 g once in a long time                         dropped
rate disagrees       the gyro does not fit the change of tilt (`rate_check`)              dropped
gyro saturated       a rate stands at one large value while all else moves                dropped
inconsistent         the filter finds it to contradict the other sensors (`suspect`)      used
temperature          outside the part's range                                             used
wrong serial         the device that answers is not the one described                     dropped
wrong kind           an inclinometer where an inertial sensor is described, and the like  dropped
==================== ==================================================================== =============

What lasts is counted once, at its onset; bad readings one by one. An inertial reading that only repeats the
one before is not used, and no fault until it lasts. Each ends by itself when the readings are good again,
a wrong serial when the right device is back or a changed description names the new one (`describe`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, Protocol, TypeVar

from msgspec.structs import replace

from tipdatum_drivers.findings import Findings
from tipdatum_drivers.glitches import Glitches
from tipdatum_drivers.part_checks import FRESH_START_S, ImuChecks, TiltChecks, shown
from tipdatum_drivers.part_limits import PartLimits
from tipdatum_drivers.presence import CLOCK_STEP_S, Presence, SilenceDescription
from tipdatum_drivers.reading import Beam, Fault, Identity, Imu, Reading, Slew, Tilt

RUBBISH_BEGINS, RUBBISH_ENDS, RUBBISH_FADES = 0.1, 0.03, 0.01
"""Share of dropped readings from which the whole sensor is doubted, below which it no longer is, and the
weight of one reading in it: a hundred or so count."""
KINDS: dict[type, str] = {Imu: "imu", Tilt: "tilt", Slew: "slew", Beam: "beam"}
"""What comes → the type that a description calls it."""
KIND_WORDS = {
    "imu": "an inertial sensor",
    "tilt": "an inclinometer",
    "slew": "a slew encoder",
    "beam": "a laser receiver",
}
DROPPING = frozenset({"frozen", "same answer", "not 1 g", "rate disagrees", "wrong serial"})
"""Lasting conditions under which readings are not used."""
REPEATED = ("frozen", "the same reading again")
"""Kind and text of what is not used before it has lasted long enough for a fault."""

Stamped = TypeVar("Stamped", Imu, Tilt)
State = Literal["ok", "waiting", "stale", "fault"]

__all__ = ["PartLimits", "SensorHealth", "SensorMonitor", "State"]


class MonitoredDescription(SilenceDescription, Protocol):
    """What a monitor reads of a sensor's description."""

    @property
    def serial(self) -> str | None: ...
    @property
    def body(self) -> str: ...
    @property
    def limits(self) -> PartLimits: ...


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
    clipped_share: float | None = None
    """Share of the last readings that stand at the end of the part's range."""


class SensorMonitor:
    """Plausibility and statistics of one sensor; all times are arguments.

    Args:
        name: the sensor's name in the machine description. description: its serial and stale limit.
        limits: what is believable. g: local gravity, m/s².

    Attributes:
        presence: whether the sensor is silent; all who ask about that share this one.
    """

    def __init__(
        self,
        name: str,
        description: MonitoredDescription,
        limits: PartLimits | None = None,
        g: float = 9.80665,
    ) -> None:
        self.name = name
        self.presence = Presence.of(description)
        self.serial: str | None = None
        """What the device told last."""
        self._findings = Findings(name)
        self._expected = description.serial
        self._gravity, self._limits = g, limits
        self._rubbish = 0.0
        self._suspected = ""
        self._judge_by(description)
        self._sampled = -math.inf

    @property
    def faults(self) -> dict[str, int]:
        """Faults by kind since the start."""
        return self._findings.faults

    @property
    def fault_count(self) -> int:
        """Faults of all kinds since the start."""
        return self._findings.total

    def check(self, reading: Reading) -> tuple[tuple[Reading, ...], list[Fault]]:
        """Judge one reading: what may be used now, oldest first, and the faults that this one began.

        That is nothing or the reading, but for a leap of a rate that stays (`glitches`): then those that were
        held back come with it, each with `t` of now and its own time as `t_sample`.
        """
        accepted = self._judged(reading)
        if accepted:
            self.presence.used(reading.t)
        else:
            self.presence.refused = self._why_refused(reading.t)
        return accepted, self._findings.take() if self._findings.fresh else []

    def count(self, fault: Fault) -> None:
        """Count a fault that a driver found in what this sensor sent."""
        self._findings.count(fault)

    def contact(self, t: float) -> None:
        """Take notice at `t` that the contact of a laser receiver told its state: it is there, on the beam or
        not."""
        if self._type == "beam":
            self.presence.heard(t)
            self.presence.used(t)

    def suspect(self, t: float, text: str) -> None:
        """Take over what the filter suspects this sensor of; "" for nothing."""
        if text and text != self._suspected:
            self._findings.end("inconsistent")
            self._findings.begin(t, "inconsistent", text)
        elif not text:
            self._findings.end("inconsistent")
        self._suspected = text

    @property
    def standing_angle(self) -> tuple[float, ...] | None:
        """The angles that an inclinometer told last."""
        return self._tilt.standing[0]

    @property
    def standing_since(self) -> float:
        """Since when an inclinometer has told them, s."""
        return self._tilt.standing[1]

    def stood_while_turning(self, t: float, span: float, body: str, after: float) -> None:
        """Another body turned for `span` s; see `TiltChecks.stood_while_turning`."""
        self._tilt.stood_while_turning(t, span, body, after)

    def answers_like_others(self, t: float, alike: bool) -> None:
        """Whether all inclinometers answer the same constant; see `tipdatum_drivers.together`."""
        self._tilt.answers_like_others(t, alike)

    def describe(self, description: MonitoredDescription, t: float, g: float) -> None:
        """Go on with a changed description at `t`, s; counts and what was learnt stay."""
        self._gravity = g
        self.presence.describe(description)
        self._judge_by(description)
        self._expected = description.serial or self.serial
        if self.serial is not None:
            self._identify(Identity(t, self.name, self.serial))

    def _judge_by(self, description: MonitoredDescription) -> None:
        """Begin to judge readings by what the description says the part is."""
        believed = self._limits or description.limits
        self._type = description.type
        self._imu = ImuChecks(believed, self._findings, self._gravity, description.body)
        self._tilt = TiltChecks(believed, self._findings)
        self._glitches = Glitches(math.radians(believed.rate_step_degps))
        self._findings.forget()
        self._suspected = ""

    def health(self, t: float) -> SensorHealth:
        """Health at time `t`, s."""
        findings, presence = self._findings, self.presence
        silent = presence.silent(t)
        state: State = "ok"
        text = ""
        if presence.last is None:
            state, text = "waiting", "no reading yet"
            if findings.last_fault is not None:
                text += f" ({findings.last_fault})"
        elif silent:
            state, text = "stale", f"no reading for more than {presence.stale_after_s:.2g} s"
            if findings.last_t >= presence.last:
                text += f" ({findings.last_fault})"
        elif findings.conditions:
            state, text = "fault", "; ".join(findings.conditions.values())
        elif presence.too_slow:
            state, text = "fault", presence.slowness
        elif presence.unusable(t):
            why = f": {presence.refused}" if presence.refused else ""
            state, text = "fault", f"readings come, but none can be used{why}"
        return SensorHealth(
            state,
            text,
            0.0 if silent and presence.last is not None else presence.rate_hz,
            presence.jitter_s,
            None if presence.last_used is None else max(0.0, t - presence.last_used),
            dict(findings.faults),
            findings.last_fault,
            self._imu.clipped,
        )

    def is_ok(self, t: float) -> bool:
        """Whether `health(t)` would say "ok"; asked every tick, so it only looks at what decides that."""
        return not self._findings.conditions and self.presence.fine(t)

    def _why_refused(self, t: float) -> str | None:
        """Why the reading of `t` is not used; a fault of earlier ones, be it the last, is no reason."""
        findings = self._findings
        for lasting in findings.conditions.values():
            return lasting
        if findings.last_t >= t:
            return findings.last_fault
        return ": ".join(REPEATED) if self._imu.repeats else None

    def _judged(self, reading: Reading) -> tuple[Reading, ...]:
        if type(reading) is Identity:
            self._identify(reading)
            return ()
        t, presence = reading.t, self.presence
        if (last := presence.last) is not None and t < last:
            if presence.order(t) == "behind":
                self._findings.found(t, "time went back", f"by {last - t:.3f} s")
                return ()
            self._sampled = -math.inf
        dt = presence.heard(t) or 0.0
        if (kind := KINDS.get(type(reading))) is not None:
            if self._type and kind != self._type:
                text = f"{KIND_WORDS[kind]} comes, described is {KIND_WORDS[self._type]}"
                self._findings.begin(t, "wrong kind", text)
                return ()
            if self._findings.conditions:
                self._findings.end("wrong kind")
        accepted: tuple[Reading, ...]
        if isinstance(reading, Imu):
            accepted = self._inertial(reading, dt)
        elif isinstance(reading, Tilt):
            accepted = ()
            if self._tilt.believable(reading, dt):
                one = reading if reading.t_sample is None else self._stamped(reading, reading.t_sample)
                accepted = () if one is None else (one,)
        else:
            accepted = (reading,)
        conditions = self._findings.conditions
        return () if conditions and not DROPPING.isdisjoint(conditions) else accepted

    def _inertial(self, reading: Imu, dt: float) -> tuple[Imu, ...]:
        """What may be used after an inertial reading."""
        if not self._imu.possible(reading):
            self._drop(reading.t, 1)
            return ()
        one = reading if reading.t_sample is None else self._stamped(reading, reading.t_sample)
        if one is None:
            return ()
        glitches = self._glitches
        if not 0.0 <= dt <= FRESH_START_S:
            glitches.restart()
        passed = glitches.let_through(one)
        if glitches.thrown:
            for bad in glitches.thrown:
                self._findings.found(bad.t, "glitch", f"gyro {shown(bad.gyro_radps or ())} rad/s")
            self._drop(reading.t, len(glitches.thrown))
            glitches.thrown = []
        if self._rubbish > 0.0:
            self._drop(reading.t, 0)
        if len(passed) == 1:
            return passed if self._imu.believable(one) else ()
        return tuple([late for late in passed if self._imu.believable(late)])

    def _drop(self, t: float, count: int) -> None:
        """Take notice of so many bad readings, or of a good one."""
        share = self._rubbish
        for _ in range(count):
            share += RUBBISH_FADES * (1.0 - share)
        share = share * (1.0 - RUBBISH_FADES) if not count else share
        self._rubbish = share if share > 1e-4 else 0.0
        if share > RUBBISH_BEGINS:
            self._findings.begin(t, "rubbish", "a tenth and more of its readings cannot be used")
        elif share < RUBBISH_ENDS:
            self._findings.end("rubbish")

    def _identify(self, told: Identity) -> None:
        self.serial = told.serial
        if self._expected is None:
            # The first one is the one that was measured in; a change while running is a swap.
            self._expected = told.serial
        text = f'"{told.serial}" answers, described is "{self._expected}"; re-zero it'
        if told.serial == self._expected:
            self._findings.end("wrong serial")
        elif self._findings.conditions.get("wrong serial") != f"wrong serial: {text}":
            self._findings.end("wrong serial")
            self._findings.begin(told.t, "wrong serial", text)

    def _stamped(self, reading: Stamped, stamp: float) -> Stamped | None:
        """The reading with its stamp where that can be used, without it, or None when it is too old."""
        t = reading.t
        if stamp > t + 0.01 or (stamp <= self._sampled and self._sampled - stamp <= CLOCK_STEP_S):
            self._findings.found(t, "sample time wrong", f"{stamp:.3f} s, received at {t:.3f} s")
            return replace(reading, t_sample=None)
        self._sampled = stamp
        if t - stamp > self.presence.stale_after_s:
            self._findings.found(t, "late", f"{t - stamp:.2f} s old when it came")
            return None
        return reading
