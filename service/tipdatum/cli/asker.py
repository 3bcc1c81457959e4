"""An ordinary MQTT client that sends a command and waits for its answer."""

from __future__ import annotations

import time
import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import orjson
from pydantic import SecretStr

from tipdatum.bus.topics import ROOT, Topics
from tipdatum.cli.listener import Heard, Listener
from tipdatum.errors import PortError

FIND_WITHIN_S = 3.0
"""Patience until some machine's retained description is heard."""
EVERY_S = 0.02


@dataclass(frozen=True, slots=True)
class Access:
    """A machine's service at a broker, and how to be let in.

    Attributes:
        machine_id: None for the only one whose description the broker keeps.
        topic_root: first part of the topics.
        ca: certificates to trust, None for those of the computer.
    """

    host: str = "127.0.0.1"
    port: int = 1883
    machine_id: str | None = None
    topic_root: str = ROOT
    user: str | None = None
    password: SecretStr | None = None
    tls: bool = False
    ca: Path | None = None

    def listen(self, topics: str) -> Listener:
        """A client there that hears these topics.

        Raises:
            PortError: the broker cannot be reached, or refuses.
        """
        return Listener(self.host, self.port, topics, self.user, self.password, tls=self.tls, ca=self.ca)


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
