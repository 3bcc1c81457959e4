"""The message models: the contract of the bus. Everything else derives from them.

A key says its unit. A value that is not known is null with a reason, never a number and never NaN.
"""

from __future__ import annotations

from functools import cache
from typing import Annotated, Any, Literal, Self, TypeAlias

import orjson
from pydantic import BaseModel, ConfigDict, Field

CONTRACT_VERSION = "2.6"
"""Version of the message contract: major for what breaks a reader, minor for what is added."""

UNITS: dict[str, str] = {
    "_m": "metre",
    "_s": "second",
    "_deg": "degree",
    "_hz": "hertz",
    "_mps2": "metre per second squared",
    "_radps": "radian per second",
    "_c": "degree Celsius",
}
"""Suffix of a key → unit, as `about` tells it."""

Quality = Literal["good", "moving", "settling", "stale", "invalid"]
Datum = Literal["none", "set", "doubtful"]


SaidText: TypeAlias = Annotated[
    list[dict[str, Any]], Field(description="the text as parts, see `said` of a reply")
]

_set = object.__setattr__


class Message(BaseModel):
    """Base of all messages that the service publishes."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, ser_json_inf_nan="null", defer_build=True)

    @classmethod
    def made_of(cls, fields: dict[str, Any]) -> Self:
        """The message of these fields, all of them and in their order, without looking at them again.

        For what the service itself reckoned and says many times a second: pydantic's own way of doing without
        validation (`model_construct`) takes longer than validating.
        """
        message = cls.__new__(cls)
        _set(message, "__dict__", fields)
        _set(message, "__pydantic_fields_set__", _all_fields(cls))
        _set(message, "__pydantic_extra__", None)
        _set(message, "__pydantic_private__", None)
        return message


@cache
def _all_fields(model: type[Message]) -> set[str]:
    """One set for all messages of a kind that have every field: nothing can be added to it."""
    return set(model.model_fields)


class Tip(Message):
    """Where the bucket's tip is. Live, never retained."""

    t: float = Field(description="session time the figures are valid for, s")
    time: str = Field(description="the same moment, RFC 3339 UTC")
    elevation_m: float | None = Field(description="tip centre, in the height system of the reference")
    left_m: float | None = Field(description="elevation of the left tip corner")
    right_m: float | None = Field(description="elevation of the right tip corner")
    left_sigma_m: float | None = Field(
        default=None, description="1-sigma of left_m; null for a bucket that does not tilt"
    )
    right_sigma_m: float | None = Field(default=None, description="the same of right_m")
    reach_m: float | None = Field(description="horizontal distance from the slew axis along the boom plane")
    lateral_m: float | None = Field(description="horizontal distance from the boom plane, positive left")
    sigma_m: float | None = Field(description="1-sigma of elevation_m relative to the reference")
    quality: Quality
    reasons: list[str] = Field(
        description="why figures are missing or weak, in short words; what is missing of the target "
        "(station unknown, outside the profile) stands here while quality is good"
    )
    reasons_said: list[list[dict[str, Any]]] = Field(
        default_factory=list, description="the reasons as parts, see `said` of a reply"
    )
    datum: Datum
    deviation_m: float | None = Field(
        description="tip elevation minus the target's elevation under it; null without a target"
    )
    sigma_prediction_m: float | None = Field(
        default=None, description="the part of sigma_m that comes from predicting to t"
    )
    cutting: bool | None = Field(
        default=None,
        description="whether the edge cuts ground, by the way it moves: null no; false a stroke that "
        "does not count yet; true it counts, from its first false on",
    )
    judgement: str | None = Field(
        default=None,
        description="of deviation_m and sigma_m against the tolerance: on grade, above, below or cannot "
        "judge; null without a tolerance",
    )
    target_m: float | None = Field(default=None, description="the target's elevation under the tip")
    station_m: float | None = Field(default=None, description="where along the target's line the tip is")
    offset_m: float | None = Field(default=None, description="left of the target's line")
    perpendicular_m: float | None = Field(
        default=None, description="deviation at right angles to the target, tip centre"
    )
    left_deviation_m: float | None = Field(default=None, description="deviation of the left tip corner")
    right_deviation_m: float | None = Field(default=None, description="deviation of the right tip corner")
    heel_deviation_m: float | None = Field(
        default=None, description="smallest deviation of the bucket's outline, where it is described"
    )
    governing: str | None = Field(
        default=None, description="point that is lowest against the target: tip, left, right or heel"
    )
    governing_deviation_m: float | None = Field(default=None, description="its deviation")
    governing_sigma_m: float | None = Field(default=None, description="1-sigma of that")
    governing_judgement: str | None = Field(
        default=None, description="as judgement, of the governing point by its own deviation and sigma"
    )
    floor_deg: float | None = Field(
        default=None, description="bucket floor against the target, positive nose up, where it is described"
    )


