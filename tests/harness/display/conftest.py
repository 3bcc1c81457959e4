"""A browser, a broker and a stand-in for the service, for tests of the page."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from tipdatum.display.server import PageSettings, Server, start

PATIENCE_S = 120.0
"""For what comes at once on a quiet machine."""
expect.set_options(timeout=PATIENCE_S * 1000.0)

CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser", "google-chrome")) if p), None)
MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
SWITCHES = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--autoplay-policy=no-user-gesture-required",
]  # fmt: skip


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Mosquitto:
    """A real broker on loopback with MQTT and WebSocket listeners; can be stopped and started again."""

    def __init__(self, folder: Path, extra: str = "allow_anonymous true") -> None:
        self.port, self.ws_port = free_port(), free_port()
        self._config = folder / "mosquitto.conf"
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\nlistener {self.ws_port} 127.0.0.1\nprotocol websockets\n"
            f"set_tcp_nodelay true\n{extra}\n"
        )
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    @property
    def ws_url(self) -> str:
        return f"ws://127.0.0.1:{self.ws_port}/mqtt"

    def start(self) -> None:
        assert MOSQUITTO is not None
        self._process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self._config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        for port in (self.port, self.ws_port):
            _wait_for(lambda port=port: _listens(port), f"mosquitto to listen on {port}")  # type: ignore[misc]

    def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


def _listens(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.2):
        return True
    return False


def _wait_for(ready: Callable[[], bool], what: str, timeout_s: float = PATIENCE_S) -> None:
    end = time.monotonic() + timeout_s
    while not ready():
        if time.monotonic() > end:
            raise AssertionError(f"waited {timeout_s} s for {what}")
        time.sleep(0.02)


class StandIn:
    """Speaks the contract as the service does, 25 tips a second, and answers commands with a plain yes."""

    MACHINE = "test-machine"

    def __init__(self, port: int) -> None:
        self.base = f"tipdatum/{self.MACHINE}"
        self.commands: list[tuple[str, dict[str, Any]]] = []
        self.tip: dict[str, Any] = {
            "elevation_m": 23.04, "left_m": 23.043, "right_m": 23.037, "reach_m": 6.2, "lateral_m": 0.0,
            "sigma_m": 0.004, "quality": "good", "reasons": [], "datum": "set", "deviation_m": 0.1,
        }  # fmt: skip
        self.state: dict[str, Any] = {
            "datum": "set", "reasons": [], "bucket": "trenching 600",
            "reference": {"mark": "BM1", "known_m": 24.31, "t": 1.0},
            "target": {"kind": "level", "elevation_m": 22.94},
        }  # fmt: skip
        self.reply: dict[str, Any] = {"ok": True, "text": "Reference set.", "result": {"undo_s": 30.0}}
        self.limits: list[dict[str, Any]] = []
        self.arm: dict[str, Any] = {}
        self.silent = threading.Event()
        self._t, self._stop = 0.0, threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.reconnect_delay_set(1, 1)
        self._client.will_set(f"{self.base}/status", '{"state": "offline", "reason": null}', 1, True)
        self._client.on_connect = lambda *_: self._hello()
        self._client.on_message = lambda _c, _u, message: self._command(message)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def publish(self, name: str, message: dict[str, Any], *, retain: bool = False) -> None:
        stamped = {"t": self._t, "time": "2026-05-04T08:00:00Z", **message}
        self._client.publish(f"{self.base}/{name}", json.dumps(stamped), 1 if retain else 0, retain)

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()

    def _hello(self) -> None:
        self._client.subscribe(f"{self.base}/command/#", 1)
        self.publish("status", {"state": "online", "reason": None}, retain=True)
        self.publish("state", self.state, retain=True)
        machine = {
            "name": "Test machine", "boom": {"foot_m": [0.35, 0, 1.75], "length_m": 4.6},
            "stick": {"length_m": 2.5}, "bucket": [{"name": "trenching 600", "tip_m": 1.3, "width_m": 0.6}],
        }  # fmt: skip
        about = {"version": "0", "contract": "1", "machine_id": self.MACHINE, "machine": machine}
        self.publish("about", about, retain=True)
        for sensor in ("upper", "boom"):
            self.publish(
                f"health/{sensor}",
                {"sensor": sensor, "body": sensor, "state": "ok", "text": "", "rate_hz": 100.0, "faults": {}},
                retain=True,
            )

    def _command(self, message: mqtt.MQTTMessage) -> None:
        name, body = message.topic.removeprefix(f"{self.base}/command/"), json.loads(message.payload)
        self.commands.append((name, body))
        self.publish("reply", {"command": name, "request_id": body.get("request_id"), **self.reply})

    def _run(self) -> None:
        begin = time.monotonic()
        while not self._stop.wait(0.04):
            self._t = time.monotonic() - begin
            if self.silent.is_set():
                continue
            self.publish("tip", self.tip)
            if self.limits:
                self.publish("limits", {"limits": self.limits})
            points = [("boom foot", 0.35, 1.75), ("pin", 4.2, 4.2), ("pin", 6.4, 0.6), ("tip", 6.2, -1.3)]
            self.publish(
                "arm",
                {
                    "quality": "good",
                    "points": [{"name": n, "reach_m": r, "height_m": h} for n, r, h in points],
                    "height_to_elevation_m": 24.34,
                    **self.arm,
                },
            )


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, headless; a module at a time, because playwright keeps an event loop running."""
    if CHROMIUM is None:
        pytest.skip("needs Chromium, which is not installed")
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=CHROMIUM, args=SWITCHES)
        yield launched
        launched.close()


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    made = browser.new_context(viewport={"width": 1280, "height": 800}, locale="en-GB")
    made.set_default_timeout(PATIENCE_S * 1000.0)
    yield made
    made.close()


