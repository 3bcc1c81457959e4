"""Keeps the state on the disk while the service runs, off the path from reading to message."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable

import structlog

from tipdatum.grade.state import WorkState
from tipdatum.run.state_file import StateFile

log = structlog.get_logger()

SAVE_WITHIN_S = 0.05
"""A changed state is on the disk this soon; several changes within it are one write."""
SAVE_ANYWAY_S = 30.0
"""The estimator goes on correcting the reference as it learns of mounts; that is kept this often."""
SAVE_RETRY_S = 2.0
"""After a write that failed: a full disk may have room again, and a person has the message meanwhile."""
ALIVE_EVERY_S = 2.0


class StateKeeper:
    """Writes the state when it has changed, and notes now and then that the service lives.

    Args:
        file: where it goes; None keeps nothing.
        state: gives a copy of the present state.
    """

    def __init__(self, file: StateFile | None, state: Callable[[], WorkState]) -> None:
        self._file = file
        self._state = state
        self._due = False
        self._changed = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None

    def changed(self) -> None:
        """The state is another than the one on the disk. From any thread."""
        if not self._due:
            self._due = True
            self._wake()

    def _wake(self) -> None:
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # at the very end there is no loop any more
                self._loop.call_soon_threadsafe(self._changed.set)

    async def run(self) -> None:
        """Keep it until cancelled; a disk that is full or gone ends nothing."""
        if self._file is None:
            return
        self._loop = asyncio.get_running_loop()
        if self._due:
            self._wake()
        saved = True
        saved_at = time.monotonic()
        while True:
            # It sleeps until something has changed: a look every so often would wake an idle computer.
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(ALIVE_EVERY_S):
                    await self._changed.wait()
            if self._due or time.monotonic() - saved_at >= SAVE_ANYWAY_S:
                await asyncio.sleep(SAVE_WITHIN_S if saved else SAVE_RETRY_S)
                saved_at = time.monotonic()
                saved = await self.save()
            else:
                # Where it cannot be noted, a later start takes the absence for longer, which errs to doubt.
                with contextlib.suppress(OSError):
                    await asyncio.to_thread(self._file.touch)

    async def save(self) -> bool:
        """Write it now. Whether it is on the disk, or need not be."""
        if self._file is None:
            return True
        # First, so that a change that comes meanwhile is written the next time.
        self._due = False
        self._changed.clear()
        state = self._state()
        try:
            await asyncio.to_thread(self._file.save, state)
        except OSError as error:
            self.changed()
            log.error("state not saved; trying again", reason=error.strerror or str(error))
            return False
        return True
