"""The service's errors; the tree is drawn in `tipdatum_drivers.errors`."""

from __future__ import annotations

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
]


class CommandRefused(TipdatumError):
    """A command that cannot be carried out; the message is the reason an operator reads."""
