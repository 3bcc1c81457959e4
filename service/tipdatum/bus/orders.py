"""From a message on a command topic to an order the service may carry out, or the reason why not.

Pure: bytes and times in, orders out; no exception escapes, whatever comes in. What a command means is the
business of others; here it is about who may say how much how fast, about repeats, and about where the
answer goes.
"""

from __future__ import annotations

from collections import OrderedDict, deque
from dataclasses import dataclass, field
from typing import Any

import orjson

from tipdatum.bus.topics import Topics
from tipdatum.errors import CommandRefused
from tipdatum.grade.commands import COMMANDS
from tipdatum.grade.forms import Destroying, Request
from tipdatum.sentences import sentence

MAX_BODY_BYTES = 64 * 1024  # a target of a thousand points needs a third of this
MAX_TOPIC_CHARACTERS = 256
MAX_REQUEST_ID_CHARACTERS = 128
MAX_BY_CHARACTERS = 64
REMEMBERED = 256  # requests whose answers are kept for repeats
# A person presses a few buttons a second; a program that sets up a machine sends a few dozen commands.
RATE_HZ, BURST = 20.0, 60
PENDING = 100  # orders without an answer yet


@dataclass(frozen=True, slots=True)
class Inbound:
    """A message on a command topic as it came in.

    Attributes:
        retained: it is an old one that the broker kept. Under MQTT 3.1.1 a broker shows that only where it
        hands
            out what it kept before we came, and passes on what is sent now without the flag.
        retain_shown: whether the flag tells of new messages too (MQTT 5, retain as published).
        by: what the sender calls itself: a hint, no proof.
    """

    name: str
    body: bytes
    retained: bool = False
    response_topic: str | None = None
    correlation: bytes | None = None
    request_id: str | None = None
    by: str | None = None
    retain_shown: bool = True


@dataclass(frozen=True, slots=True)
class Order:
    """A command to carry out, or to refuse where `refusal` says why.

    Every order gets one `Reply` with its name and request id.
    """

    name: str
    body: dict[str, Any]
    by: str
    request_id: str | None = None
    refusal: str | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """Where an answer goes."""

    topic: str
    correlation: bytes | None = None


@dataclass(frozen=True, slots=True)
class Repeated:
    """The same request came again and has been answered: the answer, once more."""

    payload: bytes
    to: list[Answer]


@dataclass(slots=True)
class _TakenRequest:
    """A request that was taken on; `payload` once it has been answered."""

    name: str
    body: bytes
    to: list[Answer]
    payload: bytes | None = None


