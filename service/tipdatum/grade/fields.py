"""What each command takes, in words: for the command line and the documents."""

from __future__ import annotations

import types
import typing
from typing import Any

from tipdatum.grade.commands import COMMANDS, spec_of


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
