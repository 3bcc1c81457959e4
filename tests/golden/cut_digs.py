"""Cut the shipped digs from the developers' simulated sessions: python tests/golden/cut_digs.py FOLDER

Nothing but the header's names, the end and the operator's orders differ from the sources.
"""

from __future__ import annotations

import gzip
import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

TARGET = Path(__file__).parents[2] / "replay_data"


@dataclass(frozen=True, slots=True)
class Cut:
    """One dig: source, its new name, how long, and orders (t, name, body) beside those of the source."""

    source: str
    name: str
    machine: str
    comment: str
    until_s: float
    orders: tuple[tuple[float, str, dict[str, Any]], ...] = ()


CUTS = (
    Cut(
        "trench-hobby-50hz.ndjson.gz",
        "trench",
        "Fourteen-tonne demo machine",
        "four trench cycles, hobby-grade sensors at 50 Hz, dug to a level",
        63.0,
        ((10.2, "target/level", {"elevation_m": -1.1}),),
    ),
    Cut(
        "slope-industrial.ndjson.gz",
        "slope",
        "Fourteen-tonne demo machine, slope",
        "finishing passes along a 1:2 slope, industrial sensors at 100 Hz",
        38.0,
    ),
    Cut(
        "trench-hobby-rocker.ndjson.gz",
        "rocker",
        "Fourteen-tonne demo machine, sensor on the rocker",
        "two trench cycles, hobby-grade sensors at 100 Hz, the fourth on the rocker of the bucket linkage",
        35.0,
    ),
    Cut(
        "jerky-crossfall-hobby-installed.ndjson.gz",
        "crossfall",
        "Fourteen-tonne demo machine on a cross-slope",
        "fast reversals and slewing on a 5° cross-slope, hobby-grade sensors roughly described",
        35.0,
    ),
)


def cut(folder: Path, what: Cut) -> Path:
    """Write one dig; returns its path."""
    with gzip.open(folder / what.source, "rt", encoding="utf-8") as source:
        header = json.loads(source.readline())
        header["machine"]["name"] = what.machine
        header["machine"]["bucket"][0]["name"] = "trenching 600"
        header["comment"] = f"{what.comment}; simulated, with truth"
        lines = [json.dumps(header, separators=(",", ":"), ensure_ascii=False) + "\n"]
        orders = list(what.orders)
        for line in source:
            t = json.loads(line)["t"]
            if t > what.until_s:
                break
            while orders and orders[0][0] <= t:
                at, name, body = orders.pop(0)
                order = {"kind": "command", "t": at, "name": name, "body": body}
                lines.append(json.dumps(order, separators=(",", ":")) + "\n")
            lines.append(line)
    path = TARGET / f"{what.name}.ndjson.gz"
    # Neither time nor name in the gzip header: the same input gives the same bytes.
    path.write_bytes(gzip.compress("".join(lines).encode(), compresslevel=9, mtime=0))
    return path


if __name__ == "__main__":
    for each in CUTS:
        made = cut(Path(sys.argv[1]), each)
        print(f"{made.name}: {made.stat().st_size / 1000:.0f} kB")
