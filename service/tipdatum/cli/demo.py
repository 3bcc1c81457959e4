"""`tipdatum demo`: the whole line with one command."""

from __future__ import annotations

import asyncio
import io
import os
import sys
import threading
import webbrowser
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console, Group, RenderableType
from rich.text import Text

from tipdatum.bus.topics import ROOT
from tipdatum.cli.listener import Listener
from tipdatum.cli.options import OwnPort, ReadersLanguage, input_file, speech_for
from tipdatum.cli.watch import keep_on_screen, show_heard
from tipdatum.config import DriverTable, Service, load_service
from tipdatum.display.terminal import View
from tipdatum.display.texts import Speech, speech
from tipdatum.errors import PortError
from tipdatum.machine.description import parse_machine
from tipdatum.run.log_lines import configure
from tipdatum.run.shell import Ready, Shell
from tipdatum.shipped import shipped
from tipdatum_drivers.replay import ReplayOptions
from tipdatum_drivers.session_file import SessionFile

TALL_FROM_ROWS, LOW_FROM_ROWS = 24, 16
"""Rows of the live view that the whole introduction leaves, and that its short form leaves at the least."""


def demo(
    session: Annotated[
        Path | None, input_file("A session file to show instead of the shipped dig; - is standard input.")
    ] = None,
    view: Annotated[bool, typer.Option(help="Show the live view in the terminal.")] = True,
    browser: Annotated[bool, typer.Option(help="Open the page where there is a screen.")] = True,
    port: OwnPort = None,
    language: ReadersLanguage = "en",
) -> None:
    """Show the whole line at work until Ctrl-C: broker, service, a recorded dig, a live view."""
    say = speech_for(language)
    service = demo_service(session, port)
    # The live view owns the terminal; without it the log has room.
    configure(stream=io.StringIO() if view else sys.stderr)
    over, restored = threading.Event(), threading.Event()

    def ready(where: Ready) -> None:
        for line in introduction(where, say):
            typer.echo(line)
        if browser and where.page_url and _has_screen():
            webbrowser.open(f"{where.page_url}?language={say.language}")
        if view:
            restored.clear()
            arguments = (where, over, restored, say)
            threading.Thread(target=_show, args=arguments, name="demo-view", daemon=True).start()

    restored.set()
    try:
        asyncio.run(Shell(service, remember=False, on_ready=ready).run())
    finally:
        over.set()
        # The terminal has to be as it was; that the view leaves the broker politely is not worth a wait.
        restored.wait(2.0)


def demo_service(session: Path | None, port: int | None) -> Service:
    """The shipped demonstration, or the same over another recording and its own machine.

    Raises:
        SessionError, ConfigError: the recording or its machine description cannot be used.
    """
    service = load_service(shipped("config", "services", "demo.toml"))
    if port is not None:
        embedded = service.broker.embedded.model_copy(update={"port": port})
        service = replace(service, broker=service.broker.model_copy(update={"embedded": embedded}))
    if session is None:
        return service
    header = SessionFile(session).header
    return replace(
        service,
        machine=parse_machine(header.machine, f"{session}, machine of the header"),
        drivers=(DriverTable("replay", ReplayOptions(file=session, loop=True)),),
    )


def introduction(where: Ready, say: Speech) -> list[str]:
    """What a person needs to look at the demonstration from outside."""
    topics, port = where.topics.base, where.broker_port
    return [
        say("demo.what"),
        say("demo.advice"),
        _labelled(say("demo.broker"), f"{where.broker_host}:{port} (MQTT), {say('demo.topics')} {topics}/#"),
        _labelled(say("demo.read"), f"mosquitto_sub -p {port} -t '{topics}/#' -v"),
        set_line(where, say),
        *page_line(where, say),
    ]


def _labelled(label: str, text: str) -> str:
    return f"  {label:7} {text}"


def page_line(where: Ready, say: Speech) -> list[str]:
    """Where the page is, in this reader's language; nothing without one."""
    if not where.page_url:
        return []
    chosen = "" if say.language == speech().language else f"?language={say.language}"
    return [_labelled(say("demo.page"), f"{where.page_url}{chosen}")]


def set_line(where: Ready, say: Speech) -> str:
    """How to set the reference from another terminal: short enough to be copied from 80 columns."""
    root = "" if where.topics.root == ROOT else f" --topic-root {where.topics.root}"
    command = f"tipdatum send datum/set elevation_m=101.25 --port {where.broker_port}{root}"
    return _labelled(say("demo.set"), command)


class _Introduced(View):
    """The live view with the introduction above it; on a low terminal only what one needs to try it."""

    def __init__(self, where: Ready, say: Speech | None = None) -> None:
        super().__init__(where.machine_id, where.topics.root, say or speech())
        self._lines = introduction(where, self.say)
        self._short = [set_line(where, self.say), *page_line(where, self.say)]

    def render(self, width: int, height: int, now: float) -> RenderableType:
        lines = self._lines if height - len(self._lines) >= TALL_FROM_ROWS else self._short
        if height - len(lines) < LOW_FROM_ROWS:
            return super().render(width, height, now)
        text = Text("\n".join(lines), no_wrap=True, overflow="ellipsis")
        return Group(text, super().render(width, height - len(lines), now))


def _show(where: Ready, over: threading.Event, restored: threading.Event, say: Speech) -> None:
    """Draw until the demonstration is over; an ordinary client of the public topics.

    Args:
        restored: set once the terminal is as it was.
    """
    view = _Introduced(where, say)
    try:
        listener = Listener(where.broker_host, where.broker_port, f"{where.topics.base}/#", None, None)
    except PortError as error:
        typer.echo(f"the live view cannot listen: {error}", err=True)
        restored.set()
        return

    def update(_now: float) -> bool:
        show_heard(view, listener)
        return not over.is_set()

    try:
        keep_on_screen(view, Console(), update)
    finally:
        restored.set()
        listener.close()


def _has_screen() -> bool:
    """Whether a browser window can appear; a text browser would fight the live view for the terminal."""
    if sys.platform in ("darwin", "win32"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))
