"""The page's MQTT module against real brokers, and side by side with the npm client `mqtt`."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from bus_tools import PATIENCE_S, wait_until
from paho.mqtt.enums import CallbackAPIVersion
from playwright.sync_api import Page

from tipdatum.bus.broker import EmbeddedBroker
from tipdatum.display.server import PAGE
from tipdatum.errors import InputError

pytestmark = [pytest.mark.browser, pytest.mark.broker]

CONNECT = """
async ([url, options]) => {
  const { MqttClient } = await import("/mqtt.js");
  const client = (window.client = new MqttClient(url, options));
  window.states = [];
  window.messages = [];
  client.onMessage = (topic, payload, { qos, retain }) =>
    window.messages.push([topic, Array.from(payload), qos, retain]);
  const connected = new Promise((resolve) => {
    client.onState = (state, reason) => {
      window.states.push([state, reason]);
      if (state === "connected" || state === "refused") resolve(state);
    };
  });
  client.start();
  return connected;
}
"""


class Peer:
    """A second client, of an independent library, on the same broker."""

    def __init__(self, port: int) -> None:
        self.received: list[tuple[str, bytes, int]] = []
        self._ready = False
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = lambda _c, _u, m: self.received.append((m.topic, bytes(m.payload), m.qos))
        self._client.on_subscribe = lambda *_: setattr(self, "_ready", True)
        self._client.connect("127.0.0.1", port)
        self._client.subscribe("peer/#", 1)
        self._client.loop_start()
        self.wait(lambda: self._ready)

    def publish(self, topic: str, payload: bytes, qos: int = 0, retain: bool = False) -> None:
        self._client.publish(topic, payload, qos, retain).wait_for_publish(PATIENCE_S)

    def wait(self, ready: Callable[[], bool]) -> None:
        wait_until(ready, "what the peer waits for has come")

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture(params=["mosquitto", "embedded"])
def ports(request: pytest.FixtureRequest) -> Iterator[tuple[int, int]]:
    """(MQTT, WebSocket) ports of each kind of broker."""
    if request.param == "mosquitto":
        broker = request.getfixturevalue("broker")
        yield broker.port, broker.ws_port
        return
    try:
        embedded = EmbeddedBroker()
    except InputError as reason:
        pytest.skip(str(reason))
    with embedded:
        assert embedded.addresses is not None
        yield embedded.addresses.port, embedded.addresses.ws_port


@pytest.fixture
def peer(ports: tuple[int, int]) -> Iterator[Peer]:
    other = Peer(ports[0])
    yield other
    other.close()


@pytest.fixture
def connected(modules: Page, ports: tuple[int, int], peer: Peer) -> Page:
    """A page whose `client` is connected and subscribed to page/#."""
    assert modules.evaluate(CONNECT, [f"ws://127.0.0.1:{ports[1]}/mqtt", {"keepAlive": 1}]) == "connected"
    modules.evaluate("client.subscribe('page/#', 1)")
    modules.evaluate("client.publish('page/ready', 'x', { qos: 1 })")
    modules.wait_for_function("messages.length === 1")
    modules.evaluate("messages.length = 0")
    return modules


SIZES = (0, 1, 100, 127, 128, 16383, 16384, 30_000)
"""Payloads on both sides of the steps of the remaining length (MQTT 3.1.1, table 2.4)."""


@pytest.mark.parametrize("qos", [0, 1])
def test_payloads_of_every_size_go_both_ways_unchanged(connected: Page, peer: Peer, qos: int) -> None:
    payloads = [bytes(i * 7 % 256 for i in range(size)) for size in SIZES]
    for payload in payloads:
        connected.evaluate(
            "([text, qos]) => "
            "client.publish('peer/x', Uint8Array.from(atob(text), (c) => c.charCodeAt(0)), { qos })",
            [base64.b64encode(payload).decode(), qos],
        )
        peer.publish("page/x", payload, qos)
    peer.wait(lambda: len(peer.received) == len(SIZES))
    assert [payload for _, payload, _ in peer.received] == payloads
    connected.wait_for_function(f"messages.length === {len(SIZES)}")
    heard = connected.evaluate("messages.map(([, bytes]) => btoa(String.fromCharCode(...bytes)))")
    assert [base64.b64decode(text) for text in heard] == payloads


