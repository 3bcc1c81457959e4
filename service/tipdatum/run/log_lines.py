"""The log's lines: what happened, and values by name; as text for a person or as one JSON object each.

Nothing is written faster than a person reads. Any thread may write.
"""

from __future__ import annotations

import contextlib
import json
import sys
import threading
import time
import traceback
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any, TextIO

REPEAT_AFTER_S = 5.0
"""The same line is written again only after this time, with how often it was held back."""

LEVELS = ("debug", "info", "warning", "error")
_COLOURS = {"debug": "32", "info": "32", "warning": "33", "error": "31"}
"""Of a level on a terminal: the codes of ECMA-48, section 8.3.117."""


class Throttle:
    """Holds a line back that repeats faster than a person reads."""

    def __init__(self, every_s: float = REPEAT_AFTER_S, clock: Callable[[], float] = time.monotonic) -> None:
        self._every = every_s
        self._clock = clock
        self._seen: dict[tuple[str, ...], tuple[float, int]] = {}

    def __call__(self, event: dict[str, Any]) -> dict[str, Any] | None:
        """What to write of a line, without values that are not known; None: nothing now."""
        key = tuple(str(event.get(part) or "") for part in ("event", "sensor", "name", "text"))
        now = self._clock()
        last, held = self._seen.get(key, (float("-inf"), 0))
        if now - last < self._every:
            self._seen[key] = (last, held + 1)
            return None
        if len(self._seen) > 1000:  # texts with figures in them are each their own
            self._seen.clear()
        self._seen[key] = (now, 0)
        known = {name: value for name, value in event.items() if value is not None}
        return {**known, "repeated": held} if held else known


class Log:
    """Writes lines; until somebody says otherwise as text to the standard error stream."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.configure()

    def configure(
        self, *, json_lines: bool = False, verbose: bool = False, stream: TextIO | None = None
    ) -> None:
        """Set up once, at the start of a command that runs for long; `verbose` writes debug lines too."""
        self._json, self._stream = json_lines, stream
        self._least = LEVELS.index("debug" if verbose else "info")
        self._throttle = Throttle()

    def debug(self, event: str, **values: Any) -> None:
        """Write what helps who looks for a defect."""
        self._write("debug", event, values)

    def info(self, event: str, **values: Any) -> None:
        """Write what is good to know."""
        self._write("info", event, values)

    def warning(self, event: str, **values: Any) -> None:
        """Write what a person should see to."""
        self._write("warning", event, values)

    def error(self, event: str, **values: Any) -> None:
        """Write what has failed."""
        self._write("error", event, values)

    def exception(self, event: str, **values: Any) -> None:
        """Write what has failed by the exception that is being handled, with the way to it."""
        self._write("error", event, {**values, "exception": traceback.format_exc().rstrip()})

    def _write(self, level: str, event: str, values: dict[str, Any]) -> None:
        if LEVELS.index(level) < self._least:
            return
        with self._lock:
            told = self._throttle({"event": event, **values})
            if told is None:
                return
            stream = self._stream or sys.stderr
            line = _json_line(level, told) if self._json else _text(level, told, colours=stream.isatty())
            # A log that nobody takes any more, as where a terminal was closed, ends no service.
            with contextlib.suppress(OSError, ValueError):
                stream.write(line + "\n")
                stream.flush()


def _json_line(level: str, told: dict[str, Any]) -> str:
    stamp = datetime.now(UTC).isoformat().replace("+00:00", "Z")
    return json.dumps({**told, "level": level, "timestamp": stamp}, default=repr)


def _text(level: str, told: dict[str, Any], *, colours: bool) -> str:
    def styled(code: str, text: str) -> str:
        return f"\x1b[{code}m{text}\x1b[0m" if colours else text

    told = dict(told)
    event, way = told.pop("event"), told.pop("exception", None)
    values = [f"{styled('36', name)}={_value(value)}" for name, value in told.items()]
    clock = styled("2", time.strftime("%H:%M:%S"))
    line = " ".join([clock, f"[{styled(_COLOURS[level], f'{level:<9}')}]", styled("1", event), *values])
    return line if way is None else f"{line}\n{way}"


def _value(value: Any) -> str:
    """As it is, with quotes only where it would not be seen where it ends."""
    return repr(value) if isinstance(value, str) and (not value or "\n" in value) else str(value)


log = Log()
"""Of the process."""
