"""What several commands take in the same way: each option is spelt, explained and read here once.

A test walks over all commands and holds that an option of one of these names is one of these.
"""

from __future__ import annotations

import functools
import inspect
import os
import re
import sys
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeAlias

import orjson
import typer
from pydantic import SecretStr

from tipdatum.bus.options import BrokerOptions
from tipdatum.bus.topics import ROOT
from tipdatum.display.texts import Speech, languages, speech
from tipdatum.errors import InputError
from tipdatum.results import STANDARD, write_text

if TYPE_CHECKING:
    from rich.console import Console

    from tipdatum.cli.listener import Listener

STANDARD_INPUT = "standard-input"
"""Begin of the name of the file that holds what came on standard input."""
_ITS_PATH = re.compile(rf"[^\s\"]*/{STANDARD_INPUT}\.[a-z]+(\.gz)?")


def as_typed(text: str) -> str:
    """What is told of a file that stands for standard input names `-`, as the user did."""
    return _ITS_PATH.sub(str(STANDARD), text)


def from_standard_input(context: typer.Context, value: Any) -> Any:
    """What stands for `-` among input files: one with what came on standard input, while the command runs."""
    if isinstance(value, (list, tuple)):
        return [from_standard_input(context, one) for one in value]
    if value != STANDARD:
        return value
    data = sys.stdin.buffer.read()
    folder = Path(context.with_resource(tempfile.TemporaryDirectory(prefix="tipdatum-")))
    first = data.lstrip()[:1]
    ending = ".ndjson.gz" if data[:2] == b"\x1f\x8b" else ".ndjson" if first == b"{" else ".toml"
    if ending == ".toml" and b"=" not in data[:4096]:
        ending = ".csv"
    path = folder / f"{STANDARD_INPUT}{ending}"
    path.write_bytes(data)
    return path


def offering(names: Callable[[], Iterable[str]]) -> Callable[[str], list[str]]:
    """What a shell offers in the place of a value that is one of these."""

    def offered(incomplete: str) -> list[str]:
        return [name for name in names() if name.startswith(incomplete)]

    return offered


def _estimators() -> list[str]:
    from tipdatum.fusion.estimator import names  # here: only a shell that completes asks for them

    return names()


def input_file(words: str) -> Any:
    """An argument that names a file to read, or `-`."""
    return typer.Argument(help=words, allow_dash=True, callback=from_standard_input)


SessionFiles = Annotated[
    list[Path], input_file("Recorded sessions (*.ndjson, *.ndjson.gz) or CSV logs; - is standard input.")
]
MachineFile = Annotated[
    Path, input_file("Machine description (TOML), or a recording that carries one; - is standard input.")
]
MachineId = Annotated[
    str | None,
    typer.Option(
        "--machine-id", help="The machine's name in topics (a-z, 0-9, -); default the only one there is."
    ),
]
Output = Annotated[
    Path | None,
    typer.Option(
        "--output", "-o", allow_dash=True,
        help="Where the result goes: a file (.gz packs it), a folder, or - for standard output.",
    ),
]  # fmt: skip
OutputDir = Annotated[
    Path | None, typer.Option("--output-dir", help="Folder for the results; made where it is not there yet.")
]
Json = Annotated[bool, typer.Option("--json", help="Print JSON, in SI units, instead of a table.")]
Csv = Annotated[bool, typer.Option("--csv", help="Print CSV instead of a table.")]
MachineOption = Annotated[Path | None, typer.Option("--machine", help="Machine description (TOML).")]
Write = Annotated[
    bool, typer.Option("--write", help="Write what was found into the machine file; the old one is kept.")
]
Picture = Annotated[Path | None, typer.Option("--picture", help="SVG file for a picture of it.")]
Tolerance = Annotated[float | None, typer.Option("--tolerance", help="± metres that 95 % must keep.")]
Sessions = Annotated[
    list[Path] | None,
    typer.Option(
        "--sessions",
        help="Folder of the recordings; several are searched in order. Default: beside the observations.",
    ),
]
Config = Annotated[
    Path | None, typer.Option("--config", help="Service file whose [fusion], [work] and [[driver]] to use.")
]
_ESTIMATOR = typer.Option(
    "--estimator",
    help="Estimator instead of the file's; a report may compare several.",
    autocompletion=offering(_estimators),
)
Estimator = Annotated[str | None, _ESTIMATOR]
Estimators = Annotated[list[str] | None, _ESTIMATOR]
By = Annotated[
    str | None, typer.Option("--by", help="Who sends it, for the change log; default your user name.")
]

Host = Annotated[str, typer.Option("--host", help="The broker's address.")]
_PORT = typer.Option("--port", min=1, max=65535, help="The broker's MQTT port.")
Port = Annotated[int, _PORT]
OwnPort = Annotated[int | None, _PORT]
"""Of a broker that the command starts; None: 1883, or a free one where that is taken."""
ReadersLanguage = Annotated[
    str,
    typer.Option(
        "--language", help=f"Language: {', '.join(languages())}.", autocompletion=offering(languages)
    ),
]
User = Annotated[str | None, typer.Option("--user", help="User at the broker.")]
PasswordFile = Annotated[
    Path | None,
    typer.Option(
        "--password-file", help="File whose first line is the password (or set TIPDATUM_BROKER_PASSWORD)."
    ),
]
Tls = Annotated[bool, typer.Option("--tls", help="Speak TLS with the broker (usually port 8883).")]
Ca = Annotated[
    Path | None,
    typer.Option("--ca", help="Certificates to trust, PEM; default this computer's. Means --tls."),
]
TopicRoot = Annotated[str, typer.Option("--topic-root", help="First part of the topics.")]

