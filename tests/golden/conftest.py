"""Every shipped dig is replayed once, for all the checks of its messages."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from tipdatum.config import FusionTable, make_settings
from tipdatum.grade.forms import WorkOptions
from tipdatum.run.replay import replay_file


@pytest.fixture(scope="session")
def replayed(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Path], Path]:
    """Dig → its tip messages, by the service with its defaults."""

    @cache
    def replay(dig: Path) -> Path:
        out = tmp_path_factory.mktemp("replayed") / f"{dig.name}.tip.ndjson"
        replay_file(dig, out, make_settings(FusionTable(), WorkOptions(), "defaults"))
        return out

    return replay
