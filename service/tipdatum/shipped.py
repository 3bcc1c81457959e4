"""Files that come with the program: examples of configuration and the demonstration's recorded digs."""

from __future__ import annotations

from pathlib import Path

from tipdatum.errors import InputError

PACKAGE = Path(__file__).parent


def shipped(*parts: str) -> Path:
    """A shipped file or folder, such as shipped("replay_data", "trench.ndjson.gz").

    In a wheel it lies inside the package; in a source tree at the repository's top.

    Raises:
        InputError: this installation does not have it.
    """
    for root in (PACKAGE / "shipped", PACKAGE.parents[1]):
        path = root.joinpath(*parts)
        if path.exists():
            return path
    raise InputError(f"{'/'.join(parts)} is not part of this installation; install it anew")
