"""The service as a process: what outside clients see, and what survives a stop, a kill and a broken file."""

from __future__ import annotations

import json
import os
import queue
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tipdatum_drivers.decode.session_lines import encode_header, encode_line
from tipdatum_drivers.reading import Imu, SessionHeader

MACHINE = """
name = "invented still machine"
[boom]
foot_m = [0.3, 0.0, 1.8]
length_m = 4.7
[stick]
length_m = 2.4
[[bucket]]
name = "trenching 600"
tip_m = 1.3
width_m = 0.6
[sensor.upper]
body = "upper"
[sensor.boom]
body = "boom"
[sensor.stick]
body = "stick"
[sensor.bucket]
body = "bucket"
"""

POSTURE = {"upper": (0.0, 9.8), "boom": (3.4, 9.2), "stick": (-8.5, 4.9), "bucket": (-9.6, -1.7)}
"""Specific force along x and z of each body, m/s²: level, arm half out."""

PATIENCE_S = 20.0

SPEED = 3.0
"""Times real speed of the recordings, to save the tests' time."""


def write_session(path: Path, seconds: float) -> None:
    """A machine that stands still, at 50 Hz a sensor, its readings flickering in the last digits."""
    with path.open("wb") as out:
        out.write(encode_header(SessionHeader(1, "2026-05-04T08:00:00Z", {"name": "still"})))
        for step in range(int(seconds * 50)):
            for place, (body, (x, z)) in enumerate(POSTURE.items()):
                flicker = ((step * 7 + place * 3) % 11 - 5) * 0.001
                imu = Imu(
                    step / 50 + place * 0.003,
                    body,
                    (x + flicker, flicker, z - flicker),
                    (flicker * 0.01, -flicker * 0.01, flicker * 0.01),
                )
                out.write(encode_line(imu))


class Client:
    """An ordinary MQTT client that keeps everything it hears."""

    def __init__(self, port: int) -> None:
        self.heard: queue.Queue[tuple[str, Any, bool]] = queue.Queue()
        self.latest: dict[str, Any] = {}
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._on_message
        self._client.on_connect = lambda client, *_: client.subscribe("tipdatum/#", qos=1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        try:
            body = json.loads(message.payload)
        except json.JSONDecodeError:  # a text for small displays, or a command that is none
            body = message.payload.decode()
        self.latest[message.topic] = body
        self.heard.put((message.topic, body, message.retain))

    def send(self, topic: str, body: object) -> None:
        payload = body if isinstance(body, str) else json.dumps(body)
        self._client.publish(topic, payload, qos=1).wait_for_publish(PATIENCE_S)

    def wait_for(self, topic: str, wanted: Any = lambda body: True) -> Any:
        """The next message on `topic` that is `wanted`."""
        until = time.monotonic() + PATIENCE_S
        while (left := until - time.monotonic()) > 0:
            try:
                heard, body, _ = self.heard.get(timeout=left)
            except queue.Empty:
                break
            if heard == topic and wanted(body):
                return body
        raise AssertionError(f"nothing wanted on {topic}; last was {self.latest.get(topic)}")

    def __enter__(self) -> Client:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, e: BaseException | None, t: TracebackType | None
    ) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Service:
    """`tipdatum run` as a process of its own."""

    def __init__(self, config: Path, *options: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tipdatum", "run", str(config), "--json-logs", *options],
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        self.lines: list[str] = []
        self.port = self._port()

    def _port(self) -> int:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.lines.append(line)
            found = re.search(r'"mqtt": (\d+)', line)
            if found:
                return int(found[1])
        raise AssertionError(f"the service did not come up: {self.lines}")

    def rest(self) -> str:
        """Everything it wrote, once it has ended."""
        assert self.process.stderr is not None
        with self.process.stderr as stream:
            self.lines += stream.readlines()
        return "".join(self.lines)

    def end(self, number: int = signal.SIGTERM) -> int:
        self.process.send_signal(number)
        return self.process.wait(PATIENCE_S)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "machine.toml").write_text(MACHINE)
    write_session(tmp_path / "still.ndjson", 120.0)
    (tmp_path / "service.toml").write_text(
        'machine = "machine.toml"\nmachine_id = "test"\n'
        '[[driver]]\nkind = "replay"\nfile = "still.ndjson"\n'
        f"speed = {SPEED}\n"
        f'[state]\ndirectory = "{tmp_path / "state"}"\n[display]\nenabled = false\n'
    )
    return tmp_path


