"""Fixtures of the driver tests; `driver_streams` beside this file holds the streams."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from driver_streams import STREAMS, Stream


@pytest.fixture(params=sorted(STREAMS))
def stream(request: pytest.FixtureRequest) -> Stream:
    """Every kind of line in turn."""
    return STREAMS[request.param]
