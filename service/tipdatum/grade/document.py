"""Base of everything that is kept in the state."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Document(BaseModel):
    """Unknown keys are left out, so that an older service reads a newer file."""

    model_config = ConfigDict(extra="ignore", allow_inf_nan=False)
