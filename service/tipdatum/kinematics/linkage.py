"""The four-bar linkage that turns the bucket, from rocker to bucket, in closed form.

In the stick's x–z plane (x to the bucket pin, angles positive from x towards z):

- rocker pivot A = `rocker_pivot_m`, rocker–link pin B = A + rocker_m · (cos ρ, sin ρ),
- bucket pin D = (stick length, 0), link–bucket pin C with |BC| = link_m and |DC| = bucket_ear_m,
- the bucket's x axis (pin to tip) stands at β = angle(DC) - bucket_ear_angle.

C is one of two circle intersections. `assembly` 1 takes, seen with x right and z up, the one to the left
of the line from B to D; -1 the one to the right.

The transmission ratio follows from differentiating |BC|² = const:
dβ/dρ = (BC · ∂B/∂ρ) / (BC · ∂C/∂β), infinite where link and ear are in line (the linkage's dead centre).

Source of the method: circle intersection form of the four-bar position problem, any text on planar
mechanisms (for instance Norton, *Design of Machinery*, ch. 4).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tipdatum.kinematics.frames import Array, wrap

COINCIDENT_M = 1e-9
"""Pins closer than this stand in one place, m."""


@dataclass(frozen=True, slots=True)
class LinkageSolution:
    """Bucket angle relative to the stick for N rocker angles.

    Attributes:
        bucket: (N,) rad, the bucket's x axis relative to the stick's, NaN where the linkage cannot close.
        ratio: (N,) dβ/dρ, NaN where it cannot close.
        closes: (N,) bool.
    """

    bucket: Array
    ratio: Array
    closes: np.typing.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class FourBar:
    """Dimensions in metres and radians, stick frame; see the module's text."""

    pivot_x: float
    pivot_z: float
    rocker: float
    link: float
    ear: float
    ear_angle: float
    stick: float
    assembly: int

    def bucket_from_rocker(self, rocker_angle: ArrayLike) -> LinkageSolution:
        """Solve for the bucket's angle; `rocker_angle` rad relative to the stick's x, any shape (N,).

        The bucket angle is the one within ±180° of zero; callers that follow it through time carry it on.
        """
        rho = np.atleast_1d(np.asarray(rocker_angle, dtype=float))
        bx = self.pivot_x + self.rocker * np.cos(rho)
        bz = self.pivot_z + self.rocker * np.sin(rho)
        ux, uz = self.stick - bx, -bz
        distance = np.hypot(ux, uz)
        # With both pins in one place (distance next to 0) any angle would do: that is no linkage.
        apart = distance > COINCIDENT_M
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            along = (distance**2 + self.link**2 - self.ear**2) / (2.0 * distance)
            off_squared = self.link**2 - along**2
            closes = (off_squared >= 0.0) & apart
            off = np.sqrt(off_squared) * self.assembly
            ux, uz = ux / distance, uz / distance
            cx = bx + along * ux - off * uz
            cz = bz + along * uz + off * ux
            beta = np.arctan2(cz, cx - self.stick) - self.ear_angle
            beta = wrap(beta)
            # BC · ∂B/∂ρ over BC · ∂C/∂β
            num = (cx - bx) * -(bz - self.pivot_z) + (cz - bz) * (bx - self.pivot_x)
            den = (cx - bx) * -cz + (cz - bz) * (cx - self.stick)
            ratio = num / den
        beta = np.where(closes, beta, np.nan)
        return LinkageSolution(beta, np.where(closes, ratio, np.nan), closes)

    def bucket_at(self, rho: float) -> tuple[float, float] | None:
        """Bucket angle (rad, to the stick) and dβ/dρ at one rocker angle; None where it cannot close.

        The same as `bucket_from_rocker`, which costs as much for one angle as for a hundred.
        """
        c, s = math.cos(rho), math.sin(rho)
        bx, bz = self.pivot_x + self.rocker * c, self.pivot_z + self.rocker * s
        ux, uz = self.stick - bx, -bz
        distance = math.hypot(ux, uz)
        if distance <= COINCIDENT_M:
            return None
        along = (distance * distance + self.link**2 - self.ear**2) / (2.0 * distance)
        off_squared = self.link**2 - along * along
        if not off_squared >= 0.0:
            return None
        off = math.sqrt(off_squared) * self.assembly
        ux, uz = ux / distance, uz / distance
        cx, cz = bx + along * ux - off * uz, bz + along * uz + off * ux
        beta = math.remainder(math.atan2(cz, cx - self.stick) - self.ear_angle, 2.0 * math.pi)
        num = (cx - bx) * -(bz - self.pivot_z) + (cz - bz) * (bx - self.pivot_x)
        den = (cx - bx) * -cz + (cz - bz) * (cx - self.stick)
        return beta, num / den if den else math.copysign(math.inf, num)

    def rocker_from_bucket(self, bucket_angle: ArrayLike) -> Array:
        """Rocker angles (N, 2), rad, that put the bucket at `bucket_angle`; NaN where none does.

        Both roots of the other circle intersection, whatever their assembly; `bucket_from_rocker` of a
        root returns `bucket_angle` for the one that belongs to this assembly.
        """
        beta = np.atleast_1d(np.asarray(bucket_angle, dtype=float)) + self.ear_angle
        cx, cz = self.stick + self.ear * np.cos(beta), self.ear * np.sin(beta)
        ux, uz = cx - self.pivot_x, cz - self.pivot_z
        distance = np.hypot(ux, uz)
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            cos_at_pivot = (self.rocker**2 + distance**2 - self.link**2) / (2.0 * self.rocker * distance)
            at_pivot = np.where(np.abs(cos_at_pivot) <= 1.0, np.arccos(np.clip(cos_at_pivot, -1, 1)), np.nan)
        towards = np.arctan2(uz, ux)
        roots = np.stack([towards + at_pivot, towards - at_pivot], axis=-1)
        return wrap(roots)

    def closing_range(self, steps: int = 3600) -> list[tuple[float, float]]:
        """Intervals of the rocker angle, rad in [-π, π], over which the linkage closes, to 2π/steps."""
        rho = np.linspace(-math.pi, math.pi, steps + 1)
        closes = self.bucket_from_rocker(rho).closes
        edges = np.flatnonzero(np.diff(closes.astype(int)))
        starts = ([0] if closes[0] else []) + [int(e) + 1 for e in edges if not closes[e]]
        ends = [int(e) for e in edges if closes[e]] + ([steps] if closes[-1] else [])
        return [(float(rho[s]), float(rho[e])) for s, e in zip(starts, ends, strict=True)]
