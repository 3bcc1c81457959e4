"""What goes wrong with brokers and networks, and that the service is by itself good again after it."""

from __future__ import annotations

import json
import random
import socket
import threading
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from bus_fixtures import Service
from bus_tools import Cable, Listener, Mosquitto, free_port, wait_until

from tipdatum.bus.messages import Happening, Status

Make = Callable[..., Service]
Listen = Callable[..., Listener]
OPEN_FILES = Path("/proc/self/fd")
TIME = "2026-03-02T07:41:12.340Z"


def event(number: int) -> Happening:
    return Happening(t=float(number), time=TIME, kind="test", text=str(number))


def test_a_broker_that_is_not_there_yet_is_waited_for(
    need_mosquitto: None, bus_service: Make, tmp_path: Path
) -> None:
    port = free_port()
    service = bus_service(port)
    wait_until(lambda: "refused" in service.causes(), "its absence is told")
    assert "is the broker running?" in service.words()
    broker = Mosquitto.open_to_all(tmp_path, port)
    try:
        wait_until(lambda: service.client.online, "it is found")
    finally:
        broker.stop()
    assert service.causes().count("refused") <= 2  # told once a change, not at every try


def test_a_name_that_nobody_knows_is_told(bus_service: Make) -> None:
    from tipdatum.bus.options import BrokerOptions

    service = Service(BrokerOptions(host="no-such-broker.invalid"))  # RFC 2606: never exists
    service.client.start()
    try:
        wait_until(lambda: "unreachable" in service.causes(), "it is told")
        assert "no-such-broker.invalid" in service.words()
    finally:
        service.client.stop()


@pytest.mark.parametrize(
    "talk", [b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\x20\x02\x00\x05", b"", b"\x20\xff\xff\xff\xff"]
)
def test_a_port_that_speaks_something_else_is_told_and_tried_again(talk: bytes, bus_service: Make) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(15)
        tries = []

        def answer() -> None:
            for _ in range(3):
                with server.accept()[0] as connection:
                    connection.recv(4096)
                    connection.sendall(talk)
                    tries.append(1)

        thread = threading.Thread(target=answer)
        thread.start()
        service = bus_service(server.getsockname()[1])
        wait_until(lambda: service.causes(), "it is told")
        thread.join(15)
        assert len(tries) == 3
        assert not service.client.online


def test_a_broker_killed_again_and_again_costs_no_event(
    mosquitto: Mosquitto, bus_service: Make, listener: Listen
) -> None:
    seed = 20260302
    rng = random.Random(seed)
    service = bus_service(mosquitto.port)
    heard = listener(mosquitto.port, "tipdatum/+/event", client_id="recorder", keep_session=True)
    sent = 0
    for _ in range(4):
        for _ in range(rng.randrange(20, 60)):
            service.client.publish("event", "", event(sent))
            sent += 1
            time.sleep(rng.random() * 0.01)
        mosquitto.kill()
        service.client.publish("event", "", event(sent))
        sent += 1
        time.sleep(rng.random() * 0.3)
        mosquitto.start()
        # This broker keeps nothing: what it took while no listener was there is lost with it, not with us.
        wait_until(lambda: heard.client.is_connected(), "the listener is back")
    wait_until(lambda: service.client.online, "the service is back")
    service.client.publish("event", "", event(sent))
    wait_until(
        lambda: any(json.loads(p)["text"] == str(sent) for p in heard.payloads("/event")),
        f"seed {seed}: the last",
    )
    ids = [json.loads(p)["id"] for p in heard.payloads("/event")]
    order = [int(one.rsplit("-", 1)[1]) for one in dict.fromkeys(ids)]
    assert order == sorted(order)
    wait_until(lambda: service.client.waiting_events == 0, "the outbox is empty")


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_two_services_with_one_client_id_are_recognised_and_calm_down(
    protocol: str, mosquitto: Mosquitto, bus_service: Make
) -> None:
    twins = [bus_service(mosquitto.port, client_id="twin", protocol=protocol) for _ in range(2)]
    for twin in twins:
        twin.client.publish("status", "", Status(state="online", time=TIME))
    wait_until(lambda: any("taken-over" in twin.causes() for twin in twins), "it is told")
    assert 'client id "twin"' in twins[0].words() + twins[1].words()
    time.sleep(3.0)  # left alone they would throw each other out several times a second for ever
    assert sum(twin.client.counters.connections for twin in twins) <= 8


def test_a_second_service_for_one_machine_is_told_even_with_an_id_of_its_own(
    mosquitto: Mosquitto, bus_service: Make
) -> None:
    first, second = (bus_service(mosquitto.port, client_id=name) for name in ("one", "two"))
    for service in (first, second):
        service.client.publish("status", "", Status(state="online", time=TIME))
        wait_until(partial(getattr, service.client, "online"), "online")
    wait_until(lambda: "speaks for" in first.words(), "the first notices")


def test_the_last_will_of_a_service_that_died_does_not_cover_the_status_of_the_next(
    mosquitto: Mosquitto, cable: Cable, bus_service: Make, listener: Listen
) -> None:
    dying = bus_service(cable.port, client_id="old-id")
    dying.client.publish("status", "", Status(state="online", time=TIME))
    wait_until(lambda: dying.client.online, "online")
    heard = listener(mosquitto.port, "tipdatum/+/status")
    heard.wait_for("/status")
    alive = bus_service(mosquitto.port, client_id="new-id")
    alive.client.publish("status", "", Status(state="online", time=TIME))
    heard.wait_for("/status", 2)
    cable.cut()
    wait_until(lambda: b"offline" in b"".join(heard.payloads("/status")), "the last will comes")
    wait_until(lambda: b"online" in heard.payloads("/status")[-1], "and is covered again")


def test_random_bytes_on_every_command_topic_are_refusals_and_nothing_else(
    mosquitto: Mosquitto, bus_service: Make, listener: Listen
) -> None:
    service = bus_service(mosquitto.port)
    wait_until(lambda: service.client.online, "online")
    sender = listener(mosquitto.port)
    rng = random.Random(7)
    for number in range(50):
        parts = ["äb c{}"[: rng.randrange(1, 6)] for _ in range(rng.randrange(1, 4))]
        topic = "tipdatum/digger-1/command/" + "/".join(parts)
        sender.client.publish(topic, rng.randbytes(rng.randrange(1, 400)), number % 3)
    wait_until(lambda: len(service.orders) >= 45, "they arrive")
    assert all(order.refusal for order in service.orders)
    assert service.client.online


def test_a_full_disk_keeps_events_in_memory(
    mosquitto: Mosquitto, cable: Cable, bus_service: Make, listener: Listen, tmp_path: Path
) -> None:
    outbox = tmp_path / "gone" / "events.sqlite"
    outbox.parent.write_text("a file where a folder should be")
    heard = listener(mosquitto.port, "tipdatum/+/event")
    cable.cut()
    service = bus_service(cable.port, outbox=outbox)
    service.client.publish("event", "", event(1))
    wait_until(lambda: service.troubles, "it is told")
    cable.restore()
    heard.wait_for("/event")
    assert "memory" in service.words()


def test_the_network_thread_ends_with_the_client(mosquitto: Mosquitto, bus_service: Make) -> None:
    before = threading.active_count(), len(list(OPEN_FILES.iterdir()))
    for _ in range(5):
        service = bus_service(mosquitto.port)
        wait_until(partial(getattr, service.client, "online"), "online")
        service.client.stop(Status(state="offline", time=TIME, reason="stopped"))
    assert threading.active_count() == before[0]
    assert len(list(OPEN_FILES.iterdir())) <= before[1] + 1
