"""The service as a process: what outside clients see, and what survives a stop, a kill and a broken file.

Starting a service costs more than what is looked at, so one run is told about by several tests: a morning
that begins with a broken state file and ends with Ctrl-C, and a service that is killed and comes back.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from service_process import PATIENCE_S, SPEED, Client, Service, write_service, write_session

from tipdatum.config import FusionTable, make_settings
from tipdatum.grade.forms import WorkOptions
from tipdatum.run.replay import replay_file
from tipdatum_drivers.session_file import SessionFile

BROKEN = '{"version": 1, "work": {"reference"'


@pytest.fixture(scope="module")
def new_folder(tmp_path_factory: pytest.TempPathFactory, still: Path) -> Callable[[], Path]:
    """A folder with a machine's and a service's file over the still recording."""

    def make() -> Path:
        folder = tmp_path_factory.mktemp("site")
        (folder / "still.ndjson").symlink_to(still)
        write_service(folder)
        return folder

    return make


@pytest.fixture(scope="module")
def start() -> Iterator[Callable[..., Service]]:
    """`start(folder, *options)`: a running service; ended with the module."""
    running: list[Service] = []

    def begin(folder: Path, *options: str) -> Service:
        running.append(Service(folder / "service.toml", *options))
        return running[-1]

    yield begin
    for service in running:
        service.close()


def replayed(session: Path, folder: Path) -> list[dict[str, Any]]:
    """The tip messages that a replay of a recording gives."""
    out = folder / "replayed.ndjson"
    replay_file(session, out, make_settings(FusionTable(), WorkOptions(), "defaults"))
    return [json.loads(line) for line in out.read_text().splitlines()]


# -- a morning: a broken state file, a reference, a wrong command, a display that comes late, Ctrl-C --------


@dataclass
class Morning:
    """What was seen of it."""

    folder: Path
    log: str
    exit_code: int
    first_state: dict[str, Any]
    reply: dict[str, Any]
    refusal: dict[str, Any]
    live: list[dict[str, Any]]
    seen: dict[str, Any]
    late: dict[str, Any]
    retained: dict[str, bool]
    last_status: dict[str, Any]


@pytest.fixture(scope="module")
def morning(new_folder: Callable[[], Path], start: Callable[..., Service]) -> Morning:
    folder = new_folder()
    (folder / "state").mkdir()
    (folder / "state" / "test.json").write_text(BROKEN)
    service = start(folder, "--record", str(folder / "recorded.ndjson"))
    with Client(service.port) as client:
        first_state = client.wait_for("state")
        reply = client.set_reference()
        live = [
            client.wait_for("tip", lambda tip: tip["datum"] == "set" and tip["elevation_m"] is not None)
            for _ in range(51)
        ]
        client.send("datum/set", "not json")
        refusal = client.wait_for("reply")
        with Client(service.port) as display:
            display.wait_for("tip")
            display.wait_for("tip")
            retained: dict[str, bool] = {}
            while not display.heard.empty():
                topic, _, kept = display.heard.get()
                retained.setdefault(topic, kept)
            late = dict(display.latest)
        seen = dict(client.latest)
        code = service.end(signal.SIGINT)
        last_status = client.wait_for("status", lambda status: status["state"] == "offline")
    return Morning(
        folder, service.log, code, first_state, reply, refusal, live, seen, late, retained, last_status
    )


def test_an_outside_client_sets_the_reference_and_reads_the_elevation(morning: Morning) -> None:
    assert morning.seen["tipdatum/test/status"]["state"] == "online"
    assert morning.reply["ok"], morning.reply
    assert morning.live[0]["elevation_m"] == pytest.approx(101.25, abs=0.005)


def test_about_tells_machine_version_and_build(morning: Morning) -> None:
    about = morning.seen["tipdatum/test/about"]
    assert about["machine"]["name"] == "invented still machine"
    assert about["version"]
    assert about["build"]


def test_a_command_that_is_none_is_refused_in_words(morning: Morning) -> None:
    assert not morning.refusal["ok"]
    assert "JSON" in morning.refusal["text"]


def test_live_figures_are_never_retained_and_state_always_is(morning: Morning) -> None:
    assert morning.late["tipdatum/test/state"]["datum"] == "set"
    assert morning.late["tipdatum/test/changes"]["changes"][-1]["command"] == "datum/set"
    for name in ("tip", "arm"):
        assert not morning.retained.get(f"tipdatum/test/{name}", False)


def test_a_broken_state_file_is_set_aside_and_said(morning: Morning) -> None:
    assert morning.first_state["datum"] == "none"
    assert "is broken" in morning.log
    assert (morning.folder / "state" / "test.broken-1.json").read_text() == BROKEN


def test_a_state_folder_is_relative_to_the_services_file(morning: Morning) -> None:
    assert "101.25" in (morning.folder / "state" / "test.json").read_text()


def test_ctrl_c_ends_cleanly_and_says_goodbye(morning: Morning) -> None:
    assert morning.exit_code == 0
    assert morning.last_status["state"] == "offline"
    assert "Traceback" not in morning.log


def test_a_replay_gives_what_the_live_run_published(morning: Morning) -> None:
    again = replayed(morning.folder / "recorded.ndjson", morning.folder)
    for tip in again:
        del tip["t_emit"]
    # In order; a busy computer may have dropped a live figure on its way to the client.
    rest = iter(again)
    same = all(tip in rest for tip in morning.live)
    if not same and os.getloadavg()[0] > 2.0 * (os.cpu_count() or 1):
        pytest.skip("this computer is too busy to play lines before the tick that they belong to")
    assert same


def test_the_recording_of_a_run_that_ended_well_is_whole(morning: Morning) -> None:
    session = SessionFile(morning.folder / "recorded.ndjson")
    *_, last = session
    assert last.t >= morning.live[-1]["t"]
    assert session.warnings == []


# -- a kill, while recording and with a reference ------------------------------------------------------------


@dataclass
class Killed:
    """What it left behind, and the last figure that a client had."""

    folder: Path
    last: dict[str, Any]


@pytest.fixture(scope="module")
def killed(new_folder: Callable[[], Path], start: Callable[..., Service]) -> Killed:
    folder = new_folder()
    service = start(folder, "--record", str(folder / "recorded.ndjson.gz"))
    state = folder / "state" / "test.json"
    with Client(service.port) as client:
        assert client.set_reference()["ok"]
        while not (state.exists() and "101.25" in state.read_text()):
            last = client.wait_for("tip")  # fails if they end
        last = client.wait_for("tip", lambda tip: tip["datum"] == "set")
        set_at = last["t"]
        # Until the recorder, which writes twice a second, has written a part of what has the reference.
        last = client.wait_for("tip", lambda tip: tip["t"] > set_at + 1.5 * SPEED)
    service.end(signal.SIGKILL)
    return Killed(folder, last)


def test_a_recording_survives_kill_and_replays(killed: Killed) -> None:
    again = replayed(killed.folder / "recorded.ndjson.gz", killed.folder)
    # At most a second of real time is lost, which is SPEED seconds of the recording's.
    assert again[-1]["t"] > killed.last["t"] - 1.0 * SPEED
    assert again[-1]["datum"] == "set"


def test_a_killed_service_that_is_back_at_once_has_its_reference(
    killed: Killed, new_folder: Callable[[], Path], start: Callable[..., Service]
) -> None:
    folder = new_folder()
    shutil.copytree(killed.folder / "state", folder / "state")
    (folder / "state" / "test.alive").touch()  # other tests may have run since
    service = start(folder)
    with Client(service.port) as client:
        assert client.wait_for("state")["datum"] == "set"
        tip = client.wait_for("tip", lambda tip: tip["quality"] == "good")
        assert tip["elevation_m"] == pytest.approx(101.25, abs=0.01)
        assert service.end(signal.SIGTERM) == 0
    assert "Traceback" not in service.log


def test_after_a_long_absence_the_reference_is_doubtful_until_confirmed(
    killed: Killed, new_folder: Callable[[], Path], start: Callable[..., Service]
) -> None:
    folder = new_folder()
    shutil.copytree(killed.folder / "state", folder / "state")
    an_hour_ago = time.time() - 3600
    os.utime(folder / "state" / "test.alive", (an_hour_ago, an_hour_ago))
    service = start(folder)
    with Client(service.port) as client:
        state = client.wait_for("state")
        assert state["datum"] == "doubtful"
        assert any("off for" in reason for reason in state["reasons"])
        tip = client.wait_for("tip", lambda tip: tip["quality"] == "good")
        assert tip["elevation_m"] is not None
        assert tip["deviation_m"] is None
        client.send("datum/confirm", {})
        assert client.wait_for("state", lambda state: state["datum"] == "set")


# -- what cannot start --------------------------------------------------------------------------------------


def test_a_missing_recording_is_one_clear_message_and_exit_code_2(new_folder: Callable[[], Path]) -> None:
    folder = new_folder()
    (folder / "still.ndjson").unlink()
    done = subprocess.run(
        [sys.executable, "-m", "tipdatum", "run", str(folder / "service.toml")],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr.startswith("tipdatum: ")
    assert "still.ndjson: found no such file" in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""


# -- a recording that is played faster than the computer can ------------------------------------------------


@pytest.mark.parametrize("options", [("--until-end",), ()])
def test_a_recording_that_is_too_fast_for_the_computer_ends_and_so_does_the_service(
    tmp_path: Path, start: Callable[..., Service], options: tuple[str, ...]
) -> None:
    write_session(tmp_path / "still.ndjson", 40.0)
    path = write_service(tmp_path)
    path.write_text(path.read_text().replace(f"speed = {SPEED}", "speed = 1000.0"))
    service = start(tmp_path, *options)
    service.wait_for("driver has come to its end")
    if not options:
        service.process.send_signal(signal.SIGTERM)
    assert service.process.wait(PATIENCE_S) == 0
