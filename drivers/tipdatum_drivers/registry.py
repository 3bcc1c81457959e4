"""Finding a driver by the name that a configuration gives it.

A package announces its drivers in the entry-point group `tipdatum.drivers`, ours and third parties' alike.
The built-in table holds the same lines as this project's own announcement, so that a source tree runs
without being installed; a test compares the two. Nothing is imported before it is asked for.
"""

from __future__ import annotations

import contextlib
import difflib
from importlib import import_module

from tipdatum_drivers.errors import ConfigError
from tipdatum_drivers.source import Driver

GROUP = "tipdatum.drivers"

BUILT_IN: dict[str, str] = {
    "replay": "tipdatum_drivers.replay:ReplayDriver",
    "csv-replay": "tipdatum_drivers.replay:CsvReplayDriver",
    "text-lines": "tipdatum_drivers.decode.text_lines:TextLinesDriver",
    "nmea-xdr": "tipdatum_drivers.decode.nmea_xdr:XdrDriver",
    "modbus-rtu": "tipdatum_drivers.decode.modbus_rtu:ModbusDriver",
    "imu-55": "tipdatum_drivers.decode.imu55:Imu55Driver",
    "packets": "tipdatum_drivers.decode.packets:PacketsDriver",
    "contacts": "tipdatum_drivers.decode.contacts:ContactsDriver",
    "slcan": "tipdatum_drivers.decode.slcan:SlcanDriver",
}
"""Name → module and class."""


def find_driver(name: str, file: str = "driver", key: str = "kind") -> type[Driver]:
    """The class of the driver called `name`.

    Args:
        name: the driver's `kind` in the configuration.
        file: where the name stands, for the error. key: its key there.

    Raises:
        ConfigError: there is no such driver, or its package cannot be imported or is no driver.
    """
    place = BUILT_IN.get(name)
    if place is None:
        announced = _announced()
        place = announced.get(name)
        if place is None:
            near = difflib.get_close_matches(name, announced, n=1)
            known = f"one of {', '.join(sorted(announced))}"
            raise ConfigError(file, key, f'"{name}"', f'"{near[0]}"?' if near else known)
    try:
        found = _load(place)
    except (ImportError, AttributeError) as error:
        raise ConfigError(
            file, key, f'driver "{name}", which cannot be loaded ({error})', f"{place} to be importable"
        ) from None
    if not (isinstance(found, type) and issubclass(found, Driver) and hasattr(found, "Options")):
        raise ConfigError(
            file,
            key,
            f'driver "{name}" from {place}',
            "a class derived from source.Driver, with Options (see docs/writing-a-driver.md)",
        )
    return found


def plugins() -> list[type[Driver]]:
    """The drivers of other packages that can be loaded."""
    found = []
    for name in sorted(_announced()):
        if name not in BUILT_IN:
            with contextlib.suppress(ConfigError):  # said where somebody configures it
                found.append(find_driver(name))
    return found


def _announced() -> dict[str, str]:
    """Module and class of every driver by name; no other package takes over a built-in name unnoticed."""
    # Imported here: it reads what every installed package says of itself, which a built-in driver spares.
    from importlib.metadata import entry_points

    return {entry.name: entry.value for entry in entry_points(group=GROUP)} | BUILT_IN


def _load(place: str) -> object:
    """What stands at "module:name" (the entry points specification of the Python Packaging User Guide)."""
    module, _, name = place.partition(":")
    found: object = import_module(module)
    for part in filter(None, name.split(".")):
        found = getattr(found, part)
    return found
