"""What several commands read: settings of a service's file, a machine wherever it is described."""

from __future__ import annotations

from pathlib import Path

from tipdatum.config import FusionTable, Settings, load_service, make_settings
from tipdatum.grade.forms import WorkOptions
from tipdatum.machine.description import Machine, load_machine, parse_machine
from tipdatum_drivers.session_file import SessionFile


def settings_from(config: Path | None, estimator: str | None) -> Settings:
    """Settings of a service file, or the defaults, with the estimator replaced where one is named.

    Raises:
        ConfigError: the file or the estimator's name is wrong.
    """
    if estimator is not None:
        work = load_service(config).settings.work if config else WorkOptions()
        return make_settings(FusionTable(estimator=estimator), work, "--estimator")
    if config is not None:
        return load_service(config).settings
    return make_settings(FusionTable(), WorkOptions(), "defaults")


def read_machine(path: Path) -> tuple[Machine, str]:
    """The description and its TOML text, from a TOML file or a recording.

    Raises:
        InputError: neither can be read.
    """
    if path.suffix == ".toml":
        return load_machine(path), path.read_text(encoding="utf-8")
    # Imported here: a replay reads settings above and needs none of the solver's libraries.
    from tipdatum.calibration import description

    header = SessionFile(path).header.machine
    return parse_machine(header, f"{path}: session header"), description.fresh(header)
