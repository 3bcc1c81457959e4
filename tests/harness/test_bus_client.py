"""The service's MQTT client against real brokers: what arrives, what never does, what comes back."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from bus_fixtures import TOPICS, Service
from bus_tools import Cable, Listener, Mosquitto, request_properties, wait_until

from tipdatum.bus.broker import EmbeddedBroker
from tipdatum.bus.messages import Arm, Happening, Reply, State, Status, Tip
from tipdatum.bus.orders import MAX_BODY_BYTES
from tipdatum.bus.small import DEFAULT_TEXTS, DEFAULT_VALUES

Make = Callable[..., Service]
Listen = Callable[..., Listener]
TIME = "2026-03-02T07:41:12.340Z"


def tip(t: float) -> Tip:
    return Tip(
        t=t, time=TIME, elevation_m=101.2, left_m=None, right_m=None, reach_m=None, lateral_m=None,
        sigma_m=0.01, quality="good", reasons=[], datum="set", deviation_m=None,
    )  # fmt: skip


def state(datum: str = "set") -> State:
    return State.model_validate({"t": 1.0, "time": TIME, "datum": datum})


def arm(t: float) -> Arm:
    return Arm(t=t, time=TIME, quality="good", points=None, height_to_elevation_m=None)


def event(number: int) -> Happening:
    return Happening(t=float(number), time=TIME, kind="test", text=str(number))


def mqtt5(message: Any, name: str) -> Any:
    """An MQTT 5 property of a message, None where it has none."""
    return getattr(message.properties, name, None)


def online(service: Service) -> Service:
    wait_until(lambda: service.client.online, "the client is online")
    return service


@pytest.fixture(params=["mosquitto", "embedded"])
def any_port(request: pytest.FixtureRequest) -> Iterator[int]:
    """Port of each kind of broker in turn."""
    if request.param == "mosquitto":
        yield request.getfixturevalue("mosquitto").port
        return
    with EmbeddedBroker() as broker:
        assert broker.addresses is not None
        yield broker.addresses.port


def test_any_client_hears_figures_state_and_events(
    any_port: int, bus_service: Make, listener: Listen
) -> None:
    heard = listener(any_port, "tipdatum/#", version=4)
    service = online(bus_service(any_port))
    service.client.publish("status", "", Status(state="online", time=TIME))
    service.client.publish("state", "", state())
    service.client.publish("tip", "", tip(1.0))
    service.client.publish("event", "", event(1))
    assert json.loads(heard.wait_for("/tip")[0])["elevation_m"] == 101.2
    assert json.loads(heard.wait_for("/event")[0])["text"] == "1"
    assert json.loads(heard.wait_for("/status")[0])["state"] == "online"
    assert heard.wait_for("/value/elevation_m")[0] == b"101.2000"
    assert heard.wait_for("/text/deviation")[0] == b"---"


def test_a_late_reader_finds_state_and_never_an_old_elevation(
    any_port: int, bus_service: Make, listener: Listen
) -> None:
    first = listener(any_port, "tipdatum/#", version=4)
    service = online(bus_service(any_port))
    service.client.publish("state", "", state())
    service.client.publish("tip", "", tip(1.0))
    first.wait_for("/tip")
    first.wait_for("/state")
    late = listener(any_port, "tipdatum/#", version=4)
    late.wait_for("/state")
    assert [t for t in late.topics() if not t.endswith("/state")] == []


def test_what_is_held_leaves_in_order_when_it_is_released(
    any_port: int, bus_service: Make, listener: Listen
) -> None:
    heard = listener(any_port, "tipdatum/#", version=4)
    service = online(bus_service(any_port))
    service.client.hold()
    for number in range(3):
        service.client.publish("arm", "", arm(float(number)))
    service.client.publish("tip", "", tip(2.0))
    assert service.client.counters.live_sent == 0
    service.client.release()
    heard.wait_for("/tip")
    figures = [(topic.rsplit("/", 1)[1], json.loads(body)["t"]) for topic, body, _ in heard.messages[:4]]
    assert figures == [("arm", 0.0), ("arm", 1.0), ("arm", 2.0), ("tip", 2.0)]


def test_figures_expire_and_carry_no_retain_flag_under_mqtt_5(
    mosquitto: Mosquitto, bus_service: Make, listener: Listen
) -> None:
    heard = listener(mosquitto.port, "tipdatum/#")
    service = online(bus_service(mosquitto.port))
    assert service.states[-1].protocol == "5"
    service.client.publish("tip", "", tip(1.0))
    heard.wait_for("/tip")
    message = next(m for topic, _, m in heard.messages if topic.endswith("/tip"))
    assert mqtt5(message, "MessageExpiryInterval") == 1
    assert not message.retain


def test_a_broker_without_mqtt_5_is_spoken_to_in_3_1_1(bus_service: Make) -> None:
    with EmbeddedBroker() as broker:
        assert broker.addresses is not None
        service = online(bus_service(broker.addresses.port))
        assert service.states[-1].protocol == "3.1.1"
        assert "credentials" not in service.causes()


def test_the_last_will_says_offline_when_the_connection_dies(
    mosquitto: Mosquitto, cable: Cable, bus_service: Make, listener: Listen
) -> None:
    service = online(bus_service(cable.port))
    service.client.publish("status", "", Status(state="online", time=TIME))
    heard = listener(mosquitto.port, "tipdatum/#")
    heard.wait_for("/status")
    cable.cut()
    told = json.loads(heard.wait_for("/status", 2)[-1])
    assert (told["state"], told["reason"]) == ("offline", "connection lost")


def test_a_graceful_stop_says_so_and_leaves_no_last_will(
    any_port: int, bus_service: Make, listener: Listen
) -> None:
    service = online(bus_service(any_port))
    service.client.publish("status", "", Status(state="online", time=TIME))
    service.client.stop(Status(state="offline", time=TIME, reason="stopped"))
    late = listener(any_port, "tipdatum/#", version=4)
    assert json.loads(late.wait_for("/status")[0])["reason"] == "stopped"


def test_after_a_broker_that_kept_nothing_all_state_is_there_again_and_status_comes_last(
    mosquitto: Mosquitto, bus_service: Make, listener: Listen
) -> None:
    service = online(bus_service(mosquitto.port))
    service.client.publish("status", "", Status(state="online", time=TIME))
    service.client.publish("state", "", state("none"))
    service.client.publish("state", "", state("set"))
    mosquitto.kill()
    wait_until(lambda: not service.client.online, "the loss is noticed")
    mosquitto.start()
    heard = listener(mosquitto.port, "tipdatum/#")
    heard.wait_for("/status")
    assert [json.loads(p)["datum"] for p in heard.payloads("/state")] == ["set"]
    assert heard.topics()[-1].endswith("/status")
    assert service.client.counters.connections == 2


def test_events_wait_for_the_broker_and_arrive_in_order(
    mosquitto: Mosquitto, cable: Cable, bus_service: Make, listener: Listen
) -> None:
    service = online(bus_service(cable.port))
    heard = listener(mosquitto.port, "tipdatum/#")
    service.client.publish("event", "", event(0))
    heard.wait_for("/event")
    cable.cut()
    wait_until(lambda: not service.client.online, "the loss is noticed")
    for number in range(1, 200):
        service.client.publish("event", "", event(number))
    service.client.publish("tip", "", tip(5.0))
    cable.restore()
    texts = [int(json.loads(p)["text"]) for p in heard.wait_for("/event", 200)]
    assert texts == list(range(200))
    assert heard.payloads("/tip") == []  # a figure from before is of no use after
    assert service.client.counters.live_dropped >= 1


def test_events_outlive_the_service(
    mosquitto: Mosquitto, bus_service: Make, listener: Listen, tmp_path: Path
) -> None:
    outbox = tmp_path / "events.sqlite"
    mosquitto.stop()
    first = bus_service(mosquitto.port, outbox=outbox)
    for number in range(5):
        first.client.publish("event", "", event(number))
    first.client.stop()
    mosquitto.start()
    heard = listener(mosquitto.port, "tipdatum/#")
    second = online(bus_service(mosquitto.port, outbox=outbox))
    second.client.publish("event", "", event(5))
    found = [json.loads(p) for p in heard.wait_for("/event", 6)]
    assert [int(e["text"]) for e in found] == list(range(6))
    assert len({e["id"] for e in found}) == 6


def test_a_stalled_broker_costs_old_figures_and_nothing_else(
    mosquitto: Mosquitto, cable: Cable, bus_service: Make, listener: Listen
) -> None:
    service = online(bus_service(cable.port))
    heard = listener(mosquitto.port, "tipdatum/digger-1/tip", "tipdatum/digger-1/event")
    cable.stall()
    for number in range(20_000):
        service.client.publish("tip", "", tip(float(number)))
    service.client.publish("event", "", event(1))
    assert service.client.counters.live_dropped > 0
    cable.restore()
    heard.wait_for("/event")
    service.client.publish("tip", "", tip(20_000.0))
    wait_until(lambda: b'"t":20000.0' in heard.payloads("/tip")[-1], "the newest figure arrives")
    times = [json.loads(p)["t"] for p in heard.payloads("/tip")]
    assert times == sorted(times)
    lines_a_tip = 1 + len(DEFAULT_VALUES) + len(DEFAULT_TEXTS)
    counters = service.client.counters
    every_line = 20_001 * lines_a_tip
    wait_until(lambda: counters.live_sent + counters.live_dropped == every_line, "each is sent or counted")


def test_a_request_is_answered_on_its_response_topic_and_on_the_plain_one(
    mosquitto: Mosquitto, bus_service: Make, listener: Listen
) -> None:
    service = online(bus_service(mosquitto.port))
    asker = listener(mosquitto.port, "answers/me", "tipdatum/+/reply")
    topic, body = TOPICS.of("command", "datum/set"), b'{"elevation_m": 101.5, "request_id": "r-1"}'
    properties = request_properties("answers/me", b"\x00\x01", by="cab panel")
    asker.client.publish(topic, body, 1, properties=properties)
    wait_until(lambda: service.orders, "the order arrives")
    order = service.orders[0]
    assert (order.name, order.body, order.by) == ("datum/set", {"elevation_m": 101.5}, "cab panel")
    reply = Reply(t=1.0, time=TIME, command=order.name, ok=True, text="set", request_id=order.request_id)
    service.client.publish("reply", "", reply)
    asker.wait_for("answers/me")
    asker.wait_for("/reply")
    own = next(m for t, _, m in asker.messages if t == "answers/me")
    assert mqtt5(own, "CorrelationData") == b"\x00\x01"
    # The same request again: the same answer, no second order.
    asker.client.publish(topic, body, 1, properties=properties)
    assert len(set(asker.wait_for("answers/me", 2))) == 1
    assert len(service.orders) == 1


def test_what_cannot_be_a_command_is_refused_with_its_reason(
    mosquitto: Mosquitto, bus_service: Make, listener: Listen
) -> None:
    service = online(bus_service(mosquitto.port, protocol="3.1.1"))
    sender = listener(mosquitto.port)
    for payload in (
        b"\xff\xfe\x00",
        b"[1]",
        b'{"elevation_m": NaN}',
        b"{" * 5000,
        b"x" * (MAX_BODY_BYTES + 1),
    ):
        sender.client.publish(TOPICS.of("command", "datum/set"), payload, 1)
    wait_until(lambda: len(service.orders) == 5, "all five are told")
    assert all(order.refusal for order in service.orders)
    assert service.client.online


def test_a_payload_beyond_all_measure_never_reaches_an_mqtt_5_service(
    mosquitto: Mosquitto, bus_service: Make, listener: Listen
) -> None:
    service = online(bus_service(mosquitto.port))
    sender = listener(mosquitto.port)
    sender.client.publish(TOPICS.of("command", "datum/set"), b"x" * 5_000_000, 1).wait_for_publish(10)
    sender.client.publish(TOPICS.of("command", "datum/clear"), b"{}", 1)
    wait_until(lambda: service.orders, "the next command arrives")
    assert [order.name for order in service.orders] == ["datum/clear"]


def test_a_command_that_lay_at_the_broker_is_not_carried_out_later(
    any_port: int, bus_service: Make, listener: Listen
) -> None:
    sender = listener(any_port, version=4)
    topic = TOPICS.of("command", "datum/set")
    sender.client.publish(topic, b'{"elevation_m": 1}', 1, retain=True).wait_for_publish(10)
    service = online(bus_service(any_port))
    sender.client.publish(topic, b"", 1, retain=True)  # tidies what is retained away, and is no command
    sender.client.publish(TOPICS.of("command", "datum/clear"), b"{}", 1)
    wait_until(lambda: any(o.name == "datum/clear" for o in service.orders), "the fresh command arrives")
    assert [o.name for o in service.orders if o.refusal is None] == ["datum/clear"]


def test_a_retained_command_is_refused_while_it_is_sent_where_the_protocol_shows_it(
    mosquitto: Mosquitto, bus_service: Make, listener: Listen
) -> None:
    """MQTT 5 hands the flag on (retain as published); with 3.1.1 what destroys a record has to be meant."""
    service = online(bus_service(mosquitto.port, protocol="5"))
    sender = listener(mosquitto.port)
    sender.client.publish(TOPICS.of("command", "datum/clear"), b"{}", 1, retain=True)
    wait_until(lambda: service.orders, "it arrives")
    assert "how old" in (service.orders[0].refusal or "")
    older = online(bus_service(mosquitto.port, protocol="3.1.1", client_id="older"))
    sender.client.publish(TOPICS.of("command", "book/new"), b"{}", 1, retain=True)
    wait_until(lambda: any(o.name == "book/new" for o in older.orders), "it arrives")
    assert '{"sure": true}' in (older.orders[-1].refusal or "")


def test_events_are_numbered_and_sent_again_to_who_missed_some(
    any_port: int, bus_service: Make, listener: Listen
) -> None:
    reader = listener(any_port, "tipdatum/#", version=4)
    service = online(bus_service(any_port))
    for number in (1, 2, 3):
        service.client.publish("event", "", event(number))
    wait_until(lambda: len(reader.payloads("/event")) == 3, "the events arrive")
    first = [json.loads(payload) for payload in reader.payloads("/event")]
    told: list[list[int]] = []
    service.client.send_again(first[1]["number"], 10, told.append)
    wait_until(lambda: len(reader.payloads("/event")) == 5, "two of them come again")
    again = [json.loads(payload) for payload in reader.payloads("/event")[3:]]
    assert again == first[1:]
    assert told == [[first[1]["number"], first[2]["number"]]]
    numbers = [one["number"] for one in first]
    assert numbers == list(range(numbers[0], numbers[0] + 3))


def test_a_flood_of_commands_is_answered_once_and_ebbs(
    mosquitto: Mosquitto, bus_service: Make, listener: Listen
) -> None:
    service = online(bus_service(mosquitto.port))
    sender = listener(mosquitto.port)
    for _ in range(3000):
        sender.client.publish(TOPICS.of("command", "datum/clear"), b"{}", 0)
    wait_until(lambda: service.client.counters.commands_ignored > 100, "the flood is recognised")
    assert sum(1 for order in service.orders if order.refusal) <= 5
    assert service.client.online
