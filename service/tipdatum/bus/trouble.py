"""What goes wrong between us and the broker: in words a person can act on, told once, and how long to wait.

Among it another service that speaks for the same machine, known by what it writes on our own status topic:
brokers differ in whether they tell a client that another one with its id took over (MQTT 5 can, mosquitto 2.0
does not), and with different ids two services would mix their figures without anybody noticing.

Pure: exceptions, reason codes and payloads in, words and seconds out.
"""

from __future__ import annotations

import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import orjson

from tipdatum.errors import PortError

Cause = Literal[
    "unreachable", "refused", "credentials", "not-allowed", "tls", "protocol", "taken-over", "lost", "stopped"
]

Finding = Literal["twin", "overwritten"]

# MQTT 5.0, section 2.4 and 3.2.2.2 (the library maps 3.1.1 return codes to these too).
BAD_PROTOCOL = 0x84
BAD_CLIENT_ID = 0x85
BAD_CREDENTIALS = 0x86
NOT_AUTHORISED = 0x87
BUSY = {0x88, 0x89, 0x97, 0x9F}
BANNED = 0x8A
TAKEN_OVER = 0x8E

# A broker that dies or a cable that is pulled comes back: look at once and then often. The library's own
# back-off doubles up to two minutes, which is an eternity for an operator.
WAITS_S = (0.2, 0.5, 1.0, 2.0)
# Two clients with one id throw each other out without end. Whoever knows it waits long enough for a display
# to be usable in between. Where nothing tells, a row of short lives with a broker that accepts at once is
# taken for it, and the wait is shorter, because a broker that keeps dying looks the same.
SHORT_LIFE_S = 5.0
USEFUL_LIFE_S = 1.0  # a connection that stood so long was one; after it, look at once again
STORM_LOSSES, STORM_WAIT_S = 2, 20.0
GUESS_LOSSES, GUESS_WAIT_S = 5, 5.0


@dataclass(frozen=True, slots=True)
class Trouble:
    """Why there is no connection."""

    cause: Cause
    text: str

    @property
    def may_pass(self) -> bool:
        """Whether it may be over by itself; otherwise somebody has to change something."""
        return self.cause in ("unreachable", "refused", "lost")


def from_exception(error: BaseException, host: str, port: int, *, tls: bool = False) -> Trouble:
    """From what opening the connection raised."""
    where = f"{host}:{port}"
    if isinstance(error, PortError):
        return Trouble("tls", str(error))
    if isinstance(error, ssl.SSLCertVerificationError):
        reason = getattr(error, "verify_message", "") or str(error)
        return Trouble("tls", f"the certificate of the broker at {where} is not accepted: {reason}")
    if isinstance(error, ssl.SSLError):
        reason = (getattr(error, "reason", None) or str(error)).replace("_", " ").lower()
        hint = "; does this port speak TLS?" if "wrong version" in reason else ""
        return Trouble("tls", f"no TLS with the broker at {where}: {reason}{hint}")
    if tls and isinstance(error, ConnectionResetError):
        return Trouble("tls", f"the broker at {where} ended the TLS handshake; does this port speak TLS?")
    if isinstance(error, ConnectionRefusedError):
        return Trouble("refused", f"nothing listens at {where}: is the broker running?")
    if isinstance(error, socket.gaierror):
        return Trouble("unreachable", f"the broker's name {host} is not known")
    if isinstance(error, TimeoutError):
        return Trouble("unreachable", f"no answer from {where}: is the network up, is the address right?")
    if isinstance(error, OSError):
        reason = (error.strerror or str(error)).lower()
        return Trouble("unreachable", f"{where} cannot be reached: {reason}")
    return Trouble("unreachable", f"{where} cannot be reached: {error}")


