"""Values: small records that nobody alters, of which hundreds are made every second."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeVar, dataclass_transform

T = TypeVar("T")


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def value(cls: type[T]) -> type[T]:
    """A slotted dataclass whose fields are read only to the type checker and not to the interpreter.

    What `dataclass(frozen=True)` forbids at run time it pays for with a method call for each field: an `Imu`
    took 0.7 µs to make instead of 0.2.
    """
    return dataclass(slots=True, unsafe_hash=True)(cls)
