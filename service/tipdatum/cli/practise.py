"""`tipdatum practise`: a machine that can be driven, with everything that belongs to it."""

from __future__ import annotations

import asyncio
import io
import multiprocessing
import sys
import tempfile
import webbrowser
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import tomlkit
import typer

from tipdatum import __version__
from tipdatum.bus.options import PLAIN_PORT
from tipdatum.cli.demo import _has_screen
from tipdatum.cli.options import MachineOption, OwnPort, offering
from tipdatum.config import Service, load_service
from tipdatum.display.server import PRACTICE_FILES
from tipdatum.errors import InputError
from tipdatum.run.log_lines import configure
from tipdatum.run.practice import Place, PracticeStart, keep_turning, open_port, run
from tipdatum.run.shell import Ready, Shell
from tipdatum.sessions.writer import SessionWriter
from tipdatum.shipped import shipped
from tipdatum.simulator.play import Play
from tipdatum.simulator.practice import Practice
from tipdatum.simulator.scenario import Scenario, load_scenario
from tipdatum.simulator.task import task_of
from tipdatum.simulator.wire import LINES
from tipdatum_drivers.decode.session_lines import encode_line
from tipdatum_drivers.reading import SessionHeader

STARTED = "2026-05-04T08:00:00Z"
"""Wall time of a recording without hands, so that the same scenario gives the same file."""
MACHINE_ID = "practice"
CAUTION = (
    "A practice machine: it teaches the figures, not the work. It is no certificate of training,\n"
    "its soil does not cave in, nobody stands in its reach. Advisory figures, no safety device."
)


def practise(
    scenario: Annotated[
        Path | None,
        typer.Argument(help="A scenario's file, or the name of a shipped one (trench, batter, …)."),
    ] = None,
    machine: MachineOption = None,
    script: Annotated[
        bool, typer.Option("--script", help="The scenario's script drives, until somebody takes the levers.")
    ] = False,
    record: Annotated[
        Path | None,
        typer.Option(help="Play the script as fast as it goes into this session file, with truth, and stop."),
    ] = None,
    seed: Annotated[
        int | None, typer.Option(help="Another draw of noise, bias and the like; for --record.")
    ] = None,
    until: Annotated[
        float | None,
        typer.Option(help="End after so many seconds; for --record.", min=1.0, metavar="SECONDS"),
    ] = None,
    format_: Annotated[
        str,
        typer.Option(
            "--format",
            help="What the sensors speak: " + ", ".join(LINES) + ".",
            autocompletion=offering(lambda: LINES),
        ),
    ] = "packets",
    ports: Annotated[
        list[str] | None,
        typer.Option(
            "--to",
            help="Serial port to send to, instead of a service of its own; a name that does not exist "
            "becomes a pseudo-terminal. One a line.",
        ),
    ] = None,
    browser: Annotated[bool, typer.Option(help="Open the page where there is a screen.")] = True,
    port: OwnPort = None,
) -> None:
    """Drive a simulated machine: broker, service, machine and a page for the levers, until Ctrl-C."""
    if format_ not in LINES:
        raise InputError(f'--format: found "{format_}"; expected one of {", ".join(LINES)}')
    path = scenario_path(scenario)
    loaded = load_scenario(path, machine)
    if (script or record is not None) and not loaded.steps:
        raise InputError(f"{path}: no script: expected [[step]] tables, which --script and --record play")
    if record is not None:
        record_script(loaded, record, seed, until)
    elif ports:
        _send_only(Practice(loaded, format_, script), ports)
    else:
        _everything(PracticeStart(path, machine, format_, (), script), loaded, port, browser=browser)


def scenario_path(named: Path | None) -> Path:
    """The scenario's file: as named, or the shipped one of that name; trench where none is named.

    Raises:
        InputError: there is neither; the shipped ones are named.
    """
    if named is not None and (named.exists() or named.suffix):
        return named
    folder = shipped("config", "scenarios")
    found = folder / f"{named or 'trench'}.toml"
    if not found.exists():
        names = ", ".join(sorted(file.stem for file in folder.glob("*.toml")))
        raise InputError(f'"{named}" is no file and no shipped scenario; expected a file or one of {names}')
    return found


