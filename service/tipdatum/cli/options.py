"""What several commands take in the same way."""

from __future__ import annotations

from pathlib import Path

from tipdatum.config import FusionTable, Settings, load_service, make_settings
from tipdatum.grade.work_options import WorkOptions


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
