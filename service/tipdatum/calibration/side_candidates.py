"""Postures beside the arm plane that one could take next: the boom swung, the bucket tilted.

Of a bucket that tilts, a level on its edge and heights at it, tilted to either side while its axis lies near
level. Of a boom that swings, a mark that was touched before, touched again with the boom swung and the upper
slewed back: its distance and direction from the slew axis stay.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from tipdatum.calibration.adjustment import Solution
from tipdatum.calibration.candidates import (
    YARD_HEIGHT_M,
    YARD_REACH,
    Candidate,
    posture_angles,
    said_of,
    touching,
)
from tipdatum.calibration.description import calibrated_machine
from tipdatum.calibration.envelope import SWING_DEG, TILT_DEG, reach_points
from tipdatum.calibration.joint_steps import EDGE, SLEW_READ, SWING_READ
from tipdatum.calibration.observations import Observation
from tipdatum.calibration.unknowns import SLEW, SWING, TILT
from tipdatum.kinematics.chain import Point
from tipdatum.machine.description import Machine

LEANS_DEG = (-30.0, 0.0, 30.0)
"""Angles of a tilt axis against the horizontal at which a bucket is tilted: gravity then shows it."""

CURLS_DEG = (-150.0, -110.0, -70.0)
"""Attitudes of the bucket that a mark is touched with while the boom is swung."""


def side_suggestions(solution: Solution, power_up: str = "next") -> list[Candidate]:
    """Postures beside the arm plane that a person can take where the machine stood last; none of an arm whose
    joints all turn in it.

    Args:
        power_up: name of the power-up that their readings would belong to.
    """
    machine, setup = calibrated_machine(solution), solution.setup
    standing = setup.standings[-1] if setup.standings else "S"
    found = [*tilted(machine, standing), *swung(solution, machine, standing)]
    return [replace(c, power_up=power_up) for c in found]


def tilted(machine: Machine, standing: str) -> list[Candidate]:
    """Rests with the bucket tilted; none where it does not tilt."""
    axis = machine.chain().tilt_axis
    if axis is None:
        return []
    chain = machine.straight_chain()
    out = float(chain.foot[0] + chain.lengths.sum())
    # The lower corner stays clear of the ground.
    clear = YARD_HEIGHT_M[0] + chain.half_width * math.sin(math.radians(max(map(abs, TILT_DEG))))
    reach, height, lean = (
        a.ravel()
        for a in np.meshgrid(
            np.linspace(YARD_REACH[0] * out, YARD_REACH[1] * out, 4),
            (clear, max(clear, YARD_HEIGHT_M[1])),
            LEANS_DEG,
        )
    )
    bucket = np.degrees(np.angle(np.exp(1j * (np.radians(lean) - axis.angle))))
    postures, _ = reach_points(machine, reach, height, bucket)
    found = []
    for i in range(len(postures)):
        for tilt in TILT_DEG:
            angles = list(posture_angles(machine, postures, i))
            angles[TILT] = math.radians(tilt)
            lifts = _lifts_left(machine, angles[TILT], float(postures.q[i, chain.bucket]))
            side = "left" if lifts else "right"
            label = f"tilt: {side} side up by {abs(tilt):.0f}°, {said_of(machine, postures, i)}"
            read = tuple(
                Observation(
                    id=f"{q.kind} {q.of}", kind=q.kind, of=q.of, unit=q.unit, sigma=q.sigma, rest="-",
                    standing=standing, value=0.0,
                )
                for q in EDGE
            )  # fmt: skip
            found.append(Candidate(label, tuple(angles), standing, read))
    return found


def _lifts_left(machine: Machine, tilt: float, theta: float) -> bool:
    """Which side of the edge a tilt lifts with the bucket at θ, both rad."""
    axis = machine.chain().tilt_axis
    assert axis is not None
    return math.sin(tilt) * math.cos(theta + axis.angle) > 0.0


def swung(solution: Solution, machine: Machine, standing: str) -> list[Candidate]:
    """Touches, with the boom swung, of marks that were touched in this standing while the slew was read."""
    pivot = machine.chain().swing_pivot
    if pivot is None:
        return []
    setup, state = solution.setup, solution.state
    slewed = {o.place for o in setup.observations if o.kind == "slew"}
    tied = {o.of for o in setup.observations if o.kind == "tip_on_mark" and o.place in slewed}
    found: list[Candidate] = []
    for at, (s, m) in enumerate(setup.mark_places):
        mark = setup.marks[m]
        if setup.standings[s] != standing or mark not in tied:
            continue
        up = float(state.mark_elevation[m] - state.standing[s, 0])
        for swing in (*SWING_DEG, *(0.6 * side for side in SWING_DEG)):
            ahead = reach_of(machine, pivot, math.radians(swing), float(state.mark_range[at]))
            if ahead is None:
                continue
            many = np.array(CURLS_DEG)
            postures, _ = reach_points(machine, np.full(many.shape, ahead[0]), np.full(many.shape, up), many)
            for i in range(len(postures)):
                angles = list(posture_angles(machine, postures, i))
                angles[SWING] = math.radians(swing)
                # The plane's own azimuth and the tip's beside it make up the mark's.
                angles[SLEW] = float(state.mark_azimuth[at]) - ahead[1]
                side = "left" if swing > 0.0 else "right"
                label = (
                    f"swing: tip on mark {mark}, boom swung by {abs(swing):.0f}° to the {side} side, "
                    f"{said_of(machine, postures, i)}"
                )
                touch = touching("touch", tuple(angles), standing, mark)
                read = tuple(
                    Observation(
                        id=q.kind, kind=q.kind, of=q.of, unit=q.unit, sigma=q.sigma, rest="-",
                        standing=standing, value=math.degrees(angles[SWING if q.kind == "swing" else SLEW]),
                    )
                    for q in (SWING_READ, SLEW_READ)
                )  # fmt: skip
                found.append(Candidate(label, touch.angles, standing, (*touch.observations, *read)))
    return found


def reach_of(machine: Machine, pivot: Point, swing: float, far: float) -> tuple[float, float] | None:
    """Reach in the arm plane, m, at which the tip is `far` from the slew axis with the boom swung, and the
    tip's azimuth from the upper's x axis there, rad; None where it never is."""
    px, py, _ = pivot
    beside = machine.boom.foot_m[1] - py
    c, s = math.cos(swing), math.sin(swing)
    # Tip = pivot + Rz(swing) (reach - px, beside), whose distance from the axis is to be `far`.
    along = px * c + py * s
    rest = px * px + py * py + beside * beside + 2.0 * beside * (py * c - px * s) - far * far
    root = along * along - rest
    if root < 0.0:
        return None
    arm = -along + math.sqrt(root)
    x, y = px + arm * c - beside * s, py + arm * s + beside * c
    return (px + arm, math.atan2(y, x)) if arm > 0.0 else None
