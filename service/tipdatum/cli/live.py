"""Keeps a `View` on the screen until somebody ends it; `watch` and `demo` share it."""

from __future__ import annotations

import time
from collections.abc import Callable

from rich.console import Console
from rich.live import Live

from tipdatum.display.terminal import View

FRAMES_A_SECOND = 12
"""What an eye follows; more would only heat a small computer."""
LINES_EVERY_S = 1.0
FIRST_AFTER_S = 0.3
"""For the retained messages and the first figure, so that the first line already says something."""


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
