"""The command line: one module a command, imported only when its command runs.

A user's mistake ends with one clear sentence and exit code 2; Ctrl-C ends quietly.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib import import_module

import typer

from tipdatum import __version__
from tipdatum.errors import InputError, PortError

# Matrices here are small: a second thread of the linear algebra only costs. numpy reads this when it is first
# imported, which the commands do.
for _variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_variable, "1")

COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("tipdatum.cli.demo", "Show the whole line at work: a broker, a recorded dig, a live view."),
    "new": ("tipdatum.cli.new", "Ask for tape measurements and write a machine file and a service file."),
    "check": ("tipdatum.cli.check", "Check a file without starting anything, and say it in words."),
    "run": ("tipdatum.cli.run", "Run the service that a file describes."),
    "replay": ("tipdatum.cli.replay", "Play recorded sessions, as fast as they go, into tip messages."),
    "budget": (
        "tipdatum.cli.budget",
        "Map how well the tip is known over the working envelope, and split it by source.",
    ),
    "verify": (
        "tipdatum.cli.verify",
        "Compare the described machine with known heights: acceptance, or the daily check.",
    ),
    "noise": (
        "tipdatum.cli.noise",
        "Measure the sensors' noise from a still recording: Allan deviation and terms.",
    ),
    "calibrate": (
        "tipdatum.cli.calibrate",
        "Solve for mounts, biases and lengths from observations, and write the machine description.",
    ),
    "describe": ("tipdatum.cli.describe", "Print the message contract, for programs or as a table."),
    "watch": ("tipdatum.cli.watch", "Show in the terminal what a running service publishes."),
    "send": ("tipdatum.cli.send", "Send a command to a running service: set a reference, a target, …"),
    "book": ("tipdatum.cli.book", "Print the level book of a running service, or write it as CSV."),
    "points": ("tipdatum.cli.points", "Write the as-dug points of a running service as CSV."),
    "convert": ("tipdatum.cli.convert", "Show a length or a grade in the other units."),
    "report": ("tipdatum.cli.report", "Write a dig, or two beside each other, as one HTML file."),
    "ports": ("tipdatum.cli.ports", "List the serial ports, with the names that stay."),
    "sniff": ("tipdatum.cli.sniff", "Listen to a port, guess its format and rate, show its readings live."),
    "rezero": ("tipdatum.cli.rezero", "Take a replaced sensor into use, from one posture of known angle."),
    "score": ("tipdatum.cli.score", "Compare a replay with the truth that its session carries."),
}
"""command → module that holds a function of that name (hyphens as underscores), help in one line."""

WRONG_INPUT = 2
"""Exit code for a user's mistake."""


def build_app(commands: Sequence[str]) -> typer.Typer:
    """The command line with only these commands imported."""
    app = typer.Typer(
        name="tipdatum",
        help="Where an excavator's bucket tip is, from low-cost tilt sensors. "
        "Advisory figures, no safety device.",
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
        context_settings={"help_option_names": ["-h", "--help"]},
    )

    @app.callback(invoke_without_command=True)
    def overall(version: bool = typer.Option(False, "--version", help="Print the version and stop.")) -> None:
        if version:
            # Imported here: every other command starts without what it needs.
            from tipdatum.run.build import build

            typer.echo(f"tipdatum {__version__} (build {build()})")
            raise typer.Exit

    for name in commands:
        module, text = COMMANDS[name]
        app.command(name, help=text)(getattr(import_module(module), name.replace("-", "_")))
    return app


def main(argv: Sequence[str] | None = None) -> None:
    """Entry point of `tipdatum`."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    wanted = next((a for a in arguments if not a.startswith("-")), None)
    app = build_app([wanted] if wanted in COMMANDS else list(COMMANDS))
    try:
        app(arguments, prog_name="tipdatum")
    except (InputError, PortError) as error:
        typer.echo(f"tipdatum: {error}", err=True)
        raise SystemExit(WRONG_INPUT) from None
    except BrokenPipeError:  # the reader of a pipe has gone; that is its right
        sys.stderr.close()
        raise SystemExit(0) from None
    except KeyboardInterrupt:
        raise SystemExit(130) from None
