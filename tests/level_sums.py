"""The sums at the foot of a page of a level book, which check its arithmetic."""

from __future__ import annotations

from collections.abc import Sequence

from tipdatum.grade.levels import BookRow, carrying


def arithmetic_check(rows: Sequence[BookRow]) -> tuple[float, float, float]:
    """Sum of backsights, sum of foresights that carry the line, and last less first elevation, m.

    Of several foresights in one set-up the one that carries on is the mark of the next backsight; in the last
    set-up the last one.
    """
    backs = carrying(rows)
    fores = []
    for i, back in enumerate(backs):
        after = backs[i + 1].point if i + 1 < len(backs) else None
        sights = [r for r in rows if r.setup == back.setup and r.foresight_m is not None]
        chosen = [r for r in sights if r.point == after] or (sights if after is None else [])
        if chosen:
            fores.append(chosen[-1])
    total_back = sum(row.backsight_m or 0.0 for row in backs)
    total_fore = sum(row.foresight_m or 0.0 for row in fores)
    rise = (
        (fores[-1].elevation_m if fores else backs[-1].elevation_m) - backs[0].elevation_m if backs else 0.0
    )
    return total_back, total_fore, rise
