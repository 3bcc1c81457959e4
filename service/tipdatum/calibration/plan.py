"""Which posture to take next: the one whose observations would improve the tip most.

Candidates are postures with the observations one would make there. All are put into the case at once as
windows not yet measured; since windows do not see each other, one differentiation serves them all. Each
candidate's angles are eliminated, which leaves its information about what it shares with the rest; the
best is the one that brings the tip's worst 1-sigma over the working envelope down most for each reading that
it costs (a G-optimal design, taken greedily; Atkinson, Donev, *Optimum Experimental Designs*, ch. 10).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import solve_triangular
from threadpoolctl import threadpool_limits

from tipdatum.calibration import joints
from tipdatum.calibration.adjustment import Problem, Solution
from tipdatum.calibration.candidates import Candidate
from tipdatum.calibration.description import calibrated_machine
from tipdatum.calibration.observations import SensorRest
from tipdatum.calibration.parameters import Parameters
from tipdatum.calibration.recordings import RecordedEvidence, StillWindow
from tipdatum.calibration.starts import with_values
from tipdatum.calibration.tip_figures import TipFigures
from tipdatum.calibration.unknowns import ANGLES, ROLL, SWING, TILT, arm_angles, make_setup
from tipdatum.kinematics.frames import Array, up_vector


@dataclass(frozen=True, slots=True)
class Known:
    """The tip's 1-sigma over the envelope, m: at worst, and root mean square.

    At worst of all that is judged together (`TipFigures.everything`): of an arm that tilts or swings corners
    and standing sideways too.
    """

    worst_m: float
    rms_m: float


@dataclass(frozen=True, slots=True)
class Ranked:
    """A candidate, and how well the tip is known before and after it."""

    candidate: Candidate
    before: Known
    after: Known

    @property
    def worth(self) -> float:
        """Gain in the logarithm of the worst sigma, a reading."""
        return math.log(self.before.worst_m / self.after.worst_m) / self.candidate.readings


def rank(solution: Solution, candidates: Sequence[Candidate]) -> list[Ranked]:
    """Candidates, best first."""
    if not candidates:
        return []
    with threadpool_limits(limits=1, user_api="blas"):
        return _rank(solution, candidates)


def _rank(solution: Solution, candidates: Sequence[Candidate]) -> list[Ranked]:
    machine = calibrated_machine(solution)
    figures = TipFigures(machine)
    problem, first = _with_candidates(solution, candidates)
    u = np.array([problem.start.values.get(k.name, k.prior) for k in problem.unknowns]) / problem.scale
    J = problem.jacobian(u, np.ones(len(problem.rows), dtype=bool))
    rejected = solution.set_aside
    row_window = np.array([r.window for r in problem.rows])
    measured = np.array([r.window < first and r.id not in rejected for r in problem.rows])
    n = len(problem.rows)
    local = np.array([k.locus == "window" and k.index >= first for k in problem.unknowns])
    shared = np.flatnonzero(~local)
    base = np.concatenate([J[:n][measured], J[n:][shared]])[:, shared]
    information = base.T @ base
    place = {problem.unknowns[c].name: i for i, c in enumerate(shared)}
    judged = figures.everything()
    G = np.zeros((len(judged), len(shared)))
    columns = [place[name] for name in figures.names]
    G[:, columns] = judged * problem.scale[shared[columns]]
    half = np.linalg.cholesky(information)
    seen = solve_triangular(half, G.T, lower=True)
    variance = np.sum(seen**2, axis=0)
    before = _known(figures, variance)
    ranked = []
    for i, candidate in enumerate(candidates):
        rows = np.flatnonzero(row_window == first + i)
        own = np.flatnonzero([k.locus == "window" and k.index == first + i for k in problem.unknowns])
        # Its own angles first: QR of their columns leaves the rows that speak of everything else.
        block = np.concatenate([J[rows], J[n + own]])
        q, _ = np.linalg.qr(block[:, own], mode="complete")
        rest = q[:, len(own) :].T @ block[:, shared]
        # By as many rows as a posture has the covariance becomes smaller (Woodbury's identity).
        w = solve_triangular(half, rest.T, lower=True)
        inner = np.linalg.cholesky(np.eye(w.shape[1]) + w.T @ w)
        gain = np.sum(solve_triangular(inner, w.T @ seen, lower=True) ** 2, axis=0)
        ranked.append(Ranked(candidate, before, _known(figures, np.maximum(variance - gain, 0.0))))
    return sorted(ranked, key=lambda r: -r.worth)


def _known(figures: TipFigures, variance: Array) -> Known:
    return Known(math.sqrt(float(variance.max())), figures.rms(variance[: len(figures.postures)]))


def _with_candidates(solution: Solution, candidates: Sequence[Candidate]) -> tuple[Problem, int]:
    old, state = solution.setup, solution.state
    g = old.machine.gravity_mps2
    windows, observations = dict(old.evidence.windows), list(old.observations)
    values = {u.name: float(v) for u, v in zip(solution.unknowns, solution.x, strict=True)}
    for i, candidate in enumerate(candidates):
        label = f"candidate {i}"
        place = (f"rest:{label}", 0.0, 0.0)
        sensors = {}
        for s, (name, body) in enumerate(zip(old.sensors, old.bodies, strict=True)):
            up = _up(state, body, candidate.angles)
            read = state.gain[s] @ (state.mount[s].T @ (g * up)) + state.bias[s]
            sigma = old.assume.accel_floor_mps2 * 1.3
            sensors[name] = SensorRest(
                accel_mps2=(float(read[0]), float(read[1]), float(read[2])),
                sigma_mps2=(sigma, sigma, sigma),
                samples=200,
            )
        told = {}
        if (encoder := old.machine.swing_sensor) is not None and candidate.joint == "swing":
            told[encoder] = math.degrees(candidate.angles[SWING] + state.joints[joints.ZERO])
        windows[place] = StillWindow(candidate.power_up, 0.0, 0.0, candidate.standing, sensors, label, told)
        observations += [
            o.model_copy(
                update={"id": f"{label} {o.kind} {o.of}", "rest": label, "file": None, "window": None}
            )
            for o in candidate.observations
        ]
        values.update({f"{label}.{a}": v for a, v in zip(ANGLES, candidate.angles, strict=True)})
    evidence = replace(old.evidence, windows=windows) if windows else RecordedEvidence()
    setup = make_setup(old.machine, observations, evidence, old.assume)
    start = with_values(solution.start, _mark_places(solution, candidates) | values)
    return Problem(setup, start), len(old.windows)


def _up(state: Parameters, body: str, angles: Sequence[float]) -> Array:
    """(3,), the vertical in the axes of the part that a sensor sits on."""
    up = up_vector(angles[ANGLES.index(body)], angles[ROLL])[None]
    if body == "upper":
        up = joints.about_z(up, np.array([angles[SWING]]))
    if body == "bucket" and state.axis is not None:
        up = joints.about_axis(state.axis, up, -np.array([angles[TILT]]))
    found: Array = up[0]
    return found


def _mark_places(solution: Solution, candidates: Sequence[Candidate]) -> dict[str, float]:
    chain = solution.state.chain
    values: dict[str, float] = {}
    for c in candidates:
        for o in c.observations:
            if o.kind == "tip_on_mark" and c.joint != "swing":
                reach, lateral, _ = chain.tip(np.array(c.angles)[arm_angles(solution.setup.machine)])
                values[f"mark.{o.of}.{c.standing}.range_m"] = math.hypot(reach, lateral)
                values[f"mark.{o.of}.{c.standing}.azimuth"] = c.angles[6] + math.atan2(lateral, reach)
    return values
