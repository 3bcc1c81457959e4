"""What the service's own way of sending figures is worth beside the library's ways, in one run.

    python tests/benchmarks/bus_ways.py [--rounds 5] [--seconds 6]

A tick's messages (`tip`, `arm` and the plain topics) leave fifty times a second by three ways in turn over
one mosquitto to one subscriber: by the service's client, by the MQTT library one message after the other on
the caller's thread, and by the library with a network thread of its own. Printed are the time from
publishing to the subscriber's callback and the publisher's processor time, as medians of the rounds and as
ratios to the library with its thread, which is what an ordinary program would do.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(Path(__file__).parents[1] / "harness"))

from bus_tools import Mosquitto, free_port, quick

from tipdatum.bus.client import BusClient
from tipdatum.bus.options import BrokerOptions
from tipdatum.bus.topics import LIVE, Topics

RATE_HZ = 50.0
MESSAGES = [("tip", 330), ("arm", 420)] + [(f"value/{i}", 8) for i in range(5)] + [("text/0", 12)] * 3
"""Topic and bytes of what one tick publishes with the plain topics due."""

Send = Callable[[list[tuple[str, bytes]]], None]


class Hears:
    """Takes the time of every figure's arrival; the first eight bytes say when it left."""

    def __init__(self, port: int) -> None:
        self.late_s: list[float] = []
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_socket_open = quick
        self._client.on_message = self._message
        there = threading.Event()
        self._client.on_subscribe = lambda *_: there.set()
        self._client.connect("127.0.0.1", port)
        self._client.subscribe("tipdatum/bench/tip")
        self._client.loop_start()
        there.wait(5)

    def _message(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        self.late_s.append((time.monotonic_ns() - int.from_bytes(message.payload[:8], "big")) * 1e-9)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def by_service(port: int, stack: ExitStack) -> Send:
    """The service's client: what a tick publishes is held, and leaves as one piece."""
    ignored: Callable[[object], None] = lambda _: None  # noqa: E731
    options = BrokerOptions(host="127.0.0.1", port=port, protocol="3.1.1")
    client = BusClient(options, Topics("bench"), on_order=ignored, on_state=ignored, on_trouble=ignored)
    client.start()
    stack.callback(client.stop)
    while not client.online:
        time.sleep(0.01)

    def send(messages: list[tuple[str, bytes]]) -> None:
        client.hold()
        for topic, payload in messages:
            client.publish_raw(topic, payload, LIVE)
        client.release()

    return send


def by_library(port: int, stack: ExitStack, *, thread: bool) -> Send:
    """The library alone: one PUBLISH after the other, with or without its network thread."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_socket_open = quick
    client.connect("127.0.0.1", port)
    if thread:
        client.loop_start()
        stack.callback(client.loop_stop)
    else:
        while not client.is_connected():
            client.loop(0.05)
    stack.callback(client.disconnect)

    def send(messages: list[tuple[str, bytes]]) -> None:
        for topic, payload in messages:
            client.publish(topic, payload)

    return send


WAYS: dict[str, Callable[[int, ExitStack], Send]] = {
    "service": by_service,
    "library, caller's thread": lambda port, stack: by_library(port, stack, thread=False),
    "library, own thread": lambda port, stack: by_library(port, stack, thread=True),
}


def publish(way: str, port: int, seconds: float) -> None:
    """Send for so long and print the processor time of a tick, µs (in a process of its own)."""
    with ExitStack() as stack:
        send = WAYS[way](port, stack)
        time.sleep(0.5)
        began, ticks = time.process_time(), round(seconds * RATE_HZ)
        due = time.monotonic()
        for _ in range(ticks):
            due += 1.0 / RATE_HZ
            time.sleep(max(0.0, due - time.monotonic()))
            stamp = time.monotonic_ns().to_bytes(8, "big")
            send([(f"tipdatum/bench/{name}", stamp + bytes(size)) for name, size in MESSAGES])
        print((time.process_time() - began) / ticks * 1e6)


def main() -> None:
    """Alternate the ways and print a table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=6.0)
    parser.add_argument("--publish", nargs=2, metavar=("WAY", "PORT"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.publish:
        publish(options.publish[0], int(options.publish[1]), options.seconds)
        return
    found: dict[str, list[tuple[float, float, float]]] = {way: [] for way in WAYS}
    with tempfile.TemporaryDirectory() as folder:
        config = "listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n"
        broker = Mosquitto(Path(folder), config, free_port())
        try:
            for _ in range(options.rounds):
                for way in WAYS:
                    hears = Hears(broker.port)
                    command = [sys.executable, __file__, "--seconds", str(options.seconds)]
                    done = subprocess.run(
                        [*command, "--publish", way, str(broker.port)],
                        capture_output=True,
                        text=True,
                        check=True,
                    )
                    time.sleep(0.2)
                    hears.close()
                    p50, p99 = np.percentile(hears.late_s, [50, 99])
                    found[way].append((float(p50), float(p99), float(done.stdout)))
        finally:
            broker.stop()
    medians = {
        way: [statistics.median(column) for column in zip(*rows, strict=True)] for way, rows in found.items()
    }
    base = medians["library, own thread"]
    print(f"{'':28}{'p50 ms':>8}{'p99 ms':>8}{'µs/tick':>9}   ratios")
    for way, row in medians.items():
        ratios = " ".join(f"{a / b:.2f}" for a, b in zip(row, base, strict=True))
        print(f"{way:28}{row[0] * 1e3:8.2f}{row[1] * 1e3:8.2f}{row[2]:9.0f}   {ratios}")


if __name__ == "__main__":
    main()
