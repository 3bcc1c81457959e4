"""A machine description as a command's argument: a TOML file, or a recording that carries one."""

from __future__ import annotations

from pathlib import Path

from tipdatum.calibration import description
from tipdatum.machine.description import Machine, load_machine, parse_machine
from tipdatum_drivers.session_file import SessionFile


def read_machine(path: Path) -> tuple[Machine, str]:
    """The description and its TOML text.

    Raises:
        InputError: neither can be read.
    """
    if path.suffix == ".toml":
        return load_machine(path), path.read_text(encoding="utf-8")
    header = SessionFile(path).header.machine
    return parse_machine(header, f"{path}: session header"), description.fresh(header)
