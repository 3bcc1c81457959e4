"""What real machines have and a description cannot hold, refused by name and with the reason.

One table for each idea, whether it is written as a table of its own or as a key in another's; and what a
description calls something else than the person who wrote it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tipdatum.errors import ConfigError
from tipdatum.validation import shown

ROTATES = (
    "a coupler that rotates",
    "one that holds the bucket in the arm's plane or tilts it: a bucket that was rotated has its edge "
    "anywhere around the pin, and gravity, which is what tilt sensors feel, does not show where",
)
PARALLELOGRAM = (
    "a boom that a parallelogram offsets sideways",
    "one whose pins are parallel: by how much the parallelogram sets the arm aside is an angle about an axis "
    "that gravity does not show; hold it straight and describe the boom in one piece",
)
BESIDE_PLANE = (
    "[x, z] of a point of an axis in the bucket's middle plane: about one that stands beside or across it a "
    "tilt would carry the edge away sideways, of which gravity shows nothing"
)

CALLED: dict[str, str] = {
    "boom2": "[second_boom]",
    "swing_post": "[boom_swing]",
    "swing_boom": "[boom_swing]",
    "quick_coupler": "[coupler]",
    "tilting_coupler": "[coupler] with tilt_axis_m and tilt_axis_deg",
    "tilt_bucket": "[[bucket]] with tilt_axis_m and tilt_axis_deg",
    "tilting_bucket": "[[bucket]] with tilt_axis_m and tilt_axis_deg",
}
"""Other names for what a description can hold → what it is called here."""

BOOMS, TOOLS = ("boom", "second_boom"), ("coupler", "bucket")
"""Tables in which a boom's offset, and a coupler's turning, may be written."""


def refuse(data: Mapping[str, Any], file: str) -> None:
    """Look through a description for what the arm's chain cannot hold.

    Raises:
        ConfigError: names `file`, the key, what was found and what is expected.
    """
    refuse_keys(data, "", file)
    for name in (*BOOMS, *TOOLS):
        found = data.get(name)
        if isinstance(found, Mapping):
            refuse_keys(found, name, file, f"{name}.")
        for i, one in enumerate(found if isinstance(found, list | tuple) else ()):
            if isinstance(one, Mapping):
                refuse_keys(one, name, file, f"{name}[{i}].")


def refuse_keys(table: Mapping[str, Any], name: str, file: str, before: str = "") -> None:
    """Look through the keys of one table.

    Args:
        name: of the table; "" for a whole description. before: what stands before its keys in an error.

    Raises:
        ConfigError: as `refuse`.
    """
    for key in table:
        plain = str(key).lower().replace("-", "_")
        offset = "offset" in plain if name in BOOMS else plain == "offset_boom"
        if "parallelogram" in plain or offset:
            raise ConfigError(file, f"{before}{key}", *PARALLELOGRAM)
        if "rotat" in plain or "rotar" in plain:
            raise ConfigError(file, f"{before}{key}", *ROTATES)
        if not name and plain in CALLED:
            raise ConfigError(file, str(key), "a table of that name", CALLED[plain])
    point = table.get("tilt_axis_m") if name in TOOLS else None
    if isinstance(point, list | tuple) and len(point) == 3:
        raise ConfigError(file, f"{before}tilt_axis_m", shown(point), BESIDE_PLANE)
