"""A start that cannot succeed is told in one sentence before anybody hears of the service."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from small_machine import MACHINE
from tipdatum.bus.broker import BrokerAddresses
from tipdatum.cli import main
from tipdatum.run import openings, shell
from tipdatum_drivers.decode.session_lines import encode_header
from tipdatum_drivers.reading import SessionHeader

SERVICE = (
    'machine = "machine.toml"\n[[driver]]\nkind = "replay"\nfile = "dig.ndjson"\n'
    '[state]\ndirectory = "state"\n'
)


class Broker:
    """An embedded broker that starts nothing."""

    running = 0

    def __init__(self, *_: Any, **__: Any) -> None:
        pass

    def start(self) -> BrokerAddresses:
        Broker.running += 1
        return BrokerAddresses("127.0.0.1", 40001, 40002)

    def stop(self) -> None:
        Broker.running -= 1


class Bus:
    """A bus that must never be told anything."""

    waiting_events = 0

    def __init__(self, *_: Any, **__: Any) -> None:
        pass

    def publish(self, *_: Any) -> None:
        raise AssertionError("announced")

    def start(self) -> None:
        raise AssertionError("announced")

    def stop(self, _farewell: Any) -> None:
        pass


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    (tmp_path / "machine.toml").write_text(MACHINE)
    (tmp_path / "service.toml").write_text(SERVICE)
    header = SessionHeader(1, "2026-05-04T08:00:00Z", {"name": "dig"})
    (tmp_path / "dig.ndjson").write_bytes(encode_header(header))
    monkeypatch.setattr(openings, "EmbeddedBroker", Broker)
    monkeypatch.setattr(shell, "BusClient", Bus)
    monkeypatch.chdir(tmp_path)
    yield tmp_path
    assert Broker.running == 0


def refused(capsys: pytest.CaptureFixture[str], *options: str) -> str:
    with pytest.raises(SystemExit) as ended:
        main(["run", "service.toml", *options])
    assert ended.value.code == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert "Traceback" not in told.err
    lines = told.err.splitlines()
    # A file is told all its mistakes at once, each in a sentence of its own.
    assert lines
    assert all(line.startswith("tipdatum: ") or "toml: " in line for line in lines), lines
    return lines[0].removeprefix("tipdatum: ")


def test_a_page_port_that_is_taken(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        (folder / "service.toml").write_text(f"{SERVICE}[display]\nport = {port}\n")
        assert refused(capsys).startswith(f"display page: cannot listen on 127.0.0.1, port {port}")


def test_a_recording_that_would_replace_a_file(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "kept.ndjson").write_text("precious")
    assert "kept.ndjson: exists already" in refused(capsys, "--record", "kept.ndjson")
    assert (folder / "kept.ndjson").read_text() == "precious"


def test_a_recording_where_none_can_be(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "machine.toml/x.ndjson" in refused(capsys, "--record", "machine.toml/x.ndjson")


@pytest.mark.parametrize(
    ("content", "told"),
    [(None, "found no such file"), ("", "found an empty file"), ("hello\n", "line 1: found 'hello'")],
)
def test_a_session_that_is_none(
    folder: Path, capsys: pytest.CaptureFixture[str], content: str | None, told: str
) -> None:
    (folder / "dig.ndjson").unlink()
    if content is not None:
        (folder / "dig.ndjson").write_text(content)
    assert told in refused(capsys)


def test_a_start_that_failed_leaves_no_recording_in_the_next_ones_way(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        (folder / "service.toml").write_text(f"{SERVICE}[display]\nport = {taken.getsockname()[1]}\n")
        refused(capsys, "--record", "new.ndjson")
    assert not (folder / "new.ndjson").exists()


def test_a_state_folder_that_cannot_be(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "state").write_text("a file")
    assert "set [state] directory" in refused(capsys)


@pytest.mark.parametrize(
    ("file", "content", "told"),
    [
        ("service.toml", "machine = ", "broken TOML"),
        ("machine.toml", "name = ", "broken TOML"),
        ("machine.toml", "", "found nothing"),
        ("machine.toml", MACHINE.replace("4.7", "nan"), "boom.length_m: found nan"),
    ],
)
def test_a_broken_file(
    folder: Path, capsys: pytest.CaptureFixture[str], file: str, content: str, told: str
) -> None:
    (folder / file).write_text(content)
    assert told in refused(capsys)


def test_several_files_are_checked_and_each_mistake_is_told(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "broken.toml").write_text(json.dumps("no"))
    with pytest.raises(SystemExit) as ended:
        main(["check", "none.toml", "machine.toml", "broken.toml", "service.toml"])
    told = capsys.readouterr()
    assert ended.value.code == 2
    assert "machine.toml: nothing wrong found." in told.out
    assert "service.toml: nothing wrong found." in told.out
    assert [line.split(": ")[1] for line in told.err.splitlines()] == ["none.toml", "broken.toml"]
