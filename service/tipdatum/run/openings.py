"""What a service opens at its start, each from the service's file: broker, page, recording."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pydantic import SecretStr

from tipdatum import __version__
from tipdatum.bus.broker import BrokerAddresses, EmbeddedBroker
from tipdatum.bus.messages import CONTRACT_VERSION, UNITS, About
from tipdatum.bus.options import PLAIN_PORT, BrokerOptions, read_users
from tipdatum.config import Service
from tipdatum.run.build import build
from tipdatum.sessions.recorder import Recorder
from tipdatum_drivers.reading import SessionHeader

if TYPE_CHECKING:
    from tipdatum.display.server import Server


@dataclass(frozen=True, slots=True)
class BrokerPlace:
    """Where the broker is and how to enter: options with host and port filled in.

    `broker` and `addresses` are there if it is the embedded one.
    """

    options: BrokerOptions
    password: SecretStr | None
    broker: EmbeddedBroker | None = None
    addresses: BrokerAddresses | None = None


def open_broker(service: Service) -> BrokerPlace:
    """Start the embedded broker where the file names none. Blocks for a tenth of a second.

    Raises:
        InputError: it cannot be started, or a password cannot be read.
    """
    options, base, file = service.broker, service.path.parent, str(service.path)
    password = options.password(base, file=file)
    if not options.uses_embedded:
        return BrokerPlace(options, password)
    own = options.embedded
    users = read_users(base / own.users_file, file) if own.users_file is not None else {}
    user = options.user
    if users and user is None:
        # The service is a client like any other; without a name of its own it takes the first.
        user = next(iter(users))
    if user in users and password is None:
        password = SecretStr(users[user])
    broker = EmbeddedBroker(own.listen, own.port, own.ws_port, users or None, usual_port=PLAIN_PORT)
    addresses = broker.start()
    # What listens everywhere is reached by ourselves over loopback.
    host = "127.0.0.1" if addresses.host in ("0.0.0.0", "::") else addresses.host
    changed = options.model_copy(update={"host": host, "port": addresses.port, "user": user})
    return BrokerPlace(changed, password, broker, addresses)


def open_page(service: Service, place: BrokerPlace, pages: Mapping[str, Path] | None = None) -> Server | None:
    """Serve the page, where it is wanted and the broker's WebSocket address is known.

    Raises:
        PortError: its address cannot be listened on.
    """
    display = service.display
    websocket = display.websocket
    if websocket is None and place.addresses is not None:
        websocket = f"ws://{{host}}:{place.addresses.ws_port}"
    if not display.enabled or websocket is None:
        return None
    # Imported here: a service without a page does without the library's server and its memory.
    from tipdatum.display.day_report import DayReport
    from tipdatum.display.server import PageSettings, start

    settings = PageSettings(
        websocket=websocket,
        machine_id=service.machine_id,
        role=display.role,
        topic_root=service.broker.topic_root,
        # The name alone, and only of a broker that asks for one; the password is for people to type.
        username=(place.options.user or "") if place.password is not None else "",
        units=display.units,
        language=display.language,
    )
    folder = service.recording.directory
    report = None
    if folder is not None and display.role != "display":
        place_of_files = service.path.parent / folder
        report = DayReport(place_of_files, display.language, "ft" if display.units.startswith("ft") else "m")
    return start(display.host, display.port, settings, report, pages)


def open_recorder(
    service: Service, target: Path | None, started: datetime, on_fault: Callable[[str], None]
) -> Recorder | None:
    """Begin to record to `target`, or to the file's directory; None where neither is named.

    Raises:
        InputError: the target cannot be written to.
    """
    options = service.recording
    if target is None and options.directory is None:
        return None
    header = SessionHeader(
        1,
        # To the microsecond, so that a replay gives the very times that were published.
        started.isoformat().replace("+00:00", "Z"),
        service.machine.model_dump(mode="json", exclude_defaults=True),
        f"recorded by tipdatum {__version__}, build {build()}",
    )
    place = target or service.path.parent / (options.directory or "")
    return Recorder(place, header, started, service.machine_id, options, on_fault=on_fault)


def about_message(service: Service, started: str) -> About:
    """What this service and machine are, for the retained topic; without a verdict that holds no more."""
    machine = service.machine.model_dump(mode="json")
    if not service.machine.calibration_holds:
        machine["calibrated"] = None
    return About(
        version=__version__,
        build=build(),
        contract=CONTRACT_VERSION,
        machine_id=service.machine_id,
        machine=machine,
        units=UNITS,
        tick_hz=round(1.0 / service.settings.period_s, 3),
        started=started,
    )
