"""Signals into the event loop, on systems whose loop does not take them too."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def heeded(
    loop: asyncio.AbstractEventLoop, stop: Callable[[], None], reload: Callable[[], None]
) -> Iterator[None]:
    """While inside, SIGINT and SIGTERM call `stop`, and SIGHUP, where there is one, `reload`, in the loop.

    The loop of Windows takes no signals (asyncio's documentation of `add_signal_handler`): there Python's own
    handlers pass them on.
    """
    wanted = {signal.SIGINT: stop, signal.SIGTERM: stop}
    if (hang_up := getattr(signal, "SIGHUP", None)) is not None:
        wanted[hang_up] = reload
    before: dict[signal.Signals, object] = {}

    def passed_on(number: int, _frame: FrameType | None) -> None:
        loop.call_soon_threadsafe(wanted[signal.Signals(number)])

    for number, call in wanted.items():
        try:
            loop.add_signal_handler(number, call)  # the loop gives them back when it is closed
        except NotImplementedError:
            before[number] = signal.signal(number, passed_on)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)  # type: ignore[arg-type]
