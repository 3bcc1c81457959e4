"""Samples of the sensors into sums over the filter's epochs.

The filter works in blocks of epochs: equal spans of time whose edges are common to all sensors. A sensor
samples when it likes; between two samples force and rate are taken as running in a straight line. Over an
epoch of length T, with ε the angle turned since its middle (ε̇ = -ω_y), s the time since its start and Rot(ε)
the rotation (x, z) → (x cos ε - z sin ε, x sin ε + z cos ε):

    force  F = 1/T ∫ Rot(ε) f dt           moment G = 1/T² ∫ s Rot(ε) f ds
    rate   W = 1/T ∫ Rot(ε) ω dt           shake  = 1/T ∫ |f|² dt - |F|²

all in the body's axes as they stand in the middle of the epoch. Source of the form: sculling-compensated
strapdown integration, any text on inertial navigation (for instance Titterton & Weston, *Strapdown Inertial
Navigation Technology*, ch. 11); here with one axis of turning only, since roll turns slowly.

A sample only costs its place in a buffer; all sums of a block are made at once, over all sensors.
"""

from __future__ import annotations

import math
from array import array
from collections import deque
from dataclasses import dataclass
from functools import cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from tipdatum.kinematics.frames import Array, Complex
from tipdatum_drivers.reading import Vector

RECENT_S = 0.05
"""Time over which the change of a rate is told, s: shorter shows vibration, longer comes late."""
Places: TypeAlias = NDArray[np.intp]
ROW = 10
"""Numbers kept of a sample: t, force, rate, and the integral of the rate up to it."""
_APART_S = 1e4
"""Shifts one sensor's times behind another's, so that one search finds the edges in all of them."""


class Intake:
    """Samples of one sensor that no block has used up, as the sensor gives them.

    Attributes:
        since: s, from when on they follow each other without a gap.
        t, rate, turned: the newest sample's time, rate and integral of the rate since ever (rad).
    """

    __slots__ = ("_recent", "_rows", "longest_gap", "rate", "since", "t", "turned")

    def __init__(self, longest_gap_s: float) -> None:
        self.longest_gap = longest_gap_s
        self._rows = array("d")
        self._recent: deque[tuple[float, Vector]] = deque(maxlen=2)
        self.turned: Vector = (0.0, 0.0, 0.0)
        self.rate: Vector = (0.0, 0.0, 0.0)
        self.restart()

    def restart(self) -> None:
        """Forget the samples."""
        self.t, self.since = -math.inf, math.inf
        del self._rows[:]
        self._recent.clear()

    def add(self, t: float, force: Vector, rate: Vector) -> None:
        """Take a sample at `t` s; after a gap longer than `longest_gap` it begins anew."""
        gap = t - self.t
        if gap <= 0.0:
            return
        if gap > self.longest_gap:
            self.restart()
            self.since = t
        else:
            half = 0.5 * gap
            (x, y, z), (x0, y0, z0), (x1, y1, z1) = self.turned, self.rate, rate
            self.turned = (x + half * (x0 + x1), y + half * (y0 + y1), z + half * (z0 + z1))
        self.t, self.rate = t, rate
        self._recent.append((t, rate))
        self._rows.extend((t, *force, *rate, *self.turned))

    def covers(self, start: float, end: float) -> bool:
        """Whether the samples tell all of a span, s."""
        return self.since <= start and self.t >= end

    def rows(self) -> Array:
        """(M, 10) the samples kept, oldest first, as a view that must not outlive the next change."""
        return np.frombuffer(self._rows).reshape(-1, ROW)

    def slope(self) -> Vector:
        """Change of the rate over the last `RECENT_S` or so, rad/s²."""
        t, (x0, y0, z0) = self._recent[0]
        span = self.t - t
        if span <= 0.0:
            return (0.0, 0.0, 0.0)
        x, y, z = self.rate
        return ((x - x0) / span, (y - y0) / span, (z - z0) / span)

    def used(self, count: int, period: float) -> None:
        """Drop the oldest `count` samples; they come every `period` s."""
        del self._rows[: count * ROW]
        size = 1 + max(1, round(RECENT_S / period))
        if size != self._recent.maxlen:
            self._recent = deque(self._recent, maxlen=size)


