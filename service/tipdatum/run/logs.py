"""Logging of the shell: for a person by default, JSON lines with a flag, nothing faster than one can read."""

from __future__ import annotations

import logging
import sys
import time
from collections.abc import Callable, Mapping, MutableMapping
from dataclasses import dataclass, field
from typing import Any, TextIO

import structlog

from tipdatum.bus.messages import Happening, Health, Reply
from tipdatum.bus.trouble import ConnectionState

REPEAT_AFTER_S = 5.0
"""The same line is written again only after this time, with how often it was held back."""
QUIET_S = 5.0
"""Time without a further loss after which its sum is told."""


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


@dataclass
class Losses:
    """What was lost on the way out, in one line when it begins and one with the sum when it ends."""

    _counts: dict[str, int] = field(default_factory=dict)
    _since: dict[str, tuple[float, int]] = field(default_factory=dict)
    _last: dict[str, float] = field(default_factory=dict)

    def look(self, now: float, counts: Mapping[str, int]) -> list[str]:
        """Take the counters' present state at `now`, s; the lines to write."""
        lines = []
        for what, count in counts.items():
            before = self._counts.get(what, 0)
            self._counts[what] = count
            if count > before:
                self._last[what] = now
                if what not in self._since:
                    self._since[what] = (now, before)
                    lines.append(f"{what} are being lost")
            elif what in self._since and now - self._last[what] >= QUIET_S:
                began, had = self._since.pop(what)
                lines.append(f"{what} lost: {count - had} in {self._last[what] - began:.0f} s")
        return lines


class MessageLog:
    """Writes into the log what a person should know of the messages; the bus has the rest."""

    def __init__(self) -> None:
        self._log = structlog.get_logger()
        self._states: dict[str, str] = {}
        self._texts: dict[str, str] = {}
        self._cautions: set[str] = set()
        self._cautions_before: set[str] = set()

    def another_pass(self) -> None:
        """A recording begins anew: the cautions that it will bring again stand in the log already."""
        self._cautions_before |= self._cautions

    def write(self, message: Health | Happening | Reply) -> None:
        """One line where something is to be told."""
        if isinstance(message, Health):
            self._health(message)
        elif isinstance(message, Happening):
            if message.kind == "caution":
                self._cautions.add(message.text)
                if message.text in self._cautions_before:
                    return
            self._log.info(message.kind, text=message.text, sensor=message.sensor)
        else:
            said = "command done" if message.ok else "command refused"
            self._log.info(said, name=message.command, text=message.text)

    def _health(self, message: Health) -> None:
        """One line when a sensor is lost and one when it is back."""
        before = self._states.get(message.sensor)
        self._states[message.sensor] = message.state
        if message.state == "ok":
            self._texts.pop(message.sensor, None)
        # Why a sensor is missing may become known only later: a port that is not there, a wrong rate.
        said = self._texts.get(message.sensor)
        news = message.state in ("waiting", "stale") and "(" in message.text and message.text != said
        if not news and (before == message.state or (before is None and message.state == "waiting")):
            return
        self._texts[message.sensor] = message.text
        write = self._log.info if message.state == "ok" else self._log.warning
        write(f"sensor {message.state}", sensor=message.sensor, reason=message.text or None)


def log_connection(state: ConnectionState) -> None:
    """One line on how the connection to the broker is."""
    log = structlog.get_logger()
    write = log.warning if state.state == "offline" else log.info
    write(f"broker {state.state}", text=state.text)


def log_trouble(text: str) -> None:
    """One line on what went wrong with the broker otherwise."""
    structlog.get_logger().warning("broker trouble", text=text)
