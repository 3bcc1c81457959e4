"""What becomes of a command: an order comes in, an outcome goes back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeAlias

from pydantic import BaseModel, ConfigDict

if TYPE_CHECKING:
    from tipdatum.grade.work import Work


class Body(BaseModel):
    """Base of every command's body: unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


@dataclass(frozen=True, slots=True)
class Order:
    """A command as it came in.

    `token` is handed back untouched with the outcome, so that the caller finds the asker again.
    """

    name: str
    t: float
    by: str = ""
    token: Any = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """Answer to a command: whether it was carried out, in words and in figures."""

    command: str
    ok: bool
    text: str
    result: dict[str, Any] = field(default_factory=dict)
    token: Any = None
    by: str = ""


Handler: TypeAlias = Callable[["Work", Any, Order], "Outcome | None"]


@dataclass(frozen=True, slots=True)
class Spec:
    """One command: what its body may hold, who carries it out, and one line of help."""

    body: type[Body]
    handler: Handler
    help: str


def done(order: Order, text: str, **result: Any) -> Outcome:
    """The command was carried out."""
    return Outcome(order.name, True, text, result, order.token, order.by)


def refused(order: Order, text: str, **result: Any) -> Outcome:
    """The command was not carried out; `text` says why and what to do."""
    return Outcome(order.name, False, text, result, order.token, order.by)
