"""Where the simulated sessions and sourced values live that a developer's checkout has beside it."""

from __future__ import annotations

from pathlib import Path

import pytest

SHARED = Path(__file__).resolve().parents[2] / "shared"


def shared(*parts: str) -> Path:
    """A file or folder of the developers' shared data; skips the test, saying so, where it is absent."""
    path = SHARED.joinpath(*parts)
    if not path.exists():
        pytest.skip(f"needs the developers' shared data ({'/'.join(parts)}), which is not here")
    return path
