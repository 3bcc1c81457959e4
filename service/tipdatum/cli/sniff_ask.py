"""`tipdatum sniff --ask`: lines that are silent until they are spoken to. What is sent is said before."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from dataclasses import replace
from enum import StrEnum
from itertools import product
from typing import Any

import serial
import tomlkit
from rich.console import Console
from rich.table import Table

from tipdatum_drivers.decode.slcan import BITRATES
from tipdatum_drivers.errors import PortError
from tipdatum_drivers.guess import Guess, guess
from tipdatum_drivers.modbus_search import ADDRESSES, ANSWER_WITHIN_S, PARITIES, RATES, ModbusPart, Search
from tipdatum_drivers.registry import find_driver
from tipdatum_drivers.serial_driver import SerialOptions
from tipdatum_drivers.serial_port import open_port

OBSERVED_S = 4.0
"""How long the registers that were found are watched where nothing else is said."""
LISTEN_S = 1.2
USUAL_CAN_KBPS = (250, 500, 125, 1000, 100, 50, 20, 10, 800)
ADAPTER_ANSWERS_S = 0.3
_OWN_LINE = "Only on a line of your own, never on the machine's."


class Ask(StrEnum):
    """What a silent line may be asked for."""

    modbus = "modbus"
    can = "can"


def ask_modbus(
    console: Console, address: dict[str, Any], baud: int | None, parity: str | None, seconds: float | None
) -> list[dict[str, Any]]:
    """Look for parts, show their registers, and print the table to complete; gives what was found."""
    rates, parities = (baud,) if baud else RATES, (parity,) if parity else PARITIES
    console.print(
        "This SENDS: Modbus requests to read a register (functions 3 and 4, which change nothing), to "
        f"addresses {ADDRESSES[0]} to {ADDRESSES[-1]} at {', '.join(map(str, rates))} baud, parity "
        f"{' and '.join(parities)}. {_OWN_LINE}",
        soft_wrap=True,
    )
    for rate, kind in product(rates, parities):
        settings = address | {"baud": rate, "parity": kind}
        try:
            with _exchanging(settings) as search:
                parts = list(search.parts())
                found = ", ".join(f"address {part.address}" for part in parts) or "no answer"
                console.print(f"{rate} baud, parity {kind}: {found}")
                seen = _observed(search, parts, OBSERVED_S if seconds is None else seconds) if parts else {}
        except PortError as error:
            if error.retry_helps or "cannot be set" not in str(error):
                raise
            console.print(f"{rate} baud, parity {kind}: {error}", soft_wrap=True)
            continue
        if parts:
            console.print(_registers(seen))
            console.print(_modbus_table(settings, parts), markup=False, highlight=False)
            return [_plain(settings, part, seen[part]) for part in parts]
    console.print(
        "\nNobody answers. Are the parts powered, A and B not swapped, the ground wire there? Other "
        "addresses, odd parity and other rates are not asked for; the data sheet tells them.",
        soft_wrap=True,
    )
    return []


@contextlib.contextmanager
def _exchanging(settings: dict[str, Any]) -> Iterator[Search]:
    options = SerialOptions.model_validate(settings)
    char_s = (10 + (options.parity != "none")) / options.baud

    def exchange(question: bytes, longest: int) -> bytes:
        heard = bytearray()
        try:
            line.reset_input_buffer()
            line.write(question)
            end = time.monotonic() + (len(question) + longest) * char_s + ANSWER_WITHIN_S
            while (now := time.monotonic()) < end and len(heard) < longest:
                heard += line.read(max(1, line.in_waiting))
                if heard and time.monotonic() - now > 2 * LINE_WAIT_S:
                    break
        except OSError as error:
            raise PortError(f"{options.port_words} has gone ({error})", retry_helps=True) from None
        return bytes(heard)

    with contextlib.closing(open_port(options, LINE_WAIT_S)) as line:
        yield Search(exchange)


LINE_WAIT_S = 0.02

Seen = dict[ModbusPart, list[tuple[int, ...]]]


def _observed(search: Search, parts: list[ModbusPart], seconds: float) -> Seen:
    """The registers of all parts again and again for so long."""
    seen: Seen = {part: [] for part in parts}
    end = time.monotonic() + seconds
    while True:
        for part, values in seen.items():
            if part.count and (now := search.registers(part)) is not None:
                values.append(now)
        if time.monotonic() >= end:
            return seen


def _registers(seen: Seen) -> Table:
    table = Table(box=None, pad_edge=False)
    for heading in ("address", "function", "register", "value", "as signed", "moved by"):
        table.add_column(heading, justify="right")
    for part, values in seen.items():
        if not values:
            table.add_row(str(part.address), "", "", "answers,", "refuses registers", "from 0")
        for register, column in enumerate(zip(*values, strict=True)):
            signed = [value - 65536 if value > 32767 else value for value in column]
            cells = (part.address, part.function, register, column[-1], signed[-1], max(signed) - min(signed))
            table.add_row(*map(str, cells))
    return table


def _modbus_table(settings: dict[str, Any], parts: list[ModbusPart]) -> str:
    text = tomlkit.dumps({"driver": [{"kind": "modbus-rtu", **settings}]})
    for part in parts:
        text += (
            f'\n[driver.sensor."address {part.address}"]  # its name in the machine file\n'
            f"address = {part.address}\nfunction = {part.function}\n"
            "# pitch = 0       # registers, from the data sheet; turn it, ask again: what moved is it\n"
            "# roll = 1        # or angle = …, or accel = […] and gyro = […]\n"
            '# type = "int16"  # or uint16, int32, uint32, float32\n'
            "# scale = 0.01    # degrees of one count\n"
        )
    return f"\nFor a service's file (complete it; all keys are in config/services/lines.toml):\n\n{text}"


def _plain(settings: dict[str, Any], part: ModbusPart, values: list[tuple[int, ...]]) -> dict[str, Any]:
    return {
        "kind": "modbus-rtu",
        **settings,
        "address": part.address,
        "function": part.function,
        "registers": list(values[-1]) if values else None,
    }


def ask_can(console: Console, address: dict[str, Any], baud: int | None) -> tuple[Guess | None, int]:
    """Open an SLCAN adapter to listen only, at one bit rate after the other, until something is heard.

    Returns:
        the guess with its bit rate, and the rate of the adapter's port.
    """
    console.print(
        "This SENDS to the adapter: its commands to set a bit rate and to listen only (C, S, L). Nothing "
        f"goes out on the bus. {_OWN_LINE}",
        soft_wrap=True,
    )
    for rate in (baud,) if baud else tuple(find_driver("slcan").usual_bauds):
        options = SerialOptions.model_validate(address | {"baud": rate})
        with contextlib.closing(open_port(options, 0.05)) as line:
            line.write(b"\r\r\rC\rV\r")
            if not _come(line, ADAPTER_ANSWERS_S):
                console.print(f"{rate} baud: no adapter answers")
                continue
            for kbps in USUAL_CAN_KBPS:
                line.write(f"C\rS{BITRATES[kbps]}\rL\r".encode())
                made = guess(_come(line, LISTEN_S))
                found = made if made is not None and made.kind == "slcan" else None
                console.print(f"CAN at {kbps} kbit/s: {found.words if found else 'silence'}")
                if found is not None:
                    line.write(b"C\r")
                    known = {**found.options, "bitrate_kbps": kbps, "listen_only": True}
                    return replace(found, options=known), rate
            line.write(b"C\r")
    console.print(
        "\nNothing is heard. Is the bus powered, and 60 Ω between its wires without power? A part in its "
        "pre-operational state sends nothing: its own software, or a bus master, starts it.",
        soft_wrap=True,
    )
    return None, 0


def _come(line: serial.SerialBase, seconds: float) -> bytes:
    """What comes in that time."""
    heard = bytearray()
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        try:
            heard += line.read(max(1, line.in_waiting))
        except OSError as error:
            raise PortError(f"the port has gone ({error})", retry_helps=True) from None
    return bytes(heard)
