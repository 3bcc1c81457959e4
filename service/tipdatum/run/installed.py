"""What the shipped systemd unit would refuse a service, found before it is installed.

`config/systemd/tipdatum@.service` runs the service under a user that exists only while it runs: the system
is read-only but for the state folder, homes and the shared /tmp are out of sight, and of the devices only
serial ports may be opened (systemd.exec(5): ProtectSystem, ProtectHome, PrivateTmp, DynamicUser; and
systemd.resource-control(5): DevicePolicy). A test holds these rules to the unit's own lines.
"""

from __future__ import annotations

import stat
from collections.abc import Iterator
from pathlib import Path

from tipdatum.config import Service

STATE = Path("/var/lib/tipdatum")
"""What the unit may write: `StateDirectory=tipdatum/%i` below /var/lib."""

HIDDEN = (Path("/home"), Path("/root"), Path("/run/user"))
"""ProtectHome=yes."""

OWN_TMP = (Path("/tmp"), Path("/var/tmp"))
"""PrivateTmp=yes: empty, and gone with the service."""

CREDENTIALS = Path("/run/credentials")
PORTS = ("/dev/ttyUSB", "/dev/ttyACM", "/dev/ttyS", "/dev/ttyAMA")
"""DeviceAllow=; a link such as /dev/tipdatum-arm counts as what it points to."""

LOWEST_PORT = 1024
"""Below it a program wants a capability that the unit takes away (CapabilityBoundingSet=)."""


def refusals(service: Service) -> list[str]:
    """Sentences on what the unit would refuse, each with its key and what to write instead."""
    name = service.path.stem
    own = STATE / name
    found = [*_unwritable(service, own), *_out_of_sight(service), *_ports(service)]
    if service.display.enabled and 0 < service.display.port < LOWEST_PORT:
        found.append(
            f"display.port: {service.display.port} wants a right that the unit takes away; "
            f"choose one from {LOWEST_PORT} up"
        )
    return found


def _unwritable(service: Service, own: Path) -> Iterator[str]:
    folders = {
        "recording.directory": service.recording.directory
        and service.path.parent / service.recording.directory,
        "state.directory": service.state_directory,
    }
    for key, folder in folders.items():
        if folder is None or not str(folder):
            continue
        where = _resolved(Path(folder))
        if not (where == own or own in where.parents):
            instead = own / "sessions" if key.startswith("recording") else own
            yield f'{key}: {where} cannot be written to under the unit; write "{instead}"'


def _out_of_sight(service: Service) -> Iterator[str]:
    files: dict[str, Path | None] = {
        "the service's file": service.path,
        "machine": service.machine_path,
        "broker.password_file": _beside(service, service.broker.password_file),
        "broker.embedded.users_file": _beside(service, service.broker.embedded.users_file),
    }
    for i, table in enumerate(service.drivers):
        file = getattr(table.options, "file", None)
        if file:
            files[f"driver[{i}].file"] = _beside(service, str(file))
    for key, file in files.items():
        if file is None:
            continue
        where = _resolved(file)
        if CREDENTIALS in where.parents:
            continue
        if any(folder in where.parents for folder in (*HIDDEN, *OWN_TMP)):
            yield f"{key}: {where} is out of the unit's sight; keep it in /etc/tipdatum"
        elif not _everybody_reads(where):
            yield (
                f"{key}: {where} cannot be read by the unit's user; `chmod o+r` it, "
                "or hand a secret over by LoadCredential as the unit shows"
            )


def _ports(service: Service) -> Iterator[str]:
    for i, table in enumerate(service.drivers):
        port = getattr(table.options, "port", None)
        if isinstance(port, str) and port.startswith("/"):
            where = str(_resolved(Path(port)))
            if Path(where).exists() and not where.startswith(PORTS):
                yield (
                    f"driver[{i}].port: {where} is none of the devices that the unit may open "
                    f"({', '.join(f'{p}*' for p in PORTS)}); add a DeviceAllow= for it"
                )


def _beside(service: Service, given: str | Path | None) -> Path | None:
    return None if not given else service.path.parent / given


def _resolved(path: Path) -> Path:
    try:
        return path.resolve()
    except OSError:
        return path.absolute()


def _everybody_reads(file: Path) -> bool:
    """Whether any user may read it; what does not exist is another check's business."""
    try:
        if not file.stat().st_mode & stat.S_IROTH:
            return False
        return all(folder.stat().st_mode & stat.S_IXOTH for folder in file.parents)
    except OSError:
        return True
