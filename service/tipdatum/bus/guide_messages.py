"""What passes between `tipdatum guide` and its page: how things stand, and what the person did.

The service itself takes no part: a guide is a client like a display, and both sign in as integrator.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from tipdatum.bus.messages import Message

GuideStage = Literal[
    "place", "silent", "move", "moving", "settling", "ready", "swing", "readings", "end", "ended"
]


class GuideView(Message):
    """How a guided calibration stands: from `tipdatum guide`, twice a second and after every answer."""

    stage: GuideStage = Field(
        description="place: the standing is asked for; silent: a sensor is not heard; move: the arm is to be "
        "moved first; moving, settling, ready: how still it stands; swing: a motion is being taken; "
        "readings: a rest is taken and its readings are asked for; end: every step is done; "
        "ended: the guide has left"
    )
    time: str | None = Field(default=None, description="RFC 3339 UTC")
    machine: str | None = None
    standing: str | None = Field(
        default=None, description="place and heading of the tracks, empty before one"
    )
    standings: list[str] = Field(default_factory=list, description="those that are in the book")
    chapters: list[dict[str, Any]] = Field(
        default_factory=list, description="name, and steps with id and state: open, now, done or skipped"
    )
    step: dict[str, Any] | None = Field(
        default=None,
        description="what is asked for: id, key and values for the reader's language, words in English, "
        "motion, rest (drift_deg and the sensor that drifted most) once it is taken, questions (name, kind, "
        "of, unit) whose readings are wanted",
    )
    still: dict[str, Any] | None = Field(
        default=None, description="seconds of rest, seconds needed, scatter_mps2, drift_deg"
    )
    silent: list[str] = Field(default_factory=list, description="sensors that are not heard")
    angles: dict[str, float] | None = Field(
        default=None,
        description="degrees of boom, stick and bucket against the horizontal; null: not current",
    )
    pins: list[list[float]] | None = Field(
        default=None, description="reach and height, m, of boom foot, boom–stick, stick–bucket, tip"
    )
    wanted: list[list[float]] | None = Field(default=None, description="the same of the posture to take")
    lies: list[float] | None = Field(
        default=None, description="which way is up in the axes x, y, z of the loose sensor that is asked for"
    )
    kept: dict[str, int] | None = Field(default=None, description="observations and rests in the book")
    known: dict[str, Any] | None = Field(
        default=None, description="worst_m: 1-sigma of the tip at worst so far; goal_m: what is enough"
    )
    planning: bool = Field(default=False, description="the next posture is being worked out")
    note: dict[str, Any] | None = Field(default=None, description="what came of the last step: code, values")
    marks: list[str] = Field(default_factory=list)
    finishing: bool = Field(default=False, description="the verdict is being worked out")
    verdict: dict[str, Any] | None = Field(
        default=None,
        description="word, reasons, settle, set_aside, unchecked, tip_rms_m and tip_worst_m (1-sigma); "
        "reasons_said and settle_said are the same in parts, for the reader's language",
    )
    reply: dict[str, Any] | None = Field(
        default=None, description="to the last answer: request_id, ok, code, text; repeated for five seconds"
    )


class GuideAnswer(Message):
    """What a person did at the page of `tipdatum guide`; the guide's next view carries the reply."""

    do: Literal[
        "place",
        "start",
        "take",
        "again",
        "readings",
        "skip",
        "choose",
        "mark",
        "back",
        "finish",
        "moved",
        "bench",
    ] = Field(
        description="place: the tracks stand here; start: a motion begins; take: this rest; again: not this "
        "one; readings: what was read; skip, choose, back: a step left out, chosen, taken back; mark: a new "
        "mark; moved: the tracks moved, or the sensors leave the bench; bench: they lie loose on one; "
        "finish: give the verdict"
    )
    request_id: str = Field(default="", description="the same id again gets the same reply, and does nothing")
    standing: str | None = Field(default=None, description="with place: its name")
    step: str | None = Field(default=None, description="with choose and back: id of the step")
    name: str | None = Field(default=None, description="with mark: letters and digits")
    values: dict[str, Any] | None = Field(
        default=None, description="with readings: name of the question → degrees or metres; empty: not read"
    )
