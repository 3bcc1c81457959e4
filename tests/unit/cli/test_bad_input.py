"""Whatever a user gets wrong, the command line answers with one clear sentence and exit code 2."""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tipdatum.cli import main

MACHINE = """
name = "Fourteen-tonne demo machine"
[boom]
foot_m = [0.35, 0.0, 1.75]
length_m = 4.60
[stick]
length_m = 2.50
[[bucket]]
name = "trenching 600"
tip_m = 1.30
width_m = 0.60
[linkage]
rocker_pivot_m = [2.15, 0.02]
rocker_m = 0.60
link_m = 0.55
bucket_ear_m = 0.39
bucket_ear_angle_deg = 136.0
assembly = 1
[sensor.boom]
body = "boom"
"""
SERVICE = 'machine = "machine.toml"\n[[driver]]\nkind = "replay"\nfile = "dig.ndjson"\n'
HEADER: dict[str, Any] = {
    "kind": "session", "format": "tipdatum-session", "version": 1, "started": "2026-05-04T08:00:00Z",
    "machine": {
        "name": "M", "boom": {"foot_m": [0.35, 0, 1.75], "length_m": 4.6}, "stick": {"length_m": 2.5},
        "bucket": [{"name": "b", "tip_m": 1.3, "width_m": 0.6}], "sensor": {"boom": {"body": "boom"}},
    },
}  # fmt: skip


def imu(t: float, **fields: Any) -> dict[str, Any]:
    reading = {"kind": "imu", "t": t, "sensor": "boom", "accel_mps2": [0, 0, 9.8], "gyro_radps": [0, 0, 0]}
    return reading | fields


def session(*rows: Any) -> str:
    return "".join((row if isinstance(row, str) else json.dumps(row)) + "\n" for row in rows)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a machine, a service and a dig that are in order; commands run in it."""
    (tmp_path / "machine.toml").write_text(MACHINE)
    (tmp_path / "service.toml").write_text(SERVICE)
    (tmp_path / "dig.ndjson").write_text(session(HEADER, imu(0.0), imu(0.01)))
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path


Run = Callable[..., str]


@pytest.fixture
def refused(folder: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a command that must be refused; gives back its one sentence."""

    def run(*arguments: str, code: int = 2) -> str:
        with pytest.raises(SystemExit) as ended:
            main(arguments)
        *logged, told = capsys.readouterr().err.strip().split("\n")
        assert ended.value.code == code
        assert told.startswith("tipdatum: ")
        # The service has begun to log when a driver or the recorder finds its file wanting.
        assert arguments[0] == "run" or not logged
        assert not any("Traceback" in line for line in logged)
        return told

    return run