@pytest.fixture
def page(context: BrowserContext) -> Iterator[Page]:
    """An empty page; whatever it complains about in its console fails the test."""
    complaints: list[str] = []
    made = context.new_page()
    made.on("pageerror", lambda error: complaints.append(str(error)))
    yield made
    made.close()
    assert complaints == []


@pytest.fixture
def new_broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Mosquitto]]:
    """Makes brokers that are stopped at the end of the test."""
    if MOSQUITTO is None:
        pytest.skip("needs mosquitto, which is not installed")
    made: list[Mosquitto] = []

    def make(*extra: str) -> Mosquitto:
        made.append(Mosquitto(tmp_path_factory.mktemp("broker"), *extra))
        return made[-1]

    yield make
    for broker in made:
        broker.stop()


@pytest.fixture
def broker(new_broker: Callable[..., Mosquitto]) -> Mosquitto:
    return new_broker()


@pytest.fixture
def stand_in(broker: Mosquitto) -> Iterator[StandIn]:
    speaking = StandIn(broker.port)
    yield speaking
    speaking.close()


@pytest.fixture
def serve() -> Iterator[Callable[..., Server]]:
    """Serves the page with given settings, until the end of the test."""
    servers: list[Server] = []

    def begin(websocket: str = "ws://127.0.0.1:9", machine_id: str = StandIn.MACHINE, **more: Any) -> Server:
        servers.append(start("127.0.0.1", 0, PageSettings(websocket, machine_id, **more)))
        return servers[-1]

    yield begin
    for server in servers:
        server.close()


@pytest.fixture
def modules(browser: Browser, serve: Callable[..., Server]) -> Iterator[Page]:
    """An empty page of the served origin in which modules of the page can be imported by themselves.

    Without the page's security policy, which would forbid what the test driver itself evaluates.
    """
    own = browser.new_context(bypass_csp=True)
    empty = own.new_page()
    empty.goto(serve().url + "no-such-file")
    yield empty
    own.close()


@pytest.fixture
def node_module() -> Callable[..., Path]:
    """A file of an npm package found through NODE_PATH, or the test is skipped saying so."""

    def find(*parts: str) -> Path:
        for folder in filter(None, os.environ.get("NODE_PATH", "").split(os.pathsep)):
            if (path := Path(folder).joinpath(*parts)).exists():
                return path
        pytest.skip(f"needs the npm package {parts[0]} in a folder that NODE_PATH names")

    return find
