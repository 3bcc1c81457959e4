"""Fixtures of the bus tests; `conftest.py` takes them in."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from bus_tools import MOSQUITTO, Cable, Listener, Mosquitto

from tipdatum.bus.client import BusClient
from tipdatum.bus.options import BrokerOptions
from tipdatum.bus.orders import Order
from tipdatum.bus.topics import Topics
from tipdatum.bus.trouble import ConnectionState

TOPICS = Topics("digger-1")


class Service:
    """A bus client with everything it tells."""

    def __init__(self, options: BrokerOptions, **more: Any) -> None:
        self.orders: list[Order] = []
        self.states: list[ConnectionState] = []
        self.troubles: list[str] = []
        self.client = BusClient(
            options,
            TOPICS,
            on_order=self.orders.append,
            on_state=self.states.append,
            on_trouble=self.troubles.append,
            **more,
        )

    def causes(self) -> list[str]:
        """Causes told so far."""
        return [state.cause for state in list(self.states) if state.cause is not None]

    def words(self) -> str:
        """Everything told, in one text."""
        return " | ".join([state.text for state in list(self.states)] + list(self.troubles))


@pytest.fixture
def need_mosquitto() -> None:
    """Skips where there is no mosquitto."""
    if MOSQUITTO is None:
        pytest.skip("needs mosquitto, which is not installed here (Debian: apt-get install mosquitto)")


@pytest.fixture
def mosquitto(need_mosquitto: None, tmp_path: Path) -> Iterator[Mosquitto]:
    """An open mosquitto that keeps nothing."""
    broker = Mosquitto.open_to_all(tmp_path)
    yield broker
    broker.stop()


@pytest.fixture
def cable(mosquitto: Mosquitto) -> Iterator[Cable]:
    """A cable to `mosquitto`."""
    found = Cable(mosquitto.port)
    yield found
    found.close()


@pytest.fixture
def bus_service() -> Iterator[Callable[..., Service]]:
    """`bus_service(port, tls=…, outbox=…)`: a started bus client; stopped at the end."""
    made: list[Service] = []

    def make(port: int, *, started: bool = True, outbox: Path | None = None, password: Any = None,
             base: Path = Path(), **options: Any) -> Service:  # fmt: skip
        settings = BrokerOptions(host="127.0.0.1", port=port, **options)
        service = Service(settings, outbox=outbox, password=password, base=base)
        made.append(service)
        if started:
            service.client.start()
        return service

    yield make
    for service in made:
        service.client.stop()


@pytest.fixture
def listener() -> Iterator[Callable[..., Listener]]:
    """`listener(port, "tipdatum/#")`; closed at the end."""
    made: list[Listener] = []

    def make(port: int, *filters: str, **options: Any) -> Listener:
        found = Listener(port, *filters, **options)
        made.append(found)
        return found

    yield make
    for one in made:
        one.close()
