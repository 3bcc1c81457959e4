"""Methods 2 and 6: slopes by a digital level, heights of pins, taped lengths, and the plumb line.

A level laid along a link shows asin(x·up) = asin(cos φ · sin θ); it cannot tell a slope from its mirror
past the vertical, but the sensor beside it can. Near the vertical the level hardly sees the angle while a
plumb line sees it best: the horizontal distance between two pins is length · cos θ.
"""

from __future__ import annotations

import math

import numpy as np

from tipdatum.calibration.joints import COUPLER, COUPLER_PIN, EDGE_POINTS
from tipdatum.calibration.methods.rows import Row, Term
from tipdatum.calibration.observations import Observation
from tipdatum.calibration.parameters import Parameters
from tipdatum.calibration.unknowns import ANGLES, BUCKET, ROLL, Setup
from tipdatum.kinematics.frames import Array

OF_BUCKET = (COUPLER_PIN, *EDGE_POINTS)
"""Points whose heights may be read besides those of `Machine.pins`."""

_LINKAGE = {"rocker": 2, "link": 3, "bucket_ear": 4}


def slopes(setup: Setup) -> Term:
    """One row for each slope."""
    found = _with_window(setup, "slope")
    rows = tuple(
        Row(o.id, o.kind, "rad", math.radians(math.hypot(o.sigma or 0.0, setup.assume.settling_deg)), "", w)
        for o, w in found
    )
    w_ = np.array([w for _, w in found], dtype=int)
    a_ = np.array([BUCKET if o.of == "coupler" else ANGLES.index(o.of) for o, _ in found], dtype=int)
    turned = [
        (body, of)
        for body in ("coupler", "bucket")
        if (body == "coupler" or setup.tilts) and len(of := np.flatnonzero([o.of == body for o, _ in found]))
    ]
    value = np.radians([o.value or 0.0 for o, _ in found])

    def residuals(state: Parameters) -> Array:
        sine = np.cos(state.angles[w_, ROLL]) * np.sin(state.angles[w_, a_])
        for body, of in turned:
            sine[of] = _lines(state, body)[w_[of]]
        seen: Array = value - np.arcsin(np.clip(sine, -1.0, 1.0))
        return seen

    return Term(rows, residuals, machine=bool(turned))


def _lines(state: Parameters, body: str) -> Array:
    """(W,) rise of the line between a coupler's pins, or from a bucket's own pin to its tip, for a length of
    1."""
    points = state.points[0]
    start, end = (state.pins[:, -2], points[:, 0]) if body == "coupler" else (points[:, 0], points[:, 1])
    rise = end - start
    along: Array = rise[:, 2] / np.linalg.norm(rise, axis=-1)
    return along


def cross_slopes(setup: Setup) -> Term:
    """One row for each level on a cutting edge; positive where its left end is higher."""
    found = _with_window(setup, "cross_slope")
    rows = tuple(
        Row(o.id, o.kind, "rad", math.radians(math.hypot(o.sigma or 0.0, setup.assume.settling_deg)), "", w)
        for o, w in found
    )
    w_ = np.array([w for _, w in found], dtype=int)
    value = np.radians([o.value or 0.0 for o, _ in found])

    def residuals(state: Parameters) -> Array:
        seen: Array = value - np.arcsin(np.clip(state.points[1][w_], -1.0, 1.0))
        return seen

    return Term(rows, residuals)


def heights(setup: Setup) -> Term:
    """One row for each levelled height, above the benchmark of its standing."""
    found = [(o, w) for o, w in _with_window(setup, "height") if o.standing is not None]
    rows, w_, p_, s_ = [], [], [], []
    names = (*setup.machine.pins, *OF_BUCKET)
    for o, w in found:
        assert o.standing is not None
        standing = setup.standings.index(o.standing)
        # The boom foot stands still while the arm sags.
        sag = 0.0 if o.of == "boom_foot" else setup.assume.settling_m
        rows.append(Row(o.id, o.kind, "m", math.hypot(o.sigma or 0.0, sag), "", w, standing=standing))
        w_.append(w)
        p_.append(names.index(o.of))
        s_.append(standing)
    value = np.array([o.value or 0.0 for o, _ in found])
    wi, pi, si = (np.array(v, dtype=int) for v in (w_, p_, s_))

    def residuals(state: Parameters) -> Array:
        tops = state.pins[:, :, 2]
        if pi.max(initial=0) >= tops.shape[1]:
            tops = np.concatenate([tops, state.points[0][:, [0, 2, 3], 2]], axis=1)
        misfit: Array = value - tops[wi, pi] - state.standing[si, 0]
        return misfit

    return Term(tuple(rows), residuals)


def lengths(setup: Setup) -> Term:
    """One row for each taped length."""
    sections = setup.machine.sections
    found = [
        o
        for o in setup.observations
        if o.kind == "length"
        and (o.of in sections or o.of == "coupler" or (o.of in _LINKAGE and setup.has_linkage))
    ]
    rows = tuple(Row(o.id, o.kind, "m", o.sigma or 0.005) for o in found)
    value = np.array([o.value or 0.0 for o in found])

    def residuals(state: Parameters) -> Array:
        bar = state.linkage if state.linkage is not None else np.zeros(6)
        present = [
            state.lengths[sections.index(o.of)]
            if o.of in sections
            else state.joints[COUPLER]
            if o.of == "coupler"
            else bar[_LINKAGE[o.of]]
            for o in found
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
