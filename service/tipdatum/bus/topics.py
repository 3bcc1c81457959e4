"""Topic names, QoS and retain of every message, in one place.

Live figures are never retained: a late reader must not take an old elevation for a new one. State is
retained and published again on every connect, because a broker may have kept nothing.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

ROOT = "tipdatum"
MACHINE_ID = re.compile(r"[a-z0-9-]+")


@dataclass(frozen=True, slots=True)
class Delivery:
    """How a topic is published: QoS, retain, and after how many seconds the broker throws a message away.

    `durable` messages wait on disk until the broker has them.
    """

    qos: int
    retain: bool
    expiry_s: int | None = None
    durable: bool = False


LIVE = Delivery(qos=0, retain=False, expiry_s=1)
RETAINED = Delivery(qos=1, retain=True)
ANSWER = Delivery(qos=1, retain=False, expiry_s=30)  # nobody waits longer for an answer
# Between a guide and its page: said again soon, and by nobody wanted later.
PASSING = Delivery(qos=1, retain=False)
# QoS 1, and an id by which a repeat is known: with QoS 2 mosquitto 2.0.11 loses messages over a bridge.
EVENT = Delivery(qos=1, retain=False, durable=True)

DELIVERY: dict[str, Delivery] = {
    "tip": LIVE,
    "arm": LIVE,
    "limits": LIVE,
    "raw": LIVE,  # raw/<sensor>
    "angle": LIVE,  # angle/<sensor>
    "value": LIVE,  # value/<name>: a bare number or word
    "text": LIVE,  # text/<name>: ready to show
    "status": RETAINED,
    "about": RETAINED,
    "state": RETAINED,
    "changes": RETAINED,
    "health": RETAINED,  # health/<sensor>
    "reply": ANSWER,
    "event": EVENT,
    "guide": PASSING,
    "guide/do": PASSING,
}


@dataclass(frozen=True, slots=True)
class Topics:
    """Topics of one machine."""

    machine_id: str
    root: str = ROOT

    @property
    def base(self) -> str:
        """tipdatum/<machine id>"""
        return f"{self.root}/{self.machine_id}"

    def of(self, name: str, part: str = "") -> str:
        """Topic of a message, such as of("tip") or of("health", "boom")."""
        return f"{self.base}/{name}/{part}" if part else f"{self.base}/{name}"

    @property
    def commands(self) -> str:
        """Filter for every command."""
        return f"{self.base}/command/#"

    def command_name(self, topic: str) -> str | None:
        """The command of a topic, such as "datum/set"; None if it is no command of this machine."""
        prefix = f"{self.base}/command/"
        return topic[len(prefix) :] or None if topic.startswith(prefix) else None
