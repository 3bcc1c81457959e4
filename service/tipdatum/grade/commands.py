"""Every command by name: its body, who carries it out, one line of help.

The bus contract, the command line's help and the documents all derive from this table.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from tipdatum.errors import CommandRefused
from tipdatum.grade.actions import (
    book,
    buckets,
    datum,
    laser,
    limits,
    marks,
    morning,
    points,
    targets,
    trench,
)
from tipdatum.grade.outcome import Body, Spec
from tipdatum.validation import config_error

_GROUPS = (datum, marks, laser, book, targets, buckets, limits, trench, points, morning)

COMMANDS: dict[str, Spec] = {name: spec for group in _GROUPS for name, spec in group.COMMANDS.items()}


def spec_of(name: str) -> Spec:
    """The command of that name.

    Raises:
        CommandRefused: there is none; names what was probably meant.
    """
    if name in COMMANDS:
        return COMMANDS[name]
    near = difflib.get_close_matches(name, COMMANDS, n=1, cutoff=0.5)
    hint = f' Did you mean "{near[0]}"?' if near else f" Known are {', '.join(sorted(COMMANDS))}."
    raise CommandRefused(f'There is no command "{name}".{hint}')


def parse_body(name: str, body: Mapping[str, Any]) -> tuple[Spec, Body]:
    """The command of that name with its body checked.

    Raises:
        CommandRefused: there is no such command, or its body is wrong; says what is expected.
    """
    spec = spec_of(name)
    if not isinstance(body, Mapping):
        raise CommandRefused(f"{name} needs a JSON object such as {example(spec)}.")
    try:
        return spec, spec.body.model_validate(dict(body))
    except ValidationError as error:
        whole = next((e for e in error.errors() if e["type"] == "value_error" and not e["loc"]), None)
        if whole is not None:
            raise CommandRefused(f"{name} needs {whole['ctx']['error']}.") from None
        wrong = config_error(error, spec.body, name)
        where = f'"{wrong.key}": ' if wrong.key else ""
        raise CommandRefused(f"{name}: {where}found {wrong.found}, expected {wrong.expected}.") from None


def example(spec: Spec) -> str:
    """A body with the required keys, for messages and documents."""
    keys = [f'"{k}": …' for k, f in spec.body.model_fields.items() if f.is_required()]
    return "{" + ", ".join(keys) + "}"