def from_connack(code: int, name: str, user: str | None, client_id: str) -> Trouble:
    """From the broker's refusal."""
    who = f'user "{user}"' if user else "a client without user and password"
    if code == BAD_PROTOCOL:
        return Trouble("protocol", "the broker does not speak this version of MQTT")
    if code == BAD_CREDENTIALS:
        return Trouble("credentials", f"the broker does not accept {who}: wrong user or password")
    if code in (NOT_AUTHORISED, BANNED):
        return Trouble("credentials", f"the broker does not let {who} in")
    if code == BAD_CLIENT_ID:
        return Trouble("not-allowed", f'the broker does not accept the client id "{client_id}"')
    if code in BUSY:
        return Trouble("refused", f"the broker takes no connection now: {name.lower()}")
    return Trouble("refused", f"the broker refuses the connection: {name.lower()}")


def from_silence(user: str | None, *, tls: bool, certificate: bool = False) -> Trouble:
    """The connection was closed before the broker answered.

    Some brokers close instead of telling a wrong password; a broker that wants a client certificate and one
    that expects TLS do so too.
    """
    if certificate:
        guess = "is our certificate expired, or signed by an authority it does not trust?"
    elif user:
        guess = f'wrong user "{user}" or password' + (", or no client certificate?" if tls else "?")
    elif tls:
        guess = "does it want a client certificate?"
    else:
        guess = "does it want a user and password, or TLS?"
    return Trouble("credentials", f"the broker closed at once: {guess}")


@dataclass(slots=True)
class Patience:
    """How long to wait before the next try; recognises two clients that throw each other out."""

    client_id: str
    _step: int = field(default=0, init=False)
    _short_lives: int = field(default=0, init=False)

    def after_life(self, seconds: float, trouble: Trouble, *, twin: bool) -> tuple[Trouble, float]:
        """After a connection that stood for `seconds`: what to say, and how long to wait.

        `twin`: another service is known to speak for this machine.
        """
        self._short_lives = self._short_lives + 1 if seconds < SHORT_LIFE_S else 1
        if seconds >= USEFUL_LIFE_S:
            self._step = 0
        if twin or trouble.cause == "taken-over":
            text = f'another client uses the client id "{self.client_id}": give each service an id of its own'
            storm = self._short_lives >= STORM_LOSSES
            return Trouble("taken-over", text), STORM_WAIT_S if storm else self._next()
        if self._short_lives >= GUESS_LOSSES:
            text = f'lost again and again: does another client use the client id "{self.client_id}"?'
            return Trouble("taken-over", text), GUESS_WAIT_S
        return trouble, self._next()

    def after_failure(self) -> float:
        """After a try that did not lead to a connection: how long to wait."""
        self._short_lives = 0
        return self._next()

    def _next(self) -> float:
        wait = WAITS_S[min(self._step, len(WAITS_S) - 1)]
        self._step += 1
        return wait


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


@dataclass(slots=True)
class TwinWatch:
    """Judges what comes in on our status topic. `run` is what our own statuses carry.

    Attributes:
        seen: whether another service has shown itself in this connection.
    """

    run: str
    seen: bool = field(default=False, init=False)
    _written: bool = field(default=False, init=False)
    _written_before: bool = field(default=False, init=False)

    def connected(self) -> None:
        """A connection begins. What the broker kept of us stems from those before it."""
        self.seen = False
        self._written_before = self._written

    def wrote(self) -> None:
        """Our status went out: whatever else stands there from now on is somebody else's."""
        self._written = True

    def judge(self, payload: bytes, *, retained: bool) -> Finding | None:
        """`twin`: another service lives. `overwritten`: an earlier one's last will covers our status."""
        found = self._judge(payload, retained)
        self.seen = self.seen or found == "twin"
        return found

    def _judge(self, payload: bytes, retained: bool) -> Finding | None:
        try:
            status = orjson.loads(payload)
        except orjson.JSONDecodeError:
            return None
        if not isinstance(status, dict) or status.get("run") in (None, self.run):
            return None
        if retained:
            # Found when we came back, after we had written ours: somebody was here in between. In our first
            # connection it is what an earlier run left, even where it reaches us after ours went out.
            return "twin" if self._written_before else None
        return "twin" if status.get("state") == "online" else "overwritten"
