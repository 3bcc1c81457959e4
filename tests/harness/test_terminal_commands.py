"""Commands at a real (pseudo-)terminal, with real brokers: `tipdatum watch` and `tipdatum new`."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from bus_tools import Mosquitto, free_port
from paho.mqtt.enums import CallbackAPIVersion
from terminal import COMMAND, PATIENCE_S, Terminal

from tipdatum.bus.broker import EmbeddedBroker

Start = Callable[..., Terminal]


@pytest.fixture
def terminal() -> Iterator[Start]:
    """`terminal("watch", …)`: the command at a terminal; ended with the test."""
    made: list[Terminal] = []

    def start(*arguments: str, cwd: Path | None = None) -> Terminal:
        made.append(Terminal(*arguments, cwd=cwd))
        return made[-1]

    yield start
    for one in made:
        one.close()


class Publisher:
    """Publishes a tip message 20 times a second until told to stop."""

    def __init__(self, port: int, **fields: Any) -> None:
        self._tip = json.dumps(
            {
                "t": 1.0, "time": "2026-05-04T08:00:01.000Z", "elevation_m": -1.234, "left_m": -1.23,
                "right_m": -1.24, "reach_m": 5.2, "lateral_m": 0.0, "sigma_m": 0.012, "quality": "good",
                "reasons": [], "datum": "set", "deviation_m": None,
            } | fields
        )  # fmt: skip
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="publisher")
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.wait(0.05):
            self._client.publish("tipdatum/digger-1/tip", self._tip)

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def publisher() -> Iterator[Callable[..., Publisher]]:
    made: list[Publisher] = []

    def start(port: int, **fields: Any) -> Publisher:
        made.append(Publisher(port, **fields))
        return made[-1]

    yield start
    for one in made:
        one.close()


def test_watch_shows_figures_and_takes_them_away_with_a_reason(
    terminal: Start, publisher: Callable[..., Publisher]
) -> None:
    with EmbeddedBroker() as broker:
        assert broker.addresses is not None
        port = broker.addresses.port
        shown = terminal("watch", "--port", str(port))
        shown.wait_for("waiting for the service")
        source = publisher(port, deviation_m=0.134)
        shown.wait_for("above target, lower")
        assert "± 0.012 m" in shown.text
        source.close()
        shown.wait_for("no message")
        assert "above target" not in shown.text
        assert "± 0.012" not in shown.text
    shown.wait_for("no broker: the connection to")
    assert shown.end(by=signal.SIGINT) == 0
    assert b"Traceback" not in shown.everything


def test_watch_comes_back_by_itself_when_the_broker_does(
    terminal: Start, publisher: Callable[..., Publisher]
) -> None:
    port = free_port()
    with EmbeddedBroker(port=port):
        shown = terminal("watch", "--port", str(port), "--machine-id", "digger-1")
        shown.wait_for("waiting for the service")
    shown.wait_for("no broker")
    with EmbeddedBroker(port=port):
        publisher(port)
        shown.wait_for("± 0.012 m")
        assert shown.end(by=signal.SIGINT) == 0


def test_watch_prints_lines_where_nobody_can_see_a_picture(publisher: Callable[..., Publisher]) -> None:
    with EmbeddedBroker() as broker:
        assert broker.addresses is not None
        publisher(broker.addresses.port, deviation_m=-0.05)
        arguments = [*COMMAND, "watch", "--port", str(broker.addresses.port)]
        with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            lines = [process.stdout.readline() for _ in range(2)]
            process.send_signal(signal.SIGINT)
            assert process.wait(PATIENCE_S) == 0
    assert "elevation -1.234 m ± 0.012 m  good  0.050 m below target, raise" in lines[1]


def _refusal(port: int, *arguments: str, **environment: str) -> str:
    done = subprocess.run(
        [*COMMAND, "watch", "--port", str(port), *arguments],
        capture_output=True, text=True, timeout=PATIENCE_S, check=False, env=os.environ | environment,
    )  # fmt: skip
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().split("\n")) == 1
    return done.stderr


def test_a_wrong_password_is_told_and_never_shown() -> None:
    """The embedded broker closes the connection instead of refusing it."""
    with EmbeddedBroker(users={"display": "right"}) as broker:
        assert broker.addresses is not None
        told = _refusal(
            broker.addresses.port, "--user", "display", TIPDATUM_BROKER_PASSWORD="hunter2"
        )  # fmt: skip
    assert 'wrong user "display" or password' in told
    assert "hunter2" not in told


@pytest.mark.broker
def test_a_refusal_in_the_brokers_own_words_is_told(need_mosquitto: None, tmp_path: Path) -> None:
    tool = shutil.which("mosquitto_passwd")
    assert tool is not None
    words = tmp_path / "passwords"
    words.touch(mode=0o600)
    subprocess.run([tool, "-b", str(words), "display", "right"], check=True, capture_output=True)
    # As root mosquitto gives up its rights and could not read the file any more.
    config = f"user root\nlistener {{port}} 127.0.0.1\nallow_anonymous false\npassword_file {words}\n"
    broker = Mosquitto(tmp_path, config)
    try:
        told = _refusal(broker.port, "--user", "display", TIPDATUM_BROKER_PASSWORD="hunter2")
        unnamed = _refusal(broker.port)
    finally:
        broker.stop()
    assert 'user "display"' in told
    assert "hunter2" not in told
    assert "a client without user and password" in unnamed


@pytest.mark.broker
def test_watch_and_send_speak_tls_with_a_broker_that_they_trust(
    need_mosquitto: None, terminal: Start, tmp_path: Path
) -> None:
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("needs openssl to make a certificate")
    certificate, key = tmp_path / "server.crt", tmp_path / "server.key"
    subprocess.run(
        [
            openssl, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
            "-days", "2", "-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1",
            "-keyout", str(key), "-out", str(certificate),
        ],
        check=True, capture_output=True,
    )  # fmt: skip
    config = f"user root\nlistener {{port}} 127.0.0.1\nallow_anonymous true\ncertfile {certificate}\n"
    broker = Mosquitto(tmp_path, f"{config}keyfile {key}\n")
    try:
        shown = terminal("watch", "--port", str(broker.port), "--ca", str(certificate))
        shown.wait_for("waiting for the service")
        assert shown.end(by=signal.SIGINT) == 0
        assert "is not accepted" in _refusal(broker.port, "--tls")
        assert "does it want" in _refusal(broker.port)
        sent = [*COMMAND, "send", "datum/clear", "--port", str(broker.port), "--ca", str(certificate)]
        answer = subprocess.run(sent, capture_output=True, text=True, timeout=60)
        assert "no machine is known" in answer.stderr  # so it was let in, and has looked for one
        assert "--ca: none.pem cannot be used: no such file" in _refusal(broker.port, "--ca", "none.pem")
    finally:
        broker.stop()


def test_new_asks_until_it_makes_sense_and_writes_files_that_check_accepts(
    terminal: Start, tmp_path: Path
) -> None:
    asked = terminal("new", str(tmp_path), cwd=tmp_path)
    for question, answer in (
        ("What is the machine called?", "Blue digger"),
        ("Its name in topics", ""),
        ("Boom foot pin", "35 cm, 0, 1.75"),
        ("Boom: foot pin to stick pin", "460"),
        ("460 m cannot be", "15 ft 1 in"),
        ("Stick: boom pin", "2500 mm"),
        ("What is the bucket called?", ""),
        ("Bucket: pin to the middle", "1.30"),
        ("Bucket: width", "24 in"),
        ("More joints?", ""),
        ("how far the upper is slewed", ""),
        ("Where does the last sensor sit", "bucket"),
        ("Sensor on the upper", ""),
        ("arrow point", ""),
        ("Sensor on the boom", "1.7, 0.1, 0.25"),
        ("Sensor on the boom", "back up"),
    ):
        asked.wait_for(question)
        asked.type(answer)
    for _ in range(4):
        asked.type("")
    asked.wait_for("next:")
    assert asked.end() == 0
    done = subprocess.run(
        [*COMMAND, "check", str(tmp_path / "blue-digger.toml")],
        capture_output=True, text=True, timeout=PATIENCE_S, check=False, env=os.environ | {"COLUMNS": "200"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "Boom 4.597 m and stick 2.500 m" in done.stdout
    assert "looking x along the boom to the cab, y right, z up with the boom level, within 2°" in done.stdout
