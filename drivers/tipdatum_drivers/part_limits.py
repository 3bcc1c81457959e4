"""What a description may say of the numbers that one part can tell."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from tipdatum_drivers.options import Options


class PartLimits(Options):
    """`[sensor.x.limits]`: what is believable; the defaults fit the usual parts on an excavator, shocks of
    15 g included."""

    accel_g: Annotated[float, Field(gt=0, le=400)] = 33.0
    """Largest component, g: the widest range of the usual parts is 32 g."""
    rate_degps: Annotated[float, Field(gt=0, le=10000)] | None = None
    """Largest rate, °/s; by default 250 on upper and booms, 300 on the stick, 400 on all others."""
    rate_step_degps: Annotated[float, Field(gt=0, le=10000)] = 23.0
    """Leap of a rate from one reading to the next that is believed at once, °/s; see `glitches`."""
    temp_min_c: float = -40.0
    temp_max_c: float = 85.0
    frozen_s: Annotated[float, Field(gt=0)] = 1.0
    """An inertial sensor's noise never repeats for this long."""
    tilt_frozen_s: Annotated[float, Field(gt=0)] = 60.0
    """Inclinometers filter and round; used only where the smallest step seen is finer than 0.02°."""
    not_1_g_s: Annotated[float, Field(gt=0)] = 5.0
    """Longest time without one reading near 1 g; the hardest work passes it several times a second."""
    jump_degps: Annotated[float, Field(gt=0)] = 400.0
    """Faster than any part of an excavator turns."""


USUAL_LIMITS = PartLimits()
"""Of a part whose description says nothing of them."""
