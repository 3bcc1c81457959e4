"""What a screen shows of a walk through a calibration: plain data, lengths m, angles degrees."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from tipdatum.calibration import guide
from tipdatum.calibration.loose import up_in
from tipdatum.calibration.observations import SensorRest
from tipdatum.calibration.rest_posture import posture_of
from tipdatum.calibration.still import HOLD_S
from tipdatum.calibration.unknowns import plane_angles
from tipdatum.calibration.walk import Walk
from tipdatum.kinematics.frames import Array


def view_of(walk: Walk, now: float) -> dict[str, Any]:
    """Everything that a screen needs at `now`; angles and pins are None where they are not current."""
    links = walk.machine.sections
    state, asked, q = walk.watch.judge(), walk.current(), _angles(walk, now)
    wanted = (
        None
        if asked is None or not asked.angles
        else _pins(walk, np.array(asked.angles)[plane_angles(walk.machine)])
    )
    return {
        "machine": walk.machine.name,
        "standing": walk.standing,
        "standings": sorted({o.standing for o in walk.book.observation if o.standing}),
        "chapters": _chapters(walk),
        "stage": stage_of(walk, now),
        "step": _step(walk),
        "still": {
            "seconds": round(state.still_s, 1),
            "needed": HOLD_S,
            "scatter_mps2": round(max(state.spread_mps2.values(), default=0.0), 3),
            "drift_deg": round(max(state.drift_deg.values(), default=0.0), 3),
        },
        "silent": walk.silent(now),
        "angles": None
        if q is None
        else {n: round(math.degrees(float(q[2 + i])), 1) for i, n in enumerate(links)},
        "pins": None if q is None else _pins(walk, q),
        "wanted": wanted,
        "lies": _lies(walk, now),
        "kept": {"observations": len(walk.book.observation), "rests": len(walk.book.rest)},
        "known": None if walk.foreseen is None else {"worst_m": walk.foreseen.worst_m, "goal_m": walk.goal_m},
        "note": walk.note,
        "marks": list(walk.marks),
        "finishing": walk.finishing,
        "verdict": walk.verdict,
    }


def stage_of(walk: Walk, now: float) -> str:
    """Where the walk is: place, silent, move, moving, settling, ready, swing, readings or end."""
    state, asked = walk.watch.judge(), walk.current()
    if not walk.placed:
        return "place"
    if asked is None:
        return "end"
    if walk.rest is not None:
        return "readings"
    if walk.silent(now):
        return "silent"
    if walk.swing is not None:
        return "swing"
    if not asked.step.swing and not walk.moved:
        return "move"
    return "ready" if state.ready else "settling" if state.still_s >= 1.0 else "moving"


def _step(walk: Walk) -> dict[str, Any] | None:
    asked = walk.current()
    if asked is None:
        return None
    step, rest = asked.step, None
    questions = step.questions
    if walk.rest is not None:
        drifts = {n: r.drift_deg for n, r in walk.rest.sensor.items()}
        worst = max(drifts, key=lambda n: drifts[n])
        rest = {"drift_deg": drifts[worst], "worst": worst}
        questions = guide.open_questions(step, walk.rest)
    return {
        "id": step.id,
        "key": asked.key,
        "values": asked.values,
        "words": step.words,
        "motion": bool(step.swing),
        "rest": rest,
        "questions": [
            {"name": f"{q.kind} {q.of}", "kind": q.kind, "of": q.of, "unit": q.unit} for q in questions
        ],
    }


def _chapters(walk: Walk) -> list[dict[str, Any]]:
    found: dict[str, list[dict[str, Any]]] = {}
    for asked in walk.steps():
        name = asked.step.id
        if guide.is_done(walk.book, asked.step):
            state = "done"
        elif name == walk.asked_for:
            state = "now"
        else:
            state = "skipped" if name in walk.skipped else "open"
        found.setdefault(asked.chapter, []).append({"id": name, "state": state})
    return [{"name": name, "steps": steps} for name, steps in found.items()]


def _angles(walk: Walk, now: float) -> Array | None:
    if walk.on_bench or walk.silent(now):
        return None
    rests = {
        n: SensorRest(accel_mps2=b.accel_mps2, sigma_mps2=(1.0, 1.0, 1.0), samples=b.n)
        for n, b in walk.last.items()
    }
    try:
        return posture_of(walk.machine, rests).q
    except ValueError:
        return None


def _lies(walk: Walk, now: float) -> list[float] | None:
    """Which way is up in the axes of a sensor on the bench; None without one, or where it is not heard."""
    asked = walk.current()
    if asked is None or not walk.on_bench or walk.silent(now):
        return None
    return up_in(walk.last[asked.step.sensors[0]].accel_mps2)


def _pins(walk: Walk, q: Array) -> list[list[float]]:
    pins = walk.machine.straight_chain().pins(q)
    return [[round(float(p[0]), 3), round(float(p[2]), 3)] for p in pins]
