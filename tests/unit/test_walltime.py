"""Session time as RFC 3339 (the standard's own grammar, section 5.6) and back."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum.errors import SessionError
from tipdatum.walltime import WallTime, parse_started

STARTED = datetime(2026, 5, 4, 8, 0, 0, 250_000, tzinfo=UTC)
RFC3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")


@pytest.mark.parametrize(
    ("t", "text"),
    [
        (0.0, "2026-05-04T08:00:00.250Z"),
        (0.749, "2026-05-04T08:00:00.999Z"),
        # A float that lies a hair below a whole second is that second.
        (0.74999999, "2026-05-04T08:00:01.000Z"),
        (0.75, "2026-05-04T08:00:01.000Z"),
        (60.0, "2026-05-04T08:01:00.250Z"),
        (16 * 3600.0, "2026-05-05T00:00:00.250Z"),
        # A reading may be stamped before the start: a device's own time stamp, a latency.
        (-0.25, "2026-05-04T08:00:00.000Z"),
        (-0.5, "2026-05-04T07:59:59.750Z"),
        (-1.25, "2026-05-04T07:59:59.000Z"),
    ],
)
def test_session_time_is_told_to_the_millisecond(t: float, text: str) -> None:
    assert WallTime(STARTED).rfc3339(t) == text


@given(st.lists(st.floats(-10.0, 1e6), min_size=1, max_size=20))
def test_any_order_of_times_gives_what_the_calendar_says(times: list[float]) -> None:
    wall = WallTime(STARTED)
    for t in times:
        text = wall.rfc3339(t)
        assert RFC3339.fullmatch(text)
        # Told times are cut to the millisecond, never rounded into the future.
        behind = (STARTED + timedelta(seconds=t)) - datetime.fromisoformat(text)
        assert timedelta(microseconds=-1) <= behind < timedelta(milliseconds=1, microseconds=1)


def test_a_start_in_another_zone_is_told_in_utc() -> None:
    started = datetime(2026, 5, 4, 10, 0, tzinfo=timezone(timedelta(hours=2)))
    assert WallTime(started).rfc3339(0.0) == "2026-05-04T08:00:00.000Z"


@pytest.mark.parametrize("seconds", [3600.4, -3600.4])
def test_a_wall_clock_that_was_set_moves_later_times_with_it(seconds: float) -> None:
    wall = WallTime(STARTED)
    before = datetime.fromisoformat(wall.rfc3339(0.5))
    wall.move(seconds)
    assert (datetime.fromisoformat(wall.rfc3339(0.5)) - before).total_seconds() == pytest.approx(seconds)


@pytest.mark.parametrize("text", ["2026-05-04T08:00:00Z", "2026-05-04T10:00:00.000+02:00"])
def test_a_headers_start_is_read_with_its_zone(text: str) -> None:
    assert parse_started(text, "dig.ndjson") == datetime(2026, 5, 4, 8, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    "text",
    ["", "yesterday", "2026-05-04T08:00:00", "2026-13-04T08:00:00Z", "0001-01-01T00:00:00+14:00",
     "9999-12-31T23:59:59Z"],
    ids=["empty", "words", "no zone", "month 13", "before any calendar", "at its end"],
)  # fmt: skip
def test_a_headers_start_that_is_none_is_refused_with_its_line(text: str) -> None:
    with pytest.raises(SessionError, match=r"dig\.ndjson.*line 1.*expected an RFC 3339 time") as refused:
        parse_started(text, "dig.ndjson")
    assert f'"{text}"' in str(refused.value)
