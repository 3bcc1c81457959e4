"""The base of every table that people write, of drivers' options too, and how they refuse."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated, Self

from pydantic import AfterValidator, BaseModel, ConfigDict


class Misfit(ValueError):
    """Raised in a model's validator for values that are fine one by one but do not fit together.

    Args:
        key: dotted path below the model. found: what stands there. expected: what should.
    """

    def __init__(self, key: str, found: str, expected: str) -> None:
        self.key, self.found, self.expected = key, found, expected
        super().__init__(f"{key}: found {found}; expected {expected}")


LONGEST_NAME = 255
"""Bytes of one name in a path: the limit of the usual file systems (`NAME_MAX` of Linux and macOS)."""


def _place(text: str) -> str:
    """The path with its ~ opened.

    Raises:
        ValueError: no file can be called so.
    """
    if "\0" in text or any(len(os.fsencode(name)) > LONGEST_NAME for name in text.split("/")):
        raise ValueError(f"a path, each name in it of at most {LONGEST_NAME} bytes and none of them zero")
    opened = os.path.expanduser(text)  # noqa: PTH111 - pathlib's raises for a user that does not exist
    if opened.startswith("~"):
        raise ValueError("a path, ~ for your own folder, or ~ and a user of this computer")
    return opened


def _place_of(path: Path) -> Path:
    return Path(_place(str(path)))


PathText = Annotated[str, AfterValidator(_place)]
"""A path that may be empty, its ~ opened."""
FilePath = Annotated[Path, AfterValidator(_place_of)]
"""A path, its ~ opened."""


class Table(BaseModel):
    """Base of every table that people write.

    Unknown keys are refused, so that a typing mistake is said and not ignored.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


class Options(Table):
    """Options of a driver, one `[[driver]]` table of the service's file without its `kind`."""

    def relative_to(self, base: Path) -> Self:
        """The same with relative paths taken from `base`, the folder of the service's file."""
        del base  # most options name no file
        return self
