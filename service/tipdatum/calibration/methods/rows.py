"""What a method hands to the adjustment: rows, each one scalar residual with its 1-sigma and its locus."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tipdatum.calibration.parameters import Parameters
from tipdatum.kinematics.frames import Array


@dataclass(frozen=True, slots=True)
class Row:
    """One scalar residual.

    Attributes:
        id: of the observation, or a text for readings of sensors.
        part: which share of the observation it is, such as "height" or "sideways"; may be empty.
        unit, sigma: of the residual before weighting.
        window, sensor, power_up, standing: numbers of what the residual depends on, -1 for none.
        tested: whether it may be rejected as an outlier.
    """

    id: str
    kind: str
    unit: str
    sigma: float
    part: str = ""
    window: int = -1
    sensor: int = -1
    power_up: int = -1
    standing: int = -1
    tested: bool = True


@dataclass(frozen=True, slots=True)
class Term:
    """A method's rows and the function that gives observed minus predicted for all of them, (n,).

    `machine` says whether they depend on unknowns of the whole machine (lengths, marks, the load's tilt).
    """

    rows: tuple[Row, ...]
    residuals: Callable[[Parameters], Array]
    machine: bool = True

    def sees(self, locus: str) -> bool:
        """Whether unknowns of that locus can move any of its rows."""
        return self.machine if locus == "machine" else any(getattr(r, locus) >= 0 for r in self.rows)
