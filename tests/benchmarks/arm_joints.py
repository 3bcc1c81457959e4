"""Arms with one more joint: tip, corners, cross fall, swing and tilt on simulated sessions of such machines.

    python tests/benchmarks/arm_joints.py [--sessions FOLDER] [--only NAME …] [--output FILE]

Played as `fusion_accuracy.py` plays its sessions, against the slew centre: heights of the middle of the
cutting edge and of both corners from the tip's at `datum/set` on, the edge's cross fall while the tilt axis
is within 45° of level, and how often the truth lies within two stated sigma. Figures are the filter's own.
"""

from __future__ import annotations

import argparse
import gzip
import json
import math
from collections import Counter
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from fusion_accuracy import PERIOD_S, read
from numpy.typing import NDArray

from tipdatum.fusion.chain.estimator import ChainEstimator, ChainOptions
from tipdatum.kinematics.chain import Chain
from tipdatum.machine.description import Machine
from tipdatum_drivers.reading import Command, Imu, Record, Slew

Array = NDArray[np.float64]
NEAR_LEVEL_DEG = 45.0


@dataclass(frozen=True)
class Error:
    """RMS of an error (mm or degrees) and the share within two sigma; NaN where nothing is compared."""

    moving: float
    slow: float
    within_2_moving: float
    within_2_slow: float


@dataclass(frozen=True)
class JointsRow:
    """One session. `valid`: share of figures after the reference that are numbers. `good`: of those, good."""

    session: str
    tip_mm: Error
    left_mm: Error | None
    right_mm: Error | None
    cross_fall_deg: float | None
    tilt_deg: Error | None
    swing_deg: Error | None
    valid: float
    quality: dict[str, float]


def truth_of(path: Path) -> dict[str, Array]:
    """The session's truth by its key: (K,) or (K, 3), with what only these sessions have."""
    with gzip.open(path, "rb") as handle:
        rows: list[dict[str, Any]] = [r for r in map(json.loads, handle) if r.get("kind") == "truth"]
    keys = [k for k in ("t", "tip_m", "quiet", "left_m", "right_m", "swing_deg", "tilt_deg") if k in rows[0]]
    return {key: np.array([row[key] for row in rows], dtype=float) for key in keys}


def play(machine: Machine, records: list[Record]) -> tuple[Array, float, float, Counter[str]]:
    """Every figure after the reference, its moment, the share that are numbers, how many of which quality.

    Figures (M, 13): t, heights of tip, left and right, their sigmas, m; cross fall, tilt axis from level,
    swing, tilt and the sigmas of these two, degrees (0 where there is none).
    """
    estimator, chain = ChainEstimator(machine, PERIOD_S, ChainOptions()), machine.chain()
    rows, tick, emit, reference, asked = [], 1, 0.0, math.inf, 0
    words: Counter[str] = Counter()
    for r in records:
        if isinstance(r, Command) and r.name == "datum/set" and estimator.set_anchor(r.t):
            reference = min(reference, r.t)
        if not isinstance(r, Imu | Slew):
            continue
        while r.t > tick * PERIOD_S:
            if emit > reference:
                asked += 1
                pose = estimator.pose(emit)
                words[pose.quality] += 1
                if pose.known and pose.anchor is not None:
                    rows.append((emit, *_figures(chain, machine, pose)))
            tick += 1
        estimator.consume(r)
        emit = r.t
    return np.array(rows), reference, len(rows) / max(1, asked), words


def _figures(chain: Chain, machine: Machine, pose: Any) -> list[float]:
    located, P, anchor = chain.locate(pose.angles), pose.covariance, pose.anchor
    heights = (located.pins[-1][2], located.corners[0][2], located.corners[1][2])
    sigmas = []
    edge, half = float(chain.lengths[-1]), chain.half_width
    corners = (chain.point(pose.angles, (edge, y, 0.0))[1] for y in (half, -half))
    for slopes in (located.height_jacobian, *corners):
        row = np.array(slopes)
        variance = row @ P @ row + anchor.variance_m2 - 2.0 * row @ np.array(anchor.covariance)
        sigmas.append(math.sqrt(max(0.0, float(variance))))
    axis = machine.bucket[0].tilt_axis_deg or 0.0
    steep = math.degrees(math.asin(math.sin(pose.angles[chain.bucket] + math.radians(axis))))
    joints, joint_sigmas = [], []
    for place in (chain.swing, chain.tilt):
        joints.append(0.0 if place is None else math.degrees(pose.angles[place]))
        joint_sigmas.append(1.0 if place is None else math.degrees(math.sqrt(P[place, place])))
    (xl, yl, zl), (xr, yr, zr) = located.corners
    fall = math.degrees(math.atan2(zl - zr, math.hypot(xl - xr, yl - yr)))
    return [*(h - anchor.height_m for h in heights), *sigmas, fall, steep, *joints, *joint_sigmas]


