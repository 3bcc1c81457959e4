"""What leaves the service last: its farewell, and word of what the broker never confirmed."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from structlog.testing import capture_logs

from tipdatum.bus.client import BusClient
from tipdatum.bus.options import BrokerOptions
from tipdatum.bus.topics import Topics
from tipdatum.grade.state import WorkState
from tipdatum.run.outlet import Outlet
from tipdatum.run.ticker import Turn
from tipdatum.walltime import WallTime


def nothing(*_: Any) -> None:
    pass


@pytest.fixture
def outlet() -> Outlet:
    """Of a service whose broker was never reached and that keeps nothing on disk."""
    turn = Turn()
    turn.bus = BusClient(BrokerOptions(), Topics("m"), on_order=nothing, on_state=nothing, on_trouble=nothing)
    return Outlet(turn, None, WallTime(datetime(2026, 5, 4, 7, tzinfo=UTC)), lambda: 1.0, WorkState)


def test_events_that_the_broker_never_had_are_told_at_the_end(outlet: Outlet) -> None:
    outlet.tell("service", "one")
    outlet.tell("service", "two")
    with capture_logs() as lines:
        outlet.say_goodbye()
    (line,) = lines
    assert (line["log_level"], line["count"], line["kept"]) == ("warning", 2, "nowhere")


def test_an_end_with_nothing_left_says_nothing(outlet: Outlet) -> None:
    with capture_logs() as lines:
        outlet.say_goodbye()
    assert lines == []
