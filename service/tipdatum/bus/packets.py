"""PUBLISH packets of QoS 0, as bytes: what a figure is on the wire (MQTT 3.1.1 and 5.0, section 3.3).

Figures are made fifty times a second, the library's way through queue, locks and bookkeeping of a message
costs more than everything else about it, and nobody acknowledges one.
"""

from __future__ import annotations

from tipdatum.bus.topics import LIVE

PUBLISH = b"\x30"
"""Type 3, QoS 0, not retained, no duplicate."""
MESSAGE_EXPIRY_INTERVAL = b"\x02"


class FigurePackets:
    """Packets for one connection. `protocol` is 5 or 4 (3.1.1)."""

    def __init__(self, protocol: int) -> None:
        self._properties = b""
        if protocol == 5:
            expiry = MESSAGE_EXPIRY_INTERVAL + (LIVE.expiry_s or 1).to_bytes(4, "big")
            self._properties = variable_length(len(expiry)) + expiry
        self._heads: dict[str, bytes] = {}

    def packet(self, topic: str, payload: bytes) -> bytes:
        """The packet of one message."""
        head = self._heads.get(topic)
        if head is None:
            name = topic.encode()
            head = self._heads[topic] = len(name).to_bytes(2, "big") + name + self._properties
        return PUBLISH + variable_length(len(head) + len(payload)) + head + payload


def variable_length(count: int) -> bytes:
    """A variable byte integer (section 1.5.5 of MQTT 5.0): seven bits a byte, the lowest first."""
    found = bytearray()
    while count > 0x7F:
        found.append(count & 0x7F | 0x80)
        count >>= 7
    found.append(count)
    return bytes(found)