@dataclass(slots=True)
class Block:
    """What N sensors saw over K epochs; see the module's text. Zeros where one is not active.

    What lies in the arm plane is one complex number, x + iz: Rot(ε) multiplies it by exp(iε).

    Attributes:
        force, moment, rate: (N, K) m/s², m/s² and rad/s, x + iz of them.
        force_y, moment_y, rate_y: (N, K), their y.
        shake: (N,) (m/s²)², mean over the block.
        step: (N,) s, time between samples.
        turned: (N, 3) rad, integral of the raw rate up to the block's end; as in `Intake`.
        active: (N,) bool.
    """

    force: Complex
    force_y: Array
    moment: Complex
    moment_y: Array
    rate: Complex
    rate_y: Array
    shake: Array
    step: Array
    turned: Array
    active: Array

    def vectors(self) -> tuple[Array, Array]:
        """Force and rate as (N, K, 3)."""
        return _vectors(self.force, self.force_y), _vectors(self.rate, self.rate_y)


def _vectors(in_plane: Complex, y: Array) -> Array:
    return np.stack([in_plane.real, y, in_plane.imag], axis=-1)


ORDER = np.array([0, 2, 3, 5, 1, 4])
"""Columns of `Strapdown`'s sums among (force, rate): what lies in the arm plane comes in pairs."""
_PAIRS, _FY, _WY, _SQUARE, _TIMES, _TIMES_Y = slice(0, 4), 4, 5, 6, slice(7, 9), 9