@pytest.fixture
def services() -> Iterator[list[Service]]:
    running: list[Service] = []
    yield running
    for service in running:
        if service.process.poll() is None:
            service.process.kill()
            service.process.wait()
        if service.process.stderr is not None:
            service.process.stderr.close()


def start(services: list[Service], folder: Path, *options: str) -> Service:
    service = Service(folder / "service.toml", *options)
    services.append(service)
    return service


def kill_once_saved(service: Service, folder: Path) -> None:
    """SIGKILL as soon as the reference is on the disk."""
    state = folder / "state" / "test.json"
    until = time.monotonic() + PATIENCE_S
    while not (state.exists() and "101.25" in state.read_text()):
        assert time.monotonic() < until, "the reference was never written"
        time.sleep(0.02)
    service.end(signal.SIGKILL)


def set_reference(client: Client) -> dict[str, Any]:
    client.wait_for("tipdatum/test/tip", lambda tip: tip["t"] > 4.0 and tip["quality"] == "good")
    client.send("tipdatum/test/command/datum/set", {"elevation_m": 101.25})
    reply: dict[str, Any] = client.wait_for("tipdatum/test/reply")
    return reply


def test_an_outside_client_sets_the_reference_and_reads_the_elevation(
    folder: Path, services: list[Service]
) -> None:
    service = start(services, folder)
    with Client(service.port) as client:
        reply = set_reference(client)
        assert client.latest["tipdatum/test/status"]["state"] == "online"
        assert client.latest["tipdatum/test/about"]["machine"]["name"] == "invented still machine"
        assert reply["ok"], reply
        tip = client.wait_for("tipdatum/test/tip", lambda tip: tip["datum"] == "set")
        assert tip["elevation_m"] == pytest.approx(101.25, abs=0.005)
        client.send("tipdatum/test/command/datum/set", "not json")
        refusal = client.wait_for("tipdatum/test/reply")
        assert not refusal["ok"]
        assert "JSON" in refusal["text"]
        assert service.end() == 0
        assert client.wait_for("tipdatum/test/status")["state"] == "offline"
    assert "Traceback" not in service.rest()


def test_live_figures_are_never_retained_and_state_always_is(folder: Path, services: list[Service]) -> None:
    service = start(services, folder)
    with Client(service.port) as first:
        set_reference(first)
    with Client(service.port) as late:
        late.wait_for("tipdatum/test/tip")
        late.wait_for("tipdatum/test/tip")
        retained: dict[str, bool] = {}
        while not late.heard.empty():
            topic, _, kept = late.heard.get()
            retained.setdefault(topic, kept)
        assert late.latest["tipdatum/test/state"]["datum"] == "set"
        assert late.latest["tipdatum/test/changes"]["changes"][-1]["command"] == "datum/set"
        assert not retained.get("tipdatum/test/tip", False)
        assert not retained.get("tipdatum/test/arm", False)


def test_a_killed_service_that_is_back_at_once_has_its_reference(
    folder: Path, services: list[Service]
) -> None:
    service = start(services, folder)
    with Client(service.port) as client:
        assert set_reference(client)["ok"]
    kill_once_saved(service, folder)
    again = start(services, folder)
    with Client(again.port) as client:
        assert client.wait_for("tipdatum/test/state")["datum"] == "set"
        tip = client.wait_for("tipdatum/test/tip", lambda tip: tip["quality"] == "good")
        assert tip["elevation_m"] == pytest.approx(101.25, abs=0.01)