def record_script(
    scenario: Scenario, target: Path, seed: int | None = None, until_s: float | None = None
) -> None:
    """Play a scenario's script into a session file, as fast as it goes, to its end or for so many seconds."""
    machine = scenario.machine.model_dump(mode="json", exclude_defaults=True)
    comment = f"{scenario.file.name}: simulated by tipdatum {__version__}, with truth"
    writer = SessionWriter(target, SessionHeader(1, STARTED, machine, comment))
    play, count = Play(scenario, seed), 0
    for record in play.records():
        if until_s is not None and record.t > until_s:
            break
        writer.write(encode_line(record))
        count += 1
    writer.close()
    typer.echo(
        f"{target}: {count} records over {play.simulation.t:.1f} s, with truth; `tipdatum score` reads it"
    )
    task = task_of(scenario.file, play.simulation)
    if task is not None:
        typer.echo(f"{scenario.file.name}: {task.words(play.simulation.t)}")


def service_files(folder: Path, practice: Practice, ports: Sequence[str]) -> Path:
    """The machine's and the service's file for these ports, as people write them; returns the latter."""
    told = practice.machine.model_dump(mode="json", exclude_defaults=True, exclude_none=True)
    (folder / "machine.toml").write_text(tomlkit.dumps(told), encoding="utf-8")
    service: dict[str, Any] = {
        "machine": "machine.toml",
        "machine_id": MACHINE_ID,
        "recording": {"directory": "sessions"},
        "state": {"directory": "state"},
        "driver": [line.table(name) for line, name in zip(practice.lines, ports, strict=True)],
    }
    path = folder / "service.toml"
    path.write_text(tomlkit.dumps(service), encoding="utf-8")
    return path


def _send_only(practice: Practice, names: list[str]) -> None:
    """The machine alone on the given ports, for a service that somebody else runs."""
    if len(names) != len(practice.lines):
        wanted = " ".join(f"--to PORT-OF-{'-'.join(line.sensors)}" for line in practice.lines)
        raise InputError(f"--to: found {len(names)} ports; expected {len(practice.lines)}: {wanted}")
    opened = [open_port(name, line.baud) for line, name in zip(practice.lines, names, strict=True)]
    tables = {"driver": [line.table(name) for line, name in zip(practice.lines, names, strict=True)]}
    typer.echo("The practice machine speaks on its ports; Ctrl-C ends it. For the service's file:\n")
    typer.echo(tomlkit.dumps(tables))
    try:
        keep_turning(practice, opened, lambda _now: True)
    finally:
        for one in opened:
            one.close()


def _everything(spec: PracticeStart, scenario: Scenario, port: int | None, *, browser: bool) -> None:
    configure(stream=io.StringIO() if sys.stdout.isatty() else sys.stderr)
    with tempfile.TemporaryDirectory(prefix="tipdatum-practice-") as name:
        folder = Path(name)
        practice = Practice(scenario, spec.kind)
        spec = replace(spec, ports=tuple(str(folder / f"line-{i}") for i, _ in enumerate(practice.lines)))
        service = _with_port(load_service(service_files(folder, practice, spec.ports)), port)
        ours, theirs = multiprocessing.Pipe()
        context = multiprocessing.get_context("spawn")
        process = context.Process(target=run, args=(spec, theirs), name="practice-machine", daemon=True)
        process.start()
        theirs.close()

        def ready(where: Ready) -> None:
            ours.send(Place(where.broker_host, where.broker_port, where.machine_id, where.topics.root))
            for line in introduction(where, scenario):
                typer.echo(line)
            if browser and where.page_url and _has_screen():
                webbrowser.open(f"{where.page_url}practice/")

        try:
            ours.recv()
            asyncio.run(Shell(service, remember=False, on_ready=ready, pages=PRACTICE_FILES).run())
        except EOFError:
            raise InputError("the practice machine did not start") from None
        finally:
            ours.close()
            process.join(3.0)
            if process.is_alive():
                process.terminate()
                process.join()


def _with_port(service: Service, port: int | None) -> Service:
    if port is None:
        return service
    embedded = service.broker.embedded.model_copy(update={"port": port})
    return replace(service, broker=service.broker.model_copy(update={"embedded": embedded}))


def introduction(where: Ready, scenario: Scenario) -> list[str]:
    """What a person needs to begin."""
    lines = [f"{scenario.file.name}: {scenario.file.about}".rstrip(": "), CAUTION]
    if where.page_url:
        lines.append(f"  drive   {where.page_url}practice/")
        lines.append(f"  display {where.page_url}")
    other = "" if where.broker_port == PLAIN_PORT else f" --port {where.broker_port}"
    lines += [
        f"  watch   tipdatum watch{other}",
        "Ctrl-C ends it; its recordings go with it (the page's report can be saved).",
    ]
    return lines
