"""What the estimator costs, and where: python tests/benchmarks/fusion_cost.py [SESSION.ndjson.gz]

Plays a session several times and takes the best time of every call, so that other programs on the machine
do not count. The reference beside it, in the same run, is decoding the session's lines. Writes
`fusion_cost.json` to the results folder.
"""

from __future__ import annotations

import argparse
import gzip
import json
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import fusion_accuracy as accuracy

from tipdatum.fusion.estimator import make_estimator
from tipdatum_drivers.decode.session_lines import decode_line
from tipdatum_drivers.reading import Imu

RUNS = 5


def main() -> None:
    """Measure and print."""
    here = Path(__file__).resolve()
    default = here.parents[3] / "shared" / "physics_public" / "trench-hobby.ndjson.gz"
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("session", type=Path, nargs="?", default=default)
    parser.add_argument("--results", type=Path, default=here.parents[2] / "results")
    args = parser.parse_args()
    machine, records = accuracy.read(args.session)
    readings = [r for r in records if isinstance(r, Imu)]
    with gzip.open(args.session, "rb") as handle:
        lines = handle.readlines()[1:]
    consume, pose, stepped, parse = [], [], [], []
    for _ in range(RUNS):
        estimator = make_estimator("chain", machine, accuracy.PERIOD_S)
        a, b, s, tick = [], [], [], 1
        for r in readings:
            while r.t > tick * accuracy.PERIOD_S:
                begun = time.perf_counter()
                estimator.pose(r.t)
                b.append(time.perf_counter() - begun)
                tick += 1
            before = estimator._schedule.next  # type: ignore[attr-defined]
            begun = time.perf_counter()
            estimator.consume(r)
            a.append(time.perf_counter() - begun)
            s.append(estimator._schedule.next != before)  # type: ignore[attr-defined]
        consume.append(a)
        pose.append(b)
        stepped = s
        begun = time.perf_counter()
        for line in lines:
            decode_line(line)
        parse.append(time.perf_counter() - begun)
    seconds = readings[-1].t
    best, at_step = np.min(consume, axis=0), np.array(stepped)
    parts = {
        "filter steps": float(best[at_step].sum()),
        "readings taken in": float(best[~at_step].sum()),
        "poses": float(np.min(pose, axis=0).sum()),
    }
    total = sum(parts.values())
    result = {
        "session_s": seconds,
        "times_real_time": seconds / total,
        "us_per_tick": 1e6 * total / seconds * accuracy.PERIOD_S,
        "ratio_to_decoding_the_lines": total / min(parse),
        "shares": {name: value / total for name, value in parts.items()},
        "us_per_filter_step": 1e6 * float(np.median(best[at_step])),
    }
    args.results.mkdir(parents=True, exist_ok=True)
    (args.results / "fusion_cost.json").write_text(json.dumps(result, indent=1))
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
