"""Hours of work in one filter: python tests/benchmarks/fusion_soak.py [--hours 24] [--session FILE]

Plays a session again and again with a pause of 2 s between laps, so that every lap also begins with all
sensors lost and back. Stops with an error where the covariance is no longer positive or the height at the
lap's end wanders; prints one line an hour.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import fusion_accuracy as accuracy

from tipdatum.fusion.chain import ChainEstimator, ChainOptions
from tipdatum_drivers.reading import Imu, Truth


def main() -> None:
    """Run the laps."""
    shared = Path(__file__).resolve().parents[3] / "shared" / "physics_public"
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--session", type=Path, default=shared / "trench-hobby.ndjson.gz")
    args = parser.parse_args()
    machine, records = accuracy.read(args.session)
    readings = [r for r in records if isinstance(r, Imu)]
    last_truth = [r for r in records if isinstance(r, Truth)][-1]
    lap_s = readings[-1].t + 2.0
    estimator, shape = ChainEstimator(machine, accuracy.PERIOD_S, ChainOptions()), machine.chain()
    worst = 0.0
    for lap in range(max(1, int(args.hours * 3600.0 / lap_s))):
        start = lap * lap_s
        for r in readings:
            estimator.consume(replace(r, t=r.t + start))
        pose = estimator.pose(readings[-1].t + start)
        off = float(shape.tip(pose.angles)[2]) - last_truth.tip_m[2]
        worst = max(worst, abs(off))
        kalman = estimator._filter
        assert kalman is not None
        lowest = float(np.linalg.eigvalsh(kalman.P).min())
        if lowest < -1e-12 or not pose.known or abs(off) > 0.05:
            sys.exit(f"lap {lap}: lowest eigenvalue {lowest:.2e}, {pose.quality}, height off by {off:.3f} m")
        if lap % max(1, int(3600.0 / lap_s)) == 0:
            sigma = float(np.sqrt(np.diag(pose.covariance).max()))
            print(
                f"{start / 3600.0:5.2f} h  height off {1000 * off:6.1f} mm (worst {1000 * worst:.1f})  "
                f"largest sigma {1000 * sigma:.2f} mrad  lowest eigenvalue {lowest:.1e}",
                flush=True,
            )
    print("done")


if __name__ == "__main__":
    main()
