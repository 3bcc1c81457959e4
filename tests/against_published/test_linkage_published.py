"""The bucket linkage against four-bar values from outside.

The eight examples are those of R. L. Norton, *Design of Machinery* (Example 4-1 and Table P4-1), which are
usually given as link lengths d (ground), a (input), b (coupler), c (output) and input angle θ2. The output
and coupler angles here were computed outside this project in two ways (half-angle closed form, and scipy's
fsolve on the loop closure) and agree with the book's printed, rounded answers as far as those could be
recalled (from memory; the crossed circuit of the second Table P4-1 row could not be confirmed and rests on
the two computations alone).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tipdatum.kinematics.linkage import FourBar

# d, a, b, c, θ2°, open (θ3°, θ4°), crossed (θ3°, θ4°), tolerance of the printed value, degrees
EXAMPLES = [
    (100, 40, 120, 80, 40, (20.29788279, 57.32488007), (-60.9779668, -98.00496408), 1e-7),
    (6, 2, 7, 9, 30, (88.8372413, 117.28606786), (-115.21081216, -143.65963872), 1e-7),
    (3, 10, 6, 8, 45, (-53.130, 16.490), (173.27, 103.65), 6e-3),
    (8, 5, 8, 6, 75, (7.50, 78.21), (-79.02, -149.74), 6e-3),
    (6, 8, 8, 9, 25, (-16.31, 7.24), (155.72, 132.17), 6e-3),
    (4, 5, 2, 5, 80, (-1.55, 103.09), (-113.54, 141.82), 6e-3),
    (4, 6, 10, 7, 88, (-13.28, 31.91), (-102.13, -147.31), 6e-3),
    (9, 7, 11, 8, 50, (-3.49, 35.91), (-96.50, -135.90), 6e-3),
    (0.30, 0.40, 0.60, 0.50, 110, (9.54861543, 71.95534512), (-90.9731655, -153.37989519), 1e-7),
]


def _four_bar(d: float, a: float, b: float, c: float, assembly: int) -> FourBar:
    """Norton's four-bar as a bucket linkage: ground along the stick, the ear along the bucket's x axis."""
    return FourBar(
        pivot_x=0.0, pivot_z=0.0, rocker=a, link=b, ear=c, ear_angle=0.0, stick=d, assembly=assembly
    )


def _apart_deg(a: float, b: float) -> float:
    return abs((a - b + 180.0) % 360.0 - 180.0)


@pytest.mark.parametrize(("d", "a", "b", "c", "theta2", "open_", "crossed", "tolerance"), EXAMPLES)
def test_both_circuits_of_the_textbook_four_bars(
    d: float,
    a: float,
    b: float,
    c: float,
    theta2: float,
    open_: tuple[float, float],
    crossed: tuple[float, float],
    tolerance: float,
) -> None:
    for assembly, (theta3, theta4) in ((1, open_), (-1, crossed)):
        solution = _four_bar(d, a, b, c, assembly).bucket_from_rocker(math.radians(theta2))
        assert solution.closes.all()
        output = float(solution.bucket[0])
        assert _apart_deg(math.degrees(output), theta4) < tolerance
        rocker_end = np.array([a * math.cos(math.radians(theta2)), a * math.sin(math.radians(theta2))])
        ear_end = np.array([d + c * math.cos(output), c * math.sin(output)])
        coupler = math.degrees(math.atan2(*(ear_end - rocker_end)[::-1]))
        assert _apart_deg(coupler, theta3) < tolerance


def test_freudenstein_equation_holds_over_a_whole_turn() -> None:
    """K1 cos θ4 - K2 cos θ2 + K3 = cos(θ2 - θ4) (Freudenstein 1955), constants of Norton's Example 4-1."""
    theta2 = np.linspace(-np.pi, np.pi, 721)
    for assembly in (1, -1):
        theta4 = _four_bar(100, 40, 120, 80, assembly).bucket_from_rocker(theta2).bucket
        residual = 2.5 * np.cos(theta4) - 1.25 * np.cos(theta2) + 0.5625 - np.cos(theta2 - theta4)
        assert np.abs(residual).max() < 1e-12


def test_a_four_bar_that_cannot_close_says_so_at_every_angle() -> None:
    """d 100, a 10, b 20, c 30: the longest bar is longer than the three others together (Grashof)."""
    solution = _four_bar(100, 10, 20, 30, 1).bucket_from_rocker(np.linspace(-3, 3, 50))
    assert not solution.closes.any()
    assert np.isnan(solution.bucket).all()


ENGINE = FourBar(
    pivot_x=2.1710844,
    pivot_z=0.0037633,
    rocker=0.6018478,
    link=0.5467153,
    ear=0.3836698,
    ear_angle=math.radians(136.2),
    stick=2.5054549,
    assembly=1,
)


def test_bucket_linkage_of_a_rigid_body_engine() -> None:
    """Value and range from a closed-loop simulation in MuJoCo: 120° → -29.24°; 95°…157° → -63°…+19°."""
    degrees = np.degrees(ENGINE.bucket_from_rocker(np.radians([120.0, 95.0, 157.0])).bucket)
    assert degrees[0] == pytest.approx(-29.24, abs=0.006)
    # The ends of the engine's range are known to whole degrees only.
    assert degrees[1:] == pytest.approx([-63.0, 19.0], abs=1.0)
