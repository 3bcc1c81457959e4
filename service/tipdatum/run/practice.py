"""The practice machine as a process of its own: clock, ports and broker around `simulator.practice`.

It stands where a real machine stands, at the other end of the serial lines: the service opens the same
ports as ever and knows nothing of it. A page drives it over topics beside the service's own:

================================ =======================================================================
`practice/<machine id>/levers`   where the levers stand (page → machine, ten times a second or more)
`practice/<machine id>/wish`     a fault, the reference, the target, the task's begin and end
`practice/<machine id>/scene`    what stays as it is, retained
`practice/<machine id>/view`     the moment
================================ =======================================================================
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Protocol

import orjson
import paho.mqtt.client as mqtt
import serial
from paho.mqtt.enums import CallbackAPIVersion

from tipdatum.bus.topics import Topics
from tipdatum.errors import InputError
from tipdatum.simulator.practice import Practice
from tipdatum.simulator.scenario import load_scenario
from tipdatum_drivers import serial_port

ROOT = "practice"
DEVICES = Path("/dev")
TURN_S = 0.005
VIEW_S = 0.05


class LineEnd(Protocol):
    """Where a line's bytes go."""

    def send(self, data: bytes) -> None: ...
    def receive(self) -> bytes: ...
    def close(self) -> None: ...


class PseudoTerminal:
    """A port that another program opens by the name of a link; `unplug` and `plug` do what a hand does."""

    def __init__(self, link: Path) -> None:
        self._link = link
        self._ends: tuple[int, int] | None = None
        self.plug()

    def plug(self) -> None:
        """Make the port anew, under the same name."""
        if self._ends is not None:
            return
        try:
            import pty
            import tty
        except ImportError:
            raise InputError(
                "this computer has no pseudo-terminals: name a serial port with --port"
            ) from None
        ours, theirs = pty.openpty()
        tty.setraw(theirs)
        os.set_blocking(ours, False)
        with contextlib.suppress(FileNotFoundError):
            self._link.unlink()
        try:
            self._link.symlink_to(os.ttyname(theirs))
        except OSError as error:
            raise InputError(f"{self._link}: no port can be made there: {error.strerror}") from None
        self._ends = (ours, theirs)

    def unplug(self) -> None:
        """Take the port away, as a cable that is pulled."""
        if self._ends is not None:
            self._link.unlink(missing_ok=True)
            for end in self._ends:
                os.close(end)
            self._ends = None

    def send(self, data: bytes) -> None:
        """Bytes on the wire; what nobody reads is lost, as on a real line."""
        if self._ends is not None and data:
            with contextlib.suppress(BlockingIOError):
                os.write(self._ends[0], data)

    def receive(self) -> bytes:
        """What the other program sent."""
        if self._ends is None:
            return b""
        try:
            return os.read(self._ends[0], 4096)
        except (BlockingIOError, OSError):
            return b""

    def close(self) -> None:
        """The port goes, its name with it."""
        self.unplug()


class RealPort:
    """A serial port of this computer."""

    def __init__(self, name: str, baud: int) -> None:
        self._port = serial_port.open_port(serial_port.SerialOptions(port=name, baud=baud), 0.0)

    def send(self, data: bytes) -> None:
        """Bytes on the wire; a port that takes none for a while loses them."""
        if data:
            with contextlib.suppress(serial.SerialException, OSError):
                self._port.write(data)

    def receive(self) -> bytes:
        """What came in."""
        try:
            return bytes(self._port.read(4096))
        except (serial.SerialException, OSError):
            return b""

    def close(self) -> None:
        """Give the port back."""
        self._port.close()


def open_port(name: str, baud: int) -> LineEnd:
    """A serial port of that name, or a pseudo-terminal under it where there is none.

    Names of devices are never made: one that is not there is an adapter that is unplugged.

    Raises:
        PortError: the port cannot be opened. InputError: no pseudo-terminal can be made there.
    """
    path = Path(name)
    device = "://" in name or DEVICES in path.parents
    return RealPort(name, baud) if device or path.exists() else PseudoTerminal(path)


