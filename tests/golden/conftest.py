"""Every shipped dig is replayed once, for all the checks of its messages."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from tipdatum.config import FusionTable, make_settings
from tipdatum.grade.forms import WorkOptions
from tipdatum.run.replay import replay_file

RATE_HZ = 50.0
"""Of the digs' figures, as in `rebuild.py`."""


@pytest.fixture(scope="session")
def replayed(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Path], Path]:
    """Dig → its tip messages, by the service with its defaults but for the rate."""

    @cache
    def replay(dig: Path) -> Path:
        out = tmp_path_factory.mktemp("replayed") / f"{dig.name}.tip.ndjson"
        replay_file(dig, out, make_settings(FusionTable(tick_hz=RATE_HZ), WorkOptions(), "golden"))
        return out

    return replay
