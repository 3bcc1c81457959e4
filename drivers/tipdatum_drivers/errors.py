"""Errors by whose fault they are.

::

    TipdatumError
    ├── InputError            the user's input is wrong; one clear message, exit code 2
    │   ├── ConfigError       a configuration or machine file (file, key, found, expected)
    │   │   └── UnknownKeyError   a key that does not exist, and the one that was probably meant
    │   └── SessionError      a session file (file, line, found, expected)
    └── PortError             a serial port or a broker; says whether trying again helps

Live data never raises: a decoder counts a `Fault` (see `tipdatum_drivers.reading`) instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, TypeVar

Error = TypeVar("Error", bound="TipdatumError")


class TipdatumError(Exception):
    """Base of every error that this project raises on purpose. It can be sent to another process."""

    def __reduce__(self) -> tuple[Any, ...]:
        # By itself, pickle would hand the finished message to an __init__ that asks for its parts.
        return _rebuilt, (type(self), self.args, self.__dict__)


def _rebuilt(cls: type[Error], args: tuple[Any, ...], attributes: dict[str, Any]) -> Error:
    error = cls.__new__(cls, *args)
    error.__dict__.update(attributes)
    return error


def printable(text: str) -> str:
    """On one line, whatever stands in it: what does not print, such as a line break, as its escape."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def no_utf8(error: UnicodeDecodeError) -> str:
    """What stands where UTF-8 was expected, so that whoever saved the file knows which setting to change."""
    if error.object.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "UTF-16 at the beginning"
    bad = error.object[error.start : error.start + 1]
    letter = bad.decode("latin-1")
    return f"a byte 0x{bad.hex().upper()}" + (
        f', which is "{letter}" in Latin-1' if letter.isprintable() else ""
    )


class InputError(TipdatumError):
    """Something the user gave is wrong. The message alone tells what and where.

    Attributes:
        more: what else is wrong in the same place, for whoever can tell all at once.
    """

    more: tuple[InputError, ...] = ()


class ConfigError(InputError):
    """A configuration or machine description that cannot be used.

    Args:
        file: the file's name as the user gave it, or a description such as "session header".
        key: dotted path of the key, empty if the file as a whole is wrong.
        found: what stands there.
        expected: what should.
        text: says it all where "found …; expected …" would read badly.
    """

    def __init__(self, file: str, key: str, found: str, expected: str, *, text: str = "") -> None:
        self.file, self.key, self.found, self.expected = file, key, found, expected
        where = printable(f"{file}: {key}" if key else file)
        super().__init__(f"{where}: {printable(text or f'found {found}; expected {expected}')}")


class UnknownKeyError(ConfigError):
    """A key that does not exist.

    Args:
        nearest: the known key that was probably meant, None if none is near. known: all of them.
    """

    def __init__(self, file: str, key: str, nearest: str | None, known: Sequence[str]) -> None:
        hint = f'did you mean "{nearest}"?' if nearest else f"known here: {', '.join(known)}"
        expected = f'"{nearest}"' if nearest else f"one of {', '.join(known)}"
        super().__init__(file, key, "an unknown key", expected, text=f"unknown key; {hint}")


class SessionError(InputError):
    """A session file that cannot be read.

    Args:
        file: the file's name. line: line number from 1, 0 if the file as a whole is wrong.
        found: what stands there. expected: what should.
    """

    def __init__(self, file: str, line: int, found: str, expected: str) -> None:
        self.file, self.line, self.found, self.expected = file, line, found, expected
        where = printable(f"{file}, line {line}" if line else file)
        super().__init__(f"{where}: {printable(f'found {found}; expected {expected}')}")


class PortError(TipdatumError):
    """A port or broker that cannot be opened. `retry_helps` says whether it may come back by itself."""

    def __init__(self, message: str, *, retry_helps: bool) -> None:
        self.retry_helps = retry_helps
        super().__init__(message)