@dataclass(slots=True)
class OrderDesk:
    """Takes commands in, refuses what cannot be one, and knows where each answer goes."""

    topics: Topics
    ignored: int = field(default=0, init=False)
    _remembered: OrderedDict[str, _TakenRequest] = field(default_factory=OrderedDict, init=False)
    _pending: deque[tuple[str, str | None, _TakenRequest]] = field(default_factory=deque, init=False)
    _allowance: float = field(default=float(BURST), init=False)
    _last: float | None = field(default=None, init=False)
    _flood_told: bool = field(default=False, init=False)

    def receive(self, message: Inbound, now: float) -> Order | Repeated | None:
        """What to do about a message that came in at `now` (monotonic, s). None: nothing.

        In a flood the first surplus command is refused with a reason and the rest is ignored and counted
        until it ebbs, so that a flood in is no flood out.
        """
        if not self._allowed(now):
            self.ignored += 1
            if self._flood_told:
                return None
            self._flood_told = True
            return self._taken(message, None, sentence("order-too-many", rate=RATE_HZ))
        if self._allowance > BURST / 2:
            self._flood_told = False
        refusal, body = _read(message)
        request_id = _text(body.pop("request_id", None), MAX_REQUEST_ID_CHARACTERS) or _text(
            message.request_id, MAX_REQUEST_ID_CHARACTERS
        )
        by = (
            _text(body.pop("by", None), MAX_BY_CHARACTERS)
            or _text(message.by, MAX_BY_CHARACTERS)
            or "unknown"
        )
        if request_id is not None and refusal is None:
            known = self._remembered.get(request_id)
            if known is not None and (known.name, known.body) == (message.name, message.body):
                if known.payload is None:
                    return None  # being worked on; its answer is on the way
                return Repeated(known.payload, self._where(message))
            if known is not None:
                refusal = sentence("order-id-used", id=request_id)
                return self._taken(message, request_id, refusal)
        return self._taken(message, request_id, refusal, body, by, remember=refusal is None)

    def answered(self, name: str, request_id: str | None, payload: bytes) -> list[Answer]:
        """Where the answer to the oldest open order of this name and request id goes."""
        for place, (open_name, open_id, request) in enumerate(self._pending):
            if (open_name, open_id) == (name, request_id):
                del self._pending[place]
                request.payload = payload
                return request.to
        return [Answer(self.topics.of("reply"))]

    def _taken(
        self,
        message: Inbound,
        request_id: str | None,
        refusal: str | None,
        body: dict[str, Any] | None = None,
        by: str = "unknown",
        *,
        remember: bool = False,
    ) -> Order:
        request = _TakenRequest(message.name, message.body, self._where(message))
        self._pending.append((message.name, request_id, request))
        if len(self._pending) > PENDING:
            self._pending.popleft()
        if remember and request_id is not None:
            self._remembered[request_id] = request
            if len(self._remembered) > REMEMBERED:
                self._remembered.popitem(last=False)
        return Order(message.name, body or {}, by, request_id, refusal)

    def _where(self, message: Inbound) -> list[Answer]:
        plain = Answer(self.topics.of("reply"))
        topic = message.response_topic
        if topic is None or topic == plain.topic or not self._may_answer_on(topic):
            return [plain]
        return [Answer(topic, message.correlation), plain]

    def _may_answer_on(self, topic: str) -> bool:
        """Nobody may have the service write, with its own rights, a command or a figure for them."""
        if not topic or len(topic) > MAX_TOPIC_CHARACTERS or any(c in topic for c in "+#\0"):
            return False
        ours = topic == self.topics.root or topic.startswith(f"{self.topics.root}/")
        return topic.startswith(f"{self.topics.of('reply')}/") or not (ours or topic.startswith("$"))

    def _allowed(self, now: float) -> bool:
        passed = 0.0 if self._last is None else max(0.0, now - self._last)
        self._last = now
        self._allowance = min(float(BURST), self._allowance + passed * RATE_HZ)
        if self._allowance < 1.0:
            return False
        self._allowance -= 1.0
        return True


def _read(message: Inbound) -> tuple[str | None, dict[str, Any]]:
    """Why the message is no command (or None), and its body."""
    if message.retained:
        return sentence("order-retained"), {}
    if len(message.body) > MAX_BODY_BYTES:
        return sentence("order-too-long", count=len(message.body), most=MAX_BODY_BYTES), {}
    if not message.body.strip():
        return sentence("order-empty"), {}
    try:
        body = orjson.loads(message.body)
    except orjson.JSONDecodeError as error:
        return sentence("order-not-json", error=str(error)), {}
    if not isinstance(body, dict):
        return sentence("order-no-object", found=_kind(body)), {}
    return None if message.retain_shown else _must_be_meant(message.name, body), body


def _must_be_meant(name: str, body: dict[str, Any]) -> str | None:
    """Why a command that may have been retained is not carried out; None where that does no harm."""
    spec = COMMANDS.get(name)
    if spec is None or not issubclass(spec.body, Destroying):
        return None
    try:
        Request(name, 0.0, fresh=False).must_be_meant(Destroying(sure=body.get("sure") is True))
    except CommandRefused as reason:
        return str(reason)
    return None


def _kind(value: object) -> str:
    names: dict[type, str] = {
        list: "a list", str: "a text", bool: "true or false", int: "a number", float: "a number",
    }  # fmt: skip
    return names.get(type(value), "null")


def _text(value: object, limit: int) -> str | None:
    """A short printable text, or None."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        value = str(value)
    if not isinstance(value, str) or not value or len(value) > limit or not value.isprintable():
        return None
    return value
