"""The forms of the work: what is kept, what a command may hold, what is asked and what is answered."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Any, TypeAlias

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from tipdatum.errors import CommandRefused
from tipdatum.grade.units import parse_length
from tipdatum.model_places import alternatives, bare
from tipdatum.sentences import sentence

Elevation: TypeAlias = Annotated[float, Field(ge=-11000, le=9000)]
"""m; between the deepest sea and the highest mountain, so that a figure in millimetres is caught."""

Name: TypeAlias = Annotated[str, StringConstraints(strip_whitespace=True), Field(min_length=1, max_length=40)]
"""A name that people give; spaces around it are left out."""


class Document(BaseModel):
    """Base of everything that is kept. It never changes: a change is another document.

    Unknown keys are left out, so that an older service reads a newer file.
    """

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False)


class CommandBody(BaseModel):
    """Base of every command's body: unknown keys are refused.

    A length may be given as people write it: "depth": "4' 3 1/2\"" stands for "depth_m": 1.3081. A number
    where a text belongs is its digits: marks and codes are often called so.
    """

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

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
