"""What must outlive a restart: one document, written by the shell whenever its revision has moved on."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from tipdatum.grade.stillness import TipPoint
from tipdatum.grade.targets import Target


class Document(BaseModel):
    """Base of the state's parts. Unknown keys are left out, so that an older service reads a newer file."""

    model_config = ConfigDict(extra="ignore", allow_inf_nan=False)


class Reference(Document):
    """The height system as it hangs on the machine: the elevation of the slew centre at rest.

    `instrument_m` is that elevation, as a surveyor's height of instrument. Everything else tells where it
    comes from and how sure it is.
    """

    instrument_m: float
    how: Literal["mark", "laser", "correction"]
    mark: str | None = None
    point: TipPoint = "tip"
    known_m: float = Field(description="elevation of what was touched")
    known_sigma_m: float = Field(default=0.0, description="1-sigma of that elevation in the height system")
    touch_height_m: float = Field(description="mean height above the slew centre at the touch")
    touch_noise_m: float = Field(default=0.0, description="1-sigma of standing on the mark and of averaging")
    touch_sigma_m: float = Field(description="1-sigma of touch_height_m as the pose knew it then")
    posture: list[float] = Field(description="the arm's angles at the touch, rad")
    bucket: str = Field(description="bucket that was on at the touch")
    t: float
    time: str = ""
    by: str = ""


class WorkState(Document):
    """Reference, marks, level book, target, bucket and what else was told to the service."""

    version: int = 1
    reference: Reference | None = None
    doubts: list[str] = Field(default_factory=list, description="why the reference is doubtful")
    target: Target | None = None
    bucket: str | None = None
    extra: dict[str, Any] = Field(default_factory=dict)
