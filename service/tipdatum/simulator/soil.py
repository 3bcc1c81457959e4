"""Ground as a field of heights that the cutting edge cuts, carries away and dumps.

A square grid of columns. The edge takes from a column what stands above it, but for what the soil gives back
elastically; what is cut goes into the bucket, what the bucket cannot hold is pushed on in front of it. Loose
soil slides to its angle of repose, grown soil stands as it was cut: no wall of a trench caves in here, as
real ones do without warning.

Volumes are those in the bank: soil does not swell when it is cut. Resistances are common practice, no source.
Units: m, m³, N.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tipdatum.simulator.multibody import Array

CELL_M = 0.05
BEARING_N_PER_M = 35_000.0
"""What a metre of edge carries before it sinks in, of firm soil."""
GIVE_M = 0.025
"""How far firm soil is pressed in by that."""
SLICING = 0.12
"""Share of it that an edge meets while it moves along: it cuts instead of standing on its back."""
SLICING_MPS = 0.06
CUTTING_PA = 70_000.0
"""Energy to cut a volume, J/m³."""
RUBBING = 0.35
FORCE_SMOOTHING_S = 0.06
REPOSE = math.tan(math.radians(35.0))
SPILL_M = 0.3
SLIDES, SLIDE_MARGIN = 60, 12
"""Rounds that loose soil slides after it was added, and columns around it that it may reach."""


@dataclass(slots=True)
class SoilReaction:
    """What the ground does to the edge in one step.

    Attributes:
        force: (3,) N on the edge, world axes. stiffness: N/m, vertical, while it rests elastically.
        cut_m3: taken from the ground in this step.
        at: where on the edge the force acts, from 0 at its left end to 1 at its right one.
    """

    force: Array
    stiffness: float = 0.0
    cut_m3: float = 0.0
    at: float = 0.5


@dataclass(slots=True)
class _Unrest:
    """First and last columns, along x and y, among which loose soil may still slide, for so many rounds."""

    place: tuple[int, int, int, int]
    rounds: int = SLIDES


@dataclass(slots=True)
class Soil:
    """The ground around the machine.

    Args:
        half: the grid reaches this far from the origin in x and y, m. slope: rise over run along x and y.
        strength: times firm soil. level: height at the origin, m.
    """

    half: float
    slope: tuple[float, float] = (0.0, 0.0)
    strength: float = 1.0
    level: float = 0.0
    heights: Array = field(init=False, repr=False)
    natural: Array = field(init=False, repr=False)
    loose: Array = field(init=False, repr=False)
    """Thickness of what was dumped, m."""
    changed: NDArray[np.bool_] = field(init=False, repr=False)
    """Columns that changed since `take_changes`."""
    _top: float = field(init=False, repr=False)
    _drag: float = field(default=0.0, init=False, repr=False)
    _unrest: list[_Unrest] = field(default_factory=list, init=False, repr=False)

    def __post_init__(self) -> None:
        n = 2 * math.ceil(self.half / CELL_M)
        self.half = n * CELL_M / 2.0
        middle = (np.arange(n) + 0.5) * CELL_M - self.half
        self.natural = self.level + self.slope[0] * middle[:, None] + self.slope[1] * middle[None, :]
        self.heights = self.natural.copy()
        self.loose = np.zeros_like(self.heights)
        self.changed = np.zeros(self.heights.shape, dtype=bool)
        self._top = float(self.heights.max())

    @property
    def volume_m3(self) -> float:
        """Of all soil against the ground as it was; what is in the bucket is missing."""
        return float((self.heights - self.natural).sum()) * CELL_M**2

    def height(self, x: float, y: float) -> float:
        """Of the ground at a place, m; outside the grid that of the natural ground."""
        i, j = self._column(x, y)
        if 0 <= i < len(self.heights) and 0 <= j < len(self.heights):
            return float(self.heights[i, j])
        return self.level + self.slope[0] * x + self.slope[1] * y

    def natural_height(self, x: float, y: float) -> float:
        """Of the ground as it was, m."""
        return self.level + self.slope[0] * x + self.slope[1] * y

    def profile(self, x: Array, y: Array) -> Array:
        """Heights (N,) at places (N,), for a drawing."""
        i, j = self._columns(np.asarray(x), np.asarray(y))
        inside = (i >= 0) & (i < len(self.heights)) & (j >= 0) & (j < len(self.heights))
        flat = self.level + self.slope[0] * np.asarray(x) + self.slope[1] * np.asarray(y)
        return np.where(
            inside,
            self.heights[np.clip(i, 0, len(self.heights) - 1), np.clip(j, 0, len(self.heights) - 1)],
            flat,
        )

    def meet(
        self, left: Array, right: Array, velocity: Array, opening: Array, room_m3: float, h: float
    ) -> SoilReaction:
        """The edge from `left` to `right` (world places (3,)) moves with `velocity`, (3,) m/s, for `h` s.

        Args:
            opening: (3,) where the bucket is open to. room_m3: what it can still hold.

        Returns:
            The ground's answer; `cut_m3` includes what was pushed on because there was no room.
        """
        if min(left[2], right[2]) > self._top:
            self._drag *= 1.0 - min(1.0, h / FORCE_SMOOTHING_S)
            return SoilReaction(np.zeros(3))
        width = float(math.dist(left, right))
        # Two places for each column, so that none is left out where the edge lies along the grid.
        count = max(2, math.ceil(2.0 * width / CELL_M) + 1)
        part = np.linspace(0.0, 1.0, count)[:, None]
        places = left[None, :] * (1.0 - part) + right[None, :] * part
        along = math.hypot(velocity[0], velocity[1])
        if along > 1e-3:
            # Teeth stand at different places of their columns, so that they do not all enter the next at
            # once.
            lead = CELL_M * (part - 0.5) / along
            places[:, 0:1] += lead * velocity[0]
            places[:, 1:2] += lead * velocity[1]
        i, j = self._columns(places[:, 0], places[:, 1])
        n = len(self.heights)
        inside = (i >= 0) & (i < n) & (j >= 0) & (j < n)
        if not inside.any():
            return SoilReaction(np.zeros(3))
        i, j, places, part = i[inside], j[inside], places[inside], part[inside, 0]
        depth = self.heights[i, j] - places[:, 2]
        if depth.max() <= 0.0:
            self._drag *= 1.0 - min(1.0, h / FORCE_SMOOTHING_S)
            return SoilReaction(np.zeros(3))
        sliced = min(1.0, along / SLICING_MPS, 2.0 * along / max(abs(float(velocity[2])), 1e-6))
        give = GIVE_M * (1.0 - (1.0 - SLICING) * sliced)
        stiff = self.strength * BEARING_N_PER_M * width / GIVE_M / count
        pressed = np.clip(depth, 0.0, give)
        pressure = float(pressed.sum())
        lift, middle = pressure * stiff, float(pressed @ part) / pressure
        deep = depth > give
        cut = 0.0
        if deep.any():
            cut = self._cut(i[deep], j[deep], places[deep], give, velocity, along)
            self._carry_on(cut, room_m3, places, velocity, opening, along)
        drag = self.strength * CUTTING_PA * cut / max(along * h, 1e-4) if along > SLICING_MPS else 0.0
        self._drag += (drag - self._drag) * min(1.0, h / FORCE_SMOOTHING_S)
        back = self._drag + RUBBING * lift * min(1.0, along / SLICING_MPS)
        force = np.array([0.0, 0.0, lift])
        if along > 1e-6:
            force[0] -= back * velocity[0] / along
            force[1] -= back * velocity[1] / along
        elastic = stiff * float(((depth > 0.0) & ~deep).sum())
        return SoilReaction(force, elastic, cut, middle)

    def _cut(
        self,
        i: NDArray[np.int64],
        j: NDArray[np.int64],
        places: Array,
        give: float,
        velocity: Array,
        along: float,
    ) -> float:
        """Take columns down to the edge's path at their middle; returns the volume, m³."""
        level = places[:, 2] + give
        if along > SLICING_MPS:
            # Within a column the path goes on rising or falling to its middle.
            fall = min(1.2, max(-1.2, velocity[2] / along))
            ahead_x = (i + 0.5) * CELL_M - self.half - places[:, 0]
            ahead_y = (j + 0.5) * CELL_M - self.half - places[:, 1]
            level = level + fall * (ahead_x * velocity[0] + ahead_y * velocity[1]) / along
        before = self.heights[i, j]
        after = np.minimum(before, level)
        # Two places of the edge may stand over one column: the lower one counts.
        np.minimum.at(self.heights, (i, j), after)
        cells = np.unique(i * len(self.heights) + j)
        ci, cj = np.divmod(cells, len(self.heights))
        first = np.full(len(cells), -np.inf)
        at = np.searchsorted(cells, i * len(self.heights) + j)
        np.maximum.at(first, at, before)
        taken = first - self.heights[ci, cj]
        self.loose[ci, cj] = np.maximum(0.0, self.loose[ci, cj] - taken)
        self.changed[ci, cj] = True
        return float(taken.sum()) * CELL_M**2

    def _carry_on(
        self, cut: float, room: float, places: Array, velocity: Array, opening: Array, along: float
    ) -> None:
        """What does not go into the bucket is pushed on in front of the edge."""
        gathers = float(velocity @ opening) > 0.0
        over = cut - (room if gathers else 0.0)
        if over <= 0.0:
            return
        ahead = velocity[:2] / along if along > 1e-6 else np.array([-1.0, 0.0])
        for step in (0.4, 0.7, 1.0):
            spots = places[:, :2] + ahead * SPILL_M * step
            self._add(spots[:, 0], spots[:, 1], over / 3.0)

    def put(self, x: float, y: float, radius: float, volume: float) -> None:
        """Drop loose soil around a place."""
        n = max(1, int(radius / CELL_M))
        grid = np.arange(-n, n + 1) * CELL_M
        gx, gy = np.meshgrid(grid, grid, indexing="ij")
        weight = np.clip(1.0 - (gx**2 + gy**2) / radius**2, 0.0, None).ravel()
        keep = weight > 0.0
        self._add(x + gx.ravel()[keep], y + gy.ravel()[keep], volume, weight[keep])

    def _add(self, x: Array, y: Array, volume: float, weight: Array | None = None) -> None:
        i, j = self._columns(x, y)
        n = len(self.heights)
        inside = (i >= 0) & (i < n) & (j >= 0) & (j < n)
        share = np.ones(len(i)) if weight is None else weight
        rise = volume * share / share.sum() / CELL_M**2
        i, j, rise = i[inside], j[inside], rise[inside]
        if not len(i):
            return
        np.add.at(self.heights, (i, j), rise)
        np.add.at(self.loose, (i, j), rise)
        self.changed[i, j] = True
        self._top = max(self._top, float(self.heights[i, j].max()))
        self._stir(int(i.min()), int(i.max()), int(j.min()), int(j.max()))

    def _stir(self, a: int, b: int, c: int, d: int) -> None:
        """Loose soil among these columns, first and last along x and y, may slide."""
        for other in self._unrest:
            p, q, r, s = other.place
            if a <= q and p <= b and c <= s and r <= d:
                other.place = (min(a, p), max(b, q), min(c, r), max(d, s))
                other.rounds = SLIDES
                return
        self._unrest.append(_Unrest((a, b, c, d)))

    def settle(self) -> None:
        """Let loose soil slide a little towards its angle of repose where some was added; volume is kept."""
        if not self._unrest:
            return
        stirred = self._unrest.pop(0)
        n, margin = len(self.heights), SLIDE_MARGIN
        a, b, c, d = stirred.place
        a, b, c, d = max(0, a - margin), min(n, b + margin + 1), max(0, c - margin), min(n, d + margin + 1)
        heights, loose = self.heights[a:b, c:d], self.loose[a:b, c:d]
        before = heights.copy()
        for _ in range(2):
            _slide(heights, loose)
            _slide(heights.T, loose.T)
        np.maximum(loose, 0.0, out=loose)
        moved = np.abs(heights - before)
        self.changed[a:b, c:d] |= moved > 1e-4
        stirred.rounds -= 1
        if stirred.rounds > 0 and float(moved.max()) > 5e-4:
            self._unrest.append(stirred)

    def take_changes(self) -> NDArray[np.int64]:
        """Flat indices of the columns that changed since the last call."""
        found = np.flatnonzero(self.changed)
        self.changed.ravel()[found] = False
        return found

    def _column(self, x: float, y: float) -> tuple[int, int]:
        return math.floor((x + self.half) / CELL_M), math.floor((y + self.half) / CELL_M)

    def _columns(self, x: Array, y: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        return (
            np.floor((x + self.half) / CELL_M).astype(np.int64),
            np.floor((y + self.half) / CELL_M).astype(np.int64),
        )


def _slide(heights: Array, loose: Array) -> None:
    """One round along the first axis: what is loose and too steep moves on."""
    drop = heights[:-1] - heights[1:]
    excess = np.abs(drop) - REPOSE * CELL_M
    if excess.max(initial=0.0) <= 0.0:
        return
    np.maximum(excess, 0.0, out=excess)
    excess *= 0.25
    down = np.minimum(excess, 0.5 * loose[:-1]) * (drop > 0)
    up = np.minimum(excess, 0.5 * loose[1:]) * (drop < 0)
    down -= up
    for field_ in (heights, loose):
        field_[:-1] -= down
        field_[1:] += down