def turn(practice: Practice, ports: list[LineEnd], now: float) -> None:
    """One turn of the lines: what is due goes out, what came in is answered."""
    for line, port, data in zip(practice.lines, ports, practice.advance_to(now), strict=True):
        if isinstance(port, PseudoTerminal):
            (port.unplug if practice.torn else port.plug)()
        elif practice.torn:
            continue
        port.send(data)
        asked = port.receive()
        if asked:
            port.send(line.answer(asked, practice.simulation.t))


def keep_turning(practice: Practice, ports: list[LineEnd], on_turn: Callable[[float], bool]) -> None:
    """Turn in real time until `on_turn`, told the seconds since the start, says False."""
    began = time.monotonic()
    while on_turn(time.monotonic() - began):
        turn(practice, ports, time.monotonic() - began)
        time.sleep(TURN_S)


@dataclass(frozen=True, slots=True)
class PracticeStart:
    """What the process is told at its start.

    Attributes:
        scenario: path. machine: a description instead of the scenario's. kind: format. ports: their names.
    """

    scenario: Path
    machine: Path | None
    kind: str
    ports: tuple[str, ...]
    script: bool


@dataclass(frozen=True, slots=True)
class Place:
    """Where the broker is, and the machine's id."""

    host: str
    port: int
    machine_id: str
    topic_root: str


def run(spec: PracticeStart, parent: Connection) -> None:
    """The process: opens the ports, says so, hears of the broker, turns until the parent goes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    practice = Practice(load_scenario(spec.scenario, spec.machine), spec.kind, spec.script)
    ports = [open_port(name, line.baud) for name, line in zip(spec.ports, practice.lines, strict=True)]
    try:
        parent.send("ready")
        place = parent.recv()
        _Talk(practice, place).run(ports, parent)
    except (EOFError, OSError):
        return
    finally:
        for port in ports:
            port.close()


class _Talk:
    """The process's side of the broker."""

    def __init__(self, practice: Practice, place: Place) -> None:
        self._practice, self._base = practice, f"{ROOT}/{place.machine_id}"
        self._service = Topics(place.machine_id, place.topic_root).base
        self._inbox: queue.SimpleQueue[tuple[str, bytes]] = queue.SimpleQueue()
        self._view_due = 0.0
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        self._client.on_connect = lambda *_: self._hello()
        self._client.on_message = lambda _c, _u, m: self._inbox.put((m.topic, bytes(m.payload)))
        self._client.reconnect_delay_set(1, 2)
        self._client.connect(place.host, place.port)

    def run(self, ports: list[LineEnd], parent: Connection) -> None:
        """Turn until the parent closes its end."""
        self._client.loop_start()
        try:
            keep_turning(self._practice, ports, lambda now: self._between(now) and not parent.poll())
        finally:
            self._client.disconnect()
            self._client.loop_stop()

    def _hello(self) -> None:
        said = [(f"{self._base}/levers", 0), (f"{self._base}/wish", 1), (f"{self._service}/reply", 1)]
        self._client.subscribe(said)
        self._client.publish(f"{self._base}/scene", orjson.dumps(self._practice.scene()), 1, retain=True)

    def _between(self, now: float) -> bool:
        while not self._inbox.empty():
            topic, payload = self._inbox.get()
            message = _object(payload)
            if topic.endswith("/levers"):
                self._practice.hold(message, now)
            elif topic.endswith("/reply"):
                self._practice.answered(message)
            elif message.get("do") == "repaint":
                self._practice.repaint()
            else:
                self._practice.wish(message)
        for order in self._practice.orders:
            self._client.publish(f"{self._service}/command/{order.name}", json.dumps(order.body), 1)
        self._practice.orders.clear()
        if now >= self._view_due:
            self._view_due = now + VIEW_S
            self._client.publish(f"{self._base}/view", orjson.dumps(self._practice.view()))
        return True


def _object(payload: bytes) -> dict[str, Any]:
    try:
        found = orjson.loads(payload)
    except orjson.JSONDecodeError:
        return {}
    return found if isinstance(found, dict) else {}
