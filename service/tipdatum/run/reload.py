"""What a running service takes over from its changed file, and what has to wait for a restart."""

from __future__ import annotations

from dataclasses import dataclass, replace

from tipdatum.config import Service
from tipdatum.errors import InputError

NEED_RESTART = ("machine_id", "drivers", "broker", "recording", "display", "state_directory")
"""Parts of a service that stand in ports, threads and files opened at its start."""


@dataclass(frozen=True, slots=True)
class Reload:
    """The service to go on with, and the tables whose changes it left out."""

    service: Service
    needs_restart: tuple[str, ...]


def reloaded(running: Service, fresh: Service) -> Reload:
    """`running` with what `fresh` changes in the machine's description and in `[work]`.

    Raises:
        InputError: `fresh` has other sensors, on which filters and health hang.
    """
    if fresh.machine.sensor.keys() != running.machine.sensor.keys():
        raise InputError("other sensors need a restart")
    left_out = [name for name in NEED_RESTART if getattr(fresh, name) != getattr(running, name)]
    kept = replace(running.settings, work=fresh.settings.work)
    if fresh.settings != kept:
        left_out.append("fusion")
    service = replace(running, machine=fresh.machine, machine_path=fresh.machine_path, settings=kept)
    return Reload(service, tuple(left_out))
