"""Whether the stated sigma is true: errors against it, session by session, with many references in each.

    python tests/benchmarks/stated_sigma.py [--half choice|held-out] [--only NAME ...] [--references N]
                                            [--worsen SEED ...] [--output FILE]

An error since the reference is mostly one constant, so a session with one reference is hardly one draw. Here
the filter carries further references beside its own, set at other quiet moments of the session (spare places
in its state; they change nothing else), and with `--worsen` sessions are played again with further errors on
the recorded readings: cross-axis up to 1 %, warm-up of 10 to 25 K, g-sensitivity up to 0.1 °/s/g, seeded.

The public sessions are split once, balanced by kind: parameters are chosen on the choice half alone, and both
halves are told apart. Figures are the filter's own; what a machine adds to sigma is not in them.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from fusion_accuracy import PERIOD_S, read
from numpy.typing import NDArray

from tipdatum.fusion.chain import model
from tipdatum.fusion.chain.estimator import ChainEstimator, ChainOptions
from tipdatum.fusion.chain.knowledge import untold
from tipdatum.kinematics.frames import rotation_from_rpy_deg
from tipdatum.machine.description import Machine
from tipdatum_drivers.reading import Command, Imu, Record, Slew, Truth

Array = NDArray[np.float64]
CHOICE = (
    "loading-crossaxis", "loading-everything", "mixed-clean", "mixed-hammer", "mixed-lost-packets",
    "mixed-everything-industrial", "moving-start-everything", "mini-everything", "trench-hobby-installed",
    "trench-industrial", "trench-hobby-rocker", "slope-hobby", "static-industrial", "static-hobby",
    "jerky-crossfall-hobby-installed",
)  # fmt: skip
"""The half on which parameters may be chosen; all others are held out."""
KINDS = ("public", "hard", "arms")
EVERY = 10
"""Ticks between two figures that count."""
BAD_SIGMAS, BAD_M = 3.0, 0.03


@dataclass(frozen=True)
class Part:
    """Errors of one kind of moment: RMS of error and sigma in mm, shares 0 to 1."""

    error_mm: float
    sigma_mm: float
    within_1: float
    within_2: float


@dataclass(frozen=True)
class Row:
    """One session; `own` is its own reference, `many` all of them.

    `bad`: share of good or moving figures that are off by more than three sigma and 30 mm.
    """

    session: str
    half: str
    own_moving: Part | None
    own_slow: Part | None
    many_moving: Part | None
    many_slow: Part | None
    bad: float
    references: int
    times_real_time: float


@contextmanager
def spare_places(count: int) -> Iterator[None]:
    """Filters made meanwhile have so many more places behind their anchor."""
    original = model.layout

    def wider(*counts: Any) -> model.Layout:
        found = original(*counts)
        return replace(found, size=found.size + count)

    model.layout = wider
    try:
        yield
    finally:
        model.layout = original


def quiet_moments(truth: Array, after: float, count: int) -> list[float]:
    """Moments spread over those in which the tip rests; `truth` (N, 5) is t, tip and quiet."""
    speed = np.linalg.norm(np.gradient(truth[:, 1:4], truth[:, 0], axis=0), axis=1)
    usable = (truth[:, 4] > 0.5) & (truth[:, 0] > after + 8.0) & (truth[:, 0] < truth[-1, 0] - 30.0)
    rests = truth[usable & (speed < 0.02), 0]
    if not len(rests):
        return []
    wanted = np.linspace(rests[0], rests[-1], count)
    return sorted({float(rests[np.argmin(np.abs(rests - t))]) for t in wanted})


def worsen(machine: Machine, records: list[Record], seed: int) -> tuple[Machine, list[Record]]:
    """Errors as low-cost parts have them on top of those recorded, mounts levelled anew to what they show."""
    rng = np.random.default_rng(seed)
    sensors = {}
    out = list(records)
    for name, sensor in machine.sensor.items():
        places = [i for i, r in enumerate(records) if isinstance(r, Imu) and r.sensor == name]
        if not places:
            sensors[name] = sensor
            continue
        mine = [r for r in (records[i] for i in places) if isinstance(r, Imu)]
        t = np.array([r.t for r in mine])[:, None]
        f, w = np.array([r.accel_mps2 for r in mine]), np.array([r.gyro_radps for r in mine], dtype=float)
        cross_f, cross_w = rng.uniform(-0.01, 0.01, (2, 3, 3)) * (1.0 - np.eye(3))
        by_g = np.radians(rng.uniform(-0.1, 0.1, (3, 3))) / 9.81
        kelvin = rng.uniform(10.0, 25.0) * (1.0 - np.exp(-t / rng.uniform(120.0, 300.0)))
        f_more = f @ cross_f.T + kelvin * rng.uniform(-0.005, 0.005, 3)
        w_more = w @ cross_w.T + f @ by_g.T + kelvin * np.radians(rng.uniform(-0.05, 0.05, 3))
        rest = t[:, 0] < t[0, 0] + 1.0
        R = rotation_from_rpy_deg(sensor.mount_rpy_deg)
        before, now = R @ f[rest].mean(axis=0), R @ (f + f_more)[rest].mean(axis=0)
        turn = np.cross(now, before) / (np.linalg.norm(now) * np.linalg.norm(before))
        small = np.eye(3) + np.array(
            [[0.0, -turn[2], turn[1]], [turn[2], 0.0, -turn[0]], [-turn[1], turn[0], 0.0]]
        )
        S = small @ R
        rpy = (
            math.degrees(math.atan2(S[2, 1], S[2, 2])),
            math.degrees(-math.asin(max(-1.0, min(1.0, float(S[2, 0]))))),
            math.degrees(math.atan2(S[1, 0], S[0, 0])),
        )
        sensors[name] = sensor.model_copy(update={"mount_rpy_deg": rpy})
        for i, r, a, b in zip(places, mine, (f + f_more).tolist(), (w + w_more).tolist(), strict=True):
            out[i] = Imu(r.t, r.sensor, tuple(a), tuple(b))
    return machine.model_copy(update={"sensor": sensors}), out


def play(name: str, machine: Machine, records: list[Record], references: int) -> Row:
    """Errors and sigma of every figure against every reference before it."""
    truth = np.array([(r.t, *r.tip_m, bool(r.quiet)) for r in records if isinstance(r, Truth)])
    reference = next(r.t for r in records if isinstance(r, Command) and r.name == "datum/set")
    moments = [reference, *quiet_moments(truth, reference, references)]
    with spare_places(len(moments)):
        rows, seconds = _figures(machine, records, moments)
    t, number, height, sigma, stands = rows.T
    true = np.interp(t, truth[:, 0], truth[:, 3])
    error = height - true + np.interp(np.array(moments)[number.astype(int)], truth[:, 0], truth[:, 3])
    slow, own = np.interp(t, truth[:, 0], truth[:, 4]) > 0.5, number == 0
    bad = (stands > 0.5) & (np.abs(error) > BAD_SIGMAS * sigma) & (np.abs(error) > BAD_M)
    base = name.split("+")[0]
    return Row(
        name, "choice" if base in CHOICE else "held-out",
        *(_part(error[m], sigma[m]) for m in (own & ~slow, own & slow, ~slow, slow)),
        bad=float(bad[own].mean()), references=len(moments), times_real_time=float(t[-1]) / seconds,
    )  # fmt: skip


def _part(error: Array, sigma: Array) -> Part | None:
    if not len(error):
        return None
    size = np.abs(error)
    rms = [1000.0 * float(np.sqrt(np.mean(v * v))) for v in (error, sigma)]
    return Part(*rms, float((size < sigma).mean()), float((size < 2.0 * sigma).mean()))


def _figures(machine: Machine, records: list[Record], moments: list[float]) -> tuple[Array, float]:
    """(M, 5): t, number of the reference, height above it, sigma, whether it is good or moving; s it took.

    `moments` become those at which the references were really set.
    """
    estimator, chain = ChainEstimator(machine, PERIOD_S, ChainOptions()), machine.chain()
    rows: list[tuple[float, int, float, float, bool]] = []
    tick, emit, done = 1, None, 0
    tied: list[Array] = []
    begun = time.process_time()
    for r in records:
        if not isinstance(r, Imu | Slew):
            continue
        while done < len(moments) and r.t >= moments[done] and _refer(estimator, r.t, done):
            moments[done] = r.t
            done += 1
            if (f := estimator._filter) is not None:
                tied.append(f.tied_by)
        while r.t > tick * PERIOD_S:
            if emit is not None and done and tick % EVERY == 0:
                pose, f = estimator.pose(emit), estimator._filter
                if pose.known and f is not None:
                    row = np.array(chain.height_jacobian(pose.angles))
                    of_angles = row @ estimator._posture.jacobian(_ratio(estimator))
                    height, base = float(chain.tip(pose.angles)[2]), float(row @ pose.covariance @ row)
                    for k in range(done):
                        place = f.at.anchor + k
                        tie = 2.0 * float(of_angles @ f.P[f.at.angles, place])
                        standing = float((untold(f) * tied[k]).dot(tied[k] - 2.0 * of_angles))
                        variance = base + f.share**2 * (float(f.P[place, place]) - tie) + standing
                        stands = pose.quality in ("good", "moving")
                        rows.append((emit, k, height - f.x[place], math.sqrt(max(variance, 1e-12)), stands))
            tick += 1
        estimator.consume(r)
        emit = r.t
    return np.array(rows, dtype=float), time.process_time() - begun


def _ratio(estimator: ChainEstimator) -> float | None:
    f = estimator._filter
    assert f is not None
    return estimator._posture.join(f.x[f.at.angles].tolist(), [0.0] * f.at.angles.stop)[2]


def _refer(estimator: ChainEstimator, t: float, number: int) -> bool:
    """Set the reference, where figures stand; those after the first are moved to the place behind it."""
    f = estimator._filter
    if number == 0 or f is None:
        return estimator.set_anchor(t)
    if estimator.pose(t).quality not in ("good", "moving"):
        return False
    place = f.at.anchor
    x, row, column = float(f.x[place]), f.P[place].copy(), f.P[:, place].copy()
    if not estimator.set_anchor(t):
        return False
    fresh_x, fresh = float(f.x[place]), f.P[:, place].copy()
    variance = float(f.P[place, place])
    f.x[place], f.P[place], f.P[:, place] = x, row, column
    # With the first reference it is tied as the angles are.
    of_pose = f.at.angles
    of_angles, *_ = np.linalg.lstsq(f.P[of_pose, of_pose], fresh[of_pose], rcond=None)
    fresh = f.P[:, of_pose] @ of_angles
    own = place + number
    f.x[own], f.P[own], f.P[:, own], f.P[own, own] = fresh_x, fresh, fresh, variance
    estimator._known = None
    return True


def told(row: Row) -> str:
    """A line of the table."""
    parts = [row.own_moving, row.own_slow, row.many_moving, row.many_slow]
    cells = [
        "–" if p is None else f"{p.error_mm:.1f} / {p.sigma_mm:.1f}, {p.within_1:.0%} {p.within_2:.0%}"
        for p in parts
    ]
    return f"| {row.session} | {row.half} | {' | '.join(cells)} | {row.bad:.2%} |"


def halves(rows: list[Row]) -> list[str]:
    """A table of both halves: mean shares, and how many sessions are as one wishes."""
    lines = ["", "| half | figures | mean within 1, 2 sigma | 55 to 85 % | 90 to 99.5 % | below 90 % | bad |"]
    lines.append("| --- | --- | --- | --- | --- | --- | --- |")
    for half in ("choice", "held-out"):
        mine = [r for r in rows if r.half == half]
        for words, parts in (
            ("moving", [r.own_moving for r in mine]),
            ("slow", [r.own_slow for r in mine]),
            ("moving, many", [r.many_moving for r in mine]),
            ("slow, many", [r.many_slow for r in mine]),
        ):
            told_of = [p for p in parts if p is not None]
            if not told_of:
                continue
            one, two = (np.array([getattr(p, f"within_{k}") for p in told_of]) for k in (1, 2))
            lines.append(
                f"| {half} | {words} | {one.mean():.0%} {two.mean():.0%} "
                f"| {int(((one >= 0.55) & (one <= 0.85)).sum())} of {len(one)} "
                f"| {int(((two >= 0.9) & (two <= 0.995)).sum())} of {len(two)} "
                f"| {int((two < 0.9).sum())} | {np.mean([r.bad for r in mine]):.2%} |"
            )
    return lines


def main() -> None:
    """Play the sessions and write the table."""
    shared = Path(__file__).resolve().parents[3] / "shared"
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument(
        "--sessions", type=Path, nargs="*", default=[shared / f"physics_{kind}" for kind in KINDS]
    )
    parser.add_argument("--half", choices=("choice", "held-out"), default=None)
    parser.add_argument("--only", nargs="*", default=None, help="session names")
    parser.add_argument("--references", type=int, default=10, help="further ones in each session")
    parser.add_argument("--worsen", type=int, nargs="*", default=[], help="seeds of further sensor errors")
    parser.add_argument("--output", type=Path, default=None, help="a JSON file")
    args = parser.parse_args()
    found: list[Row] = []
    print("error / sigma mm, share within 1 and 2 sigma; by the session's own reference and by many\n")
    print("| session | half | moving | slow | moving, many | slow, many | bad |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for path in (p for folder in args.sessions for p in sorted(folder.glob("*.ndjson.gz"))):
        name = path.name.removesuffix(".ndjson.gz")
        half = "choice" if name in CHOICE else "held-out"
        if (args.only and name not in args.only) or args.half not in (None, half):
            continue
        machine, records = read(path)
        played = [(name, machine, records)]
        played += [(f"{name}+{seed}", *worsen(machine, records, seed)) for seed in args.worsen]
        for one, its_machine, its_records in played:
            found.append(play(one, its_machine, its_records, args.references))
            print(told(found[-1]), flush=True)
    print("\n".join(halves(found)))
    if args.output is not None:
        args.output.write_text(json.dumps([asdict(r) for r in found], indent=1))


if __name__ == "__main__":
    main()
