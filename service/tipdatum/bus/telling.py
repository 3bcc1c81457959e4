"""What people are told about the connection: every change once, the same trouble at every try once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from tipdatum.bus.trouble import Cause, Trouble


@dataclass(frozen=True, slots=True)
class ConnectionState:
    """State of the connection. `text` is for people."""

    state: Literal["connecting", "online", "offline"]
    text: str
    cause: Cause | None = None
    protocol: str | None = None


@dataclass(slots=True)
class Teller:
    """Tells `on_state` what is new. `where` is the broker's host and port."""

    where: str
    on_state: Callable[[ConnectionState], None]
    _said: ConnectionState | None = field(default=None, init=False)

    def connecting(self) -> None:
        """The first try begins; later ones go without saying."""
        if self._said is None:
            self._tell(ConnectionState("connecting", f"connecting to {self.where}"))

    def online(self, protocol: str) -> None:
        """The broker has accepted us."""
        text = f"connected to {self.where}, MQTT {protocol}"
        self._tell(ConnectionState("online", text, protocol=protocol))

    def offline(self, why: Trouble) -> None:
        """There is no connection."""
        self._tell(ConnectionState("offline", why.text, why.cause))

    def _tell(self, state: ConnectionState) -> None:
        if state != self._said:
            self._said = state
            self.on_state(state)
