"""`tipdatum watch`: what a running service publishes, in the terminal. It uses the public topics alone."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from contextlib import closing
from typing import Annotated

import typer
from rich.console import Console
from rich.live import Live

from tipdatum.bus.topics import Topics
from tipdatum.cli.listener import Heard, Listener
from tipdatum.cli.options import Access, Json, ReadersLanguage, speech_for, with_access
from tipdatum.display.terminal import View

FRAMES_A_SECOND = 12
"""What an eye follows; more would only heat a small computer."""
LINES_EVERY_S = 1.0
FIRST_AFTER_S = 0.3
"""For the retained messages and the first figure, so that the first line already says something."""
LOOK_EVERY_S = 0.02


@with_access
def watch(
    access: Access,
    lines: Annotated[
        bool, typer.Option("--lines", help="Print one line a second instead of drawing.")
    ] = False,
    as_json: Json = False,
    language: ReadersLanguage = "en",
) -> None:
    """Show the live figures of a running service; with --json every tip message, one a line."""
    if as_json:
        _print_tips(access)
        return
    view = View(access.machine_id, access.topic_root, speech_for(language))
    with closing(access.listen(f"{access.topic_root}/{access.machine_id or '+'}/#")) as listener:

        def update(_now: float) -> bool:
            show_heard(view, listener)
            return True

        keep_on_screen(view, Console(), update, lines=lines)


def show_heard(view: View, listener: Listener) -> None:
    """Let the view take in what has come."""
    for item in listener.take():
        if isinstance(item, Heard):
            view.apply(item.topic, item.payload, item.at)
        else:
            view.link(item.up, item.text)


def _print_tips(access: Access) -> None:
    topic = Topics(access.machine_id or "+", access.topic_root).of("tip")
    with closing(access.listen(topic)) as listener:
        try:
            while True:
                for item in listener.take():
                    if isinstance(item, Heard):
                        sys.stdout.write(item.payload.decode("utf-8", "replace") + "\n")
                sys.stdout.flush()
                time.sleep(LOOK_EVERY_S)
        except KeyboardInterrupt:
            return


def can_draw(console: Console) -> bool:
    """Whether the terminal takes a live picture in braille and block characters."""
    return console.is_terminal and not console.is_dumb_terminal and "utf" in console.encoding.lower()


def keep_on_screen(
    view: View, console: Console, update: Callable[[float], bool], *, lines: bool = False
) -> None:
    """Draw until `update` returns False or Ctrl-C comes, which ends it quietly.

    Args:
        update: called before every frame with the time on the clock that the view is drawn with; hands new
            messages to the view.
        lines: print one line a second instead of drawing, as is done where the terminal cannot draw.
    """
    try:
        if lines or not can_draw(console):
            time.sleep(FIRST_AFTER_S)
            while update(now := time.monotonic()):
                console.print(view.line(now), highlight=False, markup=False, soft_wrap=True)
                time.sleep(LINES_EVERY_S)
            return
        with Live(console=console, screen=True, auto_refresh=False) as live:
            while update(now := time.monotonic()):
                width, height = console.size
                live.update(view.render(width, height, now), refresh=True)
                time.sleep(1.0 / FRAMES_A_SECOND)
    except KeyboardInterrupt:
        return
