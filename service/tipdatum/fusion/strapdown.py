"""Strapdown sums of one sensor over the filter's epochs.

The filter works in epochs: equal spans of time whose edges are common to all sensors. A sensor samples
when it likes; between two samples force and rate are taken as running in a straight line, so that a span
that holds an edge is cut there. Over an epoch of length T that starts at angle θ₀, with ε the angle turned
since then (ε̇ = -ω_y) and Rot(ε) the rotation (x, z) → (x cos ε - z sin ε, x sin ε + z cos ε):

    force  F = 1/T ∫ Rot(ε) f dt           moment G = 1/T² ∫ s Rot(ε) f ds
    rate   W = 1/T ∫ Rot(ε) ω dt           shake  = 1/T ∫ |f|² dt - |1/T ∫ f dt|²

all in the body's axes as they stood at the start. Source of the form: sculling-compensated strapdown
integration, any text on inertial navigation (for instance Titterton & Weston, *Strapdown Inertial
Navigation Technology*, ch. 11); here with one axis of turning only, since roll turns slowly.
"""

from __future__ import annotations

import math
from collections import deque
from typing import NamedTuple

from tipdatum_drivers.reading import Vector


class Epoch(NamedTuple):
    """What one sensor saw over one epoch; see the module's text. m/s², rad/s, (m/s²)², s."""

    fx: float
    fy: float
    fz: float
    gx: float
    gy: float
    gz: float
    wx: float
    wy: float
    wz: float
    shake: float
    step: float


class Strapdown:
    """Sums of one sensor; epochs come out of `closed` in order, as (number, `Epoch`)."""

    def __init__(self, epoch_s: float, longest_gap_s: float) -> None:
        self.length = epoch_s
        self.longest_gap = longest_gap_s
        self.bias_y = 0.0
        """rad/s, what to take off ω_y when turning the force within an epoch."""
        self.closed: deque[tuple[int, Epoch]] = deque()
        self.restart()

    def restart(self) -> None:
        """Forget the samples, not the bias."""
        self.closed.clear()
        self.t = -math.inf
        self.force: Vector = (0.0, 0.0, 0.0)
        self.rate: Vector = (0.0, 0.0, 0.0)
        self._number = 0
        self._edge = math.inf
        self._whole = False
        self._clear()

    def _clear(self) -> None:
        self._eps = self._s = 0.0
        self._f = [0.0] * 12

    def add(self, t: float, force: Vector, rate: Vector) -> None:
        """Take a sample at `t` s; a gap longer than `longest_gap` leaves its epochs out."""
        if t <= self.t:
            return
        if t - self.t > self.longest_gap:
            # Epochs that hold the gap are not known; the first whole one starts at the next edge.
            self.closed.clear()
            self._number = math.floor(t / self.length)
            self._edge = (self._number + 1) * self.length
            self._whole = False
            self._clear()
            self.t, self.force, self.rate = t, force, rate
            return
        fx0, fy0, fz0 = self.force
        wx0, wy0, wz0 = self.rate
        fx1, fy1, fz1 = force
        wx1, wy1, wz1 = rate
        t0 = self.t
        span = t - t0
        start = 0.0
        while t >= self._edge:
            cut = (self._edge - t0) / span
            self._segment(
                (cut - start) * span, 0.5 * (start + cut),
                fx0, fy0, fz0, fx1, fy1, fz1, wx0, wy0, wz0, wx1, wy1, wz1,
            )  # fmt: skip
            start = cut
            self._close(span)
        if start < 1.0:
            self._segment(
                (1.0 - start) * span, 0.5 * (start + 1.0),
                fx0, fy0, fz0, fx1, fy1, fz1, wx0, wy0, wz0, wx1, wy1, wz1,
            )  # fmt: skip
        self.t, self.force, self.rate = t, force, rate

    def _segment(
        self, dt: float, at: float, fx0: float, fy0: float, fz0: float, fx1: float, fy1: float, fz1: float,
        wx0: float, wy0: float, wz0: float, wx1: float, wy1: float, wz1: float,
    ) -> None:  # fmt: skip
        fx, fy, fz = fx0 + at * (fx1 - fx0), fy0 + at * (fy1 - fy0), fz0 + at * (fz1 - fz0)
        wx, wy, wz = wx0 + at * (wx1 - wx0), wy0 + at * (wy1 - wy0), wz0 + at * (wz1 - wz0)
        turn = (self.bias_y - wy) * dt
        eps = self._eps + 0.5 * turn
        self._eps += turn
        c = 1.0 - 0.5 * eps * eps
        fxr, fzr = c * fx - eps * fz, eps * fx + c * fz
        s = (self._s + 0.5 * dt) * dt
        self._s += dt
        a = self._f
        a[0] += fxr * dt
        a[1] += fy * dt
        a[2] += fzr * dt
        a[3] += fxr * s
        a[4] += fy * s
        a[5] += fzr * s
        a[6] += (c * wx - eps * wz) * dt
        a[7] += wy * dt
        a[8] += (eps * wx + c * wz) * dt
        a[9] += (fx * fx + fy * fy + fz * fz) * dt

    def _close(self, step: float) -> None:
        a, T = self._f, self.length
        if self._whole:
            fx, fy, fz = a[0] / T, a[1] / T, a[2] / T
            shake = max(0.0, a[9] / T - fx * fx - fy * fy - fz * fz)
            k = T * T
            self.closed.append(
                (self._number, Epoch(fx, fy, fz, a[3] / k, a[4] / k, a[5] / k,
                                     a[6] / T, a[7] / T, a[8] / T, shake, step))
            )  # fmt: skip
        self._number += 1
        self._edge = (self._number + 1) * self.length
        self._whole = True
        self._clear()

    def since(self, number: int) -> tuple[float, float, float, float]:
        """Turn (x, y, z) in rad since the end of epoch `number`, and the span in s, up to the last sample."""
        a, T = self._f, self.length
        x, y, z, span = a[6], a[7], a[8], self._s
        for k, epoch in self.closed:
            if k > number:
                x, y, z, span = x + T * epoch.wx, y + T * epoch.wy, z + T * epoch.wz, span + T
        return x, y, z, span
