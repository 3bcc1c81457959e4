"""The command line: one module a command, imported only when its command runs.

A user's mistake ends with one clear sentence; Ctrl-C ends quietly at any moment. Exit codes: `Exit`.
"""

from __future__ import annotations

import gc
import os
import signal
import sys
from collections.abc import Callable, Collection, Sequence
from enum import IntEnum
from importlib import import_module

import typer

from tipdatum.errors import InputError, PortError

# Matrices here are small: a second thread of the linear algebra only costs. numpy reads this when it is first
# imported, which the commands do.
for _variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_variable, "1")
# No other package has a say in what our models take; to look for one costs every start.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")

COMMANDS: dict[str, str] = {
    "demo": "Show the whole line at work: a broker, a recorded dig, a live view.",
    "practise": "Drive a simulated machine: the whole line without an excavator.",
    "new": "Ask for tape measurements and write a machine file and a service file.",
    "check": "Check a file without starting anything, and say it in words.",
    "run": "Run the service that a file describes.",
    "watch": "Show in the terminal what a running service publishes.",
    "send": "Send a command to a running service: set a reference, a target, …",
    "book": "Print the level book of a running service, or write it as CSV.",
    "points": "Print the as-dug points of a running service, or write them as CSV.",
    "ports": "List the serial ports, with the names that stay.",
    "sniff": "Listen to a port, guess its format and rate, show its readings live.",
    "guide": "Lead a person with a tablet through the measurements of a calibration.",
    "calibrate": "Solve for mounts, biases and lengths from observations, and write the machine description.",
    "rezero": "Take a replaced sensor into use, from one posture of known angle.",
    "noise": "Measure the sensors' noise from a still recording: Allan deviation and terms.",
    "budget": "Map how well the tip is known over the working envelope, and split it by source.",
    "verify": "Compare the described machine with known heights: acceptance, or the daily check.",
    "replay": "Play recorded sessions, as fast as they go, into tip messages.",
    "score": "Compare a replay with the truth that its session carries.",
    "compare": "Say where two replays of one session differ, and whose sigma is right.",
    "report": "Write a dig, or two beside each other, as one HTML file.",
    "describe": "Print the message contract, for programs or as a table.",
    "convert": "Show a length or a grade in the other units.",
}
"""command → help in one line. `tipdatum.cli.NAME` holds a function of that name."""


class Exit(IntEnum):
    """Exit codes of every command."""

    DONE = 0
    NO = 1
    WRONG_INPUT = 2
    UNREACHABLE = 3
    DOUBTFUL = 4
    CTRL_C = 130


EXIT_CODES = {
    Exit.DONE: "done",
    Exit.NO: "done, and the answer is no: a command refused, a tolerance not kept, nothing recognised",
    Exit.WRONG_INPUT: "a file, an option or a value is wrong; one sentence says which and what was expected",
    Exit.UNREACHABLE: "a broker, a port or a service cannot be reached; trying again may help",
    Exit.DOUBTFUL: "a calibration is doubtful; its output says what would settle it (a refused one is 1)",
    Exit.CTRL_C: "ended by Ctrl-C before it was done "
    "(the usual end of `run`, `demo`, `practise` and `watch` is 0)",
}


def build_app(commands: Collection[str] = COMMANDS) -> typer.Typer:
    """The command line; of commands that are not among `commands` only the name is there, not the module."""
    app = typer.Typer(
        name="tipdatum",
        help="Where an excavator's bucket tip is, from low-cost tilt sensors. "
        "Advisory figures, no safety device.",
        epilog="Exit codes. " + " ".join(f"{code}: {words}." for code, words in EXIT_CODES.items()),
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
        context_settings={"help_option_names": ["-h", "--help"]},
    )

    @app.callback(invoke_without_command=True)
    def overall(version: bool = typer.Option(False, "--version", help="Print the version and stop.")) -> None:
        if version:
            # Imported here: every other command starts without what it needs.
            from tipdatum import __version__
            from tipdatum.run.build import build, compiled

            typer.echo(f"tipdatum {__version__} (build {build()}, {compiled()})")
            raise typer.Exit

    for name, text in COMMANDS.items():
        app.command(name, help=text, short_help=text)(_function(name) if name in commands else _unread)
    return app


def _function(name: str) -> Callable[..., None]:
    module = name.replace("-", "_")
    found: Callable[..., None] = getattr(import_module(f"tipdatum.cli.{module}"), module)
    return found


def _unread() -> None:
    """Stands for a command that is not the one wanted."""


def _wanted(arguments: Sequence[str]) -> list[str]:
    """The command that is to run, or whose options a shell wants to complete."""
    if "_TIPDATUM_COMPLETE" in os.environ:  # bash names what is typed by the one, other shells by the other
        typed = os.environ.get("_TYPER_COMPLETE_ARGS") or os.environ.get("COMP_WORDS", "")
        arguments = typed.split()[1:]
    return [word for word in arguments if not word.startswith("-")][:1]


def main(argv: Sequence[str] | None = None) -> None:
    """Entry point of `tipdatum`."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    # Compiled libraries do not all bear to be interrupted while they are taken in: until then Ctrl-C ends the
    # process as it ends any other. What is taken in stays: nobody need search it for what is no longer used,
    # neither now nor in the middle of a tick.
    gc.disable()
    app = build_app(_wanted(arguments))
    gc.freeze()
    gc.enable()
    taken_over = signal.getsignal(signal.SIGINT) is signal.SIG_DFL
    try:
        if taken_over:
            signal.signal(signal.SIGINT, signal.default_int_handler)
        code = _run(app, arguments)
    except KeyboardInterrupt:
        code = Exit.CTRL_C
    finally:
        if taken_over:  # what is left is the interpreter's own end, which nobody needs to see interrupted
            signal.signal(signal.SIGINT, signal.SIG_DFL)
    raise SystemExit(code)


def _run(app: typer.Typer, arguments: list[str]) -> int | str | None:
    try:
        app(arguments, prog_name="tipdatum")
    except SystemExit as end:
        return end.code
    except (InputError, PortError) as error:
        from tipdatum.cli.options import as_typed  # here: a start takes in no more than its command needs

        for one in (error, *getattr(error, "more", ())):
            typer.echo(as_typed(f"tipdatum: {one}"), err=True)
        return Exit.UNREACHABLE if isinstance(error, PortError) and error.retry_helps else Exit.WRONG_INPUT
    except BrokenPipeError:  # the reader of a pipe has gone; that is its right
        sys.stderr.close()
    except OSError as error:
        if error.filename is None:  # no file that a user named
            raise
        typer.echo(f"tipdatum: {error.filename}: {(error.strerror or str(error)).lower()}", err=True)
        return Exit.WRONG_INPUT
    return Exit.DONE
