"""The rocker that a bucket's angle goes with: found from the bucket's side, by the cosine rule.

The other way round than the service's linkage, which goes from the rocker to the bucket: a mistake of one
does not hide in the other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from tipdatum.machine.description import Machine

STEP_RAD = 1e-4


@dataclass(frozen=True, slots=True)
class Rocker:
    """Dimensions in the stick's x–z plane, m and rad; see the machine's `[linkage]`."""

    pivot: tuple[float, float]
    rocker: float
    link: float
    ear: float
    ear_angle: float
    stick: float
    assembly: int

    @classmethod
    def of(cls, machine: Machine) -> Rocker:
        """Of a machine with a `[linkage]`, with the bucket that is mounted."""
        k, b = machine.linkage, machine.bucket[0]
        if k is None:
            raise ValueError("the machine has no linkage")
        angle = b.bucket_ear_angle_deg if b.bucket_ear_angle_deg is not None else k.bucket_ear_angle_deg
        ear = b.bucket_ear_m if b.bucket_ear_m is not None else k.bucket_ear_m
        stick = machine.stick.length_m
        return cls(k.rocker_pivot_m, k.rocker_m, k.link_m, ear, math.radians(angle), stick, k.assembly)

    def angle(self, bucket: float) -> float | None:
        """Angle of the rocker's x axis to the stick's, rad, with the bucket at `bucket`; None: no such place.

        Of the two places that close the linkage it is the one in which the link–bucket pin lies on the side
        of the line from rocker–link pin to bucket pin that `assembly` names.
        """
        cx = self.stick + self.ear * math.cos(bucket + self.ear_angle)
        cz = self.ear * math.sin(bucket + self.ear_angle)
        ax, az = self.pivot
        d = math.hypot(cx - ax, cz - az)
        if d == 0.0:
            return None
        cosine = (self.rocker**2 + d * d - self.link**2) / (2.0 * self.rocker * d)
        if abs(cosine) > 1.0:
            return None
        towards, half = math.atan2(cz - az, cx - ax), math.acos(cosine)
        for rho in (towards + half, towards - half):
            bx, bz = ax + self.rocker * math.cos(rho), az + self.rocker * math.sin(rho)
            side = (self.stick - bx) * (cz - bz) + bz * (cx - bx)
            if side * self.assembly >= 0.0:
                return math.remainder(rho, 2.0 * math.pi)
        return None

    def ratio(self, bucket: float) -> float:
        """∂(rocker's angle)/∂(bucket's angle)."""
        ahead, behind = self.angle(bucket + STEP_RAD), self.angle(bucket - STEP_RAD)
        if ahead is None or behind is None:
            return 0.0
        return math.remainder(ahead - behind, 2.0 * math.pi) / (2.0 * STEP_RAD)

    def bucket_range(self, low: float, high: float) -> tuple[float, float]:
        """The part of low … high, rad, over which the linkage moves freely (ratio between 1/4 and 4)."""
        steps = 200
        best: tuple[float, float] | None = None
        start: float | None = None
        for i in range(steps + 1):
            beta = low + (high - low) * i / steps
            free = self.angle(beta) is not None and 0.25 < abs(self.ratio(beta)) < 4.0
            if free and start is None:
                start = beta
            if free and start is not None and (best is None or beta - start > best[1] - best[0]):
                best = (start, beta)
            if not free:
                start = None
        return best if best is not None else (low, high)
