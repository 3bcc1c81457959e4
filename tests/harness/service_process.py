"""`tipdatum run` as a process of its own, an ordinary client of it, and a recording for it to play."""

from __future__ import annotations

import json
import os
import queue
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from small_machine import DESCRIPTION, STILL
from tipdatum_drivers.decode.session_lines import encode_header, encode_line
from tipdatum_drivers.reading import Imu, SessionHeader

POSTURE = {"upper": (0.0, 9.8), "boom": (3.4, 9.2), "stick": (-8.5, 4.9), "bucket": (-9.6, -1.7)}
"""Specific force along x and z of each body, m/s²: level, arm half out."""

PATIENCE_S = 240.0
"""How long a test waits for what should come soon; never part of an assertion's meaning."""

SPEED = 3.0
"""Times real speed of the recordings, to save the tests' time."""


def write_session(path: Path, seconds: float, extra: dict[float, bytes] | None = None) -> None:
    """A machine that stands still, at 50 Hz a sensor, its readings flickering in the last digits.

    Args:
        extra: lines to write before the readings of that step, by its time.
    """
    with path.open("wb") as out:
        out.write(encode_header(SessionHeader(1, "2026-05-04T08:00:00Z", DESCRIPTION)))
        for step in range(round(seconds * 50)):
            out.write((extra or {}).get(step / 50, b""))
            for place, (body, (x, z)) in enumerate(POSTURE.items()):
                flicker = ((step * 7 + place * 3) % 11 - 5) * 0.001
                imu = Imu(
                    step / 50 + place * 0.003,
                    body,
                    (x + flicker, flicker, z - flicker),
                    (flicker * 0.01, -flicker * 0.01, flicker * 0.01),
                )
                out.write(encode_line(imu))


def write_service(folder: Path, more: str = "[display]\nenabled = false\n") -> Path:
    """A service's file over `still.ndjson` in `folder`, its state beside it."""
    (folder / "machine.toml").write_text(STILL)
    path = folder / "service.toml"
    path.write_text(
        'machine = "machine.toml"\nmachine_id = "test"\n'
        '[[driver]]\nkind = "replay"\nfile = "still.ndjson"\n'
        f'speed = {SPEED}\n[state]\ndirectory = "state"\n{more}'
    )
    return path


class Client:
    """An ordinary MQTT client that keeps everything it hears."""

    def __init__(self, port: int, machine_id: str = "test") -> None:
        self._base = f"tipdatum/{machine_id}"
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

    def send(self, name: str, body: object) -> None:
        """Send a command."""
        payload = body if isinstance(body, str) else json.dumps(body)
        told = self._client.publish(f"{self._base}/command/{name}", payload, qos=1)
        told.wait_for_publish(PATIENCE_S)

    def wait_for(self, name: str, wanted: Callable[[Any], bool] = lambda body: True) -> Any:
        """The next message under the machine's topic `name` that is `wanted`."""
        topic = f"{self._base}/{name}"
        until = time.monotonic() + PATIENCE_S
        while (left := until - time.monotonic()) > 0:
            try:
                heard, body, _ = self.heard.get(timeout=left)
            except queue.Empty:
                break
            if heard == topic and wanted(body):
                return body
        raise AssertionError(
            f"nothing wanted on {topic}; last was {self.latest.get(topic)}; heard: {sorted(self.latest)}"
        )

    def set_reference(self) -> dict[str, Any]:
        """Set the reference at 101.25 once there are figures; gives the reply.

        Beside busy programs readings come late, and then the tip is not known to stand still: it is tried
        again, as a person does.
        """
        until = time.monotonic() + PATIENCE_S
        while True:
            self.wait_for("tip", lambda tip: tip["quality"] == "good")
            self.send("datum/set", {"elevation_m": 101.25})
            reply: dict[str, Any] = self.wait_for("reply")
            if reply["ok"] or time.monotonic() > until:
                return reply

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, e: BaseException | None, t: TracebackType | None
    ) -> None:
        self.close()


class Service:
    """`tipdatum run` as a process of its own; its log is read all the time."""

    def __init__(self, config: Path, *options: str, **environment: str) -> None:
        self.lines: list[str] = []
        self._more = threading.Condition()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tipdatum", "run", str(config), "--json-logs", *options],
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1", **environment},
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stderr is not None
        with self.process.stderr as stream:
            for line in stream:
                with self._more:
                    self.lines.append(line)
                    self._more.notify_all()
        with self._more:
            self._more.notify_all()

    def wait_for(self, pattern: str) -> re.Match[str]:
        """The first line of the log that matches; fails with the whole log if none comes."""
        until = time.monotonic() + PATIENCE_S
        seen = 0
        with self._more:
            while True:
                for line in self.lines[seen:]:
                    if found := re.search(pattern, line):
                        return found
                seen = len(self.lines)
                left = until - time.monotonic()
                if left <= 0 or not self._reader.is_alive():
                    raise AssertionError(f"{pattern!r} is not logged:\n{self.log}")
                self._more.wait(min(left, 0.5))

    @property
    def port(self) -> int:
        """The embedded broker's port, once it listens."""
        return int(self.wait_for(r'"mqtt": (\d+)')[1])

    @property
    def log(self) -> str:
        """Everything it wrote so far."""
        return "".join(self.lines)

    def end(self, number: int = signal.SIGTERM) -> int:
        """End it by a signal; gives the exit code, with the log complete."""
        self.process.send_signal(number)
        code = self.process.wait(PATIENCE_S)
        self._reader.join(PATIENCE_S)
        return code

    def close(self) -> None:
        """Leave nothing running."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self._reader.join(PATIENCE_S)
