"""Finding and opening serial ports, with errors that say what to do.

A port is named by its path (best a stable one: `/dev/serial/by-id/…`, or a link made by a udev rule), by a
URL of pyserial (`socket://host:port`), or by what its USB adapter tells: vendor:product id, serial number.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field, model_validator

from tipdatum_drivers.errors import PortError
from tipdatum_drivers.options import Misfit, Options

if TYPE_CHECKING:
    import serial

WRITE_TIMEOUT_S = 0.5
"""A port that takes no bytes for this long has lost its other end."""

MOST_BYTES = 4096
"""Taken at once; what a system's buffer for a serial line holds."""

_PARITY = {"none": "N", "even": "E", "odd": "O"}


class SerialOptions(Options):
    """The port of a serial driver; drivers add their own keys."""

    port: str | None = None
    """Path or URL, such as "/dev/serial/by-id/usb-…" or "socket://192.168.1.5:4001"."""
    usb_id: Annotated[str, Field(pattern=r"^[0-9a-fA-F]{4}:[0-9a-fA-F]{4}$")] | None = None
    """Vendor and product id of the USB adapter, such as "0403:6001", instead of `port`."""
    usb_serial: str | None = None
    """Serial number of the USB adapter, alone or beside `usb_id`."""
    baud: Annotated[int, Field(ge=300, le=4_000_000)] = 115200
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    rs485: bool = False
    """The UART switches the direction of a half-duplex line by RTS; most adapters do it by themselves."""
    silent_after_s: Annotated[float, Field(ge=0, le=3600)] = 2.0
    """Silence after which the line is said to be silent; 0: never, for a device that speaks when it likes."""

    @model_validator(mode="after")
    def _one_port(self) -> SerialOptions:
        by_usb = self.usb_id is not None or self.usb_serial is not None
        if by_usb == (self.port is not None):
            found = "port and usb_id or usb_serial" if by_usb else "nothing"
            raise Misfit("port", found, "port, or usb_id and/or usb_serial instead")
        return self

    def line_of(self, sensors: Iterable[str]) -> str:
        """Whose fault it is where nobody can tell whose: that of the one sensor, or of the line."""
        names = list(sensors)
        return names[0] if len(names) == 1 else self.port_words

    @property
    def port_words(self) -> str:
        """The port as a person would call it."""
        if self.port is not None:
            return self.port
        return " ".join(["USB", *filter(None, (self.usb_id, self.usb_serial))])


def find_port(options: SerialOptions) -> str:
    """Path or URL of the port that `options` name.

    Raises:
        PortError: no USB adapter fits, or more than one does.
    """
    if options.port is not None:
        return options.port
    from serial.tools import list_ports

    fitting = []
    seen = []
    for info in list_ports.comports():
        if info.vid is None:
            continue
        usb_id = f"{info.vid:04x}:{info.pid:04x}"
        seen.append(f"{usb_id} {info.serial_number or ''}".strip())
        fits_id = options.usb_id is None or options.usb_id.lower() == usb_id
        if fits_id and (options.usb_serial is None or options.usb_serial == info.serial_number):
            fitting.append(info.device)
    if not fitting:
        connected = ", ".join(seen) or "none"
        raise PortError(f"{options.port_words} is not connected (connected: {connected})", retry_helps=True)
    if len(fitting) > 1:
        raise PortError(
            f"{options.port_words} fits {' and '.join(fitting)}: add usb_serial, or name the port",
            retry_helps=False,
        )
    return str(fitting[0])


def open_port(options: SerialOptions, timeout_s: float) -> serial.SerialBase:
    """The port, open, for this process alone; reads wait for `timeout_s` at most.

    Raises:
        PortError: it cannot be opened; the message says why and `retry_helps` whether to wait for it.
    """
    import serial

    name = find_port(options)
    settings: dict[str, Any] = {
        "baudrate": options.baud,
        "parity": _PARITY[options.parity],
        "stopbits": options.stop_bits,
        "timeout": timeout_s,
        "write_timeout": WRITE_TIMEOUT_S,
    }
    if "://" not in name:
        settings["exclusive"] = True
    elif name.startswith("rfc2217:"):
        del settings["write_timeout"]  # pyserial's client of a terminal server has none, and refuses it
    try:
        port = serial.serial_for_url(name, **settings)
        if options.rs485:
            from serial.rs485 import RS485Settings

            port.rs485_mode = RS485Settings()
    except (OSError, ValueError) as error:
        # SerialException is an OSError; pyserial keeps the number where there is one.
        raise _explained(name, error) from None
    except Exception as error:
        if type(error).__module__ != "termios":  # the system's own refusal of a setting, which is no OSError
            raise
        wanted = f"{options.baud} baud, parity {options.parity}"
        raise PortError(f"{name} cannot be set to {wanted}: {error.args[-1]}", retry_helps=False) from None
    # USB adapters hold bytes back for 16 ms unless told otherwise; where that is not offered, so be it.
    with contextlib.suppress(OSError, ValueError, AttributeError, NotImplementedError):
        port.set_low_latency_mode(True)
    return port


def reader(port: serial.SerialBase, timeout_s: float) -> Callable[[], bytes]:
    """A function that waits for `timeout_s` at most and returns all that has come, b"" for nothing.

    It speaks to the system itself where it can, which takes two calls where the library takes five. It raises
    OSError when the port has gone.
    """
    try:
        number, waiting = port.fileno(), select.poll()
    except (OSError, AttributeError):  # a line that is no file of the system, or a system without poll
        return lambda: _read_by_library(port)
    waiting.register(number, select.POLLIN)
    timeout_ms = max(1, round(timeout_s * 1000.0))
    wait, take = waiting.poll, os.read

    def read() -> bytes:
        if not wait(timeout_ms):
            return b""
        try:
            data = take(number, MOST_BYTES)
        except BlockingIOError:
            return b""
        if not data:
            raise OSError
        return data

    return read


def _read_by_library(port: serial.SerialBase) -> bytes:
    data = port.read(1)
    if data and (more := port.in_waiting):
        data += port.read(more)
    return bytes(data)


def _explained(name: str, error: OSError | ValueError) -> PortError:
    number = getattr(error, "errno", None) or _number(error.__context__)
    if number == errno.ENOENT or isinstance(error, FileNotFoundError):
        return PortError(f"{name} is not there: unplugged, or another name?", retry_helps=True)
    if number in (errno.EACCES, errno.EPERM):
        return PortError(
            f"no permission for {name}: add the user to the group dialout (usermod -aG dialout NAME)",
            retry_helps=False,
        )
    if number in (errno.EAGAIN, errno.EBUSY) or "lock" in str(error).lower():
        return PortError(f"{name} is in use by another program", retry_helps=True)
    if number == errno.ENOTTY:
        return PortError(f"{name} is no serial port", retry_helps=False)
    if isinstance(error, ValueError):
        return PortError(f"{name} cannot be set up: {error}", retry_helps=False)
    reason = error.strerror or str(error)
    return PortError(f"{name} cannot be opened: {reason}", retry_helps=True)


def _number(cause: BaseException | None) -> int | None:
    """The system's error number in what pyserial caught; termios' errors carry it as their first argument."""
    number = cause.args[0] if cause is not None and cause.args else None
    return number if isinstance(number, int) else None
