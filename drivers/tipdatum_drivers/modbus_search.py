"""Which parts answer on a Modbus line, and at which rate: reading functions only, one short question each.

Functions 3 (holding registers) and 4 (input registers) read and change nothing (MODBUS application
protocol, modbus.org). A refusal is an answer too: there is a part. Sans-IO: whoever holds the port gives a
function that asks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

from tipdatum_drivers.decode.modbus_rtu import answer_in, request

ADDRESSES = range(1, 17)
RATES = (9600, 19200, 38400, 57600, 115200)
PARITIES = ("none", "even")
READING = (3, 4)
LOOKED_AT = 16
"""Registers from 0 that are shown of a part."""
ANSWER_WITHIN_S = 0.1

Exchange = Callable[[bytes, int], bytes]
"""Sends a question and gives what comes back until so many bytes have come, or time is over."""


@dataclass(frozen=True, slots=True)
class ModbusPart:
    """A part that answered: address, and the function and count of registers (from 0) that it lets read."""

    address: int
    function: int = 3
    count: int = 0


class Search:
    """Asks the parts of a line by `exchange`."""

    def __init__(self, exchange: Exchange) -> None:
        self._exchange = exchange
        self._framer = FramerRTU(DecodePDU(False))

    def parts(self) -> Iterator[ModbusPart]:
        """Every part that answers, with what it lets read."""
        for address in ADDRESSES:
            if self._asked(address, 3, 1) is not None:
                yield self._explored(address)

    def registers(self, part: ModbusPart) -> tuple[int, ...] | None:
        """The registers of a part now, None where it does not answer."""
        return self._asked(part.address, part.function, part.count) or None

    def _explored(self, address: int) -> ModbusPart:
        for count in (LOOKED_AT, 8, 4, 2, 1):
            for function in READING:
                if self._asked(address, function, count):
                    return ModbusPart(address, function, count)
        return ModbusPart(address)

    def _asked(self, address: int, function: int, count: int) -> tuple[int, ...] | None:
        """The registers; () for a refusal, None for silence."""
        question = request(self._framer, address, function, 0, count)
        heard = self._exchange(question, len(question) + 2 * count + 5)
        pdu = answer_in(heard, self._framer, address, function, 2 * count)
        if pdu is None:
            return None
        return () if pdu.function_code & 0x80 else tuple(pdu.registers)
