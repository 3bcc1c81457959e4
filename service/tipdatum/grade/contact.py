"""The contact of a laser receiver: from a switch to the moment of a crossing.

A receiver closes it all the while the beam hits its window, on the way up as on the way down; at an even
speed the middle of that time is the middle of the window, however high the window is.
"""

from __future__ import annotations

HOLD_S = 0.25
"""An opening of the contact no longer than this is the beam on its way round (five to fifteen turns a second:
common practice, no source), s."""
LONGEST_S = 3.0
"""A contact closed for longer tells of a receiver that rests on the beam, not of a crossing, s."""


class Contact:
    """Takes openings and closings, gives what was a time on the beam. Times are arguments, s."""

    __slots__ = ("_closed", "_closed_at", "_known", "_opened_at")

    def __init__(self) -> None:
        self._known = self._closed = False
        self._closed_at: float | None = None
        self._opened_at = 0.0

    def told(self, closed: bool, t: float) -> None:
        """The state of the contact at `t`; repeated or changed."""
        if closed and not self._closed and self._known and self._closed_at is None:
            self._closed_at = t  # one that is closed when it is first heard of has closed at an unknown time
        elif not closed and self._closed:
            self._opened_at = t
        self._known, self._closed = True, closed

    def passed(self, t: float) -> tuple[float, float] | None:
        """The middle and the length of a time on the beam that is over at `t`; None while there is none."""
        if self._closed_at is None or self._closed or t - self._opened_at <= HOLD_S:
            return None
        since, self._closed_at = self._closed_at, None
        return (since + self._opened_at) / 2.0, self._opened_at - since
