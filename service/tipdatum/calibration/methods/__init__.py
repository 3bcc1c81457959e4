"""The methods: each turns its kind of observation into weighted residuals; `all_terms` composes them."""

from __future__ import annotations

from tipdatum.calibration.methods.bench import bench
from tipdatum.calibration.methods.described import described
from tipdatum.calibration.methods.marks import ties, touches
from tipdatum.calibration.methods.motion import axes
from tipdatum.calibration.methods.readings import readings
from tipdatum.calibration.methods.reversal import slew_readings
from tipdatum.calibration.methods.rocker import loop
from tipdatum.calibration.methods.rows import Row, Term
from tipdatum.calibration.methods.side_joints import encoders, told_angles
from tipdatum.calibration.methods.slopes import cross_slopes, heights, lengths, plumb, slopes
from tipdatum.calibration.unknowns import Setup

__all__ = ["Row", "Term", "all_terms"]


def all_terms(setup: Setup) -> list[Term]:
    """Every method's rows; a method without observations has none."""
    makers = (
        readings, bench, described, slopes, heights, lengths, plumb, touches, ties, slew_readings, loop, axes,
        cross_slopes, told_angles, encoders,
    )  # fmt: skip
    return [term for make in makers if (term := make(setup)).rows]