Command: TypeAlias = Callable[..., None]


@dataclass(frozen=True, slots=True)
class Access:
    """A machine's service at a broker, and how to be let in.

    Attributes:
        machine_id: None for the only one whose description the broker keeps.
        topic_root: first part of the topics.
        ca: certificates to trust, None for those of the computer.
    """

    host: str = "127.0.0.1"
    port: int = 1883
    machine_id: str | None = None
    topic_root: str = ROOT
    user: str | None = None
    password: SecretStr | None = None
    tls: bool = False
    ca: Path | None = None

    def listen(self, topics: str) -> Listener:
        """A client there that hears these topics.

        Raises:
            PortError: the broker cannot be reached, or refuses.
        """
        # Imported here: whoever reads a recording shares options with this and needs no client.
        from tipdatum.cli.listener import Listener

        return Listener(self.host, self.port, topics, self.user, self.password, tls=self.tls, ca=self.ca)


def access_from(
    host: Host = "127.0.0.1",
    port: Port = 1883,
    machine_id: MachineId = None,
    user: User = None,
    password_file: PasswordFile = None,
    tls: Tls = False,
    ca: Ca = None,
    topic_root: TopicRoot = ROOT,
) -> Access:
    """The service at a broker that the options name.

    Raises:
        ConfigError: the password's file cannot be read or is empty.
    """
    password = BrokerOptions(password_file=password_file).password(file="--password-file")
    return Access(host, port, machine_id, topic_root, user, password, tls or ca is not None, ca)


def with_access(command: Command) -> Command:
    """Give a command that takes `access` the options of `access_from` in its place."""
    return with_options("access", access_from)(command)


def body_of(values: list[str]) -> dict[str, Any]:
    """A command's body from key=value pairs; a value that is no JSON is taken as text, @FILE as its content.

    Raises:
        InputError: a pair without =, or a file that cannot be read.
    """
    body: dict[str, Any] = {}
    for pair in values:
        key, equals, text = pair.partition("=")
        if not equals or not key:
            raise InputError(f'"{pair}": expected key=value, such as elevation_m=24.31')
        body[key] = _value(text)
    return body


def _value(text: str) -> Any:
    if text.startswith("@"):
        try:
            return Path(text[1:]).read_text(encoding="utf-8")
        except OSError as error:
            raise InputError(f"{text[1:]}: cannot be read ({error.strerror or error})") from None
        except UnicodeDecodeError:
            raise InputError(f"{text[1:]}: found no text; expected a text file in UTF-8") from None
    try:
        return orjson.loads(text)
    except orjson.JSONDecodeError:
        return text


def speech_for(language: str) -> Speech:
    """Speech in the language that was asked for.

    Raises:
        InputError: there is none.
    """
    if language not in languages():
        raise InputError(f'--language: found "{language}", expected one of {", ".join(languages())}')
    return speech(language)


def with_options(part: str, made_from: Callable[..., Any]) -> Callable[[Command], Command]:
    """Give a command that takes `part` the options of the function that makes it."""
    return functools.partial(_taking, part, made_from)


def _taking(part: str, made_from: Callable[..., Any], command: Command) -> Command:
    options = inspect.signature(made_from, eval_str=True).parameters
    own = inspect.signature(command, eval_str=True)

    @functools.wraps(command)
    def taking_options(**given: Any) -> None:
        made = made_from(**{name: given.pop(name) for name in options})
        command(**{part: made}, **given)

    # What typer reads: the command's own parameters, then those of the part.
    kept = [parameter for name, parameter in own.parameters.items() if name != part]
    taking_options.__signature__ = own.replace(parameters=[*kept, *options.values()])  # type: ignore[attr-defined]
    del taking_options.__wrapped__
    taking_options.__annotations__ = {p.name: p.annotation for p in (*kept, *options.values())}
    return taking_options


def talker(output: Path | None = None, *, as_json: bool = False) -> Console:
    """Where sentences and tables go: standard output, unless that is for the result itself."""
    from rich.console import Console  # here: a replay writes plain lines

    elsewhere = output == STANDARD
    told = "COLUMNS" in os.environ or (sys.stderr if elsewhere else sys.stdout).isatty()
    return Console(
        width=None if told else 120,
        stderr=elsewhere,
        quiet=as_json,
        highlight=False,
        markup=False,
        emoji=False,
    )


def print_json(value: Any, output: Path | None = None) -> None:
    """The one document of a command with `--json`, where the result goes."""
    text = orjson.dumps(value, option=orjson.OPT_INDENT_2 | orjson.OPT_SERIALIZE_NUMPY).decode()
    write_text(output or STANDARD, text + "\n")
