"""The base of every driver's options."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Options(BaseModel):
    """Options of a driver, one `[[driver]]` table of the service's file without its `kind`.

    Unknown keys are refused, so that a typing mistake is said and not ignored.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)
