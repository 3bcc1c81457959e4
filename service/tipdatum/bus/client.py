"""The service's MQTT client: never in the sensors' way, back by itself, nothing that matters lost.

`publish` may be called from the event loop: it never waits for the network or the disk. A network thread owns
connecting, waiting and the outbox; a message that can be written at once is written by whoever publishes it,
without a change of threads.

* Live figures: at most a second of them waits; the oldest go first and are counted. Without a connection
  they are not kept at all.
* Retained state: the newest of each topic, published again on every connect, `status` last.
* Events: in the outbox until the broker has them (`events.py`).
* Answers: to whoever asked (`orders.py`).
"""

from __future__ import annotations

import secrets
import selectors
import socket
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
from pydantic import BaseModel, SecretStr

from tipdatum.bus import trouble
from tipdatum.bus.discovery import announcements
from tipdatum.bus.events import EventStream, Told
from tipdatum.bus.link import CONNECT_TIMEOUT_S, Link, inbound
from tipdatum.bus.link_settings import link_settings
from tipdatum.bus.messages import About, Happening, Status, Tip, live_payload
from tipdatum.bus.options import BrokerOptions
from tipdatum.bus.orders import Answer, Order, OrderDesk, Repeated
from tipdatum.bus.outbox import Outbox
from tipdatum.bus.queues import Counters, LiveQueue, RetainedState, Waker
from tipdatum.bus.small import SmallDisplays
from tipdatum.bus.topics import ANSWER, DELIVERY, LIVE, RETAINED, Delivery, Topics
from tipdatum.bus.trouble import ConnectionState, Patience, Teller, Trouble, TwinWatch
from tipdatum.errors import PortError

LIVE_QUEUE = 128  # messages; at 50 Hz with tip and arm about the second after which they are worthless
FAREWELL_S = 1.0  # for the last words on a graceful stop


