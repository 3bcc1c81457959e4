"""Plain topics for small displays: one number, word or text each, so that a microcontroller needs no JSON.

`value/<name>` carries a number in SI units or a word, and is empty where it is not known; `text/<name>`
carries text in the operator's units, `---` where it is not known. Both derive from the `tip` message alone.
`value/online` is 1 with every round of them and 0 when the service takes its leave; it is not retained
either, so after a kill it stops coming like the rest.

Pure: messages in, lines out; time is the message's own.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Literal, TypeAlias

from pydantic import BaseModel, ConfigDict, Field

from tipdatum.bus.messages import Tip
from tipdatum.grade.units import LengthUnit, format_length

Value: TypeAlias = Literal[
    "online",
    "elevation_m",
    "deviation_m",
    "sigma_m",
    "left_m",
    "right_m",
    "reach_m",
    "lateral_m",
    "left_deviation_m",
    "right_deviation_m",
    "governing_deviation_m",
    "quality",
    "datum",
]
Text: TypeAlias = Literal["elevation", "deviation", "left", "right", "reach", "state"]

UNKNOWN_VALUE, UNKNOWN_TEXT = "", "---"
ONLINE, OFFLINE = "1", "0"
DEFAULT_VALUES: tuple[Value, ...] = ("online", "elevation_m", "deviation_m", "sigma_m", "quality", "datum")
DEFAULT_TEXTS: tuple[Text, ...] = ("elevation", "deviation", "state")
STATE_CHARACTERS = 40
"""Two lines of the common 20-character display."""


class SmallDisplayOptions(BaseModel):
    """`[broker.small_displays]`: which plain topics, in which unit, how often."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)

    values: tuple[Value, ...] = Field(default=DEFAULT_VALUES, description="topics under value/; [] for none")
    texts: tuple[Text, ...] = Field(default=DEFAULT_TEXTS, description="topics under text/; [] for none")
    unit: LengthUnit = Field(default="m", description="of the texts")
    rate_hz: Annotated[float, Field(gt=0, le=50)] = Field(
        default=5.0, description="how often figures are repeated; faster is not readable"
    )


@dataclass(slots=True)
class SmallDisplays:
    """Turns `tip` messages into lines (name, part, payload)."""

    options: SmallDisplayOptions
    _last_t: float | None = field(default=None, init=False)
    _last_standing: tuple[str, bool, bool] | None = field(default=None, init=False)

    def farewell(self) -> list[tuple[str, str, bytes]]:
        """What to publish when the service leaves."""
        return [("value", "online", OFFLINE.encode())] if "online" in self.options.values else []

    def lines(self, tip: Tip) -> list[tuple[str, str, bytes]]:
        """What to publish for this message: all topics, or nothing until it is time again.

        A change of the reference or of whether there are figures does not wait.
        """
        standing = (tip.datum, tip.elevation_m is None, tip.deviation_m is None)
        since = None if self._last_t is None else tip.t - self._last_t
        # Half a millisecond of slack: ticks are multiples of a period that no binary fraction meets.
        if (
            since is not None
            and 0.0 <= since < 1.0 / self.options.rate_hz - 0.0005
            and standing == self._last_standing
        ):
            return []
        self._last_t, self._last_standing = tip.t, standing
        lines = [("value", str(name), value(tip, name).encode()) for name in self.options.values]
        for kind in self.options.texts:
            lines.append(("text", kind, text(tip, kind, self.options.unit).encode()))
        return lines


def value(tip: Tip, name: Value) -> str:
    """A field of the message as a bare number or word; empty where it is not known."""
    if name == "online":
        return ONLINE
    found = getattr(tip, name)
    if found is None:
        return UNKNOWN_VALUE
    return f"{found:.4f}" if isinstance(found, float) else str(found)


def text(tip: Tip, name: Text, unit: LengthUnit) -> str:
    """A text that can be shown as it is."""
    if name == "state":
        return _state(tip)
    deviations = {"deviation": tip.deviation_m, "left": tip.left_deviation_m, "right": tip.right_deviation_m}
    if name in deviations:
        return _deviation(deviations[name], unit)
    metres = tip.elevation_m if name == "elevation" else tip.reach_m
    return UNKNOWN_TEXT if metres is None else format_length(metres, unit)


def _deviation(metres: float | None, unit: LengthUnit) -> str:
    """Tip or corner above the target: so much to cut; below it: so much to fill."""
    if metres is None:
        return UNKNOWN_TEXT
    size = format_length(abs(metres), unit)
    if size == format_length(0.0, unit):
        return f"on grade {size}"
    return f"{'cut' if metres > 0 else 'fill'} {size}"


def _state(tip: Tip) -> str:
    parts = [] if tip.quality == "good" else [tip.quality, *tip.reasons]
    if tip.datum == "none":
        parts.append("no reference")
    elif tip.datum == "doubtful":
        parts.append("check the reference")
    shown = ", ".join(dict.fromkeys(parts)) or "good"
    return shown if len(shown) <= STATE_CHARACTERS else shown[: STATE_CHARACTERS - 1] + "…"