def test_after_a_long_absence_the_reference_is_doubtful_until_confirmed(
    folder: Path, services: list[Service]
) -> None:
    service = start(services, folder)
    with Client(service.port) as client:
        assert set_reference(client)["ok"]
    kill_once_saved(service, folder)
    an_hour_ago = time.time() - 3600
    os.utime(folder / "state" / "test.alive", (an_hour_ago, an_hour_ago))
    again = start(services, folder)
    with Client(again.port) as client:
        state = client.wait_for("tipdatum/test/state")
        assert state["datum"] == "doubtful"
        assert any("off for" in reason for reason in state["reasons"])
        tip = client.wait_for("tipdatum/test/tip", lambda tip: tip["quality"] == "good")
        assert tip["elevation_m"] is not None
        assert tip["deviation_m"] is None
        client.send("tipdatum/test/command/datum/confirm", {})
        assert client.wait_for("tipdatum/test/state", lambda state: state["datum"] == "set")


def test_a_broken_state_file_is_set_aside_and_said(folder: Path, services: list[Service]) -> None:
    (folder / "state").mkdir()
    (folder / "state" / "test.json").write_text('{"version": 1, "work": {"reference"')
    service = start(services, folder)
    with Client(service.port) as client:
        assert client.wait_for("tipdatum/test/state")["datum"] == "none"
    service.end()
    assert "is broken" in service.rest()
    assert (folder / "state" / "test.broken-1.json").exists()


def test_a_recording_survives_kill_and_replays(folder: Path, services: list[Service]) -> None:
    recording = folder / "recorded.ndjson.gz"
    service = start(services, folder, "--record", str(recording))
    with Client(service.port) as client:
        set_reference(client)
        last = client.wait_for("tipdatum/test/tip", lambda tip: tip["t"] > 7.0)
    service.end(signal.SIGKILL)
    out = folder / "out.ndjson"
    subprocess.run(
        [sys.executable, "-m", "tipdatum", "replay", str(recording), "--output", str(out)],
        check=True,
        timeout=60,
    )
    replayed = [json.loads(line) for line in out.read_text().splitlines()]
    assert replayed[-1]["t"] > last["t"] - 1.0 * SPEED
    assert replayed[-1]["datum"] == "set"


def test_a_replay_gives_what_the_live_run_published(folder: Path, services: list[Service]) -> None:
    recording = folder / "recorded.ndjson"
    service = start(services, folder, "--record", str(recording))
    with Client(service.port) as client:
        set_reference(client)
        live = [client.wait_for("tipdatum/test/tip") for _ in range(50)]
    service.end()
    out = folder / "out.ndjson"
    subprocess.run(
        [sys.executable, "-m", "tipdatum", "replay", str(recording), "--output", str(out)],
        check=True,
        timeout=60,
    )
    replayed = [json.loads(line) for line in out.read_text().splitlines()]
    for tip in replayed:
        del tip["t_emit"]
    # In order; a busy computer may have dropped a live figure on its way to the client.
    rest = iter(replayed)
    assert all(tip in rest for tip in live)


def test_ctrl_c_ends_cleanly(folder: Path, services: list[Service]) -> None:
    service = start(services, folder)
    with Client(service.port) as client:
        client.wait_for("tipdatum/test/tip")
    assert service.end(signal.SIGINT) == 0
    assert "Traceback" not in service.rest()


def test_a_missing_recording_is_one_clear_message_and_exit_code_2(folder: Path) -> None:
    (folder / "still.ndjson").unlink()
    done = subprocess.run(
        [sys.executable, "-m", "tipdatum", "run", str(folder / "service.toml")],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 2
    assert "still.ndjson: found no such file" in done.stderr
    assert "Traceback" not in done.stderr
