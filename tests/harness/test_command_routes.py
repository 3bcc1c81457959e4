"""Every command by every route: an outside MQTT client, `tipdatum send`, and a recorded session."""

from __future__ import annotations

import json
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
import tomlkit
from bus_tools import Listener, free_port, wait_until
from command_routes import MACHINE, STEPS, write_session

from tipdatum.bus.messages import Reply
from tipdatum.cli import main
from tipdatum.config import load_service
from tipdatum.core.messages_out import Outgoing
from tipdatum.grade.commands import COMMANDS, EVENT_AGAIN
from tipdatum.run.replay import play
from tipdatum_drivers.reading import Command
from tipdatum_drivers.session_file import SessionFile

BUSY, PATIENCE_S = "position is not known just now", 240.0
"""What is answered while a busy computer brings readings too late, and how long somebody asks again then."""
SPEED = 3.0
APART_S = 1.5
"""Between two commands of a session, s: longer than the shortest still moment."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "machine.toml").write_text(tomlkit.dumps(MACHINE))
    # Longer than a computer that does much else takes for all commands: where it ends there are no figures.
    write_session(tmp_path / "still.ndjson", 900.0)
    (tmp_path / "service.toml").write_text(
        'machine = "machine.toml"\nmachine_id = "test"\n'
        f'[[driver]]\nkind = "replay"\nfile = "still.ndjson"\nspeed = {SPEED}\n'
        f"[broker.embedded]\nport = {free_port()}\n"
        f'[state]\ndirectory = "{tmp_path / "state"}"\n[display]\nenabled = false\n'
    )
    return tmp_path


@pytest.fixture
def port(folder: Path) -> Iterator[int]:
    """A running service that has figures."""
    with (folder / "service.toml").open("rb") as file:
        number = int(tomllib.load(file)["broker"]["embedded"]["port"])
    process = subprocess.Popen(
        [sys.executable, "-m", "tipdatum", "run", str(folder / "service.toml")], stderr=subprocess.PIPE
    )
    try:
        assert process.stderr is not None
        for line in process.stderr:
            if str(number).encode() in line:
                break
        with Listener(number, "tipdatum/test/tip", version=4) as listener:
            wait_until(
                lambda: any(json.loads(p)["quality"] == "good" for p in listener.payloads("tip")), "figures"
            )
        yield number
    finally:
        process.terminate()
        process.communicate(timeout=240)


def test_the_steps_hold_every_command() -> None:
    assert {step.name for step in STEPS} == set(COMMANDS)


@pytest.mark.slow
def test_every_command_by_an_outside_client(port: int) -> None:
    refused = []
    with Listener(port, "tipdatum/test/reply", "tipdatum/test/event", version=4) as listener:
        number = 0
        for step in STEPS:
            until, reply = time.monotonic() + PATIENCE_S, {"ok": False, "text": BUSY}
            while not reply["ok"] and BUSY in reply["text"] and time.monotonic() < until:
                number += 1
                body = json.dumps(step.body | {"request_id": f"request-{number}"})
                listener.client.publish(f"tipdatum/test/command/{step.name}", body, qos=1)
                reply = json.loads(listener.wait_for("/reply", number)[-1])
                assert (reply["command"], reply["request_id"]) == (step.name, f"request-{number}")
            if not reply["ok"]:
                refused.append(f"{step.name}: {reply['text']}")
        events = [json.loads(p) for p in listener.payloads("/event")]
    assert refused == []
    points = [e["data"] for e in events if e["kind"] == "point"]
    assert [p["code"] for p in points] == ["INV", "INV"]
    assert {e["data"]["point"] for e in events if e["kind"] == "level-book"} >= {"BM1", "TP1", "laser plane"}


@pytest.mark.slow
def test_every_command_as_it_is_typed(port: int, capsys: pytest.CaptureFixture[str]) -> None:
    refused = []
    for step in STEPS:
        until, told = time.monotonic() + PATIENCE_S, BUSY
        while BUSY in told and time.monotonic() < until:
            told = ""
            try:
                main(["send", "--port", str(port), "--wait", "240", *step.typed])
            except SystemExit as left:
                told = capsys.readouterr().err if left.code else ""
        if told:
            refused.append(f"{step.typed}: {told}")
    assert refused == []


def test_every_command_in_a_recorded_session(folder: Path) -> None:
    steps = [step for step in STEPS if step.name != EVENT_AGAIN]  # which asks a running service
    commands = [Command(4.013 + APART_S * i, s.name, s.body) for i, s in enumerate(steps)]
    session = folder / "commands.ndjson"
    write_session(session, commands[-1].t + 2.0, commands)
    settings = load_service(folder / "service.toml").settings
    told: list[Outgoing] = []
    play(SessionFile(session), settings, told.append)
    messages = [item.message for item in told]
    replies = [m for m in messages if isinstance(m, Reply)]
    assert [r.text for r in replies if not r.ok] == []
    assert [r.command for r in replies] == [step.name for step in steps]
