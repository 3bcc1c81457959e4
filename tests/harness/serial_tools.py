"""Serial lines without hardware: pseudo-terminals that can be torn away and put back."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import threading
import time
import tty
from collections.abc import AsyncIterator, Callable
from pathlib import Path

from tipdatum_drivers.reading import Fault, Record
from tipdatum_drivers.source import Driver

Got = list[Record | Fault]


class TornPort:
    """A port at a stable path; `plug` and `unplug` do what a hand does to a cable."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._master = self._slave = -1
        self.plug()

    def plug(self) -> None:
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path.symlink_to(os.ttyname(self._slave))

    def unplug(self) -> None:
        self.path.unlink()
        os.close(self._slave)
        os.close(self._master)
        self._master = self._slave = -1

    @property
    def plugged(self) -> bool:
        return self._master >= 0

    def send(self, data: bytes) -> None:
        """Bytes on the wire; what nobody reads is lost, as on a real line."""
        with contextlib.suppress(BlockingIOError):
            os.write(self._master, data)

    def receive(self) -> bytes:
        """What the service sent, if anything."""
        try:
            return os.read(self._master, 4096)
        except BlockingIOError:
            return b""

    def close(self) -> None:
        if self.plugged:
            self.unplug()


@contextlib.asynccontextmanager
async def running(driver: Driver, clock: Callable[[], float] = time.monotonic) -> AsyncIterator[Got]:
    """A driver at work, and everything that it delivers; no thread may outlive it."""
    got: Got = []
    before = set(threading.enumerate())
    task = asyncio.create_task(driver.run(got.append, clock))
    try:
        yield got
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        left = [t for t in set(threading.enumerate()) - before if t.name.startswith("port ")]
        assert left == []


async def until(done: Callable[[], bool], seconds: float = 60.0) -> None:
    """Wait for something to come true, and fail where it does not."""
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end, "it did not happen in time"
        await asyncio.sleep(0.005)


def faults(got: Got, kind: str) -> list[Fault]:
    return [item for item in got if isinstance(item, Fault) and item.kind == kind]


def readings(got: Got) -> list[Record]:
    return [item for item in got if not isinstance(item, Fault)]


class Line:
    """Two ports joined by a line: what is written to one comes out of the other.

    Args:
        folder: where the two ports' links stand. echo: the line gives each sender its own bytes back, as
            half-duplex adapters with the receiver always on do.
    """

    def __init__(self, folder: Path, *, echo: bool = False) -> None:
        self.ends = (TornPort(folder / "tty-a"), TornPort(folder / "tty-b"))
        self._echo = echo
        self.cut = False
        """A broken wire: nothing comes through."""
        self.deaf = b""
        """Addresses of devices that are not there: questions to them go nowhere."""

    async def carry(self) -> None:
        """Move bytes until cancelled."""
        while True:
            for here, there in (self.ends, self.ends[::-1]):
                data = here.receive()
                if data and not self.cut and data[0] not in self.deaf:
                    there.send(data)
                    if self._echo and here is self.ends[0]:
                        here.send(data)
            await asyncio.sleep(0.0005)

    def close(self) -> None:
        for end in self.ends:
            end.close()
