"""Whether the arm is found wherever the service starts: every session begun at many moments.

    python tests/benchmarks/starts.py [--sessions FOLDER ...] [--moments N] [--only NAME ...] [--output FILE]

For each moment the readings before it are left out, and 45 s are played. Truth knows the tip, not the angles:
an arm counts as lost where, more than 20 s after its start, the tip is wrong by what 3° of the whole reach
would make (median over that time). A figure is a lie where it is `good` and its height is off by more than
three sigma and 20 mm; those that are `moving` are told apart.
"""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from fusion_accuracy import PERIOD_S, read
from numpy.typing import NDArray

from tipdatum.fusion.estimator import make_estimator
from tipdatum.machine.description import Machine
from tipdatum_drivers.reading import Imu, Record, Slew, Tilt, Truth

Array = NDArray[np.float64]
PLAYED_S, FOUND_S, EVERY_S = 45.0, 20.0, 0.5
LOST_RAD = math.radians(3.0)
LIE_SIGMAS, LIE_M = 3.0, 0.02


@dataclass(frozen=True)
class Start:
    """One moment of one session; m, shares 0 to 1; NaN where no figure came but of a filter that settles."""

    session: str
    moment_s: float
    error_m: float
    lost: bool
    good_lies: float
    moving_lies: float


def begin(session: str, machine: Machine, records: list[Record], truth: Array, moment: float) -> Start:
    """Play from `moment` s on; `truth` (N, 4) is t and tip."""
    estimator, chain = make_estimator("chain", machine, PERIOD_S), machine.chain()
    rows: list[tuple[float, float, float, float, bool]] = []
    reach, due = 1.0, moment + 1.0
    for r in records:
        if not isinstance(r, Imu | Tilt | Slew) or r.t < moment:
            continue
        if r.t > moment + PLAYED_S:
            break
        estimator.consume(r)
        if r.t < due:
            continue
        due += EVERY_S
        pose = estimator.pose(r.t)
        if not pose.known or pose.quality not in ("good", "moving"):
            continue
        tip, row = chain.tip(pose.angles), np.array(chain.height_jacobian(pose.angles))
        x, y, z = (float(np.interp(r.t, truth[:, 0], truth[:, k])) for k in (1, 2, 3))
        reach = max(reach, math.hypot(x, y))
        height = abs(float(tip[2]) - z)
        whole = math.hypot(height, math.hypot(float(tip[0]), float(tip[1])) - math.hypot(x, y))
        sigma = math.sqrt(float(row @ pose.covariance @ row))
        rows.append((r.t - moment, whole, height, sigma, pose.quality == "good"))
    if not rows:
        return Start(session, moment, math.nan, False, 0.0, 0.0)
    t, whole_error, heights, sigmas, good = np.array(rows, dtype=float).T
    later = whole_error[t > FOUND_S]
    error = float(np.median(later)) if len(later) else math.nan
    lies = (heights > LIE_SIGMAS * sigmas) & (heights > LIE_M)
    return Start(
        session, moment, error, error > LOST_RAD * reach,
        good_lies=float((lies & (good > 0.5)).mean()), moving_lies=float((lies & (good < 0.5)).mean()),
    )  # fmt: skip


def main() -> None:
    """Begin every session at every moment."""
    shared = Path(__file__).resolve().parents[3] / "shared"
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument(
        "--sessions", type=Path, nargs="*", default=[shared / "physics_public", shared / "physics_hard"]
    )
    parser.add_argument("--moments", type=int, default=40)
    parser.add_argument("--only", nargs="*", default=None, help="session names")
    parser.add_argument("--output", type=Path, default=None, help="a JSON file")
    args = parser.parse_args()
    paths = [p for folder in args.sessions for p in sorted(folder.glob("*.ndjson.gz"))]
    found: list[Start] = []
    print("| session | lost | median error mm | worst | lies good | lies moving |")
    print("| --- | --- | --- | --- | --- | --- |")
    for path in paths:
        name = path.name.removesuffix(".ndjson.gz")
        if args.only and name not in args.only:
            continue
        machine, records = read(path)
        truth = np.array([(r.t, *r.tip_m) for r in records if isinstance(r, Truth)])
        moments = np.linspace(0.5, max(0.5, truth[-1, 0] - PLAYED_S), args.moments)
        rows = [begin(name, machine, records, truth, float(m)) for m in moments]
        errors = [1000.0 * s.error_m for s in rows]
        print(
            f"| {name} | {sum(s.lost for s in rows)} of {len(rows)} | {np.nanmedian(errors):.0f} "
            f"| {np.nanmax(errors):.0f} | {np.mean([s.good_lies for s in rows]):.2%} "
            f"| {np.mean([s.moving_lies for s in rows]):.2%} |",
            flush=True,
        )
        found += rows
    if args.output is not None:
        args.output.write_text(json.dumps([asdict(s) for s in found], indent=1))


if __name__ == "__main__":
    main()
