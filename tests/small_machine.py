"""A small machine for tests of what surrounds it. Its figures are invented."""

from __future__ import annotations

import tomllib
from typing import Any

BODIES = ("upper", "boom", "stick", "bucket")


def machine_file(*sensors: str, name: str = "invented machine") -> str:
    """A description's text: one bucket, and on each of these bodies a sensor that is called like it."""
    tables = "".join(f'[sensor.{body}]\nbody = "{body}"\n' for body in sensors)
    return f"""
name = "{name}"
[boom]
foot_m = [0.3, 0.0, 1.8]
length_m = 4.7
[stick]
length_m = 2.4
[[bucket]]
name = "trenching 600"
tip_m = 1.3
width_m = 0.6
{tables}"""


MACHINE = machine_file("boom")
"""The shortest that loads."""

STILL = machine_file(*BODIES, name="invented still machine")
DESCRIPTION: dict[str, Any] = tomllib.loads(STILL)
"""The same as a session's header has it."""
