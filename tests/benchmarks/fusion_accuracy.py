"""How right each filter's tip elevation is while the machine works: all methods in one run.

    python tests/benchmarks/fusion_accuracy.py [--sessions FOLDER] [--results FOLDER] [--only NAME ...]

Every session is played once: readings in order, a tick every 20 ms, the figure predicted to the newest
reading (`t_emit`), compared with the truth at that moment after taking off the offset at `datum/set`.
"Slow" is where the session's truth says `quiet`, "moving" the rest, both after the reference was set.
These figures measure the filter; pin play, temperature and soft ground of a real machine come on top.

Writes `fusion_accuracy.json`, `.md` and `.png` to the results folder.
"""

from __future__ import annotations

import argparse
import gzip
import json
import sys
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))
import fusion_methods as methods

from tipdatum.fusion.estimator import make_estimator
from tipdatum.machine.description import Machine, parse_machine
from tipdatum_drivers.decode.session_lines import decode_header, decode_line
from tipdatum_drivers.reading import Command, Imu, Record, Slew, Tilt, Truth

Array = NDArray[np.float64]
PERIOD_S = 0.02
OURS = "ours (chain)"
GROUPS = {"hobby": "-hobby", "hobby, installed": "-hobby-installed", "industrial": "-industrial"}


@dataclass
class Score:
    """RMS in mm; shares 0 to 1; lag in ms; NaN for what a method does not state."""

    session: str
    method: str
    moving_mm: float
    slow_mm: float
    lag_ms: float
    within_1_moving: float = float("nan")
    within_2_moving: float = float("nan")
    within_1_slow: float = float("nan")
    within_2_slow: float = float("nan")
    times_real_time: float = float("nan")


def read(path: Path) -> tuple[Machine, list[Record]]:
    """A session's machine and its records."""
    with gzip.open(path, "rb") as handle:
        machine = parse_machine(decode_header(handle.readline()).machine, str(path))
        records = [r for r in map(decode_line, handle) if r is not None]
    return machine, records


def emit_times(records: list[Record]) -> Array:
    """t of the newest reading at each tick."""
    t = np.array([r.t for r in records if isinstance(r, Imu | Tilt | Slew)])
    ticks = np.arange(1, int(t[-1] / PERIOD_S)) * PERIOD_S
    i = np.searchsorted(t, ticks + 1e-9, side="right") - 1
    return t[i[i >= 0]]


def ours(machine: Machine, records: list[Record], name: str = "chain") -> tuple[Array, Array, Array, float]:
    """(emit time, elevation, sigma) at every tick after the reference, and how many times real time.

    Heave is in both where the tracks are described.
    """
    estimator, chain = make_estimator(name, machine, PERIOD_S), machine.chain()
    out: list[tuple[float, float, float]] = []
    tick, emit, anchored = 1, None, False
    begun = time.perf_counter()
    for r in records:
        if isinstance(r, Command) and r.name == "datum/set":
            anchored = estimator.set_anchor(r.t)
        if not isinstance(r, Imu | Tilt | Slew):
            continue
        while r.t > tick * PERIOD_S:
            if emit is not None:
                pose = estimator.pose(emit)
                if pose.known and anchored and pose.anchor is not None:
                    row = chain.height_jacobian(pose.angles)
                    variance = float(row @ pose.covariance @ row - 2.0 * row @ pose.anchor.covariance)
                    variance += pose.anchor.variance_m2 + pose.heave_sigma_m**2
                    height = float(chain.tip(pose.angles)[2]) - pose.anchor.height_m + pose.heave_m
                    out.append((emit, height, float(np.sqrt(max(variance, 0.0)))))
            tick += 1
        estimator.consume(r)
        emit = r.t
    seconds = time.perf_counter() - begun
    t, z, sigma = np.array(out).T
    return t, z, sigma, float(t[-1]) / seconds


def score(session: str, method: str, t: Array, z: Array, records: list[Record], sigma: Array | None) -> Score:
    """Errors of elevations `z` at emit times `t`; `z` relative to anything."""
    truth = np.array([(r.t, r.tip_m[2], bool(r.quiet)) for r in records if isinstance(r, Truth)])
    reference = next(r.t for r in records if isinstance(r, Command) and r.name == "datum/set")
    true = np.interp(t, truth[:, 0], truth[:, 1])
    at_reference = float(np.interp(reference, truth[:, 0], truth[:, 1]))
    error = z - (true - at_reference)
    quiet = np.interp(t, truth[:, 0], truth[:, 2]) > 0.5
    if sigma is None:
        error = error - np.interp(reference, t, error)
    after = t > reference
    moving, slow = after & ~quiet, after & quiet
    speed = np.gradient(true, t)[moving]
    found = Score(
        session, method, 1000 * _rms(error[moving]), 1000 * _rms(error[slow]),
        lag_ms=-1000 * float((error[moving] * speed).sum() / (speed**2).sum()),
    )  # fmt: skip
    if sigma is not None:
        n = np.abs(error) / sigma
        found.within_1_moving, found.within_2_moving = (float((n[moving] < k).mean()) for k in (1, 2))
        found.within_1_slow, found.within_2_slow = (float((n[slow] < k).mean()) for k in (1, 2))
    return found


def _rms(v: Array) -> float:
    return float(np.sqrt(np.mean(v * v)))


def geometric(values: list[float]) -> float:
    """Geometric mean."""
    return float(np.exp(np.mean(np.log(values))))


