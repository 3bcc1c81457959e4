"""Register maps of Modbus sensors: the options, and from registers to numbers."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping, Sequence
from typing import Annotated, Literal, TypeAlias

from pydantic import Field as Constraint
from pydantic import model_validator

from tipdatum_drivers.fields import Field, Numbers, SensorFields
from tipdatum_drivers.options import Misfit, Options
from tipdatum_drivers.serial_driver import SerialOptions

MOST_REGISTERS = 125
"""Of one request, by the protocol."""

Registers: TypeAlias = Mapping[int, int]

_TYPES = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f"}


class ModbusSensor(SensorFields):
    """One sensor: its fields are register numbers (the protocol's, from 0), all of one type and scale."""

    address: Annotated[int, Constraint(ge=1, le=247)]
    function: Literal[3, 4] = 3
    """3: holding registers; 4: input registers."""
    type: Literal["int16", "uint16", "int32", "uint32", "float32"] = "int16"
    word_order: Literal["high-first", "low-first"] = "high-first"
    """Of the two registers of a 32-bit number."""
    scale: Annotated[float, Constraint(gt=0)] = 1.0
    """Of accel or the angles: units of one count. An offset such as "90° is 9000" comes off first."""
    offset: float = 0.0
    """Counts that mean zero."""
    gyro_scale: Annotated[float, Constraint(gt=0)] = 1.0
    temp_scale: Annotated[float, Constraint(gt=0)] = 1.0
    serial: Annotated[int, Constraint(ge=0, le=65535)] | None = None
    """First register of the serial number, if the part tells one."""
    serial_count: Annotated[int, Constraint(ge=1, le=16)] = 2
    serial_text: bool = False
    """The serial number is text, two characters a register; otherwise one unsigned number."""

    @model_validator(mode="after")
    def _registers_fit(self) -> ModbusSensor:
        try:
            first, count = self.block
        except ValueError:
            raise ValueError('register numbers, such as pitch = 0 (or "-0" to turn the sign round)') from None
        if count > MOST_REGISTERS or first < 0 or first + count > 65536:
            raise ValueError(f"registers within one request of {MOST_REGISTERS}")
        return self

    @property
    def width(self) -> int:
        """Registers of one number."""
        return 2 if self.type.endswith("32") else 1

    @property
    def block(self) -> tuple[int, int]:
        """First register and count of the one request that covers all fields."""
        groups = (*(self.accel or ()), *(self.gyro or ()), self.angle, self.pitch, self.roll, self.temp_c)
        numbers = [register(one) for one in groups if one is not None]
        return min(numbers), max(numbers) + self.width - min(numbers)


class ModbusInput(Options):
    """A switch on a coil or discrete input."""

    address: Annotated[int, Constraint(ge=1, le=247)]
    function: Literal[1, 2] = 2
    bit: Annotated[int, Constraint(ge=0, le=65535)]
    invert: bool = False


class ModbusOptions(SerialOptions):
    """`kind = "modbus-rtu"`: Modbus sensors and switches on one RS-485 line."""

    baud: Annotated[int, Constraint(ge=1200, le=4_000_000)] = 9600
    sensor: dict[str, ModbusSensor] = Constraint(default_factory=dict)
    input: dict[str, ModbusInput] = Constraint(default_factory=dict)
    answer_within_s: Annotated[float, Constraint(gt=0, le=2)] = 0.1
    """Longest time from request to answer beside the time on the wire."""
    turnaround_s: Annotated[float, Constraint(ge=0, le=1)] = 0.01
    """Usual time that a part thinks before it answers; only the cycle's arithmetic uses it."""

    @model_validator(mode="after")
    def _something_to_read(self) -> ModbusOptions:
        if not (self.sensor or self.input):
            raise Misfit("sensor", "nothing", "a [driver.sensor.NAME] or [driver.input.NAME] table")
        addresses = [sensor.address for sensor in self.sensor.values()]
        if len(set(addresses)) != len(addresses):
            raise Misfit("sensor", f"addresses {addresses}", "an address of its own for every sensor")
        return self

    @property
    def char_s(self) -> float:
        """Time of one character on the wire, s: start bit, eight bits, parity, stop bits."""
        return (9 + (self.parity != "none") + self.stop_bits) / self.baud


def register(of: Field) -> int:
    """The register number of a field.

    Raises:
        ValueError: it is no number.
    """
    return of if isinstance(of, int) else int(of.removeprefix("-"))


def values_of(sensor: ModbusSensor) -> _Take:
    """What `fields.reading_maker` takes numbers with: a register's value in the options' units."""
    scales = {register(one): sensor.gyro_scale for one in sensor.gyro or ()}
    if sensor.temp_c is not None:
        scales[register(sensor.temp_c)] = sensor.temp_scale
    return _Take(sensor, scales)


class _Take:
    def __init__(self, sensor: ModbusSensor, scales: dict[int, float]) -> None:
        self._sensor, self._scales = sensor, scales

    def __call__(self, of: Field, scale: float) -> Numbers[Registers]:
        number = register(of)
        own = self._scales.get(number)
        zero = self._sensor.offset if own is None else 0.0
        factor = scale * (self._sensor.scale if own is None else own)

        def take(registers: Registers) -> float | None:
            value = (number_at(self._sensor, registers, number) - zero) * factor
            if not math.isfinite(value):
                raise ValueError("not finite")
            return value

        return take


def number_at(sensor: ModbusSensor, registers: Registers, first: int) -> float:
    """The number that begins at register `first`; each register is high byte first."""
    words = [registers[first + i] for i in range(sensor.width)]
    if sensor.word_order == "low-first":
        words.reverse()
    raw = b"".join(word.to_bytes(2, "big") for word in words)
    return float(struct.unpack(">" + _TYPES[sensor.type], raw)[0])


def serial_text(sensor: ModbusSensor, registers: Sequence[int]) -> str:
    """The serial number as text."""
    words = list(registers)
    if sensor.serial_text:
        raw = b"".join(word.to_bytes(2, "big") for word in words)
        return raw.decode("ascii", "replace").strip("\0 ")
    if sensor.word_order == "low-first":
        words.reverse()
    return str(int.from_bytes(b"".join(word.to_bytes(2, "big") for word in words), "big"))
