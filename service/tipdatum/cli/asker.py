"""An ordinary MQTT client that sends a command and waits for its answer."""

from __future__ import annotations

import time
import uuid
from typing import Any

import orjson

from tipdatum.bus.topics import Topics
from tipdatum.cli.listener import Heard
from tipdatum.cli.options import Access
from tipdatum.errors import PortError

FIND_WITHIN_S = 3.0
"""Patience until some machine's retained description is heard."""
EVERY_S = 0.02


class Asker:
    """Sends commands to one machine's service.

    Raises:
        PortError: the broker cannot be reached, or there is no machine, or more than one to choose from.
    """

    def __init__(self, access: Access) -> None:
        self._topics = Topics(access.machine_id or only_machine(access), access.topic_root)
        self._listener = access.listen(self._topics.of("reply"))

    def ask(self, name: str, body: dict[str, Any], by: str, within_s: float) -> dict[str, Any]:
        """Send a command and wait for its reply (keys as in the message model `Reply`).

        Raises:
            PortError: no answer came in time.
        """
        request_id = uuid.uuid4().hex
        payload = orjson.dumps({**body, "request_id": request_id, "by": by})
        self._listener.publish(f"{self._topics.base}/command/{name}", payload)
        until = time.monotonic() + within_s
        while time.monotonic() < until:
            for item in self._listener.take():
                if isinstance(item, Heard):
                    reply: dict[str, Any] = orjson.loads(item.payload)
                    if reply.get("request_id") == request_id:
                        return reply
            time.sleep(EVERY_S)
        raise PortError(
            f"no answer from {self._topics.machine_id} within {within_s:g} s; is its service running?",
            retry_helps=True,
        )

    def close(self) -> None:
        """Say goodbye to the broker."""
        self._listener.close()


def only_machine(access: Access) -> str:
    """The id of the one machine whose description the broker keeps.

    Raises:
        PortError: there is none, or more than one to choose from.
    """
    listener = access.listen(f"{access.topic_root}/+/about")
    found: set[str] = set()
    until = time.monotonic() + FIND_WITHIN_S
    try:
        while time.monotonic() < until and not found:
            time.sleep(0.2)
            found |= {item.topic.split("/")[-2] for item in listener.take() if isinstance(item, Heard)}
    finally:
        listener.close()
    if not found:
        raise PortError(
            f"no machine is known at {access.host}:{access.port}; start its service first", retry_helps=True
        )
    if len(found) > 1:
        raise PortError(
            f"several machines: name one with --machine-id ({', '.join(sorted(found))})", retry_helps=False
        )
    return found.pop()
