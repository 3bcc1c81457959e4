"""Which posture to take next: the one whose observations would improve the tip most.

Candidates are postures with the observations one would make there. All are put into the case at once as
windows not yet measured; since windows do not see each other, one differentiation serves them all. Each
candidate's angles are eliminated, which leaves its information about what it shares with the rest; the
best is the one that brings the tip's worst 1-sigma over the working envelope down most for each reading that
it costs (a G-optimal design, taken greedily; Atkinson, Donev, *Optimum Experimental Designs*, ch. 10).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import solve_triangular
from scipy.spatial.transform import Rotation
from threadpoolctl import threadpool_limits

from tipdatum.calibration.adjustment import Problem, Solution, Tell, adjust
from tipdatum.calibration.description import calibrated_machine
from tipdatum.calibration.envelope import Postures, reach_points
from tipdatum.calibration.observations import Observation, ObservationBook, SensorRest
from tipdatum.calibration.recordings import RecordedEvidence, StillWindow
from tipdatum.calibration.starts import closest_bucket, with_values
from tipdatum.calibration.tip_figures import TipFigures
from tipdatum.calibration.unknowns import ANGLES, make_setup
from tipdatum.kinematics.frames import Array, elevation_angle, roll_angle, up_vector
from tipdatum.machine.description import Machine

LEVEL_SIGMA_DEG = 0.05
HEIGHT_SIGMA_M = 0.002
TOUCH_SIGMA_M = 0.003
"""What a digital level, a staff and a tip on a mark give (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A posture one could take.

    Attributes:
        label: for people. angles: (7,) rad in the order of `unknowns.ANGLES`.
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


@dataclass(frozen=True, slots=True)
class Known:
    """The tip's 1-sigma over the envelope, m: at worst, and root mean square."""

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
    G = np.zeros((len(figures.postures), len(shared)))
    columns = [place[name] for name in figures.names]
    G[:, columns] = figures.J * problem.scale[shared[columns]]
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
    return Known(math.sqrt(float(variance.max())), figures.rms(variance))


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
            up = up_vector(candidate.angles[ANGLES.index(body)], candidate.angles[1])
            read = state.gain[s] @ (state.mount[s].T @ (g * up)) + state.bias[s]
            sigma = old.assume.accel_floor_mps2 * 1.3
            sensors[name] = SensorRest(
                accel_mps2=(float(read[0]), float(read[1]), float(read[2])),
                sigma_mps2=(sigma, sigma, sigma),
                samples=200,
            )
        windows[place] = StillWindow(candidate.power_up, 0.0, 0.0, candidate.standing, sensors, label)
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


def _mark_places(solution: Solution, candidates: Sequence[Candidate]) -> dict[str, float]:
    chain = solution.state.chain
    values: dict[str, float] = {}
    for c in candidates:
        for o in c.observations:
            if o.kind == "tip_on_mark":
                reach, lateral, _ = chain.tip(np.array(c.angles[:5]))
                values[f"mark.{o.of}.{c.standing}.range_m"] = math.hypot(reach, lateral)
                values[f"mark.{o.of}.{c.standing}.azimuth"] = c.angles[6] + math.atan2(lateral, reach)
    return values


def measuring(label: str, angles: tuple[float, ...], standing: str) -> Candidate:
    """Slopes of the three links by digital level, heights of the three outer pins and the tip by staff."""
    blank = {"rest": "-", "standing": standing, "value": 0.0}
    level = [
        Observation(id=f"{label} {of}", kind="slope", of=of, unit="deg", sigma=LEVEL_SIGMA_DEG, **blank)
        for of in ("boom", "stick", "bucket")
    ]
    staff = [
        Observation(id=f"{label} h {of}", kind="height", of=of, unit="m", sigma=HEIGHT_SIGMA_M, **blank)
        for of in ("boom_foot", "boom_stick", "stick_bucket", "tip")
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


def suggestions(solution: Solution) -> list[Candidate]:
    """Postures that a person can measure: over a flat yard, and touches of the marks that are in the case.

    The machine stays where it stood last, since each new standing costs three unknowns of its own. The tip is
    above the ground and within a staff's reach, and a linkage stays away from its dead centres.
    """
    machine = calibrated_machine(solution)
    setup, state = solution.setup, solution.state
    standing = setup.standings[-1] if setup.standings else "S"
    found: list[Candidate] = []
    chain = machine.chain()
    out = float(chain.foot[0] + chain.lengths.sum())
    near, far_out = YARD_REACH[0] * out, YARD_REACH[1] * out
    reach, height = (
        a.ravel() for a in np.meshgrid(np.linspace(near, far_out, 5), np.linspace(*YARD_HEIGHT_M, 4))
    )
    for bucket in (-150.0, -110.0, -60.0):
        postures, _ = reach_points(machine, reach, height, np.full(reach.shape, bucket))
        for i in range(len(postures)):
            whole = measuring(f"measure: {_spoken(postures, i)}", _angles(postures, i), standing)
            found += [
                replace(whole, label=f"measure{words}: {_spoken(postures, i)}", observations=some)
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
                f"tip on mark {mark}, standing {where}: {_spoken(postures, i)}",
                _angles(postures, i),
                where,
                mark,
            )
            for i in range(len(postures))
        ]
    return found


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
        angles = [0.0, 0.0, *(3 * [math.radians(-90.0)]), 0.0, 0.0]
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
        (", heights but the boom foot's", ("height",), ("boom_stick", "stick_bucket", "tip")),
        (", slopes", ("slope",), None),
        (", height of the tip", ("height",), ("tip",)),
    ):
        some = tuple(o for o in observations if o.kind in kinds and (of is None or o.of in of))
        if some and all(some != known for _, known in found):
            found.append((words, some))
    return found


