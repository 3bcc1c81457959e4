"""What a running service takes over from its changed files, and what has to wait for a restart.

Both files are compared key by key. A key takes effect only where `TAKES_EFFECT` says so; every other one is
refused by its name, so that one added later is refused until somebody has seen to it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from tipdatum.config import FusionTable, Service, make_settings
from tipdatum.errors import InputError
from tipdatum.validation import dotted

TAKES_EFFECT = ("machine", "work", "fusion.estimator", "fusion.options", "fusion.arm_hz", "fusion.raw")
"""Keys of the service's file, tables whole; and every key of the machine file."""

WAITS = {
    "machine_id": "a restart publishes under the new topics and keeps a state of that name",
    "driver": "a restart opens ports and files as the table says",
    "fusion.tick_hz": "a restart ticks at the new rate",
    "fusion.publish": "a restart publishes that way",
    "broker": "a restart connects to the broker so",
    "recording": "a restart begins a new recording so",
    "display": "a restart serves the page so",
    "state": "a restart keeps the state there, and begins with what it finds there",
}
"""Keys that stand in ports, threads and files opened at the start → what a restart would do."""
BY_DEFAULT = "a restart takes it over"


@dataclass(frozen=True, slots=True)
class Reload:
    """The service to go on with.

    Attributes:
        taken: keys that take effect, each with its file's name. waits: keys that do not, and what a restart
            would do, a sentence each.
    """

    service: Service
    taken: tuple[str, ...]
    waits: tuple[str, ...]


def reloaded(running: Service, fresh: Service) -> Reload:
    """`running` with what `fresh` changes, as far as a running service can.

    Raises:
        InputError: `fresh` has other sensors, on which health and drivers hang; nothing is taken over.
    """
    old, new = running.machine.sensor.keys(), fresh.machine.sensor.keys()
    if old != new:
        words = [f"sensor.{name} is new" for name in sorted(new - old)]
        words += [f"sensor.{name} is gone" for name in sorted(old - new)]
        file = fresh.machine_path.name
        raise InputError(f"{file}: {', '.join(words)}: a restart begins with these sensors")
    keys = list(changed_keys(_plain(running.tables), _plain(fresh.tables)))
    if fresh.machine_id != running.machine_id and "machine_id" not in keys:
        keys.append("machine_id")
    taken = [f"{fresh.path.name}: {key}" for key in keys if _within(key, TAKES_EFFECT)]
    waits = [f"{key} ({_restart_words(key)})" for key in keys if not _within(key, TAKES_EFFECT)]
    machine_keys = changed_keys(_plain(running.machine), _plain(fresh.machine))
    taken += [f"{fresh.machine_path.name}: {key}" for key in machine_keys]
    taken_of_fusion = [name for name in FusionTable.model_fields if _within(f"fusion.{name}", TAKES_EFFECT)]
    fusion = running.tables.fusion.model_copy(
        update={name: getattr(fresh.tables.fusion, name) for name in taken_of_fusion}
    )
    tables = running.tables.model_copy(
        update={"machine": fresh.tables.machine, "work": fresh.tables.work, "fusion": fusion}
    )
    service = replace(
        running,
        tables=tables,
        machine=fresh.machine,
        machine_path=fresh.machine_path,
        settings=make_settings(fusion, tables.work, str(fresh.path)),
    )
    return Reload(service, tuple(taken), tuple(waits))


def changed_keys(old: Any, new: Any, at: Sequence[int | str] = ()) -> Iterator[str]:
    """Dotted keys at which two documents of plain data differ."""
    if isinstance(old or {}, Mapping) and isinstance(new or {}, Mapping) and old != new:
        for key in sorted({*(old or {}), *(new or {})}):
            yield from changed_keys((old or {}).get(key), (new or {}).get(key), [*at, key])
    elif _is_tables(old) and _is_tables(new):
        for i in range(max(len(old), len(new))):
            pair = (old[i] if i < len(old) else None, new[i] if i < len(new) else None)
            yield from changed_keys(*pair, [*at, i])
    elif old != new:
        yield dotted(at)


def _is_tables(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(one, Mapping) for one in value)


def _plain(model: Any) -> Any:
    return model.model_dump(mode="json")


def _within(key: str, keys: Sequence[str]) -> bool:
    return any(key == one or key.startswith((f"{one}.", f"{one}[")) for one in keys)


def _restart_words(key: str) -> str:
    return next((words for table, words in WAITS.items() if _within(key, [table])), BY_DEFAULT)
