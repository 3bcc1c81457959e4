"""From session time to the wall clock: RFC 3339 in UTC, to the millisecond."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta


def wall_time(started: datetime | None, t: float) -> str:
    """Wall clock at session time `t` s when `started` was the clock at t = 0; empty without one."""
    if started is None:
        return ""
    moment = (started + timedelta(seconds=t)).astimezone(UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def day_of(started: datetime | None, t: float) -> tuple[str, float]:
    """The wall clock's day at session time `t` s, such as 2026-05-04, and the session time when it ends.

    Without a wall clock there is no day, and the empty one never ends.
    """
    if started is None:
        return "", math.inf
    day = wall_time(started, t)[:10]
    midnight = datetime.fromisoformat(day).replace(tzinfo=UTC) + timedelta(days=1)
    return day, (midnight - started).total_seconds()
