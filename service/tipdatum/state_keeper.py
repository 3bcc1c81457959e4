"""Keeps the state on the disk while the service runs, off the path from reading to message."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable

import structlog

from tipdatum.grade.state import WorkState
from tipdatum.state_file import StateFile

log = structlog.get_logger()

SAVE_EVERY_S = 0.05
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
        state: gives the present state.
    """

    def __init__(self, file: StateFile | None, state: Callable[[], WorkState]) -> None:
        self._file = file
        self._state = state
        self._changed = False

    def changed(self) -> None:
        """The state is another than the one on the disk."""
        self._changed = True

    async def run(self) -> None:
        """Keep it until cancelled; a disk that is full or gone ends nothing."""
        if self._file is None:
            return
        saved = True
        alive_at = saved_at = time.monotonic()
        while True:
            await asyncio.sleep(SAVE_EVERY_S if saved else SAVE_RETRY_S)
            now = time.monotonic()
            if self._changed or now - saved_at >= SAVE_ANYWAY_S:
                saved_at = alive_at = now
                saved = await self.save()
            elif now - alive_at >= ALIVE_EVERY_S:
                alive_at = now
                # Where it cannot be noted, a later start takes the absence for longer, which errs to doubt.
                with contextlib.suppress(OSError):
                    await asyncio.to_thread(self._file.touch)

    async def save(self) -> bool:
        """Write it now. Whether it is on the disk, or need not be."""
        if self._file is None:
            return True
        self._changed = False
        state = self._state().snapshot()
        try:
            await asyncio.to_thread(self._file.save, state)
        except OSError as error:
            self._changed = True
            log.error("state not saved; trying again", reason=error.strerror or str(error))
            return False
        return True