class ArmPoint(Message):
    """A pin of the arm, in the vertical plane of the boom."""

    name: str
    reach_m: float
    height_m: float = Field(description="above the slew centre")


class TargetPoint(Message):
    """A point of the target's line along the boom plane."""

    reach_m: float
    elevation_m: float


class TargetAcross(Message):
    """A point of the target's line square to the boom plane, at the tip's reach."""

    lateral_m: float = Field(description="positive left of the boom plane")
    elevation_m: float


class EdgeCorner(Message):
    """A corner of the cutting edge."""

    name: str = Field(description="left or right")
    reach_m: float
    lateral_m: float = Field(description="positive left of the boom plane")
    height_m: float = Field(description="above the slew centre")


class Arm(Message):
    """The arm's pins for displays that draw. Live, never retained."""

    t: float
    time: str
    quality: Quality
    points: list[ArmPoint] | None = Field(description="boom foot to tip, null when not known")
    height_to_elevation_m: float | None = Field(
        description="add to a height to get an elevation; null without a reference"
    )
    pitch_deg: float | None = Field(default=None, description="upper, positive nose up")
    roll_deg: float | None = Field(default=None, description="positive right side down")
    slew_deg: float | None = Field(
        default=None,
        description="the boom plane, positive left, since the start or of the slew sensor; with a boom that "
        "swings the upper stands swing_deg less",
    )
    swing_deg: float | None = Field(
        default=None, description="boom against the upper, positive left; null where it does not swing"
    )
    tilt_deg: float | None = Field(default=None, description="of the bucket; null where it does not tilt")
    bucket_deg: float | None = Field(
        default=None, description="elevation angle of the bucket's x axis, untilted"
    )
    corners: list[EdgeCorner] | None = Field(
        default=None, description="left and right end of the cutting edge"
    )
    edge_fall_percent: float | None = Field(
        default=None, description="rise of the edge over its run to the left; null when it stands upright"
    )
    edge_fall_sigma_percent: float | None = Field(default=None, description="1-sigma of edge_fall_percent")
    target_fall_percent: float | None = Field(
        default=None, description="of the target under it in the same direction"
    )
    tilt_to_set_deg: float | None = Field(
        default=None,
        description="how much further the bucket has to be tilted for its edge to fall as the target does",
    )
    target_ahead: list[TargetPoint] | None = Field(
        default=None, description="the target's line before and behind the tip, for drawing"
    )
    target_face: str | None = Field(
        default=None, description="of a ditch: the face nearest to the governing point: bottom, left or right"
    )
    target_across: list[TargetAcross] | None = Field(
        default=None, description="the target at the tip's reach, from right to left, for drawing"
    )


class LimitFigure(Message):
    """How far one limit of the work space is. Advice, no safety device."""

    kind: str = Field(description="ceiling, floor, near reach, far reach, slew left or slew right")
    state: Literal["within", "near", "beyond", "unknown"]
    point: str | None = Field(description="the point of the arm that is nearest")
    distance_m: float | None = Field(
        default=None, description="margin, two sigma and run-on are taken off; null for a slew limit"
    )
    distance_deg: float | None = Field(default=None, description="the same of a slew limit")
    time_s: float | None = Field(description="until it is reached at the present speed")
    reason: str = ""
    said: list[dict[str, Any]] = Field(
        default_factory=list, description="the reason as parts, see `said` of a reply"
    )
    note: str = ""


class Limits(Message):
    """Every limit that was set. Live, never retained."""

    t: float
    time: str
    limits: list[LimitFigure]


class Status(Message):
    """Whether the service lives. Retained; the broker publishes state "offline" as the last will."""

    state: Literal["online", "offline"]
    time: str | None = None
    reason: str | None = Field(default=None, description="why it is offline, where that is known")
    run: str | None = Field(default=None, description="changes with every start of the service")


class About(Message):
    """What this service and machine are. Retained."""

    service: str = "tipdatum"
    version: str
    build: str = Field(description="commit that the program was made from, or its version where nobody knows")
    contract: str = Field(description="version of the message contract")
    machine_id: str
    machine: dict[str, Any] = Field(description="the machine description, for displays that draw")
    units: dict[str, str] = Field(description="suffix of a key → unit")
    tick_hz: float
    started: str


