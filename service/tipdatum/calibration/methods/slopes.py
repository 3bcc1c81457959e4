"""Methods 2 and 6: slopes by a digital level, heights of pins, taped lengths, and the plumb line.

A level laid along a link shows asin(x·up) = asin(cos φ · sin θ); it cannot tell a slope from its mirror
past the vertical, but the sensor beside it can. Near the vertical the level hardly sees the angle while a
plumb line sees it best: the horizontal distance between two pins is length · cos θ.
"""

from __future__ import annotations

import math

import numpy as np

from tipdatum.calibration.methods.rows import Row, Term
from tipdatum.calibration.observations import Observation
from tipdatum.calibration.unknowns import ANGLES, ROLL, Parameters, Setup
from tipdatum.kinematics.frames import Array

_LINKAGE = {"rocker": 2, "link": 3, "bucket_ear": 4}


def slopes(setup: Setup) -> Term:
    """One row for each slope."""
    found = _with_window(setup, "slope")
    rows = tuple(
        Row(o.id, o.kind, "rad", math.radians(math.hypot(o.sigma or 0.0, setup.assume.settling_deg)), "", w)
        for o, w in found
    )
    w_ = np.array([w for _, w in found], dtype=int)
    a_ = np.array([ANGLES.index(o.of) for o, _ in found], dtype=int)
    value = np.radians([o.value or 0.0 for o, _ in found])

    def residuals(state: Parameters) -> Array:
        sine = np.cos(state.angles[w_, ROLL]) * np.sin(state.angles[w_, a_])
        seen: Array = value - np.arcsin(np.clip(sine, -1.0, 1.0))
        return seen

    return Term(rows, residuals, machine=False)


def heights(setup: Setup) -> Term:
    """One row for each levelled height, above the benchmark of its standing."""
    found = [(o, w) for o, w in _with_window(setup, "height") if o.standing is not None]
    rows, w_, p_, s_ = [], [], [], []
    for o, w in found:
        assert o.standing is not None
        standing = setup.standings.index(o.standing)
        # The boom foot stands still while the arm sags.
        sag = 0.0 if o.of == "boom_foot" else setup.assume.settling_m
        rows.append(Row(o.id, o.kind, "m", math.hypot(o.sigma or 0.0, sag), "", w, standing=standing))
        w_.append(w)
        p_.append(setup.machine.pins.index(o.of))
        s_.append(standing)
    value = np.array([o.value or 0.0 for o, _ in found])
    wi, pi, si = (np.array(v, dtype=int) for v in (w_, p_, s_))

    def residuals(state: Parameters) -> Array:
        misfit: Array = value - state.pins[wi, pi, 2] - state.standing[si, 0]
        return misfit

    return Term(tuple(rows), residuals)


def lengths(setup: Setup) -> Term:
    """One row for each taped length."""
    sections = setup.machine.sections
    found = [
        o
        for o in setup.observations
        if o.kind == "length" and (o.of in sections or (o.of in _LINKAGE and setup.has_linkage))
    ]
    rows = tuple(Row(o.id, o.kind, "m", o.sigma or 0.005) for o in found)
    value = np.array([o.value or 0.0 for o in found])

    def residuals(state: Parameters) -> Array:
        bar = state.linkage if state.linkage is not None else np.zeros(6)
        present = [
            state.lengths[sections.index(o.of)] if o.of in sections else bar[_LINKAGE[o.of]] for o in found
        ]
        misfit: Array = value - np.array(present, dtype=float).reshape(-1)
        return misfit

    return Term(rows, residuals)


def plumb(setup: Setup) -> Term:
    """One row for each plumb line: far end minus near end of a link along the reach, m."""
    found = _with_window(setup, "plumb")
    rows = tuple(
        Row(o.id, o.kind, "m", math.hypot(o.sigma or 0.0, setup.assume.settling_m), "", w) for o, w in found
    )
    w_ = np.array([w for _, w in found], dtype=int)
    k_ = np.array([setup.machine.sections.index(o.of) for o, _ in found], dtype=int)
    value = np.array([o.value or 0.0 for o, _ in found])

    def residuals(state: Parameters) -> Array:
        misfit: Array = value - (state.pins[w_, k_ + 1, 0] - state.pins[w_, k_, 0])
        return misfit

    return Term(rows, residuals)


def _with_window(setup: Setup, kind: str) -> list[tuple[Observation, int]]:
    return [
        (o, setup.of_window[o.place])
        for o in setup.observations
        if o.kind == kind and o.place is not None and o.place in setup.of_window
    ]
