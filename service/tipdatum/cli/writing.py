"""Writing a result to a file that the user named."""

from __future__ import annotations

from pathlib import Path

from tipdatum.errors import InputError


def write_text(path: Path, text: str) -> None:
    """Write `text`, replacing what is there.

    Raises:
        InputError: it cannot be written.
    """
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror})") from None