def test_what_is_in_order_is_accepted(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("service.toml", "machine.toml", "dig.ndjson"):
        with pytest.raises(SystemExit) as ended:
            main(["check", name])
        assert ended.value.code == 0
        assert f"{name}: nothing wrong found." in capsys.readouterr().out


@pytest.mark.parametrize("command", ["check", "run"])
@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda f: (f / "service.toml").unlink(), "service.toml: found no such file"),
        (lambda f: ((f / "service.toml").unlink(), (f / "service.toml").mkdir()), "found a directory"),
        (lambda f: (f / "service.toml").write_text("machine = "), "found broken TOML"),
        (lambda f: (f / "service.toml").write_bytes(b"\xff\xfe"), "found UTF-16"),
        (
            lambda f: (f / "service.toml").write_text("mashine = 'machine.toml'\n" + SERVICE),
            'mashine: unknown key; did you mean "machine"?',
        ),
        (lambda f: (f / "service.toml").write_text("machine = 5"), "machine: found 5; expected a text"),
        (lambda f: (f / "machine.toml").unlink(), 'machine: found "machine.toml", which does not exist'),
        (
            lambda f: (f / "machine.toml").write_text(MACHINE.replace("4.60", "4600")),
            "boom.length_m: found 4600, which looks like millimetres",
        ),
        (
            lambda f: (f / "machine.toml").write_text(
                MACHINE.replace("0.55", "0.05").replace("0.39", "0.04")
            ),
            "linkage: found rocker 0.600 m, link 0.050 m, ear 0.040 m over 0.351 m from pivot to bucket pin, "
            "which cannot close",
        ),
        (
            lambda f: (f / "machine.toml").write_text(MACHINE.replace('body = "boom"', 'body = "arm"')),
            'sensor.boom.body: found "arm"',
        ),
        (
            lambda f: (f / "service.toml").write_text(SERVICE.replace('"replay"', '"reply"')),
            'driver[0].kind: found "reply"; expected "replay"?',
        ),
        (
            lambda f: (f / "service.toml").write_text(SERVICE + "lop = true\n"),
            'driver[0].lop: unknown key; did you mean "loop"?',
        ),
        (lambda f: (f / "dig.ndjson").unlink(), "found no such file; expected a session file"),
        (
            lambda f: (f / "dig.ndjson").write_text(session(imu(0.0))),
            "line 1: found a first line of kind 'imu'; expected kind \"session\"",
        ),
    ],
    ids=[
        "no file",
        "a directory",
        "broken TOML",
        "not UTF-8",
        "unknown key",
        "wrong type",
        "machine file missing",
        "millimetres",
        "linkage cannot close",
        "no such body",
        "no such driver",
        "unknown driver option",
        "dig missing",
        "dig without header",
    ],
)
def test_a_service_file_that_cannot_be_used(
    folder: Path, refused: Run, command: str, change: Callable[[Path], object], told: str
) -> None:
    change(folder)
    assert told in refused(command, "service.toml")


@pytest.mark.parametrize("command", ["check", "replay", "score"])
@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("", "dig.ndjson: found an empty file"),
        (session(imu(0.0)), "line 1: found a first line of kind 'imu'"),
        (session("hello"), "line 1: found 'hello', which is not JSON"),
        (session(HEADER | {"version": 7}), "line 1: found version 7; expected version 1"),
        (session(HEADER, imu(0.0), "{oops", imu(0.1)), "line 3: found '{oops', which is not JSON"),
        (
            session(HEADER, imu(0.0, accel_mps2=[0, float("nan"), 9.8])),
            "which is not JSON",
        ),
        (session(HEADER, imu(0.0, accel_mps2=[0, "0.1", 9.8])), "line 2: found accel_mps2 = [0, '0.1', 9.8]"),
        (session(HEADER, {"kind": "imu", "sensor": "boom"}), "line 2: found"),
        (session(HEADER, imu(1.0), imu(0.5)), "line 3: found t = 0.5 after t = 1; expected records in order"),
    ],
    ids=[
        "empty",
        "no header",
        "header no JSON",
        "later version",
        "line no JSON",
        "NaN",
        "text for a number",
        "no time",
        "out of order",
    ],
)
def test_a_session_that_cannot_be_used(
    folder: Path, refused: Run, command: str, content: str, told: str
) -> None:
    (folder / "dig.ndjson").write_text(content)
    (folder / "out.ndjson").write_text(
        json.dumps({"t_emit": 0.0, "elevation_m": None, "sigma_m": None, "quality": "stale"}) + "\n"
    )
    rest = {"check": (), "replay": ("--output", "new.ndjson"), "score": ("out.ndjson",)}[command]
    assert told in refused(command, "dig.ndjson", *rest)
    assert not (folder / "new.ndjson").exists()


@pytest.mark.parametrize("command", ["check", "replay"])
def test_a_session_whose_header_describes_no_machine(folder: Path, refused: Run, command: str) -> None:
    header = json.loads(json.dumps(HEADER))
    header["machine"]["stick"]["length_m"] = "2.5"
    (folder / "dig.ndjson").write_text(session(header, imu(0.0)))
    rest = ("--output", "new.ndjson") if command == "replay" else ()
    told = refused(command, "dig.ndjson", *rest)
    assert 'dig.ndjson, machine of the header: stick.length_m: found "2.5"; expected a number' in told