class Strapdown:
    """Makes blocks of `epochs` epochs of `epoch_s` s from the samples of several sensors."""

    def __init__(self, epochs: int, epoch_s: float) -> None:
        self._epochs, self._length = epochs, epoch_s
        self._edges = epoch_s * np.arange(epochs)[:, None]
        # Edges and middles in turn.
        self._points = 0.5 * epoch_s * np.arange(2 * epochs + 1)

    @staticmethod
    @cache
    def of(epochs: int, epoch_s: float) -> Strapdown:
        """The one for such blocks."""
        return Strapdown(epochs, epoch_s)

    def block(self, intakes: list[Intake], active: Array, start: float, turn: Array, offset: Array) -> Block:
        """The block that begins at `start` s; drops the samples that are used up.

        Args:
            active: (N,) bool, which sensors cover it.
            turn, offset: (N, 6, 6), (N, 6): a row of force and rate in the body's axes is
                row @ turn + offset.
        """
        used = np.flatnonzero(active).tolist()
        samples = [intakes[i].rows() for i in used]
        counts = [len(rows) for rows in samples]
        X = np.concatenate(samples)
        del samples
        ends: Places = np.cumsum(counts)
        t = X[:, 0] - start
        dt = t[1:] - t[:-1]
        dt[ends[:-1] - 1] = 0.0
        # Where each edge and middle lies among the samples, and how far behind the one before it.
        points = self._points
        apart = _APART_S * np.arange(len(used))
        j: Places = (t + apart.repeat(counts)).searchsorted(apart[:, None] + points, side="right")
        j = np.minimum(j, ends[:, None] - 1) - 1
        h = points - t.take(j)
        half_share = 0.5 * h / dt.take(j)
        Z, raw = self._integrands(X, t, counts, used, turn, offset), self._raw(X, j, h, half_share)
        wy = Z[:, _WY]
        eps = np.zeros(len(t))
        np.cumsum((wy[1:] + wy[:-1]) * (-0.5 * dt), out=eps[1:])
        first = wy.take(j)
        at_point = eps.take(j) - h * (first + half_share * (wy.take(j + 1) - first))
        D = self._sums(Z, eps, t, dt, j[:, ::2], h[:, ::2, None], half_share[:, ::2, None])
        # Back from the common axes into those of each epoch's middle.
        back = np.exp(-1j * at_point[:, 1::2, None])
        pairs, times = D[:, :, _PAIRS].view(complex), D[:, :, _TIMES].view(complex)
        pairs *= back
        times *= back
        squares = D[:, :, _SQUARE] - abs(pairs[:, :, 0]) ** 2 - D[:, :, _FY] ** 2
        shake = np.maximum(squares, 0.0).dot(np.full(self._epochs, 1.0 / self._epochs))
        begins = ends - counts
        step = (t.take(ends - 1) - t.take(begins)) / (ends - begins - 1)
        done = (j[:, -1] - begins).tolist()
        for i, count, period in zip(used, done, step.tolist(), strict=True):
            intakes[i].used(count, period)
        found = Block(
            pairs[:, :, 0], D[:, :, _FY], times[:, :, 0], D[:, :, _TIMES_Y], pairs[:, :, 1], D[:, :, _WY],
            shake, step, raw, active,
        )  # fmt: skip
        return found if len(used) == len(intakes) else _scattered(found, len(intakes), used)

    @staticmethod
    def _raw(X: Array, j: Places, h: Array, half_share: Array) -> Array:
        """(N, 3) integral of the raw rate up to the last edge."""
        last = j[:, -1]
        before, after = X.take(last, axis=0), X.take(last + 1, axis=0)
        rate = before[:, 4:7]
        return before[:, 7:] + h[:, -1:] * (rate + half_share[:, -1:] * (after[:, 4:7] - rate))

    @staticmethod
    def _integrands(
        X: Array, t: Array, counts: list[int], used: list[int], turn: Array, offset: Array
    ) -> Array:
        """(M, 10): force and rate in body axes, columns as in `ORDER`; the rest is still empty."""
        Z = np.empty((len(t), ROW))
        raw, first, ordered = X[:, 1:7], 0, turn.take(ORDER, axis=2)
        for i, count in zip(used, counts, strict=True):
            end = first + count
            Z[first:end, :6] = raw[first:end].dot(ordered[i])
            first = end
        Z[:, :6] += offset.take(used, axis=0).take(ORDER, axis=1).repeat(counts, axis=0)
        return Z

    def _sums(
        self, Z: Array, eps: Array, t: Array, dt: Array, j: Places, h: Array, half_share: Array
    ) -> Array:
        """(N, K, 10): what `Block` says, still in axes common to all epochs."""
        pairs = Z[:, _PAIRS].view(complex)
        pairs *= np.exp(1j * eps)[:, None]
        np.multiply(Z[:, :2], t[:, None], out=Z[:, _TIMES])
        np.multiply(Z[:, _FY], t, out=Z[:, _TIMES_Y])
        F = Z[:, :5]
        np.einsum("ij,ij,j->i", F, F, _OF_FORCE, out=Z[:, _SQUARE])
        C = np.zeros_like(Z)
        sums = Z[1:] + Z[:-1]
        sums *= (0.5 * dt)[:, None]
        np.cumsum(sums, axis=0, out=C[1:])
        first = Z.take(j, axis=0)
        at_edge = C.take(j, axis=0) + h * (first + half_share * (Z.take(j + 1, axis=0) - first))
        D = at_edge[:, 1:] - at_edge[:, :-1]
        D[:, :, _TIMES] -= self._edges * D[:, :, :2]
        D[:, :, _TIMES_Y] -= self._edges[:, 0] * D[:, :, _FY]
        D *= 1.0 / self._length
        D[:, :, 7:] *= 1.0 / self._length
        return D


_OF_FORCE = np.array([1.0, 1.0, 0.0, 0.0, 1.0])


def _scattered(b: Block, n: int, used: list[int]) -> Block:
    """Sensors that were not active put back, with zeros."""
    parts = {}
    for name in Block.__slots__:
        part = getattr(b, name)
        if name != "active":
            whole = np.zeros((n, *part.shape[1:]), dtype=part.dtype)
            whole[used] = part
            part = whole
        parts[name] = part
    return Block(**parts)
