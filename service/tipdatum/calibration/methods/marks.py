"""Method 3, common point: the tip on one mark in several postures, and marks tied by level or tape.

A mark keeps its elevation and, within one standing, its place: the horizontal distance of the tip from the
slew axis is the same in every posture that touches it, whatever the arm does, and so is its azimuth once
the slew angle is read.
"""

from __future__ import annotations

import math

import numpy as np

from tipdatum.calibration.methods.rows import Row, Term
from tipdatum.calibration.parameters import Parameters
from tipdatum.calibration.unknowns import SLEW, SWING, Setup
from tipdatum.kinematics.frames import Array, wrap

SIDEWAYS_LEAST_M = 0.003
"""Least 1-sigma of where the tip stands on a mark sideways (a tooth is centimetres wide)."""


def touches(setup: Setup) -> Term:
    """For each touch: height on the mark, distance from the slew axis, and azimuth where slew is read."""
    rows: list[Row] = []
    w_, s_, m_, p_, value = [], [], [], [], []
    slewed = {o.place for o in setup.observations if o.kind == "slew"}
    for o in setup.observations:
        if o.kind != "tip_on_mark" or o.standing is None or o.place not in setup.of_window:
            continue
        w, s, m = setup.of_window[o.place], setup.standings.index(o.standing), setup.marks.index(o.of)
        sag = math.hypot(o.sigma or 0.0, setup.assume.settling_m)
        side = max(sag, SIDEWAYS_LEAST_M)
        rows += [
            Row(o.id, o.kind, "m", sag, "height", w, standing=s),
            Row(o.id, o.kind, "m", side, "distance", w, standing=s),
            Row(
                o.id, o.kind, "m", side if o.place in slewed else 1e3, "sideways", w,
                standing=s, tested=o.place in slewed,
            ),
        ]  # fmt: skip
        w_.append(w)
        s_.append(s)
        m_.append(m)
        p_.append(setup.mark_places.index((s, m)))
        value.append(o.value or 0.0)
    wi, si, mi, pi = (np.array(v, dtype=int) for v in (w_, s_, m_, p_))
    above = np.array(value)

    def residuals(state: Parameters) -> Array:
        reach, lateral, height = state.pins[wi, -1].T
        far = np.hypot(reach, lateral)
        up = above - (state.standing[si, 0] + height - state.mark_elevation[mi])
        out = state.mark_range[pi] - far
        plane = state.angles[wi, SLEW] + state.angles[wi, SWING]
        turn = wrap(state.mark_azimuth[pi] - plane - np.arctan2(lateral, reach))
        misfit = np.empty((len(wi), 3))
        misfit[:, 0], misfit[:, 1], misfit[:, 2] = up, out, far * turn
        return misfit.ravel()

    return Term(tuple(rows), residuals)


def ties(setup: Setup) -> Term:
    """Levelled height differences and taped horizontal distances between marks."""
    rows: list[Row] = []
    differences, distances = [], []
    for o in setup.observations:
        if o.kind not in ("height_difference", "distance"):
            continue
        to, start = (setup.marks.index(m) for m in o.of.split("-"))
        if o.kind == "height_difference":
            differences.append((len(rows), to, start, o.value or 0.0))
            rows.append(Row(o.id, o.kind, "m", o.sigma or 0.002))
            continue
        for standing in range(len(setup.standings)):
            if (standing, to) in setup.mark_places and (standing, start) in setup.mark_places:
                a, b = (setup.mark_places.index((standing, m)) for m in (to, start))
                distances.append((len(rows), a, b, o.value or 0.0))
                rows.append(Row(o.id, o.kind, "m", o.sigma or 0.005, setup.standings[standing]))

    def residuals(state: Parameters) -> Array:
        out = np.zeros(len(rows))
        for i, to, start, value in differences:
            out[i] = value - (state.mark_elevation[to] - state.mark_elevation[start])
        for i, a, b, value in distances:
            ra, rb = state.mark_range[a], state.mark_range[b]
            angle = state.mark_azimuth[a] - state.mark_azimuth[b]
            out[i] = value - math.sqrt(max(ra * ra + rb * rb - 2.0 * ra * rb * math.cos(angle), 0.0))
        return out

    return Term(tuple(rows), residuals)
