"""The forms of the work: what may be set, what is kept, what a command may hold and what is answered."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from tipdatum.errors import CommandRefused
from tipdatum.grade.units import parse_length
from tipdatum.model_places import alternatives, bare
from tipdatum.sentences import sentence
from tipdatum_drivers.options import Table

Elevation: TypeAlias = Annotated[float, Field(ge=-11000, le=9000)]
"""m; between the deepest sea and the highest mountain, so that a figure in millimetres is caught."""

Name: TypeAlias = Annotated[str, StringConstraints(strip_whitespace=True), Field(min_length=1, max_length=40)]
"""A name that people give; spaces around it are left out."""


Metres = Annotated[float, Field(ge=0, le=10)]
Seconds = Annotated[float, Field(gt=0, le=3600)]

Jurisdiction: TypeAlias = Literal["us"]
"""Whose figures cautions may quote."""


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


class Document(BaseModel):
    """Base of everything that is kept. It never changes: a change is another document.

    Unknown keys are left out, so that an older service reads a newer file.
    """

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False, defer_build=True)


class CommandBody(BaseModel):
    """Base of every command's body: unknown keys are refused.

    A length may be given as people write it: "depth": "4' 3 1/2\"" stands for "depth_m": 1.3081. A number
    where a text belongs is its digits: marks and codes are often called so.
    """

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, defer_build=True)

    @model_validator(mode="before")
    @classmethod
    def _as_people_write(cls, data: Any) -> Any:
        if not isinstance(data, dict):
            return data
        out = dict(data)
        for key, value in data.items():
            if isinstance(value, str) and key not in cls.model_fields and f"{key}_m" in cls.model_fields:
                out.setdefault(f"{key}_m", parse_length(value))
                del out[key]
            elif isinstance(value, int | float) and not isinstance(value, bool) and cls._is_text(key):
                out[key] = str(value)
        return out

    @classmethod
    def _is_text(cls, key: str) -> bool:
        field = cls.model_fields.get(key)
        return field is not None and any(bare(kind)[0] is str for kind in alternatives(field.annotation))


class Nothing(CommandBody):
    """A command without a body."""


class Destroying(CommandBody):
    """A command that destroys a record."""

    sure: bool = Field(
        default=False,
        description="say true: needed where nobody can know whether the command is an old, retained one",
    )


@dataclass(frozen=True, slots=True)
class Request:
    """A command as it came in.

    Attributes:
        token: handed back untouched with the outcome, so that the caller finds the asker again.
        fresh: whether it is known to be sent now. A broker's old, retained message cannot be told from a new
            one in every protocol.
    """

    name: str
    t: float
    by: str = ""
    token: Any = None
    fresh: bool = True

    def must_be_meant(self, body: Destroying) -> None:
        """Refuse to destroy a record on an order that may be an old one.

        Raises:
            CommandRefused: it is not known to be fresh, and does not say that it is meant.
        """
        if not self.fresh and not body.sure:
            raise CommandRefused(sentence("order-destroys", command=self.name))


@dataclass(frozen=True, slots=True)
class Outcome:
    """Answer to a command: whether it was carried out, in words and in figures."""

    command: str
    ok: bool
    text: str
    result: dict[str, Any] = field(default_factory=dict)
    token: Any = None
    by: str = ""


def done(request: Request, text: str, /, **result: Any) -> Outcome:
    """The command was carried out."""
    return Outcome(request.name, True, text, result, request.token, request.by)


def refused(request: Request, text: str, /, **result: Any) -> Outcome:
    """The command was not carried out; `text` says why and what to do."""
    return Outcome(request.name, False, text, result, request.token, request.by)
