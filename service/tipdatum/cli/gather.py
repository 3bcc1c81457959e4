"""What a replay of a session gives, gathered for the report."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from tipdatum.bus.messages import Arm, Happening, Health, Message, Reply, State, Tip
from tipdatum.config import Settings
from tipdatum.core.messages_out import Outgoing
from tipdatum.core.pipeline import Pipeline
from tipdatum.display.report.run import Floats, Run
from tipdatum.errors import SessionError
from tipdatum.fusion.pose import Pose
from tipdatum.grade.state import WorkState
from tipdatum.grade.surfaces import Ditch
from tipdatum.machine.description import parse_machine
from tipdatum.sessions.scorer import Errors, MessageTrack, TruthTrack, score, true_elevation
from tipdatum.sessions.tracks import read_truth
from tipdatum.walltime import WallTime, parse_started
from tipdatum_drivers.reading import moved
from tipdatum_drivers.session_file import SessionFile

CARRIES = ("mark/return", "laser/set", "datum/correct", "book/distribute", "bucket/choose", "bucket/wear")
"""Commands after which elevations hang on more than the last touch of a known mark."""


PAUSE_S = 5.0
"""Between two files, longer than this the service was off, s; a file that follows another has no gap."""

NOBODY = ("unknown", "recording", "session")
"""How commands are signed that nobody signed."""


class _Gathered:
    """Takes every message of a replay and keeps what the report tells."""

    def __init__(self) -> None:
        self.pose: Callable[[], Pose | None] = lambda: None
        self.leans: list[tuple[float, float]] = []
        self.tips: list[tuple[float, ...]] = []
        self.arms: list[tuple[float, float]] = []
        self.edges: list[tuple[float, ...]] = []
        self.across: list[tuple[float, ...]] = []
        self.falls: list[tuple[float, float]] = []
        self.work: Callable[[], WorkState | None] = lambda: None
        self.words: list[tuple[str, str]] = []
        self.health: dict[str, list[dict[str, Any]]] = {}
        self.others: dict[type[Message], list[dict[str, Any]]] = {State: [], Happening: [], Reply: []}

    def lean(self) -> tuple[float, float]:
        """Pitch and roll of the upper at this moment, degrees."""
        pose = self.pose()
        if pose is None or not pose.known:
            return float(np.nan), float(np.nan)
        return float(np.degrees(pose.angles[0])), float(np.degrees(pose.angles[1]))

    def take(self, item: Outgoing) -> None:
        message = item.message
        if isinstance(message, Tip):
            t_emit = message.t if item.t_emit is None else item.t_emit
            target = message.target_m
            if target is None and message.elevation_m is not None and message.deviation_m is not None:
                target = message.elevation_m - message.deviation_m
            figures = (message.elevation_m, message.reach_m, message.sigma_m, message.deviation_m, target)
            self.tips.append((message.t, t_emit, *(np.nan if f is None else f for f in figures)))
            self.arms.append((np.nan, np.nan))
            ends = (message.left_m, message.left_sigma_m, message.right_m, message.right_sigma_m)
            against = (message.left_deviation_m, message.right_deviation_m)
            self.edges.append(tuple(np.nan if f is None else f for f in (*ends, *against)))
            self.across.append((np.nan,) * 4)
            self.falls.append((np.nan, np.nan))
            self.leans.append(self.lean())
            self.words.append((message.quality, message.datum))
        elif isinstance(message, Arm):
            if self.tips and message.t == self.tips[-1][0]:
                self.arms[-1] = (np.nan if message.slew_deg is None else message.slew_deg, _hang(message))
                fall, under = message.edge_fall_percent, message.target_fall_percent
                self.falls[-1] = (np.nan if fall is None else fall, np.nan if under is None else under)
                self.across[-1] = _across(message, self.work())
        elif isinstance(message, Health):
            self.health.setdefault(message.sensor, []).append(message.model_dump())
        elif type(message) in self.others:
            self.others[type(message)].append(message.model_dump())


def gather(path: Path, settings: Settings, name: str, later: Sequence[Path] = ()) -> Run:
    """Replay a session and keep what the report tells.

    Args:
        later: further files of the same day and machine, in any order: what was set goes on from one to the
            next, and over a pause of the service as after a restart.

    Raises:
        InputError: a session cannot be read, or there are no figures.
    """
    first, *others = sorted(map(SessionFile, (path, *later)), key=lambda one: one.header.started)
    header, path = first.header, first.path
    machine = parse_machine(header.machine, f"{path}, machine of the header")
    kept = _Gathered()
    settings = replace(settings, arm_every=1)
    pipeline = Pipeline(machine, settings, WallTime(parse_started(header.started, str(path))), kept.take)
    kept.pose = lambda: pipeline.work.pose
    kept.work = lambda: pipeline.work.state
    _feed(pipeline, first, others)
    pipeline.finish()
    if not kept.tips:
        raise SessionError(
            str(path), 0, "no readings that give a figure", "readings of the machine's sensors"
        )
    t, t_emit, elevation, reach, sigma, deviation, target = np.array(kept.tips).T
    slew, hang = np.array(kept.arms).T
    quality = tuple(word for word, _ in kept.words)
    truth = None if others else _truth(path)
    edge = np.array(kept.edges)
    track = MessageTrack(t_emit, elevation, sigma, quality, {"left": edge[:, 0:2], "right": edge[:, 2:4]})
    work = pipeline.work.state
    return Run(
        name=name,
        session=", ".join(one.path.name for one in (first, *others)),
        started=header.started,
        machine=header.machine,
        estimator=settings.estimator,
        comment=header.comment,
        t=t,
        t_emit=t_emit,
        elevation=elevation,
        reach=reach,
        sigma=sigma,
        deviation=deviation,
        target=target,
        slew=slew,
        hang=hang,
        lean=np.array(kept.leans),
        corners=edge[:, 4:6],
        across=np.array(kept.across),
        falls=np.array(kept.falls),
        tilts=machine.chain().tilt is not None,
        quality=quality,
        datum=tuple(word for _, word in kept.words),
        states=kept.others[State],
        events=kept.others[Happening],
        replies=kept.others[Reply],
        health=kept.health,
        book=[row.model_dump() for row in work.book.rows],
        closed=work.closed.model_dump() if work.closed else None,
        points=[point.model_dump() for point in work.points],
        error=_error(truth, track, [word for _, word in kept.words], carried=_carried(kept)),
        score=_score(truth, track, carried=_carried(kept)),
        warnings=[f"{one.path.name}: {text}" for one in (first, *others) for text in one.warnings],
        operator=", ".join(_names(kept)),
        site=work.trench.name,
    )


def _feed(pipeline: Pipeline, first: SessionFile, others: Sequence[SessionFile]) -> None:
    """Every record of the files, in the time of the first one.

    Raises:
        SessionError: a file is of another machine.
    """
    began = parse_started(first.header.started, first.name)
    latest = 0.0
    for session in (first, *others):
        if session.header.machine.get("sensor") != first.header.machine.get("sensor"):
            raise SessionError(session.name, 1, "other sensors", f"those of {first.path.name}")
        here = parse_started(session.header.started, session.name)
        shift = 0.0 if began is None or here is None else (here - began).total_seconds()
        fresh = session is not first
        for one in session.records():
            record = moved(one, shift) if shift else one
            if record.t < latest:
                continue  # the clock was set back between two files
            if fresh and record.t - latest > PAUSE_S:
                pipeline.go_on_after(record.t, record.t - latest)
            fresh, latest = False, record.t
            pipeline.feed(record)


def _names(kept: _Gathered) -> list[str]:
    """Who set the references, as far as somebody signed in."""
    names = [str((state.get("reference") or {}).get("by") or "") for state in kept.others[State]]
    return list(dict.fromkeys(name for name in names if name and name not in NOBODY))


def _hang(arm: Arm) -> float:
    """How far the tip lies below its pin, in parts of their distance; NaN where the arm is not known."""
    if not arm.points or len(arm.points) < 2:
        return float(np.nan)
    pin, tip = arm.points[-2:]
    length = float(np.hypot(tip.reach_m - pin.reach_m, tip.height_m - pin.height_m))
    return (pin.height_m - tip.height_m) / length if length > 0.0 else float(np.nan)


def _across(arm: Arm, work: WorkState | None) -> tuple[float, ...]:
    """Where both ends of the edge are in the section of a ditch; see `Run.across`."""
    unknown = (np.nan,) * 4
    if work is None or not isinstance(work.target, Ditch) or work.line is None:
        return unknown
    if arm.corners is None or arm.slew_deg is None or arm.height_to_elevation_m is None:
        return unknown
    found: list[float] = []
    for corner in arm.corners:
        station, offset = work.line.place(corner.reach_m, corner.lateral_m, np.radians(arm.slew_deg))
        bottom = work.target.elevation_m + work.target.grade * station
        found += [offset, corner.height_m + arm.height_to_elevation_m - bottom]
    return tuple(found)


def _truth(path: Path) -> TruthTrack | None:
    try:
        truth = read_truth(path)
    except SessionError:
        return None
    return truth if truth.references else None


def _carried(kept: _Gathered) -> bool:
    """Whether the reference was carried on by other means than a touch of known elevation."""
    return any(reply["ok"] and reply["command"] in CARRIES for reply in kept.others[Reply])


def _error(
    truth: TruthTrack | None, track: MessageTrack, datum: list[str], *, carried: bool
) -> Floats | None:
    """Error of each message, m, while the reference was set."""
    if truth is None or (carried and truth.ground is None):
        return None
    tip = truth.ground if carried and truth.ground is not None else truth.tip
    true = true_elevation(truth, tip, track.t_emit)
    told = np.array([word == "set" for word in datum])
    told &= (track.t_emit >= truth.references[0][0]) & (track.t_emit <= truth.t[-1])
    return np.where(told, track.elevation - true, np.nan)


def _score(truth: TruthTrack | None, track: MessageTrack, *, carried: bool) -> list[tuple[str, str]]:
    if truth is None:
        return []
    result = score(truth, track)
    rows: list[tuple[str, str]] = []
    kinds = [("moving-ground", result.moving_ground), ("slow-ground", result.slow_ground)]
    if not carried:  # heights above the slew centre say nothing once the machine has moved
        kinds = [("moving", result.moving), ("slow", result.slow), *kinds]
        kinds += [("left-moving", result.left_moving), ("left-slow", result.left_slow)]
        kinds += [("right-moving", result.right_moving), ("right-slow", result.right_slow)]
    for name, errors in kinds:
        if errors is not None and errors.messages:
            rows += _error_rows(name, errors)
    fall = result.cross_fall
    if not carried and fall is not None and fall.rms_deg is not None:
        rows.append(("cross-fall", f"{fall.rms_deg:.2f}°"))
    if result.static_noise_m is not None:
        rows.append(("noise", _mm(result.static_noise_m)))
    if result.lag_s is not None:
        rows.append(("lag", f"{result.lag_s * 1000:.0f} ms".replace("-0 ", "0 ").replace("-", "−")))
    return rows


def _error_rows(name: str, errors: Errors) -> list[tuple[str, str]]:
    lengths = (("rms", errors.rms_m), ("p95", errors.p95_m), ("max", errors.max_m), ("mean", errors.mean_m))
    rows = [(f"{name}.{what}", _mm(v)) for what, v in lengths]
    share = errors.within_2_sigma
    rows.append((f"{name}.within", "–" if share is None else f"{100 * share:.0f} %"))
    return rows


def _mm(metres: float | None) -> str:
    return "–" if metres is None else f"{metres * 1000:.1f} mm".replace("-", "−")
