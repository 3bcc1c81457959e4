"""Which lever moves what: the two usual patterns of two cross levers.

================= ============================= =============================
lever             ISO 10968                     backhoe
================= ============================= =============================
left, fore/aft    stick out / in                boom down / up
left, left/right  slew left / right             slew left / right
right, fore/aft   boom down / up                stick out / in
right, left/right bucket in (curl) / out (dump) bucket in (curl) / out (dump)
================= ============================= =============================

Source of the first: ISO 10968, operator's controls of earth-moving machinery (from memory); the second is
that of backhoe loaders, which many operators learned first (common practice, no source). What else a machine
has, a second boom, a boom's swing, a bucket's tilt, has a lever of its own in either pattern, as pedals and
thumb wheels are (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal, get_args

Pattern = Literal["iso", "backhoe"]
PATTERNS: tuple[str, ...] = get_args(Pattern)
MORE: tuple[str, ...] = ("second_boom", "swing", "tilt")
"""Functions that only some machines have: positive up, to the left, left side up."""


def functions(
    pattern: str, left: Sequence[float], right: Sequence[float], tracks: Sequence[float]
) -> dict[str, float]:
    """Levers of the machine's functions, -1 … 1.

    Args:
        left, right: (x, y) of each cross lever, x positive to the right, y positive forward (away from the
            operator). tracks: left and right pedal, positive forward.
    """
    (lx, ly), (rx, ry) = left, right
    stick, boom = (ly, -ry) if pattern == "iso" else (ry, -ly)
    # The slew is positive to the left and the bucket positive when it opens.
    return {
        "slew": -lx, "stick": stick, "boom": boom, "bucket": rx,
        "left_track": tracks[0], "right_track": tracks[1],
    }  # fmt: skip


def read_levers(message: Mapping[str, Any]) -> dict[str, float] | None:
    """Levers from a page's message; None where it is none."""
    try:
        pattern = str(message.get("pattern", "iso"))
        left, right, tracks = (
            [min(1.0, max(-1.0, float(a))) for a in message.get(name, (0.0, 0.0))]
            for name in ("left", "right", "tracks")
        )
        given = message.get("more", {})
        more = {name: min(1.0, max(-1.0, float(given[name]))) for name in MORE if name in given}
        return functions(pattern, left, right, tracks) | more if pattern in PATTERNS else None
    except (TypeError, ValueError):
        return None
