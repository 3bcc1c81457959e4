"""When the wall clock's day of a run begins and ends."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from tipdatum.grade.ledger import day_of

MORNING = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)


def test_a_day_ends_at_midnight_utc() -> None:
    assert day_of(MORNING, 10.0) == ("2026-05-04", 18 * 3600.0)


@pytest.mark.parametrize("zone_h", [-9, 0, 5])
def test_the_zone_that_a_start_is_written_in_moves_no_day(zone_h: int) -> None:
    started = MORNING.astimezone(timezone(timedelta(hours=zone_h)))
    assert day_of(started, 10.0) == ("2026-05-04", 18 * 3600.0)


def test_the_moment_of_its_end_is_the_next_day() -> None:
    _, end = day_of(MORNING, 0.0)
    assert day_of(MORNING, end - 0.001)[0] == "2026-05-04"
    assert day_of(MORNING, end)[0] == "2026-05-05"


def test_without_a_wall_clock_there_is_no_day() -> None:
    day, end = day_of(None, 1e9)
    assert day == ""
    assert end > 1e9