POSTURE_KINDS = frozenset({"slope", "height", "tip_on_mark", "plumb", "slew"})
"""Kinds of observation that one goes to a posture for."""


@dataclass(frozen=True, slots=True)
class Taken:
    """A posture that was taken.

    Attributes:
        label: for people. readings: observations that it brought.
        before, after: as predicted when it was chosen.
        moved_m: RMS over the envelope by which the tip then moved.
        expected_m: by which it should have, 1-sigma.
    """

    label: str
    readings: int
    before: Known
    after: Known
    moved_m: float
    expected_m: float


@dataclass(frozen=True, slots=True)
class Followed:
    """A solution reached by taking readings in the order the plan asked for.

    `order` are the steps, of which several may be at one posture; `available` counts postures.
    `misfits` are ids of observations, in postures that were left aside, that an adjustment of everything
    rejects: nobody needed them, but somebody should know. `reached` says whether the goal was.
    """

    solution: Solution
    order: tuple[Taken, ...]
    available: int
    reached: bool
    misfits: tuple[str, ...] = ()

    @property
    def postures(self) -> int:
        """How many postures were needed."""
        return len({o.place for o in self.solution.setup.observations if o.kind in POSTURE_KINDS})

    @property
    def readings(self) -> int:
        """How many readings were needed."""
        return sum(t.readings for t in self.order)

    @property
    def boldness(self) -> float:
        """What the predictions must be multiplied by: see `boldness`."""
        return boldness(self.order)


def boldness(taken: Sequence[Taken]) -> float:
    """How far the tip moved with new postures against how far it should have, 1 where as predicted.

    Of two adjustments of which one holds the observations of the other, the difference has the difference of
    their covariances (Koch, *Parameter Estimation and Hypothesis Testing in Linear Models*, 3.7): a predicted
    figure that is too small shows in steps that are too large. One posture more counts as if it were as
    predicted, so that the first one alone decides nothing.
    """
    expected = [t.expected_m**2 for t in taken]
    if not expected:
        return 1.0
    one_more = sum(expected) / len(expected)
    moved = sum(t.moved_m**2 for t in taken)
    return max(1.0, math.sqrt((moved + one_more) / (sum(expected) + one_more)))


GOAL_M = 0.0015
"""1-sigma of the tip at worst at which the guide stops, against the reference, without noise and the next
power-up: 3 mm at 95 %."""

LITTLE = 0.04
"""Share of the worst sigma that the next posture must gain, or the guide stops."""


