"""Every command by name: its body, who carries it out, one line of help; and what it takes, in words.

The bus contract, the command line's help and the documents all derive from this table. Here are also the two
commands that are about others: undo, and events once more.
"""

from __future__ import annotations

import difflib
import types
import typing
from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import Field

from tipdatum.errors import CommandRefused, ConfigError
from tipdatum.grade import (
    book,
    buckets,
    datum,
    figures,
    laser,
    limits,
    marks,
    morning,
    points,
    profiles,
    targets,
    trench,
)
from tipdatum.grade.forms import CommandBody, Nothing, Outcome, Request, done
from tipdatum.grade.ledger import UNDO_S
from tipdatum.grade.site import Site, Spec
from tipdatum.sentences import sentence
from tipdatum.validation import parse_model

_GROUPS = (datum, marks, laser, book, targets, profiles, buckets, limits, trench, points, morning, figures)

EVENT_AGAIN = "event/again"


class EventAgain(CommandBody):
    """Which events a reader has missed, by their running numbers."""

    first: Annotated[int, Field(ge=1)] = Field(description="number of the first event that is missing")
    most: Annotated[int, Field(ge=1, le=1000)] = Field(default=200, description="how many at most")


def _asked_of_a_recording(_site: Site, _body: EventAgain, request: Request) -> Outcome:
    raise CommandRefused(sentence("order-running-only", command=request.name))


def _undo(site: Site, body: Nothing, request: Request) -> Outcome:
    """Put the last change back.

    A reference that is put back has its figures, not its tie to the estimator: errors of its touch and of the
    present count as independent from then on.
    """
    last = site.changes.take_last(request.t)
    if last is None:
        raise CommandRefused(sentence("nothing-to-undo", seconds_whole_s=UNDO_S))
    fields = last.put_back(site.state)
    site.change(**fields)
    if "reference" in fields:
        site.tie_anew()
    if "bucket" in fields or "wear_m" in fields:
        site.remount(site.mounted.description)
    site.ledger.tell(request.t, "undone", sentence("was-put-back", command=last.command))
    return done(
        request,
        sentence("put-back", command=last.command, answer=last.text),
        command=last.command,
    )


COMMANDS: dict[str, Spec] = {name: spec for group in _GROUPS for name, spec in group.COMMANDS.items()} | {
    "change/undo": Spec(
        Nothing, _undo, "Put the last change back, within 30 s of its answer.", undoable=False
    ),
    EVENT_AGAIN: Spec(
        EventAgain, _asked_of_a_recording, "Send events once more that a reader has missed.", undoable=False
    ),
}


def spec_of(name: str) -> Spec:
    """The command of that name.

    Raises:
        CommandRefused: there is none; names what was probably meant.
    """
    if name in COMMANDS:
        return COMMANDS[name]
    group = sorted(c for c in COMMANDS if c.startswith(f"{name.lower().strip('/')}/"))
    near = difflib.get_close_matches(name.lower(), COMMANDS, n=1, cutoff=0.5)
    if group:
        hint = sentence("order-there-are", names=", ".join(group))
    elif near:
        hint = sentence("order-did-you-mean", near=near[0])
    else:
        hint = sentence("order-known-are", names=", ".join(sorted(COMMANDS)))
    raise CommandRefused(sentence("order-unknown", command=name, hint=hint))


def parse_body(name: str, body: Mapping[str, Any]) -> tuple[Spec, CommandBody]:
    """The command of that name with its body checked.

    Raises:
        CommandRefused: there is no such command, or its body is wrong; says what is expected.
    """
    spec = spec_of(name)
    if not isinstance(body, Mapping):
        raise CommandRefused(
            sentence("order-needs", command=name, expected=f"a JSON object such as {example(spec)}")
        )
    try:
        return spec, parse_model(spec.body, body, name)
    except ConfigError as wrong:
        raise _refusal(name, wrong) from None


def _refusal(name: str, wrong: ConfigError) -> CommandRefused:
    if not wrong.key:
        # What is wrong with the whole says itself what is needed.
        return CommandRefused(sentence("order-needs", command=name, expected=wrong.expected))
    # "24.31 m" under elevation_m: the key without its unit takes it.
    words = wrong.key.endswith("_m") and wrong.found.startswith('"')
    hint = sentence("order-with-unit", key=wrong.key[:-2]) if words else ""
    told = sentence(
        "order-bad-value", command=name, key=wrong.key, found=wrong.found, expected=wrong.expected
    )
    return CommandRefused(told + hint)


def example(spec: Spec) -> str:
    """A body with the required keys, for messages and documents."""
    keys = [f'"{k}": …' for k, f in spec.body.model_fields.items() if f.is_required()]
    return "{" + ", ".join(keys) + "}"


def listing() -> str:
    """Every command with its line of help."""
    width = max(map(len, COMMANDS))
    return "".join(f"{name.ljust(width)}  {spec.help}\n" for name, spec in sorted(COMMANDS.items()))


def explain(name: str) -> str:
    """One command and its fields.

    Raises:
        CommandRefused: there is no such command.
    """
    spec = spec_of(name)
    lines = [f"{name}: {spec.help}"]
    for key, field in spec.body.model_fields.items():
        need = "required" if field.is_required() else f"default {shown_default(field.default)}"
        lines.append(f"  {key} ({kind(field.annotation)}, {need}): {field.description or ''}".rstrip(": "))
    length = next((k for k in spec.body.model_fields if k.endswith("_m")), None)
    if length is not None:
        lines.append(f'  A length may carry its unit, without the _m: {length[:-2]}="1.2 m" for {length}.')
    if len(lines) == 1:
        lines.append("  takes nothing")
    return "\n".join(lines) + "\n"


def shown_default(value: Any) -> str:
    """A default as people write it."""
    if value is None or value == "":
        return "none"
    return str(value).lower() if isinstance(value, bool) else str(value)


def kind(annotation: Any) -> str:
    """A field's type in words."""
    origin = typing.get_origin(annotation)
    if origin is typing.Annotated:
        return kind(typing.get_args(annotation)[0])
    if origin is typing.Literal:
        return " | ".join(str(a) for a in typing.get_args(annotation))
    if origin in (typing.Union, types.UnionType):
        return " | ".join(kind(a) for a in typing.get_args(annotation) if a is not types.NoneType)
    if origin in (list, tuple):
        return "list"
    names = {float: "number", int: "whole number", str: "text", bool: "true | false"}
    return names.get(annotation, "table")
