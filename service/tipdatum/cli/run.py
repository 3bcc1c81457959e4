"""`tipdatum run`: the service that a file describes."""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import sys
from pathlib import Path
from typing import Annotated

import typer

from tipdatum.config import load_service
from tipdatum.run.log_lines import configure
from tipdatum.run.shell import Shell

M_ARENA_MAX = -8
"""Of malloc.h in glibc; see mallopt(3)."""


def run(
    config: Annotated[Path, typer.Argument(help="The service's file (TOML).")],
    record: Annotated[
        Path | None, typer.Option(help="Record the session to this file (.ndjson, .ndjson.gz) or folder.")
    ] = None,
    until_end: Annotated[
        bool,
        typer.Option("--until-end", help="Stop when every driver has come to its end, as recordings do."),
    ] = False,
    json_logs: Annotated[bool, typer.Option("--json-logs", help="Log JSON lines instead of text.")] = False,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Log more.")] = False,
) -> None:
    """Run the service until it is stopped (Ctrl-C or SIGTERM)."""
    one_heap()
    configure(json_lines=json_logs, verbose=verbose)
    asyncio.run(Shell(load_service(config), record=record, until_end=until_end).run())


def one_heap() -> None:
    """Have all threads share one heap, where glibc would give each its own.

    It does so for programs whose threads allocate side by side. Ours take turns for the interpreter anyway,
    and what each leaves unused of a heap of its own is memory lost.
    """
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):  # another library of C
            ctypes.CDLL(None).mallopt(M_ARENA_MAX, 1)
