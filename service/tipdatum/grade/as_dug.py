"""Volume of a trench by the average-end-area method.

Between two sections with areas A₁ and A₂, a distance L apart, V = L·(A₁ + A₂)/2 (any surveying text).
The section of a trench with vertical walls is width times depth, so that this is the trapezoidal rule over
the depths. It is bank volume: what was in the ground, before it swells in the spoil heap.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

NEAR_M = 0.125
"""Points this near along the trench are of one place, m: half of the usual step of points."""


def bottom(profile: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    """(station m, elevation m) of what was left in the end: of points of one place the lowest counts.

    A trench is gone through more than once, and what an earlier pass left was dug away by a deeper one.
    """
    left: list[tuple[float, float]] = []
    for station, elevation in sorted(profile, key=lambda point: (point[1], point[0])):
        if all(abs(station - other) > NEAR_M for other, _ in left):
            left.append((station, elevation))
    return sorted(left)


def average_end_area(sections: Iterable[tuple[float, float]]) -> float:
    """m³ from (station m, area m²) in any order; 0 with fewer than two."""
    ordered = sorted(sections)
    return sum((b - a) * (area_a + area_b) / 2.0 for (a, area_a), (b, area_b) in pairwise(ordered))


def trench_volume(profile: Iterable[tuple[float, float]], ground_m: float, width_m: float) -> float:
    """Bank volume, m³, of a trench with vertical walls.

    Args:
        profile: (station m, elevation m) of its bottom.
        ground_m: elevation of the ground beside it; where the bottom lies above it nothing counts.
        width_m: of the trench, as wide as the bucket.
    """
    return average_end_area((s, width_m * max(0.0, ground_m - z)) for s, z in profile)
