"""`tipdatum ports`: the serial ports of this computer, with the names that stay."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path

from rich.table import Table
from serial.tools import list_ports

from tipdatum.cli.options import Json, print_json, talker

STABLE_NAMES = ("/dev/serial/by-id", "/dev")
"""Where links stand that outlive a restart: udev's own, then those of a rule (`/dev/tipdatum-…`)."""


@dataclass(frozen=True, slots=True)
class Port:
    """One serial port as a configuration can name it."""

    device: str
    stable: str | None
    usb_id: str | None
    usb_serial: str | None
    what: str


def ports(as_json: Json = False) -> None:
    """List the serial ports that are connected."""
    found = connected()
    if as_json:
        print_json([asdict(port) for port in found])
        return
    console = talker()
    if not found:
        console.print("No serial port is connected.")
        console.print("If a USB adapter is plugged in: does `lsusb` show it, and is this a container?")
        return
    table = Table(box=None, pad_edge=False)
    for heading in ("port", "name that stays", "usb_id", "usb_serial", "what it is"):
        table.add_column(heading, overflow="fold")
    for port in found:
        table.add_row(port.device, port.stable or "", port.usb_id or "", port.usb_serial or "", port.what)
    console.print(table)
    console.print("\nListen to one: tipdatum sniff PORT")


def connected(stable_names: tuple[str, ...] = STABLE_NAMES) -> list[Port]:
    """The ports that stand for a device; a PC's built-in ports only where something answers for them."""
    links = stable_links(stable_names)
    found = []
    for info in sorted(list_ports.comports(), key=lambda info: str(info.device)):
        if info.vid is None and info.hwid == "n/a":
            continue
        usb_id = f"{info.vid:04x}:{info.pid:04x}" if info.vid is not None else None
        real = str(Path(info.device).resolve())
        found.append(Port(info.device, links.get(real), usb_id, info.serial_number, info.description or ""))
    return found


def stable_links(folders: tuple[str, ...]) -> dict[str, str]:
    """Device → the first link to it in one of the folders."""
    links: dict[str, str] = {}
    for folder in map(Path, folders):
        if not folder.is_dir():
            continue
        for link in sorted(folder.iterdir()):
            if link.is_symlink():
                links.setdefault(str(link.resolve()), str(link))
    return links
