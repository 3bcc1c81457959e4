"""`tipdatum demo`: the whole line with one command."""

from __future__ import annotations

import asyncio
import os
import sys
import tempfile
import threading
import webbrowser
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from tipdatum import logs
from tipdatum.cli.watch import watch_until
from tipdatum.config import load_service
from tipdatum.shell import Ready, Shell
from tipdatum.shipped import shipped
from tipdatum_drivers.replay import ReplayOptions

CAUTION = "Advisory figures, no safety device. A recorded dig of an invented machine is shown, again and again."


def demo(
    session: Annotated[Path | None, typer.Argument(help="Session file to show instead of the shipped dig.")] = None,
    view: Annotated[bool, typer.Option(help="Show the live view in the terminal.")] = True,
    browser: Annotated[bool, typer.Option(help="Open the page in a browser.")] = True,
) -> None:
    """Show the whole line at work until Ctrl-C."""
    logs.configure(stream=sys.stderr if not view else Path(os.devnull).open("w"))
    service = load_service(shipped("config", "services", "demo.toml"))
