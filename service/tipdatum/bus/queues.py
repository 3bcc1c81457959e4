"""What waits to be written to the broker, what became of it, and what wakes who writes it.

Any thread may use them.
"""

from __future__ import annotations

import contextlib
import selectors
import socket
import threading
from collections import deque
from dataclasses import dataclass


@dataclass(slots=True)
class Counters:
    """Since the start. `live_dropped`: figures that waited too long or had no connection."""

    live_sent: int = 0
    live_dropped: int = 0
    events_dropped: int = 0
    commands_ignored: int = 0
    connections: int = 0


class LiveQueue:
    """Figures that are worth something for `max_age_s`; the oldest go first and are counted in `dropped`."""

    def __init__(self, limit: int, max_age_s: float) -> None:
        self._limit, self._max_age_s = limit, max_age_s
        self._lock = threading.Lock()
        self._waiting: deque[tuple[float, str, bytes]] = deque()
        self.dropped = 0

    def put(self, now: float, topic: str, payload: bytes) -> None:
        """Take a message in at `now`, s."""
        with self._lock:
            self._waiting.append((now, topic, payload))
            self._trim(now)

    def take(self, now: float, room: int) -> list[tuple[str, bytes]]:
        """The oldest that are still worth sending, until they fill `room` bytes: the last may go beyond."""
        taken: list[tuple[str, bytes]] = []
        with self._lock:
            self._trim(now)
            while self._waiting and room > 0:
                _, topic, payload = self._waiting.popleft()
                taken.append((topic, payload))
                room -= len(topic) + len(payload)
        return taken

    @property
    def waiting(self) -> int:
        """How many wait."""
        return len(self._waiting)

    def clear(self) -> None:
        """Forget all, counting it as dropped."""
        with self._lock:
            self.dropped += len(self._waiting)
            self._waiting.clear()

    def refuse(self) -> None:
        """Count a message that was not even taken in."""
        with self._lock:
            self.dropped += 1

    def _trim(self, now: float) -> None:
        while self._waiting and (
            len(self._waiting) > self._limit or self._waiting[0][0] < now - self._max_age_s
        ):
            self._waiting.popleft()
            self.dropped += 1


class RetainedState:
    """The newest message of each retained topic, and which of them the broker has yet to get.

    `last` is the topic that goes last when all is sent again: who reads there that the service lives has the
    rest by then.
    """

    def __init__(self, last: str) -> None:
        self._last = last
        self._lock = threading.Lock()
        self._newest: dict[str, bytes] = {}
        self._due: dict[str, None] = {}

    def put(self, topic: str, payload: bytes) -> None:
        """Set a topic's message; it is due."""
        with self._lock:
            self._newest[topic] = payload
            self._due[topic] = None

    def again(self, topic: str) -> None:
        """Somebody else has written there: what we know of this topic is due once more."""
        with self._lock:
            if topic in self._newest:
                self._due[topic] = None

    def take(self) -> tuple[str, bytes] | None:
        """A topic that is due, and its newest message."""
        with self._lock:
            for topic in self._due:
                del self._due[topic]
                return topic, self._newest[topic]
            return None

    def all_due(self) -> None:
        """Send everything again: a broker may have kept nothing."""
        with self._lock:
            self._due = dict.fromkeys(topic for topic in self._newest if topic != self._last)
            if self._last in self._newest:
                self._due[self._last] = None

    @property
    def due(self) -> bool:
        """Whether anything is due."""
        return bool(self._due)


class Waker:
    """Ends another thread's wait for the network."""

    def __init__(self) -> None:
        self._out, self._in = socket.socketpair()
        self._out.setblocking(False)
        self._in.setblocking(False)

    def wake(self) -> None:
        """Have the other thread look."""
        # A full pipe wakes as well as another byte; a closed one belongs to a client that has ended.
        with contextlib.suppress(OSError):
            self._out.send(b"\0")

    def close(self) -> None:
        """Nobody waits any more."""
        self._out.close()
        self._in.close()

    def watched_by(self, selector: selectors.BaseSelector) -> None:
        """Let a selector wait for it too."""
        selector.register(self._in, selectors.EVENT_READ)

    def heard(self, ready: list[tuple[selectors.SelectorKey, int]]) -> None:
        """Take the calls that have come, after a selector's wait."""
        if any(key.fileobj is self._in for key, _ in ready):
            with contextlib.suppress(BlockingIOError):
                while self._in.recv(4096):
                    pass
