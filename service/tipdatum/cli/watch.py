"""`tipdatum watch`: what a running service publishes, in the terminal. It uses the public topics alone."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Annotated

import typer
from pydantic import SecretStr
from rich.console import Console

from tipdatum.bus.options import BrokerOptions
from tipdatum.bus.topics import ROOT
from tipdatum.cli.listener import Heard, Listener
from tipdatum.cli.live import keep_on_screen
from tipdatum.display.terminal import View


def watch(
    host: Annotated[str, typer.Option(help="The broker's address.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=1, max=65535, help="The broker's MQTT port.")] = 1883,
    machine: Annotated[str | None, typer.Option(help="Machine id; default the first one heard.")] = None,
    user: Annotated[str | None, typer.Option(help="User at the broker.")] = None,
    password_file: Annotated[
        Path | None,
        typer.Option(help="File whose first line is the password (or set TIPDATUM_BROKER_PASSWORD)."),
    ] = None,
    tls: Annotated[
        bool, typer.Option("--tls", help="Speak TLS with the broker (usually port 8883).")
    ] = False,
    ca: Annotated[
        Path | None, typer.Option(help="Certificates to trust, PEM; default this computer's. Means --tls.")
    ] = None,
    topic_root: Annotated[str, typer.Option(help="First part of the topics.")] = ROOT,
    lines: Annotated[
        bool, typer.Option("--lines", help="Print one line a second instead of drawing.")
    ] = False,
) -> None:
    """Show the live figures of a running service."""
    password = BrokerOptions(password_file=password_file).password(file="--password-file")
    watch_until(
        lambda: False,
        host,
        port,
        machine=machine,
        user=user,
        password=password,
        tls=tls or ca is not None,
        ca=ca,
        topic_root=topic_root,
        lines=lines,
    )


def watch_until(
    done: Callable[[], bool],
    host: str,
    port: int,
    *,
    machine: str | None = None,
    user: str | None = None,
    password: SecretStr | None = None,
    tls: bool = False,
    ca: Path | None = None,
    topic_root: str = ROOT,
    lines: bool = False,
) -> None:
    """Show live figures in this thread until `done` says so (asked before every frame) or Ctrl-C comes.

    Raises:
        PortError: the broker cannot be reached to begin with, or refuses.
    """
    view = View(machine, topic_root)
    topics = f"{topic_root}/{machine or '+'}/#"
    with closing(Listener(host, port, topics, user, password, tls=tls, ca=ca)) as listener:

        def update(_now: float) -> bool:
            for item in listener.take():
                if isinstance(item, Heard):
                    view.apply(item.topic, item.payload, item.at)
                else:
                    view.link(item.up, item.text)
            return not done()

        keep_on_screen(view, Console(), update, lines=lines)
