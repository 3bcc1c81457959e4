"""What else may be wrong when many readings would have to go: the case told otherwise, and solved again.

An exchanged cable, a linkage that is built the other way round, slews counted to the wrong side: none is an
error of one reading, and setting readings aside only hides it. Each way of telling the case is solved as the
case itself was, and compared by the same score: χ² of what is left, and `CRITICAL`² for all that had to go.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from threadpoolctl import threadpool_limits

from tipdatum.calibration.adjustment import Solution, Tell, explore, settled_from
from tipdatum.calibration.methods.motion import BEYOND
from tipdatum.calibration.problem import Mask, Problem
from tipdatum.calibration.snooping import CRITICAL, snoop
from tipdatum.calibration.unknowns import BUCKET, ROCKER, STICK, Setup, make_setup
from tipdatum.kinematics.frames import Array
from tipdatum.machine.description import Machine
from tipdatum.sentences import sentence

FEW = 2
"""Observations that may be slips; with more something else is looked for."""

STRANGE = 5.0
"""Standardised residual of a row that cannot be set aside (a sensor's reading, the tracks' vertical)."""

LOUD = 1.3
"""Factor from which the readings disagree beyond their sigmas."""

QUICK_STEPS = 8
"""Steps downhill that show whether another way of telling the case leads anywhere."""

FAR_WORSE = 4.0
"""A way of telling the case whose start fits so many times worse than the best yet, after a first look, is
left: nothing that a reading or two may do makes it the better one."""

MOST_BORDERS = 4
"""Moments of a standing at which its tracks may have moved that are tried."""

CLEARLY = 2.0 * CRITICAL**2
"""By how much another way of telling the case must fit better to be named."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """Another way of telling the case that fits far better.

    Attributes:
        words: what would be so. mend: what to change then. solution: of the case told so.
        before, after: score of the case as given and as explained.
    """

    words: str
    mend: str
    solution: Solution
    before: float
    after: float


def troubled(solution: Solution) -> bool:
    """Whether a solution asks for an explanation."""
    strange = max(
        (abs(j.standardised) for j in solution.judged if not j.row.tested and not j.rejected), default=0.0
    )
    return len(solution.rejected) > FEW or solution.factor > LOUD or strange > STRANGE


def explain(solution: Solution, tell: Tell = lambda _: None) -> Explanation | None:
    """The way of telling the case that fits clearly better than the case as given; None if none does."""
    best: tuple[float, str, str, Problem, Array, Mask, int] | None = None
    ways = _ways(solution.setup)
    with threadpool_limits(limits=1, user_api="blas"):
        given = explore(solution.setup, steps=QUICK_STEPS)[3]
        for i, (words, mend, setup) in enumerate(ways, 1):
            tell(f"trying another explanation, {i} of {len(ways)}: {words}")
            hopeless = FAR_WORSE * (given if best is None else min(given, best[0]))
            try:
                problem, u, wild, cost, tried = explore(setup, steps=QUICK_STEPS, hopeless=hopeless)
            except (ValueError, np.linalg.LinAlgError):
                continue
            if cost < given - CLEARLY / 2.0 and (best is None or cost < best[0]):
                best = cost, words, mend, problem, u, wild, tried
        if best is None:
            return None
        _, words, mend, problem, u, wild, tried = best
        found = settled_from(snoop(problem, u, wild), tried)
    if found.score > solution.score - CLEARLY:
        return None
    return Explanation(words, mend, found, solution.score, found.score)


def _ways(setup: Setup) -> list[tuple[str, str, Setup]]:
    machine = setup.machine
    found: list[tuple[str, str, Setup]] = []

    def again(words: str, mend: str, other: Machine | None = None, flip: str = "") -> None:
        observations = [
            o.model_copy(update={"value": -(o.value or 0.0)}) if flip and o.kind == flip else o
            for o in setup.observations
        ]
        found.append((words, mend, make_setup(other or machine, observations, setup.evidence, setup.assume)))

    if machine.linkage is not None and setup.has_linkage:
        turned = machine.linkage.model_copy(update={"assembly": -machine.linkage.assembly})
        again(
            sentence("cal-assembled-otherwise"),
            f"[linkage] assembly = {-machine.linkage.assembly}",
            machine.model_copy(update={"linkage": turned}),
        )
    if any(o.kind == "slew" for o in setup.observations):
        again(
            sentence("cal-slews-mirrored"),
            sentence("cal-slews-mirrored-mend"),
            flip="slew",
        )
    for kind, words, mend in _mirrored():
        if any(o.kind == kind for o in setup.observations):
            again(words, mend, flip=kind)
    for i, a in enumerate(setup.sensors):
        for b in setup.sensors[:i]:
            first, second = machine.sensor[b], machine.sensor[a]
            sensors = {
                **machine.sensor,
                b: first.model_copy(update={"body": second.body, "mount_rpy_deg": second.mount_rpy_deg}),
                a: second.model_copy(update={"body": first.body, "mount_rpy_deg": first.mount_rpy_deg}),
            }
            again(
                sentence("cal-sensors-exchanged", first=b, second=a),
                sentence("cal-sensors-exchanged-mend", first=b, second=a),
                machine.model_copy(update={"sensor": sensors}),
            )
    return found + _moved_tracks(setup)


def _moved_tracks(setup: Setup) -> list[tuple[str, str, Setup]]:
    """A standing that is two: its tracks moved between two of its recordings, or where it is all one, between
    two of its rests."""
    found: list[tuple[str, str, Setup]] = []
    for standing in setup.standings:
        places = [
            place
            for place, w in sorted(setup.of_window.items(), key=lambda item: item[1])
            if setup.windows[w].standing == standing
        ]
        files = [setup.windows[setup.of_window[place]].file for place in places]
        borders = [i for i in range(1, len(places)) if files[i] != files[i - 1]]
        if not borders:
            inner = range(FEW, len(places) - FEW + 1)
            borders = list(inner[:: max(1, math.ceil(len(inner) / MOST_BORDERS))])
        for i in borders[:MOST_BORDERS]:
            first = setup.windows[setup.of_window[places[i]]].label
            found.append(
                (
                    sentence("cal-two-standings", standing=standing, first=first),
                    sentence("cal-standing-mend", first=first),
                    _split(setup, standing, frozenset(places[i:])),
                )
            )
    return found


def _split(setup: Setup, standing: str, later: frozenset[tuple[str, float, float]]) -> Setup:
    """The case with these places of a standing at another one."""
    name = f"{standing} (moved)"
    observations = [
        o.model_copy(update={"standing": name}) if o.standing == standing and o.place in later else o
        for o in setup.observations
    ]
    windows = {
        place: replace(w, standing=name) if place in later else w
        for place, w in setup.evidence.windows.items()
    }
    return make_setup(setup.machine, observations, replace(setup.evidence, windows=windows), setup.assume)


def _mirrored() -> tuple[tuple[str, str, str], ...]:
    """Kinds of readings beside the arm plane that may have the wrong sign: kind, words, what to change."""
    return (
        ("swing", sentence("cal-swing-mirrored"), sentence("cal-swing-mirrored-mend")),
        ("cross_slope", sentence("cal-edge-mirrored"), sentence("cal-edge-mirrored-mend")),
        ("tilt", sentence("cal-tilt-mirrored"), sentence("cal-tilt-mirrored-mend")),
    )


def wrong_assembly(solution: Solution) -> bool:
    """Whether the solved linkage stands on the other side than described, in most of its windows."""
    setup, state = solution.setup, solution.state
    if state.linkage is None or setup.machine.linkage is None:
        return False
    name = setup.sensors[setup.bodies.index("rocker")]
    seen = np.array([name in w.sensors for w in setup.windows], dtype=bool)
    px, pz, rocker, _, ear, ear_angle = state.linkage
    rho = state.angles[seen, ROCKER] - state.angles[seen, STICK]
    gamma = state.angles[seen, BUCKET] - state.angles[seen, STICK] + ear_angle
    bx, bz = px + rocker * np.cos(rho), pz + rocker * np.sin(rho)
    cx, cz = state.lengths[-2] + ear * np.cos(gamma), ear * np.sin(gamma)
    # Left of the line from the rocker–link pin to the bucket pin is assembly 1.
    side: Array = (state.lengths[-2] - bx) * (cz - bz) - (0.0 - bz) * (cx - bx)
    return bool(seen.any() and np.mean(np.sign(side) == setup.machine.linkage.assembly) < 0.5)


def turned_motions(solution: Solution) -> list[str]:
    """Ids of motions whose joint first moved the other way than noted."""
    found = []
    setup = solution.setup
    for o in setup.observations:
        if o.kind != "single_joint":
            continue
        votes = []
        for name, seen in setup.evidence.swings.get(o.id, {}).items():
            if name not in setup.sensors:
                continue
            s = setup.sensors.index(name)
            axis = solution.state.mount[s] @ seen.axis
            if o.of == "slew" and setup.bodies[s] == "upper":
                votes.append(float(axis[2]))
            elif o.of != "slew" and setup.bodies[s] in BEYOND.get(o.of, ()):
                votes.append(-float(axis[1]))
        if votes and np.mean(votes) * (o.value or 1.0) < -0.5:
            found.append(o.id)
    return found
