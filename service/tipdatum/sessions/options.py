"""`[recording]` of the service's file."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from tipdatum_drivers.options import PathText


class RecordingOptions(BaseModel):
    """Whether, where and how much of what comes in is kept as session files."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    directory: PathText | None = None
    """Where session files go; none is recorded without it (or `--record`)."""
    format: Literal["ndjson.gz", "ndjson"] = "ndjson.gz"
    """Gzip takes about a fifth of the space (four sensors at 100 Hz: 35 MB an hour instead of 190)."""
    new_file_after_min: Annotated[float, Field(ge=1, le=1440)] = 60.0
    """A new file is begun after so many minutes, so that old ones can go and one broken file costs little."""
    keep_mb: Annotated[float, Field(ge=10)] = 2000.0
    """Disk budget of the directory: before a new file is begun, the oldest go until the rest fits."""
