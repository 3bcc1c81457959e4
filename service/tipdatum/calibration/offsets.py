"""What many readings can have in common when they are wrong alike.

A staff held to the wrong edge, a level on a casting that is not parallel to the line of pins, tracks that
moved between two readings, a sensor that was knocked: each moves many rows by one figure, and tests of single
rows would accuse many innocents instead.
"""

from __future__ import annotations

import numpy as np

from tipdatum.calibration.problem import Offset, Problem
from tipdatum.kinematics.frames import Array
from tipdatum.sentences import sentence

FEWEST = 3
"""Readings that make an offset worth a name: with fewer it is a slip or two."""

PIN_WORDS = {
    "boom_foot": sentence("cal-pin-foot"),
    "boom_second": sentence("cal-pin-second"),
    "boom_stick": sentence("cal-pin-elbow"),
    "stick_bucket": sentence("cal-pin-bucket"),
    "tip": sentence("cal-pin-tip"),
}


def candidate_offsets(problem: Problem, u: Array) -> list[Offset]:
    """Every shared offset that these observations could have."""
    return [*_kinds(problem), *_moved_tracks(problem), *_knocked_sensors(problem, u)]


def _kinds(problem: Problem) -> list[Offset]:
    of = {o.id: o.of for o in problem.setup.observations}
    found = []
    for kind, unit in (("height", "m"), ("slope", "rad"), ("plumb", "m")):
        for name in sorted({of[r.id] for r in problem.rows if r.kind == kind}):
            rows = np.array([1.0 if r.kind == kind and of[r.id] == name else 0.0 for r in problem.rows])
            if rows.sum() >= FEWEST:
                words = {
                    "height": sentence("cal-all-heights", pin=PIN_WORDS.get(name, name)),
                    "slope": sentence("cal-all-slopes", body=name.replace("_", " ")),
                    "plumb": sentence("cal-all-plumb", body=name.replace("_", " ")),
                }[kind]
                found.append(Offset(f"{kind} of {name}", words, unit, rows))
    return found


def _moved_tracks(problem: Problem) -> list[Offset]:
    """The standing's height changed between two of its windows."""
    found = []
    setup = problem.setup
    for s, standing in enumerate(setup.standings):
        rows = [
            (i, r.window)
            for i, r in enumerate(problem.rows)
            if r.standing == s and (r.kind == "height" or (r.kind == "tip_on_mark" and r.part == "height"))
        ]
        windows = sorted({w for _, w in rows})
        for k in range(2, len(windows) - 1):
            later = set(windows[k:])
            direction = np.zeros(len(problem.rows))
            direction[[i for i, w in rows if w in later]] = 1.0
            words = sentence(
                "cal-two-standings-mend", standing=standing, first=setup.windows[windows[k]].label
            )
            found.append(
                Offset(f"standing {standing} from {setup.windows[windows[k]].label}", words, "m", direction)
            )
    return found


def _knocked_sensors(problem: Problem, u: Array) -> list[Offset]:
    """A sensor turned in the arm plane between two recordings."""
    setup = problem.setup
    files = list(dict.fromkeys(w.file for w in setup.windows))
    if len(files) < 2:
        return []
    J = problem.jacobian(u, problem.everything)[: len(problem.rows)]
    file_of = np.array(
        [files.index(setup.windows[r.window].file) if r.window >= 0 else -1 for r in problem.rows]
    )
    reading = np.array([r.kind == "reading" for r in problem.rows])
    sensor = np.array([r.sensor for r in problem.rows])
    found = []
    for i, unknown in enumerate(problem.unknowns):
        if not unknown.name.endswith(".mount.pitch"):
            continue
        name = setup.sensors[unknown.slot]
        # ∂(misfit)/∂(mount), with the sign of an offset that is taken off.
        column = -J[:, i] / problem.scale[i] * problem.sigma
        for k in range(1, len(files)):
            rows = np.where(reading & (sensor == unknown.slot) & (file_of >= k), column, 0.0)
            if np.count_nonzero(rows) >= 2 * FEWEST:
                words = sentence("cal-knocked", body=name, file=files[k])
                found.append(Offset(f"{name} sensor from {files[k]}", words, "rad", rows))
    return found
