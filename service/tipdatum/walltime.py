"""From session time to RFC 3339 UTC and back; nothing else in the core knows the wall clock."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from tipdatum.errors import SessionError

FIRST_YEAR, LAST_YEAR = 1970, 2199
"""A computer without a clock of its own starts in 1970; far beyond, a run would end outside the calendar."""


_MILLISECONDS = tuple(f".{ms:03d}Z" for ms in range(1000))


class WallTime:
    """Wall-clock time of a run that started at `started` (t = 0).

    The second's text is kept, because many messages fall into the same one.
    """

    def __init__(self, started: datetime) -> None:
        self.started = started.astimezone(UTC)
        self._begin()

    def move(self, seconds: float) -> None:
        """The wall clock was set forward by `seconds`; later times follow it."""
        self.started += timedelta(seconds=seconds)
        self._begin()

    def _begin(self) -> None:
        self._second: int | None = None
        self._text = ""
        self._base = self.started.replace(microsecond=0)
        self._fraction_us = self.started.microsecond

    def rfc3339(self, t: float) -> str:
        """`t` seconds of session time as RFC 3339 UTC with milliseconds, such as 2026-05-04T08:00:01.234Z."""
        total_ms = (self._fraction_us + round(t * 1e6)) // 1000
        second, ms = divmod(total_ms, 1000)
        if second != self._second:
            self._second = second
            self._text = (self._base + timedelta(seconds=second)).strftime("%Y-%m-%dT%H:%M:%S")
        return self._text + _MILLISECONDS[ms]


def to_the_second(moment: datetime) -> str:
    """A moment with a zone as RFC 3339 UTC without fraction, such as 2026-05-04T08:00:01Z."""
    return moment.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def parse_started(text: str, file: str) -> datetime:
    """A session header's `started`.

    Raises:
        SessionError: it is not RFC 3339 with a zone, or no year in which there were such sessions.
    """
    try:
        started = datetime.fromisoformat(text)
    except ValueError:
        started = None
    if started is None or started.tzinfo is None or not FIRST_YEAR <= started.year <= LAST_YEAR:
        raise SessionError(file, 1, f'started "{text}"', "an RFC 3339 time such as 2026-05-04T08:00:00Z")
    return started
