"""The broker that comes with the service: who gets in, what happens to its process."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from bus_fixtures import Service
from bus_tools import Listener, accepts, free_port, wait_until
from pydantic import SecretStr

from tipdatum.bus.broker import EmbeddedBroker
from tipdatum.errors import InputError

Make = Callable[..., Service]
Listen = Callable[..., Listener]


def test_it_listens_where_it_says_and_frees_its_ports() -> None:
    broker = EmbeddedBroker()
    addresses = broker.start()
    assert addresses.host == "127.0.0.1"
    assert accepts(addresses.port)
    assert accepts(addresses.ws_port)
    broker.stop()
    assert not accepts(addresses.port)
    assert not accepts(addresses.ws_port)
    broker.stop()


def test_a_port_that_is_taken_is_named() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(InputError, match=str(port)):
            EmbeddedBroker(port=port).start()


def test_two_services_on_one_computer_do_not_disturb_each_other() -> None:
    with EmbeddedBroker() as one, EmbeddedBroker() as other:
        assert one.addresses is not None
        assert other.addresses is not None
        assert one.addresses != other.addresses


def test_only_its_users_get_in(bus_service: Make, listener: Listen) -> None:
    with EmbeddedBroker(users={"service": 'odd "word" \\ é', "panel": "p"}) as broker:
        assert broker.addresses is not None
        port = broker.addresses.port
        right = bus_service(port, user="service", password=SecretStr('odd "word" \\ é'))
        wait_until(lambda: right.client.online, "the right word")
        wrong = bus_service(port, user="service", password=SecretStr("guess"), client_id="other")
        wait_until(lambda: "credentials" in wrong.causes(), "the wrong word")
        nobody = bus_service(port, client_id="third")
        wait_until(lambda: "credentials" in nobody.causes(), "no word")


def test_a_broker_that_died_is_started_again_on_the_same_ports(bus_service: Make) -> None:
    with EmbeddedBroker() as broker:
        before = broker.addresses
        assert before is not None
        service = bus_service(before.port)
        wait_until(lambda: service.client.online, "online")
        assert broker.ensure() is False
        os.kill(broker.pid, signal.SIGKILL)
        wait_until(lambda: not broker.running, "it is dead")
        assert broker.ensure() is True
        assert broker.addresses == before
        wait_until(lambda: service.client.counters.connections == 2, "back")


def test_it_ends_with_a_parent_that_is_killed_and_outlives_ctrl_c_in_the_terminal(tmp_path: Path) -> None:
    port = free_port()
    script = (
        "import signal, sys, time\n"
        "signal.signal(signal.SIGINT, signal.SIG_IGN)\n"
        "from tipdatum.bus.broker import EmbeddedBroker\n"
        f"EmbeddedBroker(port={port}).start()\n"
        "print('up', flush=True)\n"
        "time.sleep(60)\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, start_new_session=True)
    assert parent.stdout is not None
    try:
        assert parent.stdout.readline() == b"up\n"
        os.killpg(parent.pid, signal.SIGINT)  # as a terminal does
        assert accepts(port)
        assert parent.poll() is None
    finally:
        parent.kill()
        parent.wait()
        parent.stdout.close()
    wait_until(lambda: not accepts(port), "the broker has gone too")


def test_a_message_of_mqtt_5_cannot_end_the_listener_because_there_is_none(listener: Listen) -> None:
    with EmbeddedBroker() as broker:
        assert broker.addresses is not None
        port = broker.addresses.port
        plain = listener(port, "tipdatum/#", version=4)
        with socket.create_connection(("127.0.0.1", port)) as stream:
            # CONNECT of protocol level 5 (MQTT 5.0, section 3.1), clean start, no client id.
            stream.sendall(bytes([0x10, 13, 0, 4, *b"MQTT", 5, 2, 0, 10, 0, 0, 0]))
            stream.settimeout(5)
            assert stream.recv(100)[:1] in (b"", b"\x20")
        sender = listener(port, version=4)
        sender.client.publish("tipdatum/digger-1/tip", b"still here", 1)
        assert plain.wait_for("/tip") == [b"still here"]
