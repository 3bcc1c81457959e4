"""What is set, as displays and people read it: the fields of the state message."""

from __future__ import annotations

from typing import Any

from tipdatum.grade.morning import wording
from tipdatum.grade.site import Site


def state_view(site: Site) -> dict[str, Any]:
    """Reference, target, station, marks, question and cautions as plain data."""
    state = site.state
    return {
        "datum": site.datum,
        "reasons": list(state.doubts),
        "reference": _reference(site),
        "bucket": site.mounted.bucket,
        "target": _target(site),
        "station": _station(site),
        "tolerance": state.tolerance.model_dump() if state.tolerance else None,
        "marks": {
            name: {"elevation_m": m.elevation_m, "known": m.known, "station_m": m.station_m}
            for name, m in sorted(state.marks.items())
        },
        "plane": state.plane.model_dump() if state.plane else None,
        "limits": [one.model_dump() for one in state.limits],
        "question": _question(site),
        "cautions": [shown.model_dump() for shown in state.trench.shown],
        "trench": state.trench.model_dump(exclude={"shown", "day"}),
        "checked": state.checked.model_dump() if state.checked else None,
        "points": len(state.points),
        "recording": state.auto is not None,
    }


def _question(site: Site) -> dict[str, Any] | None:
    left = site.state.questions
    if not left:
        return None
    text = wording(left[0], site.state, site.mounted.bucket)
    return {"name": left[0], "text": text, "left": len(left)}


def _reference(site: Site) -> dict[str, Any] | None:
    record = site.state.reference
    if record is None:
        return None
    keys = {"instrument_m", "how", "mark", "point", "known_m", "known_sigma_m", "bucket", "t", "time", "by"}
    return record.model_dump(include=keys)


def _target(site: Site) -> dict[str, Any] | None:
    state = site.state
    if state.target is None:
        return None
    shown: dict[str, Any] = state.target.model_dump()
    shown["layers"] = [one.model_dump() for one in state.layers]
    shown["layer"] = state.layer
    if state.pipe is not None:
        shown["pipe"] = state.pipe.model_dump()
    return shown


def _station(site: Site) -> dict[str, Any] | None:
    line = site.state.line
    if line is None:
        return None
    lost = line.lost or ("the machine travelled" if site.state.travelled else None)
    return {"known": lost is None, "reason": lost, "follows_boom_plane": line.azimuth_rad is None}
