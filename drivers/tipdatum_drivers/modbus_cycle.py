"""How often each sensor of a Modbus line can be read, and whether that is often enough.

Time of one question: request and answer on the wire, the silent intervals that end them (3.5 characters, at
least 1.75 ms above 19200 baud: MODBUS over serial line, 2.5.1.1), and the part's own turnaround. Four
two-axis inclinometers at 9600 baud come to about 6 to 7 readings a second each.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tipdatum_drivers.decode.modbus_map import ModbusOptions

REQUEST_BYTES = 8
ANSWER_OVERHEAD_BYTES = 5
FINISHING_MPS = 0.3
"""Speed of the tip in finishing work, m/s (common practice, no source)."""
MOST_MOVEMENT_M = 0.02
"""Movement of the tip between two readings that interpolation bridges well."""


@dataclass(frozen=True, slots=True)
class Cycle:
    """One round over all sensors of a line."""

    period_s: float
    question_s: dict[str, float]

    @property
    def rate_hz(self) -> float:
        """Readings a second of each sensor."""
        return 1.0 / self.period_s

    @property
    def movement_m(self) -> float:
        """How far a tip in finishing work moves between two readings of one sensor."""
        return FINISHING_MPS * self.period_s


def silent_interval_s(options: ModbusOptions) -> float:
    """Silence that ends a frame, s."""
    return 0.00175 if options.baud > 19200 else 3.5 * options.char_s


def cycle(options: ModbusOptions) -> Cycle:
    """The round of a line with these options."""
    gaps = 2.0 * silent_interval_s(options) + options.turnaround_s
    question = {
        name: (REQUEST_BYTES + ANSWER_OVERHEAD_BYTES + 2 * sensor.block[1]) * options.char_s + gaps
        for name, sensor in options.sensor.items()
    }
    for name in options.input:
        question[name] = (REQUEST_BYTES + ANSWER_OVERHEAD_BYTES + 1) * options.char_s + gaps
    return Cycle(sum(question.values()), question)


def advice(options: ModbusOptions) -> list[str]:
    """What a person should know about this line; the last sentence says where it is too slow."""
    line = cycle(options)
    count = len(line.question_s)
    said = [
        f"Modbus line {options.port_words}: {count} questions a round of {line.period_s * 1e3:.0f} ms at "
        f"{options.baud} baud give about {line.rate_hz:.1f} readings a second each"
    ]
    if options.sensor and line.movement_m > MOST_MOVEMENT_M:
        said.append(
            f"too slow for finishing work: at {FINISHING_MPS:g} m/s the tip moves "
            f"{line.movement_m * 1e3:.0f} mm between two readings; raise the baud rate or use two lines"
        )
    return said
