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

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tipdatum.fusion.chain.samples import SampleBuffer
from tipdatum.fusion.chain.sides import SidePart
from tipdatum.kinematics.frames import Array, Complex

Places: TypeAlias = NDArray[np.intp]
_APART_S = 1e4
"""Shifts one sensor's times behind another's, so that one search finds the edges in all of them."""


@dataclass(slots=True)
class EpochBlock:
    """What N sensors saw over K epochs; see the module's text. Zeros where one is not active.

    What lies in the arm plane is one complex number, x + iz: Rot(ε) multiplies it by exp(iε).

    Attributes:
        force, moment, rate: (N, K) m/s², m/s² and rad/s, x + iz of them.
        force_y, moment_y, rate_y: (N, K), their y.
        force_slope, rate_slope: (N, 3) m/s³ and rad/s², their change with time in the body's own axes.
        shake: (N,) (m/s²)², mean over the block.
        step: (N,) s, time between samples.
        missed: (N, 2) (m/s²)²/Hz and (rad/s)²/Hz, white noise that stands for what slow sensors leave out;
            see `tipdatum.fusion.chain.samples`.
        turned: (N, 3) rad, integral of the raw rate up to the block's end; as in `SampleBuffer`.
        active: (N,) bool.
        alpha: (M, K) rad, by which vectors of sensors on side parts have been turned in each epoch; None
            where there are no such parts.
    """

    force: Complex
    force_y: Array
    moment: Complex
    moment_y: Array
    rate: Complex
    rate_y: Array
    force_slope: Array
    rate_slope: Array
    shake: Array
    step: Array
    missed: Array
    turned: Array
    active: Array
    alpha: Array | None = None

    def turn(self, i: int, k: int, side: SidePart, alpha: Array) -> None:
        """See that the vectors of sensor `i`, on side part `k`, are turned by `alpha` (K,) rad."""
        assert self.alpha is not None
        by = alpha - self.alpha[k]
        self.alpha[k] = alpha
        self.force[i], self.force_y[i] = side.turn(self.force[i], self.force_y[i], by)
        self.moment[i], self.moment_y[i] = side.turn(self.moment[i], self.moment_y[i], by)
        self.rate[i], self.rate_y[i] = side.turn(self.rate[i], self.rate_y[i], by)
        back = side.rotation(float(by.mean())).T
        self.force_slope[i], self.rate_slope[i] = self.force_slope[i] @ back, self.rate_slope[i] @ back

    def vectors(self) -> tuple[Array, Array]:
        """Force and rate as (N, K, 3)."""
        return _vectors(self.force, self.force_y), _vectors(self.rate, self.rate_y)

    def means(self) -> tuple[Array, Array]:
        """Force and rate in the mean over the block, (N, 3)."""
        epochs = self.force_y.shape[1]
        even = np.full(epochs, 1.0 / epochs)
        both = (self.force, self.force_y), (self.rate, self.rate_y)
        force, rate = (_vectors(in_plane.dot(even), y.dot(even)) for in_plane, y in both)
        return force, rate


def _vectors(in_plane: Complex, y: Array) -> Array:
    found = np.empty((*y.shape, 3))
    found[..., 0], found[..., 1], found[..., 2] = in_plane.real, y, in_plane.imag
    return found


ORDER = np.array([0, 2, 1, 3, 5, 4])
"""Columns of `Strapdown`'s sums among (force, rate): what lies in the arm plane comes in pairs."""
_FORCE, _PAIRS, _FY, _WY, _SQUARE = slice(0, 3), (slice(0, 2), slice(3, 5)), 2, 5, 6


class SideStart(NamedTuple):
    """How a side part stands at a block's start.

    Attributes:
        part: that part. angle: rad, α.
        carried: rad/s, what its body turns about the axis: that much less than its own gyro shows is α̇.
    """

    part: SidePart
    angle: float
    carried: float


