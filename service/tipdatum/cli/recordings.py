"""What is replayed, reported or measured: recorded sessions, CSV logs, either with commands added by time.

A CSV log, and a session that gets commands, are written as a session of their own for the command's life, so
that everything behind reads one kind of file.
"""

from __future__ import annotations

import contextlib
import shlex
import tempfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from heapq import merge
from pathlib import Path
from typing import Annotated, Any

import typer
from msgspec.structs import replace

from tipdatum.cli.inputs import read_machine
from tipdatum.cli.options import MachineOption, body_of
from tipdatum.errors import InputError, SessionError, no_utf8
from tipdatum.sessions.writer import SessionWriter
from tipdatum.validation import load_toml, parse_model
from tipdatum_drivers.csv_file import GZIP, CsvColumns, CsvFile
from tipdatum_drivers.csv_guess import guess_columns
from tipdatum_drivers.decode.session_lines import LineError, decode_line, encode_line
from tipdatum_drivers.reading import Command, Record, SessionHeader
from tipdatum_drivers.session_file import SessionFile, copy_of

UNDATED = "1970-01-01T00:00:00Z"
"""Start of a log whose times do not say when it was: the same log always gives the same messages."""

SIDECAR = ".columns.toml"

Columns = Annotated[
    Path | None,
    typer.Option(
        "--columns",
        help="TOML file with a CSV log's columns; default LOG.columns.toml, or a guess.",
    ),
]
SetReference = Annotated[
    float | None, typer.Option("--set-reference", help="Set the reference at this time of the recording, s.")
]
Elevation = Annotated[
    float, typer.Option("--elevation", help="Elevation of the tip when --set-reference sets it, m.")
]
Commands = Annotated[
    Path | None,
    typer.Option("--commands", help="File of commands by time, such as: 12.5 datum/set elevation_m=0"),
]


@dataclass(frozen=True, slots=True)
class Recordings:
    """How recordings are to be read, as the options say."""

    machine: Path | None = None
    columns: Path | None = None
    commands: tuple[Command, ...] = ()

    @contextlib.contextmanager
    def opened(self, files: Iterable[Path]) -> Iterator[list[Path]]:
        """The same recordings as session files, to be used within; one that is wrong stays as it is.

        Raises:
            InputError: a log's columns cannot be told.
        """
        with tempfile.TemporaryDirectory(prefix="tipdatum-") as folder:
            several, found = list(files), []
            for i, path in enumerate(several):
                try:
                    found.append(self._as_session(path, Path(folder) / str(i)))
                except InputError as error:
                    if len(several) == 1:
                        raise
                    typer.echo(f"tipdatum: {error}", err=True)
                    found.append(path)  # whoever reads it says so again, and goes on with the others
            yield found

    def _as_session(self, path: Path, folder: Path) -> Path:
        if not is_csv(path):
            if (not self.commands and self.machine is None) or not path.is_file():
                return path
            session = SessionFile(path)
            header = session.header
            if self.machine is not None:
                # A machine that was calibrated later takes the place of the one in the recording.
                header = replace(header, machine=self._described())
            header = replace(header, extra={**header.extra, **copy_of(path, session.digest())})
            return _written(folder / path.name, header, self._with_commands(session))
        machine: dict[str, Any] = {} if self.machine is None else self._described()
        log = CsvFile(path, self._columns_of(path, list(machine.get("sensor", ()))))
        started = log.started
        header = SessionHeader(
            1,
            UNDATED if started is None else started.isoformat(),
            machine,
            f"read from the log {path.name}",
            copy_of(path, log.digest()),
        )
        return _written(folder / f"{_stem(path)}.ndjson", header, self._with_commands(log))

    def _described(self) -> dict[str, Any]:
        assert self.machine is not None
        return read_machine(self.machine)[0].model_dump(mode="json", exclude_defaults=True)

    def _with_commands(self, records: Iterable[Record]) -> Iterator[Record]:
        return merge(records, self.commands, key=lambda record: record.t)

    def _columns_of(self, path: Path, sensors: list[str]) -> CsvColumns:
        beside = path.with_name(_stem(path) + SIDECAR)
        told = self.columns or (beside if beside.exists() else None)
        if told is not None:
            return parse_model(CsvColumns, load_toml(told), str(told))
        guessed = guess_columns(path, sensors)
        for line in guessed.said:
            typer.echo(f"{path.name}: {line}", err=True)
        import tomlkit  # here: most recordings need no guess

        kept = tomlkit.dumps(guessed.columns.model_dump(mode="json", exclude_defaults=True))
        typer.echo(f"To keep or to change this, write {beside.name} with:\n{kept}", err=True)
        return guessed.columns


def recordings_from(
    machine: MachineOption = None,
    columns: Columns = None,
    set_reference: SetReference = None,
    elevation: Elevation = 0.0,
    commands: Commands = None,
) -> Recordings:
    """How recordings are to be read.

    Raises:
        InputError: the commands' file has a line that is none.
    """
    due = [] if commands is None else read_commands(commands)
    if set_reference is not None:
        due.append(Command(set_reference, "datum/set", {"elevation_m": elevation}))
    return Recordings(machine, columns, tuple(sorted(due, key=lambda command: command.t)))


def read_commands(path: Path) -> list[Command]:
    """Commands by time: a line as `tipdatum send` takes it behind its time in s, or as a session has it.

    Raises:
        SessionError: a line is neither.
    """
    expected = 'such as 12.5 datum/set elevation_m=0, or {"t": 12.5, "name": "datum/set", "body": {}}'
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except UnicodeDecodeError as error:
        raise SessionError(str(path), 0, no_utf8(error), "a file of commands in UTF-8") from None
    except OSError as error:
        raise SessionError(str(path), 0, error.strerror or str(error), "a file of commands") from None
    found = []
    for number, line in enumerate(lines, 1):
        text = line.strip()
        if not text or text.startswith("#"):
            continue
        try:
            if text.startswith("{"):
                record = decode_line(text if '"kind"' in text else '{"kind":"command",' + text[1:])
                if not isinstance(record, Command):
                    raise ValueError("another kind of line")
                found.append(record)
            else:
                t, name, *pairs = shlex.split(text)
                found.append(Command(float(t), name, body_of(pairs)))
        except (ValueError, LineError, InputError) as error:
            raise SessionError(str(path), number, str(error), expected) from None
    return found


def is_csv(path: Path) -> bool:
    """Whether a file, packed or not, is a table of text and no session, which begins with a bracket."""
    try:
        with path.open("rb") as handle:
            head = handle.read(512)
        if head.startswith(GZIP):
            head = zlib.decompressobj(zlib.MAX_WBITS | 16).decompress(head)
    except (OSError, zlib.error):
        return False
    head = head.removeprefix(b"\xef\xbb\xbf").removeprefix(b"\xff\xfe").lstrip()
    first = head.split(b"\n", 1)[0]
    return not head.startswith(b"{") and any(c in first for c in b",;\t|")


def _stem(log: Path) -> str:
    return Path(log.name.removesuffix(".gz")).stem


def _written(path: Path, header: SessionHeader, records: Iterable[Record]) -> Path:
    path.parent.mkdir(parents=True)
    writer = SessionWriter(path, header)
    for record in records:
        writer.write(encode_line(record))
    writer.close()
    return path
