"""Postures that one could take next: on a flat yard, at the marks, or out of a recording.

A candidate is a posture with the observations that one would make there. What a person cannot measure is no
candidate: the tip stays over the ground and within a staff's reach, a linkage away from its dead centres.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tipdatum.calibration.adjustment import Solution
from tipdatum.calibration.description import calibrated_machine
from tipdatum.calibration.envelope import Postures, reach_points
from tipdatum.calibration.observations import Observation, ObservationBook
from tipdatum.calibration.recordings import RecordedEvidence
from tipdatum.calibration.starts import closest_bucket
from tipdatum.calibration.unknowns import ANGLES, BOOM, BUCKET, ROCKER, SWING, TILT, all_angles, plane_angles
from tipdatum.kinematics.frames import elevation_angle, roll_angle
from tipdatum.machine.description import Machine

LEVEL_SIGMA_DEG = 0.05
HEIGHT_SIGMA_M = 0.002
TOUCH_SIGMA_M = 0.003
"""What a digital level, a staff and a tip on a mark give (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A posture one could take.

    Attributes:
        label: for people. angles: rad, in the order of `unknowns.ANGLES`.
        standing: where the machine would stand. observations: what would be read there.
        power_up: name of the power-up its readings would belong to.
    """

    label: str
    angles: tuple[float, ...]
    standing: str
    observations: tuple[Observation, ...]
    power_up: str = "next"

    @property
    def readings(self) -> int:
        """What a person reads or does there."""
        return max(1, len(self.observations))

    @property
    def mark(self) -> str:
        """The mark that is touched there; empty for a posture that is measured."""
        return next((o.of for o in self.observations if o.kind == "tip_on_mark"), "")

    @property
    def joint(self) -> str:
        """The joint beside the arm plane that it is for: "tilt", "swing" or none."""
        kinds = {o.kind for o in self.observations}
        return "tilt" if "cross_slope" in kinds else "swing" if "swing" in kinds else ""

    @property
    def side(self) -> str:
        """ "left" or "right": where the boom is swung to, or which side of the edge is up; else nothing."""
        return next((side for side in ("left", "right") if f"{side} side" in self.label), "")

    @property
    def turned_deg(self) -> int:
        """By how much the boom is swung or the bucket tilted, degrees."""
        return round(math.degrees(abs(self.angles[TILT if self.joint == "tilt" else SWING])))

    @property
    def words(self) -> str:
        """The posture alone, as a level shows it."""
        return self.label.partition(": ")[2]


def measuring(label: str, angles: tuple[float, ...], standing: str, machine: Machine) -> Candidate:
    """Slopes of the links by digital level, heights of the pins and the tip by staff."""
    blank = {"rest": "-", "standing": standing, "value": 0.0}
    level = [
        Observation(id=f"{label} {of}", kind="slope", of=of, unit="deg", sigma=LEVEL_SIGMA_DEG, **blank)
        for of in machine.sections
    ]
    staff = [
        Observation(id=f"{label} h {of}", kind="height", of=of, unit="m", sigma=HEIGHT_SIGMA_M, **blank)
        for of in machine.pins
    ]
    return Candidate(label, angles, standing, (*level, *staff))


def touching(label: str, angles: tuple[float, ...], standing: str, mark: str) -> Candidate:
    """The tip put on a mark."""
    touch = Observation(
        id=label,
        kind="tip_on_mark",
        of=mark,
        unit="m",
        sigma=TOUCH_SIGMA_M,
        rest="-",
        standing=standing,
        value=0.0,
    )
    return Candidate(label, angles, standing, (touch,))


def suggestions(solution: Solution, power_up: str = "next") -> list[Candidate]:
    """Postures that a person can measure: over a flat yard, and touches of the marks that are in the case.

    The machine stays where it stood last, since each new standing costs three unknowns of its own. The tip is
    above the ground and within a staff's reach, and a linkage stays away from its dead centres.

    Args:
        power_up: name of the power-up that their readings would belong to.
    """
    machine = calibrated_machine(solution)
    setup, state = solution.setup, solution.state
    standing = setup.standings[-1] if setup.standings else "S"
    found: list[Candidate] = []
    chain = machine.straight_chain()
    out = float(chain.foot[0] + chain.lengths.sum())
    near, far_out = YARD_REACH[0] * out, YARD_REACH[1] * out
    reach, height = (
        a.ravel() for a in np.meshgrid(np.linspace(near, far_out, 5), np.linspace(*YARD_HEIGHT_M, 4))
    )
    for bucket in (-150.0, -110.0, -60.0):
        postures, _ = reach_points(machine, reach, height, np.full(reach.shape, bucket))
        for i in range(len(postures)):
            said, angles = said_of(machine, postures, i), posture_angles(machine, postures, i)
            whole = measuring(f"measure: {said}", angles, standing, machine)
            found += [
                replace(whole, label=f"measure{words}: {said}", observations=some)
                for words, some in shares(whole.observations)
            ]
    buckets = np.arange(-160.0, -40.0, 10.0)
    for (s, m), far in zip(setup.mark_places, state.mark_range, strict=True):
        mark, where = setup.marks[m], setup.standings[s]
        if where != standing:
            continue
        up = float(state.mark_elevation[m] - state.standing[s, 0])
        postures, _ = reach_points(machine, np.full(buckets.shape, far), np.full(buckets.shape, up), buckets)
        found += [
            touching(
                f"tip on mark {mark}, standing {where}: {said_of(machine, postures, i)}",
                posture_angles(machine, postures, i),
                where,
                mark,
            )
            for i in range(len(postures))
        ]
    return [replace(c, power_up=power_up) for c in found]


YARD_REACH = (0.35, 0.95)
"""Shares of the whole reach at which the tip is measured on a yard."""

YARD_HEIGHT_M = (0.05, 2.0)
"""Heights of the tip over a flat yard, m: clear of the ground, within a staff's reach from it."""


def recorded(solution: Solution, book: ObservationBook, evidence: RecordedEvidence) -> list[Candidate]:
    """Postures that were recorded with observations but are not in the solution, as candidates."""
    used = {o.id for o in solution.setup.observations}
    state, setup = solution.state, solution.setup
    at: dict[tuple[str, float, float], list[Observation]] = {}
    for o in book.solving():
        if o.place in evidence.windows and o.id not in used and o.kind in POSTURE_KINDS:
            at.setdefault(o.place, []).append(o)
    found = []
    for place, observations in at.items():
        window = evidence.windows[place]
        angles = [0.0] * len(ANGLES)
        angles[BOOM : BUCKET + 1] = 3 * [math.radians(-90.0)]
        for s, (name, body) in enumerate(zip(setup.sensors, setup.bodies, strict=True)):
            if name in window.sensors:
                read = np.array(window.sensors[name].accel_mps2) - state.bias[s]
                up = state.mount[s] @ np.linalg.solve(state.gain[s], read)
                angles[ANGLES.index(body)] = float(elevation_angle(up))
                if body == "upper":
                    angles[1] = float(roll_angle(up / np.linalg.norm(up)))
        if setup.has_linkage:
            bar = calibrated_machine(solution).four_bar()
            angles[4] = angles[3] + float(closest_bucket(bar, np.array([angles[5] - angles[3]]))[0])
        for o in observations:
            if o.kind == "slew":
                angles[6] = math.radians(o.value or 0.0)
        for words, some in shares(observations):
            found.append(
                Candidate(
                    f"{window.label}{words}", tuple(angles), observations[0].standing or "", some, window.file
                )
            )
    return found


def shares(observations: Sequence[Observation]) -> list[tuple[str, tuple[Observation, ...]]]:
    """All that is to be read at a posture, and parts of it that are worth going there for alone.

    Slopes and heights say much the same; whichever says it better is worth most for each reading.
    """
    found = [("", tuple(observations))]
    for words, kinds, of in (
        (", heights", ("height",), None),
        (", heights but the boom foot's", ("height",), ("boom_second", "boom_stick", "stick_bucket", "tip")),
        (", slopes", ("slope",), None),
        (", height of the tip", ("height",), ("tip",)),
    ):
        some = tuple(o for o in observations if o.kind in kinds and (of is None or o.of in of))
        if some and all(some != known for _, known in found):
            found.append((words, some))
    return found


POSTURE_KINDS = frozenset({"slope", "height", "tip_on_mark", "plumb", "slew"})
"""Kinds of observation that one goes to a posture for."""


def posture_angles(machine: Machine, postures: Postures, i: int) -> tuple[float, ...]:
    rocker = float(postures.rocker[i])
    plane = len(plane_angles(machine))
    angles = list(all_angles(machine, postures.q[i, :plane].tolist()))
    angles[ROCKER] = 0.0 if math.isnan(rocker) else rocker
    return tuple(angles)


def said_of(machine: Machine, postures: Postures, i: int) -> str:
    """A posture as a level on the links shows it: slopes, which the bucket's curl makes unambiguous."""
    arm = postures.q[i, 2 : 2 + len(machine.sections)]
    boom, *second, stick, bucket = (_slope(a) for a in np.degrees(arm))
    curled = ", curled towards the cab" if abs(math.degrees(float(arm[-1]))) > 90.0 else ""
    between = "".join(f", second boom {slope:+.0f}°" for slope in second)
    return (
        f"slopes boom {boom:+.0f}°{between}, stick {stick:+.0f}°, bucket {bucket:+.0f}°{curled} "
        f"(tip {postures.reach[i]:.1f} m out, {postures.height[i]:.1f} m over the yard)"
    )


def _slope(angle_deg: float) -> float:
    """What a level shows of a link at that angle on level ground, degrees in [-90, 90]."""
    return math.degrees(math.asin(math.sin(math.radians(angle_deg))))