@pytest.mark.parametrize("command", ["check", "replay", "score"])
def test_a_session_that_is_a_folder_or_is_not_there(folder: Path, refused: Run, command: str) -> None:
    (folder / "folder.ndjson").mkdir()
    rest = {"check": (), "replay": ("--output", "new.ndjson"), "score": ("out.ndjson",)}[command]
    assert "found a directory; expected a session file" in refused(command, "folder.ndjson", *rest)
    assert "found no such file; expected a session file" in refused(command, "none.ndjson", *rest)


@pytest.mark.parametrize("command", ["check", "replay", "score", "report", "noise"])
def test_a_name_that_no_file_can_have(folder: Path, refused: Run, command: str) -> None:
    name = "d" * 300
    rest = {"replay": ("--output", "new.ndjson"), "score": ("dig.ndjson",)}.get(command, ())
    assert "file name too long" in refused(command, name, *rest).lower()


@pytest.mark.parametrize(
    ("key", "value", "expected"),
    [
        ("machine", "[" * 300, "each name in it of at most 255 bytes"),
        ("machine", "~nobody-of-this-name/machine.toml", "a user of this computer"),
        ("recording.directory", "d" * 300, "each name in it of at most 255 bytes"),
        ("state.directory", "~nobody-of-this-name", "a user of this computer"),
    ],
)
def test_a_path_in_the_service_file_that_no_file_can_have(
    folder: Path, refused: Run, key: str, value: str, expected: str
) -> None:
    table, _, last = key.rpartition(".")
    written = f'{last} = "{value}"\n'
    text = f"[{table}]\n{written}" if table else written
    (folder / "service.toml").write_text(
        SERVICE + text if table else SERVICE.replace('machine = "machine.toml"\n', text)
    )
    told = refused("check", "service.toml")
    assert f"service.toml: {key}: found" in told
    assert expected in told


def test_a_key_that_breaks_the_line_does_not_break_the_sentence(folder: Path, refused: Run) -> None:
    (folder / "service.toml").write_text(SERVICE + '[recording]\n"direc\\ntory" = "x"\n')
    assert "service.toml: recording.direc\\ntory: unknown key" in refused("check", "service.toml")


def test_a_session_without_truth_is_not_scored(folder: Path, refused: Run) -> None:
    assert "dig.ndjson: found no truth" in refused("score", "dig.ndjson", "dig.ndjson")


@pytest.fixture
def deaf_port() -> Iterator[int]:
    """A port that takes connections and never says a word."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]


def test_a_broker_that_is_not_there(refused: Run) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    assert f"nothing listens at 127.0.0.1:{port}" in refused("watch", "--port", str(port), code=3)


def test_something_that_is_no_broker(refused: Run, deaf_port: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tipdatum.cli.listener.ANSWER_WITHIN_S", 0.2)
    assert "does not answer like an MQTT broker" in refused("watch", "--port", str(deaf_port))


def test_a_port_that_is_taken(folder: Path, refused: Run, deaf_port: int) -> None:
    (folder / "service.toml").write_text(SERVICE + f"[broker.embedded]\nport = {deaf_port}\n")
    assert str(deaf_port) in refused("run", "service.toml")


def test_a_recording_that_would_overwrite_a_file(folder: Path, refused: Run) -> None:
    (folder / "kept.ndjson").write_text("precious")
    assert "exists already" in refused("run", "service.toml", "--record", "kept.ndjson")
    assert (folder / "kept.ndjson").read_text() == "precious"


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ('[broker]\nhost = "h"\npassword_file = "none.txt"\n', "broker.password_file: found"),
        ('[broker]\nhost = "h"\n[broker.tls]\nca = "none.pem"\n', "broker.tls.ca: found"),
        ('[broker.embedded]\nusers_file = "none.txt"\n', "broker.embedded.users_file: found"),
    ],
)
def test_files_that_the_broker_table_names_are_looked_for(
    folder: Path, refused: Run, table: str, told: str
) -> None:
    (folder / "service.toml").write_text(SERVICE + table)
    assert told in refused("check", "service.toml")
