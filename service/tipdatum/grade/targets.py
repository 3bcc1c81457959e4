"""What is dug to: the design's elevation under the tip, its slope, and the deviation from it."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict


class LevelTarget(BaseModel):
    """One elevation everywhere."""

    model_config = ConfigDict(extra="ignore", allow_inf_nan=False)

    kind: Literal["level"] = "level"
    elevation_m: float


Target = LevelTarget
