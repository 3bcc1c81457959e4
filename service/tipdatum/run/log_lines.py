"""The log's lines: for a person by default, JSON lines with a flag, nothing faster than one can read."""

from __future__ import annotations

import logging
import sys
import time
from collections.abc import Callable, Iterator, MutableMapping
from contextlib import contextmanager
from typing import Any, TextIO


@contextmanager
def left_aside(name: str) -> Iterator[None]:
    """What is imported meanwhile finds no package of that `name`, unless it has been imported before."""
    if name in sys.modules:
        yield
        return
    sys.modules[name] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        del sys.modules[name]


# structlog takes rich in wherever it is, to paint tracebacks: a good part of the service's start.
with left_aside("rich"):
    import structlog

REPEAT_AFTER_S = 5.0
"""The same line is written again only after this time, with how often it was held back."""

log = structlog.get_logger()


class Throttle:
    """A structlog processor that drops a line which repeats faster than a person reads."""

    def __init__(self, every_s: float = REPEAT_AFTER_S, clock: Callable[[], float] = time.monotonic) -> None:
        self._every = every_s
        self._clock = clock
        self._seen: dict[tuple[str, ...], tuple[float, int]] = {}

    def __call__(self, logger: Any, method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
        key = tuple(str(event.get(part) or "") for part in ("event", "sensor", "name", "text"))
        now = self._clock()
        last, held = self._seen.get(key, (float("-inf"), 0))
        if now - last < self._every:
            self._seen[key] = (last, held + 1)
            raise structlog.DropEvent
        if len(self._seen) > 1000:  # texts with figures in them are each their own
            self._seen.clear()
        self._seen[key] = (now, 0)
        if held:
            event["repeated"] = held
        return {name: value for name, value in event.items() if value is not None}


def configure(*, json_lines: bool = False, verbose: bool = False, stream: TextIO | None = None) -> None:
    """Set up structlog once, at the start of a command that runs for long."""
    out = stream or sys.stderr
    renderer: Any
    if json_lines:
        stamp = structlog.processors.TimeStamper(fmt="iso", utc=True)
        renderer = structlog.processors.JSONRenderer()
    else:
        stamp = structlog.processors.TimeStamper(fmt="%H:%M:%S", utc=False)
        renderer = structlog.dev.ConsoleRenderer(colors=out.isatty(), pad_event_to=0)
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            Throttle(),
            stamp,
            structlog.processors.format_exc_info,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.DEBUG if verbose else logging.INFO),
        logger_factory=structlog.PrintLoggerFactory(out),
        cache_logger_on_first_use=False,
    )
