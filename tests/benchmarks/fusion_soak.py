"""Hours of work in one filter: python tests/benchmarks/fusion_soak.py [--hours 24] [--session FILE]

Plays a session again and again with a pause of 2 s between laps, so that every lap also begins with all
sensors lost and back. The reference is set once, in the first lap; every 0.2 s the elevation relative to it
is held to the truth. One line an hour; ends with an error where the covariance is no longer positive, or
where the last hour's error is more than half as large again as the first one's and a millimetre.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from msgspec.structs import replace

sys.path.insert(0, str(Path(__file__).parent))
import fusion_accuracy as accuracy

from tipdatum.fusion.chain.estimator import ChainEstimator, ChainOptions
from tipdatum_drivers.reading import Command, Imu, Truth

EVERY_S = 0.2
PAUSE_S = 2.0


def main() -> None:
    """Run the laps."""
    shared = Path(__file__).resolve().parents[3] / "shared" / "physics_public"
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--session", type=Path, default=shared / "trench-hobby.ndjson.gz")
    args = parser.parse_args()
    machine, records = accuracy.read(args.session)
    readings = [r for r in records if isinstance(r, Imu)]
    truth = np.array([(r.t, r.tip_m[2]) for r in records if isinstance(r, Truth)])
    reference = next(r.t for r in records if isinstance(r, Command) and r.name == "datum/set")
    at_reference = float(np.interp(reference, truth[:, 0], truth[:, 1]))
    lap_s = readings[-1].t + PAUSE_S
    estimator, shape = ChainEstimator(machine, accuracy.PERIOD_S, ChainOptions()), machine.chain()
    anchored, looked, hour, hours = False, 0.0, [], []
    for lap in range(max(1, round(args.hours * 3600.0 / lap_s))):
        start = lap * lap_s
        for r in readings:
            estimator.consume(replace(r, t=r.t + start))
            if not anchored and r.t >= reference:
                anchored = estimator.set_anchor(r.t)
            if not anchored or r.t + start < looked:
                continue
            looked = r.t + start + EVERY_S
            pose = estimator.pose(r.t + start)
            if pose.known and pose.anchor is not None:
                row = shape.height_jacobian(pose.angles)
                variance = float(row @ pose.covariance @ row - 2.0 * row @ pose.anchor.covariance)
                found = float(shape.tip(pose.angles)[2]) - pose.anchor.height_m
                true = float(np.interp(r.t, truth[:, 0], truth[:, 1])) - at_reference
                hour.append((found - true, np.sqrt(max(0.0, variance + pose.anchor.variance_m2))))
        kalman = estimator._filter
        assert kalman is not None
        lowest = float(np.linalg.eigvalsh(kalman.P).min())
        if lowest < -1e-12:
            sys.exit(f"lap {lap}: lowest eigenvalue {lowest:.2e}")
        if (lap + 1) % max(1, int(3600.0 / lap_s)) == 0:
            error, sigma = np.array(hour).T
            hours.append(float(np.sqrt(np.mean(error**2))))
            print(
                f"{(start + lap_s) / 3600.0:5.2f} h  RMS {1000 * hours[-1]:5.2f} mm  mean "
                f"{1000 * error.mean():5.2f} mm  worst {1000 * np.abs(error).max():5.1f} mm  sigma "
                f"{1000 * np.sqrt(np.mean(sigma**2)):5.2f} mm  within 2 sigma "
                f"{np.mean(np.abs(error) < 2 * sigma):.0%}  lowest eigenvalue {lowest:.1e}",
                flush=True,
            )
            hour.clear()
    if hours and hours[-1] > 1.5 * hours[0] + 0.001:
        sys.exit(f"the error grew from {1000 * hours[0]:.1f} to {1000 * hours[-1]:.1f} mm")
    print("done")


if __name__ == "__main__":
    main()
