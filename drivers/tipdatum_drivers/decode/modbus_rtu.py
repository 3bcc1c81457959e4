"""Modbus RTU: several sensors on one RS-485 line, asked in turn.

::

    request   AA FF RRRR NNNN CCCC         address, function, first register, count, CRC
    answer    AA FF LL data CCCC           LL bytes, two a register, high byte first
    refusal   AA FF|80 XX CCCC             exception code

One request covers all registers of a sensor. A sensor that does not answer is asked less often, so that it
costs the others little. Answers are found anywhere in what comes in (noise, or an adapter that echoes the
request), but only with the right address, function, length and CRC. PDUs and CRC are pymodbus'.
Source: MODBUS over serial line, and MODBUS application protocol (modbus.org); timing in `modbus_cycle`.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import ClassVar, cast

from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from tipdatum_drivers.decode.framing import Item
from tipdatum_drivers.decode.modbus_map import (
    ModbusInput,
    ModbusOptions,
    ModbusSensor,
    serial_text,
    values_of,
)
from tipdatum_drivers.fields import reading_maker
from tipdatum_drivers.modbus_cycle import advice, silent_interval_s
from tipdatum_drivers.reading import Fault, Identity, Input
from tipdatum_drivers.serial_driver import SerialDriver

SERIAL_EVERY_S = 30.0
"""A part may be swapped while the line is live."""
GIVE_UP_AFTER = 3
"""Unanswered requests after which a sensor is asked only every `RETRY_S`."""
RETRY_S = 1.0
_REQUESTS = {
    1: ReadCoilsRequest,
    2: ReadDiscreteInputsRequest,
    3: ReadHoldingRegistersRequest,
    4: ReadInputRegistersRequest,
}
_REFUSALS = {
    1: "it does not know the function", 2: "it has no such register", 3: "it refuses the count",
    4: "it reports a failure", 5: "it needs more time", 6: "it is busy",
}  # fmt: skip
NOT_NOW = frozenset({5, 6})
"""Refusals that say nothing against the question: it is asked again like one that had no answer."""


@dataclass(slots=True)
class _Poll:
    """One request that is asked again and again."""

    name: str
    address: int
    function: int
    first: int
    count: int
    use: str
    """values, serial or input."""
    due: float = 0.0
    unanswered: int = 0
    frame: bytes = field(default=b"", repr=False)

    @property
    def answer_bytes(self) -> int:
        return 2 * self.count if self.function >= 3 else (self.count + 7) // 8


class ModbusDecoder:
    """The asking side of one line: `poll` gives requests, `feed` takes answers."""

    poll_s = 0.003
    asks: ClassVar[bool] = True

    def __init__(self, options: ModbusOptions) -> None:
        self._options = options
        self._framer = FramerRTU(DecodePDU(False))
        self._gap = silent_interval_s(options)
        self._questions = deque(self._all_questions())
        self._asked: _Poll | None = None
        self._deadline = self._free_at = 0.0
        self._heard = b""
        self._makers = {
            name: reading_maker(name, sensor, values_of(sensor)) for name, sensor in options.sensor.items()
        }

    def poll(self, t: float) -> tuple[bytes, list[Item]]:
        """The next request when the line is free, and a fault for the sensor that let its time pass."""
        items: list[Item] = []
        if self._asked is not None:
            if t < self._deadline:
                return b"", items
            items.append(self._no_answer(self._asked, t))
        if t < self._free_at:
            return b"", items
        for _ in range(len(self._questions)):
            question = self._questions[0]
            self._questions.rotate(-1)
            if question.due <= t:
                self._asked, self._heard = question, b""
                wire = (len(question.frame) + question.answer_bytes + 5) * self._options.char_s
                self._deadline = t + wire + self._options.answer_within_s
                return question.frame, items
        return b"", items

    def feed(self, data: bytes, t: float) -> list[Item]:
        """Readings of the answer that `data` completes."""
        question = self._asked
        if question is None:
            return []  # an answer that came too late, or noise: nobody asked
        self._heard = (self._heard + data)[-512:]
        pdu = answer_in(self._heard, self._framer, question.address, question.function, question.answer_bytes)
        if pdu is None:
            return []
        self._asked = None
        self._free_at = t + self._gap
        if pdu.function_code & 0x80:
            if pdu.exception_code in NOT_NOW:
                self._not_this_time(question, t)
            else:
                question.due = t + RETRY_S
            reason = _REFUSALS.get(pdu.exception_code, "it gives no known reason")
            text = f"address {question.address} refuses register {question.first}: {reason}"
            return [Fault(t, question.name, "device says fault", text)]
        question.unanswered = 0
        question.due = t + SERIAL_EVERY_S if question.use == "serial" else t
        return self._readings(question, pdu, t)

    def _all_questions(self) -> list[_Poll]:
        options = self._options
        questions = []
        for name, sensor in options.sensor.items():
            first, count = sensor.block
            if sensor.serial is not None:
                serial, registers = sensor.serial, sensor.serial_count
                questions.append(_Poll(name, sensor.address, sensor.function, serial, registers, "serial"))
            questions.append(_Poll(name, sensor.address, sensor.function, first, count, "values"))
        for name, wired in options.input.items():
            questions.append(_Poll(name, wired.address, wired.function, wired.bit, 1, "input"))
        for question in questions:
            question.frame = request(
                self._framer, question.address, question.function, question.first, question.count
            )
        return questions

    def _no_answer(self, question: _Poll, t: float) -> Fault:
        self._asked = None
        self._free_at = t + self._gap
        self._not_this_time(question, t)
        where, within = f"address {question.address}", f"within {self._options.answer_within_s:g} s"
        echo = self._heard.startswith(question.frame)
        rest = self._heard.removeprefix(question.frame)
        if rest:
            behind = " behind the echo of the request" if echo else ""
            text = f"{where}: {len(rest)} bytes came {within}{behind}, but no valid answer"
            return Fault(t, question.name, "wrong checksum", text)
        more = ", only the echo of the request" if echo else ""
        return Fault(t, question.name, "no answer", f"{where} did not answer {within}{more}")

    def _not_this_time(self, question: _Poll, t: float) -> None:
        """Ask again in the next round, some times; then leave the line to the others for a while."""
        question.unanswered += 1
        if question.unanswered >= GIVE_UP_AFTER:
            question.due = t + RETRY_S

    def _readings(self, question: _Poll, pdu: ModbusPDU, t: float) -> list[Item]:
        if question.use == "input":
            wired: ModbusInput = self._options.input[question.name]
            return [Input(t, question.name, bool(pdu.bits[0]) != wired.invert)]
        sensor: ModbusSensor = self._options.sensor[question.name]
        if question.use == "serial":
            return [Identity(t, question.name, serial_text(sensor, pdu.registers))]
        registers = dict(enumerate(pdu.registers, question.first))
        try:
            reading = self._makers[question.name](t, registers)
        except (ValueError, OverflowError):
            return [Fault(t, question.name, "bad value", "a register holds no finite number")]
        return [reading] if reading is not None else []


def request(framer: FramerRTU, address: int, function: int, first: int, count: int) -> bytes:
    """The bytes that ask part `address` for `count` registers or bits from `first`; function 1 to 4."""
    return framer.buildFrame(_REQUESTS[function](address=first, count=count, dev_id=address))


def answer_in(
    heard: bytes, framer: FramerRTU, address: int, function: int, answer_bytes: int
) -> ModbusPDU | None:
    """The answer to such a question, or the refusal, anywhere in what was heard; None while there is none."""
    whole, refusal = bytes((address, function, answer_bytes)), bytes((address, function | 0x80))
    for head, length in ((whole, answer_bytes + 5), (refusal, 5)):
        at = heard.find(head)
        while at >= 0:
            candidate = heard[at : at + length]
            body, crc = candidate[:-2], int.from_bytes(candidate[-2:], "big")
            if len(candidate) == length and FramerRTU.check_CRC(body, crc):
                return framer.handleFrame(candidate, address, 0)[1]
            at = heard.find(head, at + 1)
    return None


class ModbusDriver(SerialDriver):
    """Sensors on one RS-485 line."""

    Options = ModbusOptions
    usual_bauds = (9600, 19200, 115200, 38400)

    def decoder(self) -> ModbusDecoder:
        return ModbusDecoder(cast("ModbusOptions", self.options))

    def advice(self) -> list[str]:
        return [*super().advice(), *advice(cast("ModbusOptions", self.options))]
