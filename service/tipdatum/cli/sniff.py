"""`tipdatum sniff`: listen to a port, guess format and rate, and show what comes, live."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.live import Live

from tipdatum.cli.options import Config, Exit, Json, print_json, talker
from tipdatum.cli.sniff_view import SniffView, snippet
from tipdatum.config import load_service
from tipdatum.errors import InputError
from tipdatum.validation import parse_model
from tipdatum_drivers.errors import PortError
from tipdatum_drivers.guess import USUAL_BAUDS, Guess, guess
from tipdatum_drivers.registry import find_driver
from tipdatum_drivers.serial_driver import SerialDriver, SerialOptions
from tipdatum_drivers.serial_port import open_port

LISTEN_S = 1.2
"""At each rate; a sensor that speaks once a second is heard."""
FRAMES_S = 4.0
"""Screen updates a second."""
SILENT = (
    "Is the sensor powered, are TX and RX (or A and B) connected and not swapped? Modbus sensors and CAN "
    "adapters speak only when asked: describe them in a service's file and use --config."
)
GARBLED = "Bytes come, but in no format that is known. The rate may be another: try --baud."


def sniff(
    port: Annotated[str, typer.Argument(help='Path, URL, or "usb:0403:6001" with an optional ":SERIAL".')],
    kind: Annotated[str | None, typer.Option(help="The driver, instead of a guess.")] = None,
    baud: Annotated[int | None, typer.Option(help="The rate, instead of trying the usual ones.")] = None,
    config: Config = None,
    seconds: Annotated[float | None, typer.Option(help="Stop by itself after so long.")] = None,
    as_json: Json = False,
) -> None:
    """Show live decoded readings of a port, with rate, jitter and faults."""
    console = talker(as_json=as_json)
    if config is not None:
        driver = _described(config, port)
        console.print(f"{port} as {config} describes it.")
    else:
        found, rate = _heard(console, port, kind, baud)
        if found is None or not found.complete:
            if found is not None:
                console.print(snippet(port, rate, found))
            raise typer.Exit(Exit.NO)
        driver = _driver(found.kind, _address(port) | {"baud": rate, **found.options})
        console.print(snippet(port, rate, found))
    view = SniffView(driver.sensors)
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_show(console, driver, view, seconds))
    console.print(view.table(time.monotonic()))
    if as_json:
        print_json(view.plain(time.monotonic()))


def _heard(console: Console, port: str, kind: str | None, baud: int | None) -> tuple[Guess | None, int]:
    """Listen at one rate after the other until something makes sense."""
    rates: Iterable[int] = (baud,) if baud is not None else USUAL_BAUDS
    silent = True
    for rate in rates:
        data = listen(SerialOptions.model_validate(_address(port) | {"baud": rate}), LISTEN_S)
        silent = silent and not data
        found = guess(data)
        if found is not None and kind in (None, found.kind):
            part = f" ({found.share:.0%} of {len(data)} bytes)" if found.complete else ""
            console.print(f"{rate} baud: {found.words}{part}")
            return found, rate
        heard = f"{len(data)} bytes, no format that is known" if data else "silence"
        console.print(f"{rate} baud: {heard}")
        if silent and rate == USUAL_BAUDS[2]:
            break  # a device that speaks is heard at any rate, if only as rubbish
    console.print(f"\nNothing comes from {port}. {SILENT}" if silent else f"\n{GARBLED}", soft_wrap=True)
    return None, 0


def listen(options: SerialOptions, seconds: float) -> bytes:
    """What a port tells in that time.

    Raises:
        PortError: it cannot be opened, or goes away.
    """
    heard = bytearray()
    end = time.monotonic() + seconds
    with contextlib.closing(open_port(options, 0.05)) as line:
        while time.monotonic() < end and len(heard) < 40_000:
            try:
                heard += line.read(max(1, line.in_waiting))
            except OSError as error:
                raise PortError(f"{options.port_words} has gone ({error})", retry_helps=True) from None
    return bytes(heard)


def _address(port: str) -> dict[str, Any]:
    """The options that name the port: usb:VID:PID[:SERIAL], or a path or URL."""
    if not port.startswith("usb:"):
        return {"port": port}
    vendor_product, _, serial = port.removeprefix("usb:").partition(":")[2].partition(":")
    vendor = port.removeprefix("usb:").partition(":")[0]
    named: dict[str, Any] = {"usb_id": f"{vendor}:{vendor_product}"}
    return named | ({"usb_serial": serial} if serial else {})


def _described(config: Path, port: str) -> SerialDriver:
    """The driver that a service's file describes for this port.

    Raises:
        InputError: the file has none.
    """
    for table in load_service(config).drivers:
        options = table.options
        if isinstance(options, SerialOptions) and port in (options.port, options.port_words):
            driver = find_driver(table.kind)(options)
            if isinstance(driver, SerialDriver):
                return driver
    raise InputError(f'{config}: found no [[driver]] with port = "{port}"; expected one')


def _driver(kind: str, options: dict[str, Any]) -> SerialDriver:
    cls = find_driver(kind)
    driver = cls(parse_model(cls.Options, options, "sniff"))
    if not isinstance(driver, SerialDriver):
        raise InputError(f'sniff: found driver "{kind}"; expected one of a serial line')
    return driver


async def _show(console: Console, driver: SerialDriver, view: SniffView, seconds: float | None) -> None:
    clock: Callable[[], float] = time.monotonic
    task = asyncio.create_task(driver.run(view.take, clock))
    end = None if seconds is None else clock() + seconds
    try:
        with Live(view.table(clock()), console=console, refresh_per_second=FRAMES_S, transient=True) as live:
            while end is None or clock() < end:
                await asyncio.sleep(1.0 / FRAMES_S)
                live.update(view.table(clock()))
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
