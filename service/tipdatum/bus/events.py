"""Events on their way: numbered and kept in the outbox, sent in order, begun anew with every connection.

Any thread puts events in; all else belongs to the network thread, as the outbox does.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Callable

from tipdatum.bus.link import Link
from tipdatum.bus.messages import Happening
from tipdatum.bus.outbox import Outbox, Payload, StoredEvent
from tipdatum.bus.topics import EVENT

IN_FLIGHT = 20
FRESH = 10_000
"""Between the event loop and the network thread, should the disk be slow."""

Told = Callable[[list[int]], None]
"""Takes the numbers of events that are sent again."""


class EventStream:
    """What has happened, from whoever tells it to the broker's acknowledgement.

    Args:
        run_id: of this run; with a count it makes the id of an event that brings none.
    """

    def __init__(self, run_id: str) -> None:
        self._run_id = run_id
        self._ids = itertools.count(1)
        # Filled by one thread and emptied by another; appending and popping are atomic.
        self._fresh: deque[tuple[str, Payload]] = deque(maxlen=FRESH)
        self._wanted_again: deque[tuple[int, int, Told]] = deque(maxlen=100)
        self._in_flight: dict[int, int] = {}  # packet id → number in the outbox
        self._acknowledged: list[int] = []
        self._last_sent = 0
        self._stored = 0
        self._overflowed = self._dropped_by_outbox = 0

    @property
    def dropped(self) -> int:
        """Events that are lost, since the start."""
        return self._overflowed + self._dropped_by_outbox

    @property
    def waiting(self) -> int:
        """Events that the broker has not confirmed yet."""
        return self._stored + len(self._fresh)

    @property
    def none_fresh(self) -> bool:
        """Whether all are in the outbox."""
        return not self._fresh

    def put(self, topic: str, event: Happening) -> None:
        """Take an event in."""
        ident = event.id or f"{self._run_id}-{next(self._ids)}"

        def payload(number: int) -> bytes:
            return event.model_copy(update={"id": ident, "number": number}).model_dump_json().encode()

        if len(self._fresh) == FRESH:
            self._overflowed += 1
        self._fresh.append((topic, payload))

    def want_again(self, first: int, most: int, tell: Told) -> None:
        """Have events from number `first` on sent once more, `most` at most, as far as they are kept.

        `tell` is called on the network thread.
        """
        self._wanted_again.append((first, most, tell))

    # From here on: the network thread.

    def connected(self) -> None:
        """A connection begins: whatever was not acknowledged is sent once more."""
        self._in_flight.clear()
        self._last_sent = 0

    def store(self, outbox: Outbox) -> None:
        """Put fresh events into the outbox, and note there which ones the broker has."""
        fresh: list[tuple[str, Payload]] = []
        while self._fresh:
            fresh.append(self._fresh.popleft())
        outbox.add(fresh)
        done, self._acknowledged = self._acknowledged, []
        outbox.done(done)
        self._dropped_by_outbox = outbox.dropped
        while self._wanted_again:
            first, most, tell = self._wanted_again.popleft()
            numbers = outbox.again(first, most)
            if numbers:
                self._last_sent = min(self._last_sent, numbers[0] - 1)
            tell(numbers)
        self._stored = len(outbox)

    def due(self, link: Link, outbox: Outbox) -> list[StoredEvent]:
        """Those to send next."""
        room = IN_FLIGHT - len(self._in_flight)
        return outbox.after(self._last_sent, room) if link.up and room > 0 and len(outbox) else []

    def send(self, link: Link, events: list[StoredEvent]) -> None:
        """Send them, as long as the connection holds."""
        for event in events:
            if not link.up:
                return
            self._last_sent = event.id
            self._in_flight[link.send(event.topic, event.payload, EVENT)] = event.id

    def acknowledged(self, packet_id: int) -> bool:
        """The broker has that packet; whether it was one of ours."""
        done = self._in_flight.pop(packet_id, None)
        if done is not None:
            self._acknowledged.append(done)
        return done is not None
