"""Fixtures of the tests with real processes, ports and brokers."""

from __future__ import annotations

import sys
from pathlib import Path

# The tools beside this file are plain modules, which the measurements run as scripts use too.
sys.path.insert(0, str(Path(__file__).parent))

from bus_fixtures import (
    bus_service,
    cable,
    listener,
    mosquitto,
    need_mosquitto,
)

__all__ = ["bus_service", "cable", "listener", "mosquitto", "need_mosquitto"]
