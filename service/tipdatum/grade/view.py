"""What is set, as displays and people read it: the fields of the state message."""

from __future__ import annotations

from typing import Any

from tipdatum.grade.desk import Desk
from tipdatum.grade.morning import wording


def state_view(desk: Desk) -> dict[str, Any]:
    """Reference, target, station, marks, question and cautions as plain data."""
    state = desk.state
    question = state.questions[0] if state.questions else None
    return {
        "datum": desk.datum,
        "reasons": list(state.doubts),
        "reference": _reference(desk),
        "bucket": desk.bucket,
        "target": _target(desk),
        "station": _station(desk),
        "tolerance": state.tolerance.model_dump() if state.tolerance else None,
        "marks": {
            name: {"elevation_m": m.elevation_m, "known": m.known, "station_m": m.station_m}
            for name, m in sorted(state.marks.items())
        },
        "plane": state.plane.model_dump() if state.plane else None,
        "limits": [one.model_dump() for one in state.limits],
        "question": None
        if question is None
        else {"name": question, "text": wording(question, state, desk.bucket), "left": len(state.questions)},
        "cautions": [shown.model_dump() for shown in state.trench.shown],
        "trench": state.trench.model_dump(exclude={"shown", "day"}),
        "checked": state.checked.model_dump() if state.checked else None,
        "points": len(state.points),
        "recording": state.auto is not None,
    }


def _reference(desk: Desk) -> dict[str, Any] | None:
    record = desk.state.reference
    if record is None:
        return None
    keys = {"instrument_m", "how", "mark", "point", "known_m", "known_sigma_m", "bucket", "t", "time", "by"}
    return record.model_dump(include=keys)


def _target(desk: Desk) -> dict[str, Any] | None:
    state = desk.state
    if state.target is None:
        return None
    shown: dict[str, Any] = state.target.model_dump()
    shown["layers"] = [one.model_dump() for one in state.layers]
    shown["layer"] = state.layer
    if state.pipe is not None:
        shown["pipe"] = state.pipe.model_dump()
    return shown


def _station(desk: Desk) -> dict[str, Any] | None:
    line = desk.state.line
    if line is None:
        return None
    lost = line.lost or ("the machine travelled" if desk.state.travelled else None)
    return {"known": lost is None, "reason": lost, "follows_boom_plane": line.azimuth_rad is None}
