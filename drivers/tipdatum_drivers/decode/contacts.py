"""Switches on the modem-control pins of a serial port: no converter, no protocol, two wires a switch.

Nothing is read from the data lines. The port's thread looks at the pins and passes their state on as one
byte, at every change and ten times a second::

    bit   4     5     6     7
    pin   CTS   DSR   RI    DCD        as in the modem status register of the usual UART

On USB adapters with TTL pins a pin is on while it is low (joined to ground), on RS-232 while it is above
+3 V.
Sources: 16550 UART data sheet for the bits, ITU-T V.24 and V.28 for pins and levels (from memory).
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, ClassVar, Literal, cast

from pydantic import Field

from tipdatum_drivers.errors import PortError
from tipdatum_drivers.options import Options
from tipdatum_drivers.reading import Fault, Input, Reading
from tipdatum_drivers.serial_driver import SerialDriver
from tipdatum_drivers.serial_port import SerialOptions

if TYPE_CHECKING:
    import serial

LOOK_S = 0.005
"""Between two looks at the pins."""
AGAIN_S = 0.1
"""After which an unchanged state is told again."""
_BITS = {"cts": 0x10, "dsr": 0x20, "ri": 0x40, "dcd": 0x80}


class PinInput(Options):
    """A switch on one pin."""

    pin: Literal["cts", "dsr", "ri", "dcd"]
    invert: bool = False


class ContactsOptions(SerialOptions):
    """`kind = "contacts"`: switches on the modem-control pins of a serial port."""

    input: Annotated[dict[str, PinInput], Field(min_length=1)]


class ContactsDecoder:
    """States of one port's pins, a byte each."""

    poll_s = LOOK_S
    asks: ClassVar[bool] = False

    def __init__(self, options: ContactsOptions) -> None:
        self._inputs = [(name, _BITS[one.pin], one.invert) for name, one in options.input.items()]

    def feed(self, data: bytes, t: float) -> list[Reading | Fault]:
        return [
            Input(t, name, bool(state & bit) != invert)
            for state in data
            for name, bit, invert in self._inputs
        ]

    def poll(self, t: float) -> tuple[bytes, list[Reading | Fault]]:
        del t
        return b"", []


class ContactsDriver(SerialDriver):
    """Switches on the pins of a port."""

    Options = ContactsOptions
    usual_bauds = ()

    def decoder(self) -> ContactsDecoder:
        return ContactsDecoder(cast("ContactsOptions", self.options))

    def reads(self, port: serial.SerialBase, timeout_s: float) -> Callable[[], bytes]:
        """A function that waits for `timeout_s` and returns the state of the pins where it is to be told."""
        told, told_at = -1, float("-inf")
        try:
            pins(port)
        except OSError:
            raise PortError(f"{self.line} has no modem-control pins", retry_helps=False) from None

        def look() -> bytes:
            nonlocal told, told_at
            time.sleep(timeout_s)
            state, now = pins(port), time.monotonic()
            if state == told and now - told_at < AGAIN_S:
                return b""
            told, told_at = state, now
            return bytes((state,))

        return look


def pins(port: serial.SerialBase) -> int:
    """The state of the pins as the bits of the modem status register.

    Raises:
        OSError: the port has gone, or has none.
    """
    on = {"cts": port.cts, "dsr": port.dsr, "ri": port.ri, "dcd": port.cd}
    return sum(_BITS[name] for name, state in on.items() if state)
