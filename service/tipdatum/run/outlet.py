"""Messages on their way out: to the bus and into the log; an `ok` when what it speaks of is on the disk."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable

from tipdatum.bus.messages import Happening, Health, Reply, Status
from tipdatum.bus.orders import Order
from tipdatum.core.messages_out import Outgoing
from tipdatum.errors import CommandRefused
from tipdatum.grade.commands import EventAgain, parse_body
from tipdatum.grade.state import WorkState
from tipdatum.run.log_lines import log
from tipdatum.run.logs import MessageLog
from tipdatum.run.state_keeper import StateKeeper
from tipdatum.run.ticker import Turn
from tipdatum.sentences import said, sentence
from tipdatum.walltime import WallTime


class Outlet:
    """Takes what the pipeline makes, and publishes it.

    Args:
        turn: taken by whoever calls; it knows the bus, once there is one.
        keeper: of the state on the disk; None where nothing is kept.
        wall: wall time of the run.
        clock: the run's.
        state: gives the state that an answer made just now speaks of.
    """

    def __init__(
        self,
        turn: Turn,
        keeper: StateKeeper | None,
        wall: WallTime,
        clock: Callable[[], float],
        state: Callable[[], WorkState],
    ) -> None:
        self._turn, self._keeper = turn, keeper
        self._wall, self._clock = wall, clock
        self._state = state
        self._log = MessageLog()

    def publish(self, out: Outgoing) -> None:
        """Publish a message. Within a turn."""
        if self._keeper is not None:
            if out.name == "state":
                self._keeper.changed()
            elif isinstance(out.message, Reply) and out.message.ok:
                # `ok` is a promise: the answer leaves when what it speaks of is on the disk.
                message = out.message
                if not self._keeper.when_saved(self._state(), lambda why: self._answer(message, why)):
                    self._send(Outgoing("reply", message.model_copy(update={"saved": True})))
                return
        self._send(out)

    def another_pass(self) -> None:
        """A recording begins anew. Within a turn or not: the log alone hears of it."""
        self._log.another_pass()

    def tell(self, kind: str, text: str) -> None:
        """Publish an event of the run itself. Within a turn."""
        t = self._clock()
        happening = Happening(t=round(t, 6), time=self._wall.rfc3339(t), kind=kind, text=text)
        self._send(Outgoing("event", happening))

    def send_again(self, order: Order) -> None:
        """Have the bus send events once more; its network thread knows which it has. Within a turn.

        Raises:
            CommandRefused: the order's body is wrong.
        """
        _, body = parse_body(order.name, order.body)
        if not isinstance(body, EventAgain):
            raise CommandRefused(f"{order.name} asks for no events")
        if self._turn.bus is None:
            return
        loop = asyncio.get_running_loop()
        self._turn.bus.send_again(
            body.first, body.most, lambda numbers: soon(loop, self._sent_again, order, numbers)
        )

    def say_goodbye(self) -> None:
        """Tell the bus that the service stops, and end its thread."""
        bus = self._turn.bus
        if bus is None:
            return
        bus.stop(Status(state="offline", time=self._wall.rfc3339(self._clock()), reason="stopped"))
        if left := bus.waiting_events:
            kept = "nowhere" if self._keeper is None else "for the next start"
            log.warning("the broker has not confirmed all events", count=left, kept=kept)

    def _send(self, out: Outgoing) -> None:
        if isinstance(out.message, (Health, Happening, Reply)):
            self._log.write(out.message)
        if self._turn.bus is not None:
            self._turn.bus.publish(out.name, out.part, out.message)

    def _answer(self, reply: Reply, not_saved: str | None) -> None:
        """Send an answer that has waited for the disk. From the keeper's thread."""
        told = reply.model_copy(update={"saved": not_saved is None})
        if not_saved is not None:
            more = sentence("also-not-saved", why=not_saved)
            told.text, told.said = reply.text + more, [*reply.said, *said(more)]
        with self._turn:
            self._send(Outgoing("reply", told))

    def _sent_again(self, order: Order, numbers: list[int]) -> None:
        t = self._clock()
        text = sentence("events-none-kept")
        if numbers:
            text = sentence("events-again-from", count=len(numbers), first=numbers[0], last=numbers[-1])
        result = {"first": numbers[0], "next": numbers[-1] + 1} if numbers else None
        reply = Reply(
            t=round(t, 6),
            time=self._wall.rfc3339(t),
            command=order.name,
            ok=True,
            text=text,
            said=said(text),
            request_id=order.request_id,
            result=result,
        )
        with self._turn:
            self.publish(Outgoing("reply", reply))


def soon(loop: asyncio.AbstractEventLoop, call: Callable[..., None], *arguments: object) -> None:
    """Hand something from another thread to the event loop; at the very end there is none any more."""
    with contextlib.suppress(RuntimeError):
        loop.call_soon_threadsafe(call, *arguments)