class Strapdown:
    """Makes blocks of `epochs` epochs of `epoch_s` s from the samples of several sensors."""

    def __init__(self, epochs: int, epoch_s: float) -> None:
        self._epochs, self._length = epochs, epoch_s
        # Edges and middles in turn.
        self._points = 0.5 * epoch_s * np.arange(2 * epochs + 1)

    def block(
        self,
        samples: list[SampleBuffer],
        active: Array,
        start: float,
        turn: Array,
        offset: Array,
        sides: Sequence[SideStart] = (),
    ) -> EpochBlock:
        """The block that begins at `start` s; drops the samples that are used up.

        Args:
            active: (N,) bool, which sensors cover it.
            turn, offset: (N, 6, 6), (N, 6): a row of force and rate in the body's axes is
                row @ turn + offset.
            sides: parts beside the arm plane, as they stand at its start.
        """
        T, used = self._length, np.flatnonzero(active).tolist()
        rows = [samples[i].rows() for i in used]
        counts = [len(part) for part in rows]
        X = np.concatenate(rows)
        # Views of the buffers, which cannot change while one lives.
        del rows
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
        ends_at, share = j[:, :: len(points) - 1], half_share[:, :: len(points) - 1, None]
        at_end = Z.take(ends_at, axis=0)
        at_end += 2.0 * share * (Z.take(ends_at + 1, axis=0) - at_end)
        slope = (at_end[:, 1] - at_end[:, 0]) * (1.0 / (self._epochs * T))
        alpha = self._turn_sides(Z, t, ends, counts, used, slope, sides) if sides else None
        wy = Z[:, _WY]
        eps = np.zeros(len(t))
        np.cumsum((wy[1:] + wy[:-1]) * (-0.5 * dt), out=eps[1:])
        first = wy.take(j)
        at_point = eps.take(j) - h * (first + half_share * (wy.take(j + 1) - first))
        turn = np.exp(1j * eps)[:, None]
        for pair in _PAIRS:
            turning = Z[:, pair].view(complex)
            turning *= turn
        at_edge = self._integrals(Z, dt, j[:, ::2], h[:, ::2, None], half_share[:, ::2, None])
        D = at_edge[:, 1:] - at_edge[:, :-1]
        D[:, :, 7:] = T * at_edge[:, 1:, _FORCE] - D[:, :, 7:]
        D *= 1.0 / T
        D[:, :, 7:] *= 1.0 / T
        # Back from the common axes into those of each epoch's middle.
        back = np.exp(-1j * at_point[:, 1::2])
        force, rate, moment = (D[:, :, k : k + 2].view(complex)[:, :, 0] * back for k in (0, 3, 7))
        squares = D[:, :, _SQUARE] - abs(force) ** 2 - D[:, :, _FY] ** 2
        shake = np.maximum(squares, 0.0).dot(np.full(self._epochs, 1.0 / self._epochs))
        begins = ends - counts
        gaps = (t.take(ends - 1) - t.take(begins)) / (ends - begins - 1)
        step, missed = self._used_up(samples, used, (j[:, -1] - begins).tolist(), gaps.tolist())
        found = EpochBlock(
            force, D[:, :, _FY], moment, D[:, :, 9], rate, D[:, :, _WY],
            slope.take((0, 2, 1), axis=1), slope.take((3, 5, 4), axis=1), shake, step, missed, raw, active,
            alpha,
        )  # fmt: skip
        return found if len(used) == len(samples) else scattered(found, len(samples), used)

    @staticmethod
    def _used_up(
        samples: list[SampleBuffer], used: list[int], counts: list[int], gaps: list[float]
    ) -> tuple[Array, Array]:
        """Drop the samples that are used up, which stood `gaps` s apart; `step` and `missed` of the block."""
        each = zip(used, counts, gaps, strict=True)
        step = np.array([samples[i].used(count, gap) for i, count, gap in each])
        missed = np.zeros((len(used), 2))
        for k, i in enumerate(used):
            slow = samples[i].slow
            if slow is not None:
                missed[k] = slow.force, slow.rate
        return step, missed

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
        """(M, 7): force and rate in body axes, columns as in `ORDER`, and |f|²."""
        Z = np.empty((len(t), 7))
        raw, first, ordered = X[:, 1:7], 0, turn.take(ORDER, axis=2)
        for i, count in zip(used, counts, strict=True):
            end = first + count
            Z[first:end, :6] = raw[first:end].dot(ordered[i])
            first = end
        Z[:, :6] += offset.take(used, axis=0).take(ORDER, axis=1).repeat(counts, axis=0)
        F = Z[:, _FORCE]
        np.einsum("ij,ij->i", F, F, out=Z[:, _SQUARE])
        return Z

    def _turn_sides(
        self,
        Z: Array,
        t: Array,
        ends: Places,
        counts: list[int],
        used: list[int],
        slope: Array,
        sides: Sequence[SideStart],
    ) -> Array:
        """Turn what sensors on side parts show, sample by sample, into axes of their bodies; α (M, K)."""
        middles = self._points[1::2]
        alpha = np.empty((len(sides), self._epochs))
        for k, (part, angle, carried) in enumerate(sides):
            alpha[k] = angle
            if part.sensor not in used:
                continue
            place = used.index(part.sensor)
            own = slice(int(ends[place]) - counts[place], int(ends[place]))
            times, rows = t[own], Z[own]
            force, rate = (rows[:, pair].copy().view(complex)[:, 0] for pair in _PAIRS)
            about = (part.axis_c.conjugate() * rate).real - carried
            turned = np.zeros(len(times))
            np.cumsum(0.5 * (about[1:] + about[:-1]) * np.diff(times), out=turned[1:])
            turned += angle - float(np.interp(0.0, times, turned))
            alpha[k] = np.interp(middles, times, turned)
            for columns, y, vector in ((_PAIRS[0], _FY, force), (_PAIRS[1], _WY, rate)):
                now, across = part.turn(vector, rows[:, y], turned)
                rows[:, columns], rows[:, y] = now.view(float).reshape(-1, 2), across
            R = part.rotation(float(alpha[k].mean()))
            for xyz in ([0, 2, 1], [3, 5, 4]):
                slope[place, xyz] = R @ slope[place, xyz]
        return alpha

    @staticmethod
    def _integrals(Z: Array, dt: Array, j: Places, h: Array, half_share: Array) -> Array:
        """(N, K + 1, 10) at the edges: integrals of the columns of `Z`, then of those of the force once more.

        Args:
            Z: (M, 7), straight from one sample to the next.
            dt: (M - 1,) s, from each sample to the next.
            j, h, half_share: (N, K + 1), the sample before each edge, s since it, half of its part of `dt`.
        """
        F, C, again, wide = Z[:, _FORCE], np.zeros_like(Z), np.zeros((len(Z), 3)), dt[:, None]
        sums = Z[1:] + Z[:-1]
        sums *= 0.5 * wide
        np.cumsum(sums, axis=0, out=C[1:])
        sums = C[:-1, _FORCE] + wide * ((1.0 / 3.0) * F[:-1] + (1.0 / 6.0) * F[1:])
        sums *= wide
        np.cumsum(sums, axis=0, out=again[1:])
        first, before = Z.take(j, axis=0), C.take(j, axis=0)
        change = half_share * (Z.take(j + 1, axis=0) - first)
        found = np.empty((*j.shape, 10))
        found[:, :, :7] = before + h * (first + change)
        more = h * (0.5 * first[:, :, _FORCE] + (1.0 / 3.0) * change[:, :, _FORCE])
        more += before[:, :, _FORCE]
        found[:, :, 7:] = again.take(j, axis=0) + h * more
        return found


def scattered(b: EpochBlock, n: int, used: list[int]) -> EpochBlock:
    """Sensors that were not active put back, with zeros."""
    parts = {}
    for name in EpochBlock.__slots__:
        part = getattr(b, name)
        if name not in ("active", "alpha"):
            whole = np.zeros((n, *part.shape[1:]), dtype=part.dtype)
            whole[used] = part
            part = whole
        parts[name] = part
    return EpochBlock(**parts)
