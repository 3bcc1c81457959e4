"""Packets of live figures against the standard's table and against what a library writes."""

from __future__ import annotations

import socket
from collections.abc import Iterator

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tipdatum.bus.link import FigurePackets, variable_length

CONNACK = {4: bytes.fromhex("20020000"), 5: bytes.fromhex("2003000000")}


@pytest.mark.parametrize(
    ("count", "written"),
    # MQTT Version 5.0, OASIS Standard, table 1-1: size of variable byte integer.
    [
        (0, "00"),
        (127, "7f"),
        (128, "8001"),
        (16_383, "ff7f"),
        (16_384, "808001"),
        (2_097_151, "ffff7f"),
        (2_097_152, "80808001"),
        (268_435_455, "ffffff7f"),
    ],
)
def test_lengths_are_those_of_the_standard_s_table(count: int, written: str) -> None:
    assert variable_length(count).hex() == written


class Written:
    """What paho writes to a broker that only accepts."""

    def __init__(self, protocol: int) -> None:
        self.protocol = protocol
        listener = socket.create_server(("127.0.0.1", 0))
        version = MQTTProtocolVersion.MQTTv5 if protocol == 5 else MQTTProtocolVersion.MQTTv311
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, "reference", protocol=version)
        self.client.connect("127.0.0.1", listener.getsockname()[1])
        self.broker, _ = listener.accept()
        listener.close()
        self.broker.recv(4096)
        self.broker.sendall(CONNACK[protocol])
        self.client.loop(1.0)

    def publish(self, topic: str, payload: bytes) -> bytes:
        properties = None
        if self.protocol == 5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = 1
        self.client.publish(topic, payload, 0, False, properties)
        found = b""
        while not found.endswith(payload):
            found += self.broker.recv(65536)
        return found


@pytest.fixture(params=[4, 5])
def written(request: pytest.FixtureRequest) -> Iterator[Written]:
    written = Written(request.param)
    yield written
    written.client.disconnect()
    written.broker.close()


@pytest.mark.parametrize("size", [1, 100, 115, 130, 600, 20_000])
def test_packets_are_those_that_paho_writes(written: Written, size: int) -> None:
    ours = FigurePackets(written.protocol)
    for topic in ("tipdatum/digger-1/tip", "tipdatum/bagger-ü/text/state"):
        payload = bytes([65 + size % 26]) * size
        assert ours.packet(topic, payload) == written.publish(topic, payload)
