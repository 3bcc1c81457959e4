"""What may be set about the work itself: stillness, patience, restarts. One sentence and a unit each."""

from __future__ import annotations

import math
from typing import Annotated

from pydantic import Field

from tipdatum.grade.cautions import Jurisdiction
from tipdatum_drivers.options import Table

Metres = Annotated[float, Field(ge=0, le=10)]
Seconds = Annotated[float, Field(gt=0, le=3600)]


class WorkOptions(Table):
    """`[work]` of the service's file."""

    still_most_s: Seconds = 2.5
    """Longest stretch before a touch that is averaged. Longer averages more noise but may reach into the
    moment the bucket came to rest."""
    still_least_s: Seconds = 1.0
    """Shortest stretch that counts as a still moment. Engine vibration and rocking need about a second."""
    average_s: Seconds = 0.1
    """Last part of the stretch whose heights are averaged. The estimator has averaged the readings of the
    whole stretch already, and knows more at its end than at its start; with a plain filter take more."""
    still_spread_m: Metres = 0.012
    """Peak-to-peak height within which the tip counts as still. Smaller refuses noisy sensors, larger
    averages a creeping boom."""
    wobble_most_m: Metres = 0.04
    """Sensors of a few readings a second leave a still tip wobbling by some of its sigma; a spread that its
    sigma explains counts as still up to here."""
    still_reach_m: Metres = 0.05
    """The same for reach and sideways movement."""
    moving_mps: Annotated[float, Field(gt=0, le=2)] = 0.08
    """Speed of the tip above which a touch is refused at once instead of waiting."""
    wait_s: Seconds = 10.0
    """How long a command waits for a still moment before it is refused."""
    touch_sigma_m: Metres = 0.0025
    """1-sigma of standing the tip on a mark (2 to 3 mm: common practice, no source)."""
    touch_common_m: Metres = 0.002
    """Part of it that is the same each time, because one touches in the same way: the tooth is pressed in, or
    held just above. It cancels from mark to mark and stays in the elevation of a tip in the air."""
    restart_trust_s: Annotated[float, Field(ge=0, le=86400)] = 60.0
    """A service back within this time goes on with its reference; after longer the reference is doubtful."""
    laser_wait_s: Seconds = 120.0
    """How long a command waits for the laser crossings that it asked for."""
    laser_spread_m: Metres = 0.03
    """Peak-to-peak disagreement of laser crossings above which they are refused."""
    jurisdiction: Jurisdiction | None = None
    """Whose figures cautions may quote. No default: it is for people to say which rules apply to them."""
    watch_moves: bool = True
    """Whether shaking and leaning of the machine raise doubt; false where a travel switch does it better."""

    @property
    def touch_alike_m(self) -> float:
        """1-sigma of what is alike in all touches, m; no more than all of it."""
        return min(self.touch_common_m, self.touch_sigma_m)

    @property
    def touch_random_m(self) -> float:
        """1-sigma of what differs from touch to touch, m."""
        return math.sqrt(self.touch_sigma_m**2 - self.touch_alike_m**2)