class BusClient:
    """Publishes for one machine and takes its commands.

    `on_order`, `on_state` and `on_trouble` (one line of text for the log) are called on the network thread:
    hand them to the event loop with `call_soon_threadsafe`.

    Args:
        options: the service's `[broker]` table; `host` and `port` must be those to connect to.
        outbox: file for waiting events; None keeps them in memory.
        password: from `BrokerOptions.password`.
        base: folder that relative paths of `[broker.tls]` start from.
    """

    def __init__(
        self,
        options: BrokerOptions,
        topics: Topics,
        *,
        on_order: Callable[[Order], None],
        on_state: Callable[[ConnectionState], None],
        on_trouble: Callable[[str], None],
        outbox: Path | None = None,
        password: SecretStr | None = None,
        base: Path = Path(),
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._topics = topics
        self._on_order, self._on_trouble = on_order, on_trouble
        self._clock = clock
        self._run_id = secrets.token_hex(4)
        self._settings = link_settings(options, topics, password, base, self._run_id)
        self._teller = Teller(f"{self._settings.host}:{self._settings.port}", on_state)
        self._twins = TwinWatch(self._run_id)
        self._twin_told = False
        self._wanted_protocol = options.protocol
        self._protocol = 4 if options.protocol == "3.1.1" else 5
        self._patience = Patience(self._settings.client_id)
        self._outbox_path, self._event_limit = outbox, options.event_queue
        self.counters = Counters()

        self._lock = threading.Lock()  # over the link and the desk
        self._link: Link | None = None
        self._desk = OrderDesk(topics)
        self._small = SmallDisplays(options.small_displays)
        self._discovery = options.discovery
        self._live = LiveQueue(LIVE_QUEUE, float(LIVE.expiry_s or 1))
        self._state = RetainedState(last=topics.of("status"))
        # Filled by one thread and emptied by another; appending and popping are atomic.
        self._orders: deque[Order] = deque()
        self._answers: deque[tuple[Answer, bytes]] = deque(maxlen=1000)
        self._events = EventStream(self._run_id)
        self._held = self._unsent = False
        self._stopping = threading.Event()
        self._waker = Waker()
        self._thread = threading.Thread(target=self._run, name="tipdatum-bus", daemon=True)

    def start(self) -> None:
        """Start connecting; returns at once. The broker need not be up yet."""
        self._thread.start()

    def stop(self, farewell: Status | None = None, timeout_s: float = 2 * FAREWELL_S) -> None:
        """Publish `farewell` as the retained status, say goodbye to the broker, end the thread."""
        if farewell is not None:
            self.publish("status", "", farewell)
        self._held = False
        self._stopping.set()
        self._waker.wake()
        if self._thread.is_alive():
            self._thread.join(timeout_s + CONNECT_TIMEOUT_S)
        self._waker.close()

    @property
    def online(self) -> bool:
        """Whether the broker has accepted the present connection."""
        link = self._link
        return link is not None and link.up

    @property
    def waiting_events(self) -> int:
        """Events that the broker has not confirmed yet."""
        return self._events.waiting

    def publish(self, name: str, part: str, message: BaseModel) -> None:
        """Publish a message model under its topic, with the delivery of its kind. Never waits.

        A `tip` message brings the plain topics for small displays with it.
        """
        delivery = DELIVERY[name]
        if delivery is LIVE:
            if self.online:
                self.publish_raw(self._topics.of(name, part), live_payload(message), LIVE)
            else:
                self._live.refuse()
            if isinstance(message, Tip):
                for kind, field_name, line in self._small.lines(message):
                    self.publish_raw(self._topics.of(kind, field_name), line, LIVE)
            return
        if isinstance(message, Status):
            if message.state == "offline":
                for kind, field_name, line in self._small.farewell():
                    self.publish_raw(self._topics.of(kind, field_name), line, LIVE)
            message = message.model_copy(update={"run": self._run_id})
        elif isinstance(message, Happening):
            self._events.put(self._topics.of(name, part), message)
            self._waker.wake()
            return
        elif isinstance(message, About):
            small = self._small.options
            for topic, found in announcements(self._discovery, small, self._topics, message):
                self.publish_raw(topic, found, RETAINED)
        payload = message.model_dump_json().encode()
        if name == "reply":
            with self._lock:
                to = self._desk.answered(
                    getattr(message, "command", ""), getattr(message, "request_id", None), payload
                )
            self._answers.extend((answer, payload) for answer in to)
            self._push()
        else:
            self.publish_raw(self._topics.of(name, part), payload, delivery)

    def send_again(self, first: int, most: int, tell: Told) -> None:
        """Send events from number `first` on once more, `most` at most, as far as they are kept.

        `tell` is called on the network thread with their numbers.
        """
        self._events.want_again(first, most, tell)
        self._waker.wake()

    def hold(self) -> None:
        """Keep what is published from now on until `release`, so that it leaves together."""
        self._held = True

    def release(self) -> None:
        """Send what was held, if anything."""
        self._held = False
        if self._unsent:
            self._unsent = False
            self._push()

    def publish_raw(self, topic: str, payload: bytes, delivery: Delivery) -> None:
        """Publish bytes under a full topic. Never waits."""
        if delivery.retain:
            self._state.put(topic, payload)
        elif not self.online:
            self._live.refuse()
            return
        else:
            self._live.put(self._clock(), topic, payload)
        self._push()

    # From here on: sending, on either thread.

    def _push(self) -> None:
        """Write what can be written now, or leave it to the network thread."""
        if self._held:
            self._unsent = True
            return
        if not self._lock.acquire(blocking=False):
            self._waker.wake()
            return
        try:
            self._send_waiting()
            congested = self._link is not None and (self._link.congested or self._link.ended is not None)
        finally:
            self._lock.release()
        if congested:
            self._waker.wake()

    def _send_waiting(self) -> None:
        """Answers and state first: they are few, and a person waits for them. The lock is held."""
        link = self._link
        if link is None or not link.up:
            return
        while self._answers and not link.congested:
            answer, payload = self._answers.popleft()
            link.send(answer.topic, payload, ANSWER, answer)
        while self._state.due and not link.congested and (state := self._state.take()) is not None:
            if state[0] == self._settings.status:
                self._twins.wrote()
            link.send(*state, RETAINED)
        if self._live.waiting and not link.congested:
            figures = self._live.take(self._clock(), link.room)
            link.send_figures(figures)
            self.counters.live_sent += len(figures)
        self.counters.live_dropped = self._live.dropped

    # From here on: the network thread.

    def _run(self) -> None:
        outbox = Outbox(self._outbox_path, self._event_limit, self._on_trouble)
        try:
            while True:
                wait = self._connection(outbox)
                if self._rest(outbox, wait):
                    break
        finally:
            self._store_events(outbox)
            outbox.close()

    def _connection(self, outbox: Outbox) -> float:
        """One connection from try to end. Returns how long to wait before the next, s."""
        self._teller.connecting()
        link = Link(
            self._settings,
            self._protocol,
            on_message=self._received,
            on_acknowledged=self._acknowledge,
            on_refused=self._on_trouble,
        )
        try:
            link.open()
        except (OSError, ValueError, PortError) as error:
            link.abandon(Trouble("lost", ""))
            s = self._settings
            self._tell_offline(trouble.from_exception(error, s.host, s.port, tls=s.tls))
            return self._patience.after_failure()
        began: float | None = None
        with self._lock:
            self._link = link
            self._live.clear()
            self._events.connected()
            self._twins.connected()
        try:
            began = self._serve(link, outbox)
        finally:
            with self._lock:
                self._link = None
                link.close()
        ended = link.ended or Trouble("lost", "the connection to the broker was lost")
        if began is None:
            return self._after_refusal(link, ended)
        said, wait = self._patience.after_life(self._clock() - began, ended, twin=self._twins.seen)
        self._tell_offline(said)
        return wait

    def _after_refusal(self, link: Link, ended: Trouble) -> float:
        if self._wanted_protocol == "auto" and link.fallback_helps:
            self._protocol = 4 if self._protocol == 5 else 5
            if self._protocol == 4:
                return 0.0  # silent: 3.1.1 is a way to say the same
        self._tell_offline(ended)
        return self._patience.after_failure()

    def _serve(self, link: Link, outbox: Outbox) -> float | None:
        """Keep the connection going. Returns when it came up, None if it never did."""
        began: float | None = None
        deadline = self._clock() + CONNECT_TIMEOUT_S
        leave_at: float | None = None
        stream = link.socket
        if stream is None:
            return None
        with selectors.DefaultSelector() as selector:
            self._waker.watched_by(selector)
            selector.register(stream, selectors.EVENT_READ)
            while link.ended is None:
                readable, writable = self._wait(selector, stream, link)
                now = self._clock()
                with self._lock:
                    link.turn(now, readable=readable, writable=writable)
                    came_up = link.up and began is None
                    if came_up:
                        began = now
                        self._state.all_due()
                    elif began is None and now > deadline:
                        link.abandon(Trouble("unreachable", "the broker does not answer: is this port MQTT?"))
                self._deliver_orders()
                if came_up:
                    self.counters.connections += 1
                    self._teller.online("5" if link.protocol == 5 else "3.1.1")
                self._store_events(outbox)
                events = self._events.due(link, outbox)
                with self._lock:
                    self._events.send(link, events)
                    self._send_waiting()
                if self._stopping.is_set():
                    leave_at = leave_at or now + FAREWELL_S
                    if not link.up or now > leave_at or self._all_said(link, outbox):
                        break
        return began

    def _wait(self, selector: selectors.BaseSelector, stream: socket.socket, link: Link) -> tuple[bool, bool]:
        """Wait for the network, for something to send, or for a while. Whether to read, whether to write."""
        interest = selectors.EVENT_READ | (selectors.EVENT_WRITE if link.congested else 0)
        try:
            selector.modify(stream, interest)
            # Nothing tells when what is under way has arrived, so what is held back for it looks again soon.
            soon = self._stopping.is_set() or self._live.waiting > 0
            ready = selector.select(0.05 if soon else 1.0)
        except (OSError, ValueError, KeyError):
            return True, False  # whoever published found the connection broken, which reading will tell
        self._waker.heard(ready)
        found = next((events for key, events in ready if key.fileobj is stream), 0)
        return bool(found & selectors.EVENT_READ), bool(found & selectors.EVENT_WRITE)

    def _rest(self, outbox: Outbox, seconds: float) -> bool:
        """Wait before the next try, storing events meanwhile. True when it is time to end."""
        until = self._clock() + seconds
        while not self._stopping.is_set() and (left := until - self._clock()) > 0:
            with selectors.DefaultSelector() as selector:
                self._waker.watched_by(selector)
                self._waker.heard(selector.select(left))
            self._store_events(outbox)
        return self._stopping.is_set()

    def _store_events(self, outbox: Outbox) -> None:
        self._events.store(outbox)
        self.counters.events_dropped = self._events.dropped

    def _deliver_orders(self) -> None:
        while self._orders:
            self._on_order(self._orders.popleft())

    def _acknowledge(self, mid: int) -> None:
        if self._events.acknowledged(mid):
            self._waker.wake()

    def _all_said(self, link: Link, outbox: Outbox) -> bool:
        said = not (self._state.due or self._answers or len(outbox)) and self._events.none_fresh
        return said and link.settled

    def _received(self, message: mqtt.MQTTMessage) -> None:
        if message.topic == self._settings.status:
            self._status_heard(message)
            return
        name = self._topics.command_name(message.topic)
        if name is None:
            return
        link = self._link
        received = inbound(name, message, retain_shown=link is not None and link.protocol == 5)
        result = self._desk.receive(received, self._clock())
        self.counters.commands_ignored = self._desk.ignored
        if isinstance(result, Repeated):
            self._answers.extend((answer, result.payload) for answer in result.to)
        elif isinstance(result, Order):
            self._orders.append(result)

    def _status_heard(self, message: mqtt.MQTTMessage) -> None:
        found = self._twins.judge(bytes(message.payload), retained=bool(message.retain))
        if found == "overwritten":
            self._state.again(message.topic)
        elif found == "twin" and not self._twin_told:
            self._twin_told = True
            self._on_trouble(
                f'another service speaks for "{self._topics.machine_id}" too: stop one of them, '
                "or give it a machine_id of its own"
            )

    def _tell_offline(self, why: Trouble) -> None:
        if not self._stopping.is_set():
            self._teller.offline(why)
