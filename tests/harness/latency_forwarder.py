"""The floor: read a serial line, publish each reading raw. python latency_forwarder.py PORT BROKER_PORT TOPIC

As short as such a program can be in the same language with the same libraries: what the service takes longer
than this is the price of what it does.
"""

from __future__ import annotations

import sys

import paho.mqtt.client as mqtt
import serial
from bus_tools import quick
from paho.mqtt.enums import CallbackAPIVersion

FRAME_BYTES = 22


def main() -> None:
    """Forward until killed."""
    path, port, topic = sys.argv[1], int(sys.argv[2]), sys.argv[3]
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_socket_open = quick
    client.connect("127.0.0.1", port)
    client.loop_start()
    held = b""
    with serial.Serial(path, 115200, timeout=1.0) as line:
        while True:
            held += line.read(max(1, line.in_waiting))
            while len(held) >= FRAME_BYTES:
                frame, held = held[:FRAME_BYTES], held[FRAME_BYTES:]
                client.publish(topic, frame)


if __name__ == "__main__":
    main()