def test_messages_keep_their_order(connected: Page, peer: Peer) -> None:
    for number in range(300):
        peer.publish("page/count", str(number).encode())
    connected.wait_for_function("messages.length === 300")
    received = connected.evaluate("messages.map(([, bytes]) => Number(String.fromCharCode(...bytes)))")
    assert received == list(range(300))


@pytest.mark.parametrize("ports", ["mosquitto"], indirect=True)
def test_topics_and_texts_beyond_ascii(connected: Page, peer: Peer) -> None:
    connected.evaluate("client.publish('peer/höhe', 'Δ 12 mm ′', { qos: 1 })")
    peer.wait(lambda: len(peer.received) == 1)
    assert peer.received == [("peer/höhe", "Δ 12 mm ′".encode(), 1)]


@pytest.mark.parametrize("ports", ["mosquitto"], indirect=True)
def test_quiet_connection_is_kept_alive(connected: Page, peer: Peer) -> None:
    connected.wait_for_timeout(2500)  # the broker gives up after 1.5 times the keep-alive of 1 s
    peer.publish("page/still", b"here")
    connected.wait_for_function("messages.length === 1")
    assert [state for state, _ in connected.evaluate("states")] == ["connecting", "connected"]


def test_retained_message_comes_marked_as_such(modules: Page, ports: tuple[int, int], peer: Peer) -> None:
    peer.publish("page/kept", b"old", 1, True)
    modules.evaluate(CONNECT, [f"ws://127.0.0.1:{ports[1]}/mqtt", {}])
    modules.evaluate("client.subscribe('page/#', 1)")
    modules.wait_for_function("messages.length === 1")
    assert modules.evaluate("messages[0][3]") is True


def test_will_is_told_when_the_page_vanishes(modules: Page, ports: tuple[int, int], peer: Peer) -> None:
    will = {"topic": "peer/gone", "payload": "without a word", "qos": 1}
    modules.evaluate(CONNECT, [f"ws://127.0.0.1:{ports[1]}/mqtt", {"will": will}])
    modules.goto("about:blank")
    peer.wait(lambda: len(peer.received) == 1)
    assert peer.received == [("peer/gone", b"without a word", 1)]


@pytest.mark.parametrize("ports", ["mosquitto"], indirect=True)
def test_leaving_properly_tells_no_will(modules: Page, ports: tuple[int, int], peer: Peer) -> None:
    will = {"topic": "peer/gone", "payload": "x"}
    modules.evaluate(CONNECT, [f"ws://127.0.0.1:{ports[1]}/mqtt", {"will": will}])
    modules.evaluate("client.stop()")
    modules.wait_for_timeout(300)
    peer.publish("peer/after", b"")
    peer.wait(lambda: len(peer.received) > 0)
    assert [topic for topic, _, _ in peer.received] == ["peer/after"]


def test_nothing_is_kept_to_be_sent_after_the_connection_was_lost(
    modules: Page, broker: Any, serve: Callable[..., Any]
) -> None:
    modules.evaluate(CONNECT, [broker.ws_url, {}])
    broker.stop()
    modules.wait_for_function("!client.connected")
    outcome = modules.evaluate("client.publish('peer/x', 'late', { qos: 1 }).catch((e) => e.message)")
    assert outcome == "not connected"
    broker.start()
    watcher = Peer(broker.port)
    modules.wait_for_function("client.connected")
    modules.evaluate("client.publish('peer/x', 'new', { qos: 1 })")
    watcher.wait(lambda: len(watcher.received) > 0)
    assert [payload for _, payload, _ in watcher.received] == [b"new"]
    watcher.close()


@pytest.mark.parametrize("ports", ["mosquitto"], indirect=True)
def test_subscriptions_are_made_again_after_a_restart(connected: Page, broker: Any) -> None:
    broker.stop()
    connected.wait_for_function("!client.connected")
    broker.start()
    connected.wait_for_function("client.connected")
    other = Peer(broker.port)
    other.publish("page/again", b"!")
    connected.wait_for_function("messages.some(([topic]) => topic === 'page/again')")
    other.close()


def test_wrong_password_is_refused_once_and_for_all(modules: Page, new_broker: Callable[..., Any]) -> None:
    broker = new_broker("allow_anonymous false")
    options = {"username": "someone", "password": "guessed"}
    assert modules.evaluate(CONNECT, [broker.ws_url, options]) == "refused"
    modules.wait_for_timeout(700)
    assert [state for state, _ in modules.evaluate("states")] == ["connecting", "refused"]