def summary(scores: list[Score]) -> dict[str, dict[str, dict[str, float]]]:
    """Group → method → geometric means and ratios to vqf."""
    table: dict[str, dict[str, dict[str, float]]] = {}
    for group, suffix in GROUPS.items():
        rows = [s for s in scores if s.session.endswith(suffix)]
        names = list(dict.fromkeys(s.method for s in rows))
        means = {
            m: {
                "moving_mm": geometric([s.moving_mm for s in rows if s.method == m]),
                "slow_mm": geometric([s.slow_mm for s in rows if s.method == m]),
            }
            for m in names
        }
        for row in means.values():
            for base in ("vqf", "vqf tuned"):
                if base in means:
                    row[f"moving_x_{base.replace(' ', '_')}"] = row["moving_mm"] / means[base]["moving_mm"]
        if means:
            table[group] = means
    return table


def markdown(scores: list[Score], table: dict[str, dict[str, dict[str, float]]]) -> str:
    """The results as a page."""
    lines = [
        "# Tip elevation error, filter only",
        "",
        "RMS in mm at the emit time, geometric mean over the sessions.",
        "",
    ]
    for group, rows in table.items():
        lines += [
            f"## {group}",
            "",
            "| method | moving | slow | × vqf | × vqf tuned |",
            "| --- | --- | --- | --- | --- |",
        ]
        lines += [
            f"| {name} | {r['moving_mm']:.1f} | {r['slow_mm']:.1f} "
            f"| {r.get('moving_x_vqf', float('nan')):.3f} | {r.get('moving_x_vqf_tuned', float('nan')):.3f} |"
            for name, r in rows.items()
        ]
        lines.append("")
    lines += [
        "## ours, session by session", "",
        "| session | moving | slow | lag ms | 1σ, 2σ moving | 1σ, 2σ slow | × real time |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]  # fmt: skip
    lines += [
        f"| {s.session} | {s.moving_mm:.1f} | {s.slow_mm:.1f} | {s.lag_ms:.1f} "
        f"| {s.within_1_moving:.0%}, {s.within_2_moving:.0%} | {s.within_1_slow:.0%}, {s.within_2_slow:.0%} "
        f"| {s.times_real_time:.0f} |"
        for s in scores
        if s.method == OURS
    ]
    return "\n".join(lines) + "\n"


def plot(table: dict[str, dict[str, dict[str, float]]], path: Path) -> None:
    """Bars by method and group on a logarithmic scale."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(1, 2, figsize=(12, 5), sharey=True)
    names = list(next(iter(table.values())))
    for axis, key, title in zip(axes, ("moving_mm", "slow_mm"), ("while moving", "slow"), strict=True):
        for k, (group, rows) in enumerate(table.items()):
            y = np.arange(len(names)) + 0.27 * (1 - k)
            values = [rows[n][key] for n in names]
            axis.barh(y, values, height=0.25, label=group)
            for at, v in zip(y, values, strict=True):
                axis.text(v * 1.05, at, f"{v:.1f}", va="center", fontsize=8)
        axis.set_yticks(np.arange(len(names)), names)
        axis.set_xscale("log")
        axis.set_xlim(0.5, 2000)
        axis.set_xlabel("RMS tip elevation error, mm")
        axis.set_title(title)
        axis.grid(axis="x", alpha=0.3)
    axes[0].invert_yaxis()
    axes[1].legend()
    figure.suptitle(
        "Geometric mean over the sessions; the filter alone, without pin play, heave or temperature"
    )
    figure.tight_layout()
    figure.savefig(path, dpi=110)
    plt.close(figure)


def main() -> None:
    """Run the comparison."""
    here = Path(__file__).resolve()
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sessions", type=Path, default=here.parents[3] / "shared" / "physics_public")
    parser.add_argument("--results", type=Path, default=here.parents[2] / "results")
    parser.add_argument("--only", nargs="*", default=None, help="session names")
    parser.add_argument("--ours-only", action="store_true", help="leave the other filters out")
    args = parser.parse_args()
    paths = sorted(args.sessions.glob("*.ndjson.gz"))
    if args.only:
        paths = [p for p in paths if p.name.removesuffix(".ndjson.gz") in args.only]
    if not paths:
        parser.error(f"no sessions (*.ndjson.gz) in {args.sessions}")
    scores: list[Score] = []
    for path in paths:
        name = path.name.removesuffix(".ndjson.gz")
        machine, records = read(path)
        at, found = emit_times(records), methods.streams(machine, records)
        for label, (method, extrapolate) in methods.METHODS.items():
            if not args.ours_only:
                z = methods.heights(machine, found, method, extrapolate, at)
                scores.append(score(name, label, at, z, records, None))
        t, z, sigma, speed = ours(machine, records)
        mine = score(name, OURS, t, z, records, sigma)
        mine.times_real_time = speed
        scores.append(mine)
        print(
            f"{name}: moving {mine.moving_mm:.1f} mm, slow {mine.slow_mm:.1f} mm, lag {mine.lag_ms:.1f} ms",
            flush=True,
        )
    table = summary(scores)
    args.results.mkdir(parents=True, exist_ok=True)
    whole: dict[str, Any] = {"summary": table, "scores": [asdict(s) for s in scores]}
    (args.results / "fusion_accuracy.json").write_text(json.dumps(whole, indent=1))
    text = markdown(scores, table)
    (args.results / "fusion_accuracy.md").write_text(text)
    if table:
        plot(table, args.results / "fusion_accuracy.png")
    print(text)


if __name__ == "__main__":
    main()
