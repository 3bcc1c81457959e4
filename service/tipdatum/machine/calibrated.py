"""What a calibration said of a machine, as it stands in the description: `[calibrated]`.

The verdict belongs to the values that were calibrated. Their digest stands beside it, so that a length or a
mount that was changed afterwards does not go on under a verdict that was made without it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

Verdict = Literal["accepted", "doubtful", "refused"]


class Calibrated(BaseModel):
    """`[calibrated]`: written by `tipdatum calibrate`."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    date: Annotated[str, Field(max_length=40)]
    """RFC 3339."""
    verdict: Verdict
    """Doubtful and refused ones are only written when a person insists."""
    tip_sigma_m: Annotated[float, Field(ge=0, le=10)]
    """1-sigma of the tip at rest against the reference, RMS over the working envelope, m."""
    values: Annotated[str, Field(max_length=64)] = ""
    """Digest of the calibrated values (`values_digest`)."""


def values_digest(machine: Mapping[str, Any]) -> str:
    """Digest of what a calibration solves for, from a description as plain data with defaults filled in."""
    boom, bucket = machine["boom"], machine["bucket"][0]
    sensors = {
        name: [s["body"], s["type"], s["mount_rpy_deg"], s["accel_offset_mps2"], s["accel_scale"]]
        for name, s in sorted(machine["sensor"].items())
    }
    ear = [bucket["bucket_ear_m"], bucket["bucket_ear_angle_deg"], bucket["mount_rpy_deg"]]
    linkage = {k: v for k, v in (machine["linkage"] or {}).items() if not k.endswith("sigma_m")}
    solved = [
        boom["foot_m"],
        boom["length_m"],
        machine["stick"]["length_m"],
        bucket["tip_m"],
        ear,
        linkage,
        sensors,
    ]
    text = json.dumps(solved, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:16]
