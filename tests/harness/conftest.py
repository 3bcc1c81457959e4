"""Fixtures of the tests with real processes, ports and brokers."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

# The tools beside this file are plain modules, which the measurements run as scripts use too.
sys.path.insert(0, str(Path(__file__).parent))

from bus_fixtures import (
    bus_service,
    cable,
    listener,
    mosquitto,
    need_mosquitto,
)
from service_process import write_session

__all__ = ["bus_service", "cable", "listener", "mosquitto", "need_mosquitto"]


@pytest.fixture(scope="session")
def still(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recording of a machine that stands still, longer than any test plays."""
    path = tmp_path_factory.mktemp("recording") / "still.ndjson"
    write_session(path, 240.0)
    return path
