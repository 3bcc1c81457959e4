"""What is looked at once a second beside the readings: clocks, losses, the broker's life; systemd is told.

The protocol is that of the manual page sd_notify(3): datagrams of VARIABLE=value to the socket that the
environment's NOTIFY_SOCKET names; a leading @ stands for the abstract name space.
"""

from __future__ import annotations

import asyncio
import os
import socket
import time
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass

from tipdatum.bus.broker import EmbeddedBroker
from tipdatum.errors import InputError
from tipdatum.run.clocks import ClockWatch
from tipdatum.run.log_lines import log
from tipdatum.run.logs import Losses
from tipdatum.run.state_keeper import StateKeeper
from tipdatum.run.ticker import Ticker

LOOK_EVERY_S = 1.0
TASK_RETRY_S = 1.0


@dataclass(frozen=True, slots=True)
class RunWatch:
    """Watches a run; its parts are the shell's.

    Args:
        lost: what was lost on the way out since the start, by what it is.
        wall_moved, suspended: told by how many seconds.
    """

    ticker: Ticker
    keeper: StateKeeper
    broker: EmbeddedBroker | None
    lost: Callable[[], Mapping[str, int]]
    wall_moved: Callable[[float], None]
    suspended: Callable[[float], None]

    def tasks(self) -> list[asyncio.Task[None]]:
        """Begin to watch."""
        return [asyncio.create_task(_keep_going(work)) for work in (self._clocks, self._broker_lives)]

    async def _clocks(self) -> None:
        """Wall clock set, computer suspended; and the watchdog, fed while loop and ticks live."""
        clocks, losses = ClockWatch(), Losses()
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            for line in losses.look(time.monotonic(), self.lost()):
                log.warning(line)
            await asyncio.to_thread(self.keeper.give_up_waiting)
            if self.ticker.lives:
                notify("WATCHDOG=1")
            moved, slept = clocks.look()
            if moved:
                log.warning("wall clock was set; times in messages follow", moved_s=round(moved, 1))
                self.wall_moved(moved)
            if slept:
                self.suspended(slept)

    async def _broker_lives(self) -> None:
        """The embedded broker is a process of its own, which may die or be killed."""
        while self.broker is not None:
            await asyncio.sleep(LOOK_EVERY_S)
            try:
                if await asyncio.to_thread(self.broker.ensure):
                    log.warning("the embedded broker had died and was started again")
            except InputError as error:
                log.error("the embedded broker cannot be started again", reason=str(error))


async def _keep_going(work: Callable[[], Awaitable[None]]) -> None:
    """A task, begun anew after a defect of ours, which is logged: the others depend on it."""
    while True:
        try:
            await work()
        except Exception:
            log.exception("internal fault; going on", name=getattr(work, "__name__", ""))
            await asyncio.sleep(TASK_RETRY_S)
        else:
            return


def notify(state: str) -> bool:
    """Tell systemd a state such as READY=1 or WATCHDOG=1. False where nobody listens; never raises."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as stream:
            stream.setblocking(False)
            stream.sendto(state.encode(), address)
    except OSError:
        return False
    return True
