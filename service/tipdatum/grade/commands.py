"""Every command by name: its body, who carries it out, one line of help.

The bus contract, the command line's help and the documents all derive from this table.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from tipdatum.errors import CommandRefused, ConfigError
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
from tipdatum.validation import config_error, parse_model

_GROUPS = (datum, marks, laser, book, targets, buckets, limits, trench, points, morning)

COMMANDS: dict[str, Spec] = {name: spec for group in _GROUPS for name, spec in group.COMMANDS.items()}


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
        hint = f" There are {', '.join(group)}."
    else:
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
        spec.body.model_validate(dict(body))
        return spec, parse_model(spec.body, body, name)
    except ConfigError as wrong:
        raise _refusal(name, wrong) from None
    except ValidationError as error:
        whole = next((e for e in error.errors() if e["type"] == "value_error" and not e["loc"]), None)
        if whole is not None:
            raise CommandRefused(f"{name} needs {whole['ctx']['error']}.") from None
        raise _refusal(name, config_error(error, spec.body, name)) from None


def _refusal(name: str, wrong: ConfigError) -> CommandRefused:
    where = f'"{wrong.key}": ' if wrong.key else ""
    # "24.31 m" under elevation_m: the key without its unit takes it.
    words = wrong.key.endswith("_m") and wrong.found.startswith('"')
    hint = f' With its unit, such as "1.2 m", it goes under "{wrong.key[:-2]}".' if words else ""
    return CommandRefused(f"{name}: {where}found {wrong.found}, expected {wrong.expected}.{hint}")


def example(spec: Spec) -> str:
    """A body with the required keys, for messages and documents."""
    keys = [f'"{k}": …' for k, f in spec.body.model_fields.items() if f.is_required()]
    return "{" + ", ".join(keys) + "}"
