"""A sensor that lies loose on a bench: which way is up, and whether it has lain like that before."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from tipdatum.calibration.observations import ObservationBook, SensorRest

SAME_FACE_DEG = 25.0
"""Turn below which a sensor lies on the face before: faces and edges are 45° apart, and people lay them
down a few degrees off."""


def up_in(accel_mps2: Sequence[float]) -> list[float]:
    """(3,) which way is up in a resting sensor's own axes, for a screen."""
    accel = np.array(accel_mps2)
    return [round(float(a), 3) for a in accel / max(float(np.linalg.norm(accel)), 1e-6)]


def lain_before(book: ObservationBook, sensor: str, rest: Mapping[str, SensorRest]) -> str:
    """Which bench rest of that sensor had the same face up, `""` if none: it tells nothing new of scale and
    bias."""
    now = np.array(up_in(rest[sensor].accel_mps2))
    entries = {r.id: r for r in book.rest}
    for o in book.solving():
        if o.kind != "specific_force" or not o.of.startswith(f"{sensor}: ") or o.rest not in entries:
            continue
        before = entries[o.rest].sensor.get(sensor)
        if before is not None and now @ up_in(before.accel_mps2) > math.cos(math.radians(SAME_FACE_DEG)):
            return o.of
    return ""