class Health(Message):
    """Health of one sensor. Retained, on change and every 10 s."""

    t: float
    time: str
    sensor: str
    body: str
    state: Literal["ok", "waiting", "stale", "fault"]
    text: str = Field(description="what is wrong in words, empty when ok")
    said: SaidText = Field(default_factory=list)
    rate_hz: float | None
    jitter_s: float | None = None
    age_s: float | None
    faults: dict[str, int] = Field(description="counted faults by kind since the start")
    last_fault: str | None = None
    test_ratio: float | None = Field(
        default=None,
        description="innovation of the sensor over its gate, the largest of the last seconds: usually below "
        "0.5, above 1 it contradicts the others and figures are withheld; null where nothing is compared",
    )
    vibration_mps2: float | None = Field(default=None, description="root mean square of what shakes it, m/s²")
    clipped_share: float | None = Field(
        default=None,
        description="share of the last readings that stand at the end of the part's range, 0 to 1",
    )


class Raw(Message):
    """Means of one sensor's raw readings over half a second, for a calibration. Live, never retained."""

    sensor: str
    t0: float
    t1: float
    n: int
    accel_mps2: list[float] = Field(description="mean, in the sensor's own axes, nothing taken off")
    spread_mps2: list[float] = Field(description="standard deviation of the readings")
    gyro_radps: list[float] | None = Field(description="mean; null without a gyro")


class RawAngle(Message):
    """Mean of what a sensor of one angle told over half a second, for a calibration. Live, never retained."""

    sensor: str
    t0: float
    t1: float
    n: int
    angle_deg: float = Field(description="mean, positive to the left, nothing added or taken off")
    spread_deg: float = Field(description="standard deviation of the readings")


class Change(Message):
    """One entry of the change log: who changed what and when."""

    time: str
    t: float
    command: str
    by: str
    text: str
    said: SaidText = Field(default_factory=list)


class Changes(Message):
    """The last changes, newest last. Retained."""

    changes: list[Change]


class Reply(Message):
    """Answer to a command: on its response topic if it named one, and always on the reply topic."""

    t: float
    time: str
    command: str
    ok: bool
    text: str = Field(description="what was done, or why not, in words")
    saved: bool | None = Field(
        default=None,
        description="whether what is set now is on the disk; false: the text says why not; null: nothing was "
        "done, or this run keeps nothing",
    )
    said: list[dict[str, Any]] = Field(
        default_factory=list,
        description="the same as parts for other languages and units, code and values each (no code: text); "
        "a value that is a list holds sentences, each a list of such parts",
    )
    request_id: str | None = None
    result: dict[str, Any] | None = None


class State(Message):
    """What has been set: reference, target and so on. Retained."""

    t: float
    time: str
    datum: Datum
    reasons: list[str] = Field(default_factory=list, description="why the reference is doubtful")
    reasons_said: list[list[dict[str, Any]]] = Field(
        default_factory=list, description="the reasons as parts, see `said` of a reply"
    )
    reference: dict[str, Any] | None = None
    bucket: str | None = None
    target: dict[str, Any] | None = None
    station: dict[str, Any] | None = Field(
        default=None, description="whether the place along the line is known"
    )
    tolerance: dict[str, Any] | None = None
    marks: dict[str, Any] = Field(default_factory=dict, description="name → elevation_m, known, station_m")
    plane: dict[str, Any] | None = Field(default=None, description="the laser's plane")
    limits: list[dict[str, Any]] = Field(default_factory=list)
    question: dict[str, Any] | None = Field(default=None, description="what the operator is asked to confirm")
    cautions: list[dict[str, Any]] = Field(default_factory=list, description="shown for this trench today")
    trench: dict[str, Any] | None = None
    checked: dict[str, Any] | None = Field(default=None, description="the last check on a known mark")
    points: int = Field(default=0, description="as-dug points recorded")
    recording: bool = Field(default=False, description="whether points are recorded automatically")


class Happening(Message):
    """Something that happened and should not be lost."""

    id: str | None = Field(
        default=None,
        description="a run of the service and a running number in it; the same id again is the same event",
    )
    number: int | None = Field(
        default=None,
        description="running number of the machine's events; `event/again` sends missing ones once more",
    )

    t: float
    time: str
    kind: str
    text: str
    said: SaidText = Field(default_factory=list)
    sensor: str | None = None
    data: dict[str, Any] | None = Field(
        default=None, description="figures of an as-dug point or of a line of the level book"
    )


def live_payload(message: BaseModel) -> bytes:
    """What `model_dump_json` writes, in a third of the time: for messages of plain fields and such models."""
    return orjson.dumps(vars(message), default=vars)
