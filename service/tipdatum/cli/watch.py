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
from tipdatum.cli.send import Ca, Host, PasswordFile, Port, Tls, TopicRoot, User
from tipdatum.display.terminal import View


def watch(
    host: Host = "127.0.0.1",
    port: Port = 1883,
    machine: Annotated[str | None, typer.Option(help="Machine id; default the first one heard.")] = None,
    user: User = None,
    password_file: PasswordFile = None,
    tls: Tls = False,
    ca: Ca = None,
    topic_root: TopicRoot = ROOT,
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