def compare(session: str, path: Path) -> JointsRow:
    """Play a session and hold it against its truth."""
    machine, records = read(path)
    truth = truth_of(path)
    found, reference, valid, words = play(machine, records)
    t = found[:, 0]
    slow = np.interp(t, truth["t"], truth["quiet"]) > 0.5

    def at(values: Array) -> Array:
        return np.asarray(np.interp(t, truth["t"], values))

    def told(error: Array, sigma: Array, scale: float) -> Error:
        parts = (~slow, slow)
        rms = [scale * float(np.sqrt(np.mean(error[m] ** 2))) for m in parts]
        return Error(*rms, *(float(np.mean(np.abs(error[m]) < 2.0 * sigma[m])) for m in parts))

    zero = float(np.interp(reference, truth["t"], truth["tip_m"][:, 2]))
    heights = {
        key: told(found[:, 1 + k] - at(truth[key][:, 2]) + zero, found[:, 4 + k], 1000.0)
        for k, key in enumerate(("tip_m", "left_m", "right_m"))
        if key in truth
    }
    fall = None
    if "left_m" in truth:
        across = truth["left_m"] - truth["right_m"]
        true = np.degrees(np.arctan2(across[:, 2], np.hypot(across[:, 0], across[:, 1])))
        near = np.abs(found[:, 8]) < NEAR_LEVEL_DEG
        fall = float(np.sqrt(np.mean((found[near, 7] - at(true)[near]) ** 2)))
    joints = {
        key: told(found[:, 9 + k] - at(truth[key]), found[:, 11 + k], 1.0)
        for k, key in enumerate(("swing_deg", "tilt_deg"))
        if key in truth
    }
    total = sum(words.values())
    return JointsRow(
        session,
        heights["tip_m"],
        heights.get("left_m"),
        heights.get("right_m"),
        fall,
        joints.get("tilt_deg"),
        joints.get("swing_deg"),
        valid,
        {word: count / total for word, count in words.most_common()},
    )


def line(row: JointsRow) -> str:
    """A row of the table."""
    cells = [
        "–" if e is None else f"{e.moving:.2f} / {e.slow:.2f}, {e.within_2_moving:.0%} {e.within_2_slow:.0%}"
        for e in (row.tip_mm, row.left_mm, row.right_mm, row.tilt_deg, row.swing_deg)
    ]
    fall = "–" if row.cross_fall_deg is None else f"{row.cross_fall_deg:.2f}"
    return f"| {row.session} | {' | '.join(cells)} | {fall} | {row.valid:.1%} |"


def main() -> None:
    """Play the sessions and write the table."""
    shared = Path(__file__).resolve().parents[3] / "shared" / "physics_arms"
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sessions", type=Path, default=shared)
    parser.add_argument("--only", nargs="*", default=None, help="session names")
    parser.add_argument("--output", type=Path, default=None, help="a JSON file")
    args = parser.parse_args()
    print("RMS moving / slow, share within 2 sigma moving and slow; heights mm, angles degrees\n")
    print("| session | tip | left corner | right corner | tilt | swing | cross fall | valid |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    found = []
    for path in sorted(args.sessions.glob("*.ndjson.gz")):
        name = path.name.removesuffix(".ndjson.gz")
        if args.only and name not in args.only:
            continue
        found.append(compare(name, path))
        print(line(found[-1]), flush=True)
    if args.output is not None:
        args.output.write_text(json.dumps([asdict(row) for row in found], indent=1))


if __name__ == "__main__":
    main()
