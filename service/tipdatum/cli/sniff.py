"""`tipdatum sniff`: listen to a port, guess format and rate, and show what comes, live."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.live import Live

from tipdatum.cli import Exit
from tipdatum.cli.options import Config, Json, offering, print_json, talker
from tipdatum.cli.sniff_ask import LISTEN_S, Ask, ask_can, ask_modbus
from tipdatum.cli.sniff_view import SniffView, snippet
from tipdatum.config import load_service
from tipdatum.errors import InputError
from tipdatum.sentences import counted
from tipdatum.validation import parse_model
from tipdatum_drivers.errors import PortError
from tipdatum_drivers.guess import USUAL_BAUDS, Guess, guess
from tipdatum_drivers.registry import BUILT_IN, find_driver, plugins
from tipdatum_drivers.serial_driver import SerialDriver, SerialOptions
from tipdatum_drivers.serial_port import open_port

TRIED_IN_SILENCE = 3
"""Rates, after which a line on which nothing comes is called silent."""
FRAMES_S = 4.0
"""Screen updates a second."""
LINES_S = 1.0
"""Time between two rounds of lines where the output is no terminal."""
WHOLE = 0.95
"""Part that must be intact before the line counts as undamaged; the first and last frame may be cut."""
SILENT = (
    "Is the sensor powered, are TX and RX (or A and B) connected and not swapped? Modbus parts and CAN "
    "adapters speak only when asked: --ask modbus, --ask can."
)
GARBLED = "Bytes come, but in no format that is known. The rate may be another: try --baud, or --parity even."
DAMAGED = (
    "The rest is damaged: look at the rate, the ground wire, termination and supply, and at what runs beside "
    "the cable."
)


def sniff(
    port: Annotated[str, typer.Argument(help='Path, URL, or "usb:0403:6001" with an optional ":SERIAL".')],
    kind: Annotated[
        str | None,
        typer.Option(help="The driver, instead of a guess.", autocompletion=offering(lambda: BUILT_IN)),
    ] = None,
    baud: Annotated[int | None, typer.Option(help="The rate, instead of trying the usual ones.")] = None,
    parity: Annotated[str | None, typer.Option(help="none, even or odd.")] = None,
    ask: Annotated[
        Ask | None,
        typer.Option(
            help="Speak to a line that is silent by nature: modbus sends reading requests to addresses 1 to "
            "16, can sets a CAN adapter to listen only. It says what it sends before it does."
        ),
    ] = None,
    config: Config = None,
    seconds: Annotated[float | None, typer.Option(help="Stop by itself after so long.")] = None,
    as_json: Json = False,
) -> None:
    """Show live decoded readings of a port, with rate, jitter and faults."""
    # What is sent is said in any case.
    console = (
        Console(stderr=True, highlight=False, markup=False) if as_json and ask else talker(as_json=as_json)
    )
    address = _address(port) | ({"parity": parity} if parity else {})
    if ask is Ask.modbus:
        parts = ask_modbus(console, _address(port), baud, parity, seconds)
        if as_json:
            print_json(parts)
        if not parts:
            raise typer.Exit(Exit.NO)
        return
    if config is not None:
        driver = _described(config, port)
        console.print(f"{port} as {config} describes it.")
    else:
        found, rate = ask_can(console, address, baud) if ask else _heard(console, port, address, kind, baud)
        if found is None or not found.complete:
            if found is not None:
                console.print(snippet(address, rate, found), markup=False, highlight=False)
            raise typer.Exit(Exit.NO)
        driver = _driver(found.kind, address | {"baud": rate, **found.options})
        console.print(snippet(address, rate, found), markup=False, highlight=False)
    view = SniffView(driver.sensors)
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_show(console, driver, view, seconds))
    console.print(view.table(time.monotonic()))
    if as_json:
        print_json(view.plain(time.monotonic()))


def _heard(
    console: Console, port: str, address: dict[str, Any], kind: str | None, baud: int | None
) -> tuple[Guess | None, int]:
    """Listen at one rate after the other until something makes sense."""
    others = plugins()
    rates = dict.fromkeys((*USUAL_BAUDS, *(rate for other in others for rate in other.usual_bauds)))
    if kind is not None:
        rates = dict.fromkeys((*find_driver(kind, "sniff", "--kind").usual_bauds, *rates))
    silent = True
    rubbish = 0
    for number, rate in enumerate((baud,) if baud is not None else rates, 1):
        data = listen(SerialOptions.model_validate(address | {"baud": rate}), LISTEN_S)
        silent, rubbish = silent and not data, rubbish or (rate if data else 0)
        found = guess(data, [other.recognise for other in others])
        if found is not None and kind in (None, found.kind):
            console.print(f"{rate} baud: {found.words} ({found.share:.0%} of what came is intact)")
            if found.proven and found.share < WHOLE:
                console.print(DAMAGED, soft_wrap=True)
            return found, rate
        heard = f"{counted(len(data), 'byte')}, no format that is known" if data else "silence"
        console.print(f"{rate} baud: {heard}")
        if silent and number == TRIED_IN_SILENCE:
            break  # a device that speaks is heard at any rate, if only as rubbish
    if kind is not None and not silent:
        return _as_told(console, kind, address, baud or rubbish), baud or rubbish
    console.print(f"\nNothing comes from {port}. {SILENT}" if silent else f"\n{GARBLED}", soft_wrap=True)
    return None, 0


def _as_told(console: Console, kind: str, address: dict[str, Any], rate: int) -> Guess | None:
    """The driver that a person named, with what every driver of a line may be content with."""
    for options in ({}, {"sensor": "device"}):
        with contextlib.suppress(InputError, ValueError):
            _driver(kind, address | {"baud": rate, **options})
            return Guess(kind, 0.0, f"read as {kind}", dict(options))
    console.print(
        f"\nThe driver {kind} does not recognise what comes, and needs more keys than a port: describe it in "
        "a service's file and use --config.",
        soft_wrap=True,
    )
    return None


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
    start = clock()
    try:
        if not console.is_terminal:
            while end is None or clock() < end:
                await asyncio.sleep(LINES_S if end is None else max(0.05, min(LINES_S, end - clock())))
                for line in view.lines(clock()):
                    console.print(
                        f"{clock() - start:6.1f} s  {line}", soft_wrap=True, markup=False, highlight=False
                    )
            return
        with Live(view.table(clock()), console=console, refresh_per_second=FRAMES_S, transient=True) as live:
            while end is None or clock() < end:
                await asyncio.sleep(1.0 / FRAMES_S)
                live.update(view.table(clock()))
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