def test_embedded_broker_takes_user_and_password(modules: Page) -> None:
    try:
        embedded = EmbeddedBroker(users={"panel": "correct"})
    except InputError as reason:
        pytest.skip(str(reason))
    with embedded as broker:
        assert broker.addresses is not None
        url = f"ws://127.0.0.1:{broker.addresses.ws_port}/mqtt"
        assert modules.evaluate(CONNECT, [url, {"username": "panel", "password": "correct"}]) == "connected"
        modules.evaluate("client.stop()")
        modules.evaluate(f"void ({CONNECT})(['{url}', {{ username: 'panel', password: 'wrong' }}])")
        modules.wait_for_function("states.some(([state, reason]) => reason === 'turned away')")


def test_silent_broker_is_given_up(modules: Page) -> None:
    """A socket that stays open and says nothing more, as behind a cut cable."""
    modules.evaluate(
        """async () => {
          const { MqttClient, packet } = await import("/mqtt.js");
          window.WebSocket = class {
            static OPEN = 1;
            readyState = 1;
            constructor() {
              setTimeout(() => {
                this.onopen();
                this.onmessage({ data: packet(2, 0, [0, 0]).buffer }); // CONNACK
              });
            }
            send() {}
            close() {}
          };
          window.client = new MqttClient("ws://nowhere", { keepAlive: 1 });
          window.states = [];
          client.onState = (...state) => window.states.push(state);
          client.start();
        }"""
    )
    modules.wait_for_function(
        "states.some(([state, reason]) => state === 'lost' && reason === 'broker silent')"
    )


def test_stream_may_be_cut_anywhere(modules: Page) -> None:
    """Whole, byte by byte, and with the next packet's beginning behind it."""
    result = modules.evaluate(
        """async () => {
          const { PacketReader, packet } = await import("/mqtt.js");
          const bodies = [[], [1], Array(127).fill(2), Array(128).fill(3), Array(20000).fill(4)];
          const stream = bodies.flatMap((body) => [...packet(3, 0, body)]);
          const read = (size) => {
            const reader = new PacketReader();
            const found = [];
            for (let i = 0; i < stream.length; i += size) {
              found.push(...reader.feed(Uint8Array.from(stream.slice(i, i + size))));
            }
            return found.map(({ type, body }) => [type, body.length, body[0] ?? 0]);
          };
          return [read(stream.length), read(1), read(7), read(200)];
        }"""
    )
    expected = [[3, 0, 0], [3, 1, 1], [3, 127, 2], [3, 128, 3], [3, 20000, 4]]
    assert result == [expected] * 4


def test_rubbish_is_refused(modules: Page) -> None:
    message = modules.evaluate(
        """async () => {
          const { PacketReader } = await import("/mqtt.js");
          try {
            return new PacketReader().feed(Uint8Array.from([0x30, 255, 255, 255, 255, 1]));
          } catch (error) {
            return error.message;
          }
        }"""
    )
    assert message == "malformed remaining length"


def test_hears_what_the_npm_client_hears(
    connected: Page, peer: Peer, ports: tuple[int, int], node_module: Callable[..., Path]
) -> None:
    connected.add_script_tag(content=node_module("mqtt", "dist", "mqtt.js").read_text())
    connected.evaluate(
        """(url) => new Promise((resolve) => {
          window.theirs = [];
          const other = mqtt.connect(url, { protocolVersion: 4 });
          other.on("message", (topic, payload, { qos, retain }) =>
            window.theirs.push([topic, Array.from(payload), qos, retain]));
          other.on("connect", () => other.subscribe("page/#", { qos: 1 }, resolve));
          window.other = other;
        })""",
        f"ws://127.0.0.1:{ports[1]}/mqtt",
    )
    for number in range(50):
        peer.publish(f"page/{number % 3}", bytes([number]) * number, number % 2)
    connected.evaluate("other.publish('page/theirs', 'from them', { qos: 1 })")
    connected.wait_for_function("messages.length === 51 && theirs.length === 51")
    assert connected.evaluate("messages") == connected.evaluate("theirs")


def test_module_is_short_enough_to_be_read_in_one_sitting() -> None:
    code = [line for line in (PAGE / "mqtt.js").read_text().splitlines() if line.strip()]
    assert len(code) < 300
