"""The base of every driver's options, and how they refuse."""

from __future__ import annotations

from pathlib import Path
from typing import Self

from pydantic import BaseModel, ConfigDict


class Misfit(ValueError):
    """Raised in a model's validator for values that are fine one by one but do not fit together.

    Args:
        key: dotted path below the model. found: what stands there. expected: what should.
    """

    def __init__(self, key: str, found: str, expected: str) -> None:
        self.key, self.found, self.expected = key, found, expected
        super().__init__(f"{key}: found {found}; expected {expected}")


class Options(BaseModel):
    """Options of a driver, one `[[driver]]` table of the service's file without its `kind`.

    Unknown keys are refused, so that a typing mistake is said and not ignored.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    def relative_to(self, base: Path) -> Self:
        """The same with relative paths taken from `base`, the folder of the service's file."""
        del base  # most options name no file
        return self
