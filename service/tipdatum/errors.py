"""The service's errors; the tree is drawn in `tipdatum_drivers.errors`."""

from __future__ import annotations

import traceback
from pathlib import PurePath

from tipdatum_drivers.errors import (
    ConfigError,
    InputError,
    PortError,
    SessionError,
    TipdatumError,
    UnknownKeyError,
    no_utf8,
)

__all__ = [
    "CommandRefused",
    "ConfigError",
    "InputError",
    "PortError",
    "SessionError",
    "TipdatumError",
    "UnknownKeyError",
    "no_utf8",
    "with_place",
]


class CommandRefused(TipdatumError):
    """A command that cannot be carried out; the message is the reason an operator reads."""


def with_place(defect: Exception) -> str:
    """What a defect of our own is, and where: its kind, its words, and the innermost of our own lines.

    For the event that tells it: whoever runs the service can send it to whoever can mend it.
    """
    ours = [f for f in traceback.extract_tb(defect.__traceback__) if "tipdatum" in f.filename]
    place = f" at {PurePath(ours[-1].filename).name}:{ours[-1].lineno}" if ours else ""
    return f"{type(defect).__name__}: {defect}{place}"
