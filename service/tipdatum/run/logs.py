"""What the shell logs: of the messages what a person should know, the connection, and what was lost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from tipdatum.bus.messages import Happening, Health, Reply
from tipdatum.bus.trouble import ConnectionState
from tipdatum.run.log_lines import log

QUIET_S = 5.0
"""Time without a further loss after which its sum is told."""


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
            log.info(message.kind, text=message.text, sensor=message.sensor)
        else:
            said = "command done" if message.ok else "command refused"
            log.info(said, name=message.command, text=message.text)

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
        write = log.info if message.state == "ok" else log.warning
        write(f"sensor {message.state}", sensor=message.sensor, reason=message.text or None)


def log_connection(state: ConnectionState) -> None:
    """One line on how the connection to the broker is."""
    write = log.warning if state.state == "offline" else log.info
    write(f"broker {state.state}", text=state.text)


def log_trouble(text: str) -> None:
    """One line on what went wrong with the broker otherwise."""
    log.warning("broker trouble", text=text)
