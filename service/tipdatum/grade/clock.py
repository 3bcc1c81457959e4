"""From session time to the wall clock: RFC 3339 in UTC, to the millisecond."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta


def wall_time(started: datetime | None, t: float) -> str:
    """Wall clock at session time `t` s when `started` was the clock at t = 0; empty without one."""
    if started is None:
        return ""
    moment = (started + timedelta(seconds=t)).astimezone(UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