def follow(
    machine: Machine,
    book: ObservationBook,
    evidence: RecordedEvidence,
    goal_m: float = GOAL_M,
    most: int = 40,
    tell: Tell = lambda _: None,
    choose: Callable[[Sequence[Ranked]], Ranked] = lambda ranked: ranked[0],
) -> Followed:
    """Take recorded postures one at a time, each time the one that helps most, as one would in the field.

    Args:
        goal_m: stop when the predicted worst sigma, times `boldness`, is below.
        most: postures to take at most. choose: takes another than the best, to compare orders.

    Raises:
        ValueError: there is nothing to adjust.
    """
    everything = book.solving()
    posture_places = {o.place for o in everything if o.kind in POSTURE_KINDS}
    ids = {o.id for o in everything if o.place not in posture_places}
    order: list[Taken] = []
    before: Solution | None = None
    best: Ranked | None = None
    reached = False
    while True:
        chosen = [o for o in everything if o.id in ids]
        places = {o.place for o in chosen}
        windows = {p: w for p, w in evidence.windows.items() if p in places}
        tell(f"{len(order)} postures taken, choosing the next")
        solution = adjust(make_setup(machine, chosen, replace(evidence, windows=windows), book.assume), tell)
        if before is not None and best is not None:
            order.append(_taken(best, before, solution))
        ranked = rank(solution, recorded(solution, book, evidence))
        if not ranked or len(order) >= most:
            break
        before, best = solution, choose(ranked)
        if len({o.place for o in chosen if o.place in posture_places}) >= FEWEST:
            reached = boldness(order) * best.before.worst_m <= goal_m
            gains = max(1.0 - r.after.worst_m / r.before.worst_m for r in ranked)
            if reached or gains < LITTLE:
                break
        ids |= {o.id for o in best.candidate.observations}
    whole = adjust(make_setup(machine, everything, evidence, book.assume))
    aside = tuple(name for name in whole.rejected if name not in ids)
    return Followed(solution, tuple(order), len(posture_places), reached, aside)


def _taken(chosen: Ranked, before: Solution, after: Solution) -> Taken:
    """What a posture brought, and by how much the tip moved with it."""
    figures = TipFigures(calibrated_machine(before))
    change = tip_change(before, after, figures)
    expected = math.sqrt(max(chosen.before.rms_m**2 - chosen.after.rms_m**2, 0.0))
    return Taken(
        chosen.candidate.label, chosen.candidate.readings, chosen.before, chosen.after,
        figures.rms(change**2), expected,
    )  # fmt: skip


def tip_change(before: Solution, after: Solution, figures: TipFigures) -> Array:
    """(P,) m: by how much elevations differ with the one and with the other solution."""
    change = np.zeros(len(figures.names))
    for i, name in enumerate(figures.names):
        if ".mount." not in name:
            change[i] = after.value(name) - before.value(name)
    for s, sensor in enumerate(before.setup.sensors):
        turn = Rotation.from_matrix(after.state.mount[s] @ before.state.mount[s].T).as_rotvec()
        for k, axis in enumerate(("roll", "pitch", "yaw")):
            change[figures.names.index(f"sensor.{sensor}.mount.{axis}")] = turn[k]
    moved: Array = figures.J @ change
    return moved


FEWEST = 6
"""Postures below which a blunder could not be told from the truth."""


def _angles(postures: Postures, i: int) -> tuple[float, ...]:
    rocker = float(postures.rocker[i])
    return (*map(float, postures.q[i]), 0.0 if math.isnan(rocker) else rocker, 0.0)


def _spoken(postures: Postures, i: int) -> str:
    """A posture as a level on the links shows it: slopes, which the bucket's curl makes unambiguous."""
    boom, stick, bucket = (_slope(a) for a in np.degrees(postures.q[i, 2:]))
    curled = ", curled towards the cab" if abs(math.degrees(float(postures.q[i, 4]))) > 90.0 else ""
    return (
        f"slopes boom {boom:+.0f}°, stick {stick:+.0f}°, bucket {bucket:+.0f}°{curled} "
        f"(tip {postures.reach[i]:.1f} m out, {postures.height[i]:.1f} m over the yard)"
    )


def _slope(angle_deg: float) -> float:
    """What a level shows of a link at that angle on level ground, degrees in [-90, 90]."""
    return math.degrees(math.asin(math.sin(math.radians(angle_deg))))
