"""What a terminal shows of a running service, from its public topics alone.

`View` is plain state: messages go in with the time they came, a picture comes out for the time it is asked
for. A figure whose message is older than half a second is not shown; the reason stands in its place.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any

import orjson
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from tipdatum.display import figures, side_view
from tipdatum.display.texts import Speech, speech

FRESH_S = 0.5
"""Age from which a figure is not shown any more: a dozen ticks, about as long as a glance."""
HEALTH_FRESH_S = 25.0
"""Age from which a sensor's health is not known any more; it is published every 10 s."""
TRAIL_S = 10.0
TRAIL_EVERY_S = 0.08
FIGURES_WIDE = 38
ROOM_FOR_FIGURES = 16
"""Rows that the figures need with what frames them; with fewer the sensors share one line."""
SIDE_VIEW_FROM = 72
"""Columns from which there is room for the side view."""


@dataclass(slots=True)
class View:
    """State of the display.

    Attributes:
        machine_id: the machine that is shown; None takes the first that is heard.
        root: what stands before the machine id in topics. say: the reader's language.
    """

    machine_id: str | None = None
    root: str = "tipdatum"
    say: Speech = field(default_factory=speech)
    tip: dict[str, Any] = field(default_factory=dict)
    arm: dict[str, Any] = field(default_factory=dict)
    status: dict[str, Any] = field(default_factory=dict)
    about: dict[str, Any] = field(default_factory=dict)
    state: dict[str, Any] = field(default_factory=dict)
    health: dict[str, dict[str, Any]] = field(default_factory=dict)
    others: set[str] = field(default_factory=set)
    link_text: str = "connecting"
    linked: bool = False
    unreadable: int = 0
    tip_at: float | None = None
    arm_at: float | None = None
    _health_at: dict[str, float] = field(default_factory=dict)
    _trail: deque[tuple[float, float, float]] = field(default_factory=deque)
    _fine: bool = True

    def link(self, linked: bool, text: str) -> None:
        """The connection to the broker came or went; `text` names the broker or the trouble."""
        self.linked, self.link_text = linked, text

    def apply(self, topic: str, payload: bytes, now: float) -> None:
        """Take a message.

        Args:
            topic: root/machine id/name[/part]; others are passed over. payload: JSON.
            now: s on any clock that only goes forward; the same one as for `render`.
        """
        if not topic.startswith(f"{self.root}/"):
            return
        machine, _, rest = topic[len(self.root) + 1 :].partition("/")
        name, _, part = rest.partition("/")
        if name not in _SHOWN:
            return
        if self.machine_id is None:
            self.machine_id = machine
        if machine != self.machine_id:
            self.others.add(machine)
            return
        try:
            message = orjson.loads(payload) if payload else {}
        except orjson.JSONDecodeError:
            message = None
        if not isinstance(message, dict):
            self.unreadable += 1
            return
        if name == "health":
            self.health[part], self._health_at[part] = message, now
            if not message:
                del self.health[part]
        else:
            setattr(self, name, message)
        if name == "tip":
            self.tip_at = now
            self._fine = figures.fine(message.get("sigma_m"), self._fine)
        elif name == "arm":
            self.arm_at = now
            self._follow(now)

    def trouble(self, now: float) -> str:
        """Why no live figure can be shown, in words; empty when it can."""
        if not self.linked:
            return self.say("terminal.no-broker", why=self.link_text)
        if self.status.get("state") == "offline":
            why = figures.word(self.status.get("reason") or self.say("terminal.ended"))
            return self.say("terminal.offline", why=why)
        if self.tip_at is None:
            return self.say("terminal.waiting")
        age = now - self.tip_at
        if age <= FRESH_S:
            return ""
        if age < 1.0:
            return self.say("terminal.no-message")
        return self.say("terminal.no-message-for", seconds=f"{age:.0f}")

    def line(self, now: float) -> str:
        """The figures in one line of plain text."""
        return figures.one_line(self.tip, self.trouble(now), fine=self._fine, say=self.say)

    def render(self, width: int, height: int, now: float) -> RenderableType:
        """The whole screen for a terminal of that many columns and rows."""
        trouble = self.trouble(now)
        foot = Text(f" {self.say('terminal.foot')}", "bright_black")
        foot.truncate(width, overflow="ellipsis")
        rule = Text("─" * width, "bright_black")
        sensors = self._sensors(width, height, trouble, now)
        room = max(4, height - 4 - len(sensors))
        wide = width >= SIDE_VIEW_FROM
        left = figures.block(
            self.tip,
            self.state,
            trouble,
            rows=room,
            columns=FIGURES_WIDE if wide else width,
            fine=self._fine,
            base=f"{self.root}/{self.machine_id}",
            say=self.say,
            arm=self.arm if self.arm_at is not None and now - self.arm_at <= FRESH_S else None,
        )
        body: RenderableType = Group(*left[:room], *[Text()] * (room - len(left)))
        if wide:
            grid = Table.grid()
            grid.add_column(width=FIGURES_WIDE)
            grid.add_column(width=width - FIGURES_WIDE - 1)
            grid.add_row(body, Group(*self._picture(width - FIGURES_WIDE - 1, room, trouble, now)))
            body = grid
        return Group(self._head(width), rule, body, rule, *sensors, foot)

    def _head(self, width: int) -> Text:
        name = figures.word(self._machine().get("name") or self.machine_id or "tipdatum")
        where = self.link_text if self.linked else self.say("terminal.no-broker-short")
        others = figures.word(", ".join(sorted(self.others)))
        more = f"  {self.say('terminal.also-heard', names=others)}" if others else ""
        left = Text(f" {name}", "bold").append(more, "bright_black")
        right = Text(f"{figures.word(self.machine_id)}  {where} ", "bright_black")
        left.truncate(max(10, width - len(right) - 1), overflow="ellipsis")
        return Text.assemble(left, " " * max(1, width - len(left) - len(right)), right)

    def _picture(self, columns: int, rows: int, trouble: str, now: float) -> list[Text]:
        proportions = side_view.Proportions.of(self._machine())
        if proportions is None:
            return [Text(self.say("terminal.waiting-machine"), "bright_black")]
        live = not trouble and self.arm_at is not None and now - self.arm_at <= FRESH_S
        pins = _pins(self.arm) if live else []
        trail = [(x, z) for t, x, z in self._trail if now - t <= TRAIL_S]
        return side_view.draw(columns, rows, proportions, pins, trail, self._target(pins))

    def _target(self, pins: list[tuple[float, float]]) -> tuple[side_view.Point, side_view.Point] | None:
        deviation = figures.number(self.tip.get("deviation_m"))
        if not pins or deviation is None:
            return None
        (reach, height), half = pins[-1], 1.5
        return (reach - half, height - deviation), (reach + half, height - deviation)

    def _follow(self, now: float) -> None:
        pins = _pins(self.arm)
        if not pins or (self._trail and now - self._trail[-1][0] < TRAIL_EVERY_S):
            return
        self._trail.append((now, *pins[-1]))
        while now - self._trail[0][0] > TRAIL_S:
            self._trail.popleft()

    def _machine(self) -> dict[str, Any]:
        machine = self.about.get("machine")
        return machine if isinstance(machine, dict) else {}

    def _sensors(self, width: int, height: int, trouble: str, now: float) -> list[Text]:
        if not self.health:
            return []
        if height - len(self.health) < ROOM_FOR_FIGURES:
            return [figures.sensors_summary(self.health, width, known=not trouble, say=self.say)]
        return [
            figures.sensor_line(
                name, message, width, known=not trouble and self._health_known(name, now), say=self.say
            )
            for name, message in sorted(self.health.items(), key=lambda item: _order(item[1]))
        ]

    def _health_known(self, name: str, now: float) -> bool:
        return now - self._health_at[name] <= HEALTH_FRESH_S


_SHOWN = frozenset({"tip", "arm", "status", "about", "state", "health"})
_BODIES = ("upper", "boom_swing", "boom", "second_boom", "stick", "coupler", "bucket", "rocker")


def _pins(arm: dict[str, Any]) -> list[tuple[float, float]]:
    """(reach, height) of each pin; empty when they are not known, or are not what they should be."""
    try:
        pins = [(float(p["reach_m"]), float(p["height_m"])) for p in arm.get("points") or []]
    except (TypeError, KeyError, ValueError):
        return []
    return pins if all(abs(v) < 100.0 for pin in pins for v in pin) else []


def _order(health: dict[str, Any]) -> tuple[int, str]:
    body = str(health.get("body"))
    return (_BODIES.index(body) if body in _BODIES else len(_BODIES), str(health.get("sensor")))
