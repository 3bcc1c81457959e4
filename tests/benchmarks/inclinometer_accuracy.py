"""How right the tip elevation is where every sensor is an inclinometer, beside the complementary filter.

    python tests/benchmarks/inclinometer_accuracy.py [--sessions FOLDER] [--results FOLDER] [--only NAME ...]

The simulated sessions have accelerometers. Each is turned into an inclinometer here: a first-order lag of the
force, its direction with noise, in steps of 0.01°, thinned to the wanted rate; upper and boom carry dual-axis
parts, the others single-axis ones. Scored as `fusion_accuracy.py` scores. These figures measure the filter;
pin play, temperature and soft ground of a real machine come on top.

Writes `inclinometer_accuracy.json` and `.md` to the results folder.
"""

from __future__ import annotations

import argparse
import gzip
import json
import sys
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))
from fusion_accuracy import PERIOD_S, Score, ours, score

from tipdatum.fusion.estimator import make_estimator
from tipdatum.machine.description import Machine, parse_machine
from tipdatum_drivers.decode.session_lines import decode_header, decode_line
from tipdatum_drivers.reading import Imu, Record, Slew, Tilt

Array = NDArray[np.float64]
NOISE_DEG, STEP_DEG = 0.02, 0.01
DUAL = ("upper", "boom")
RUNS: list[tuple[str, float, int]] = [
    *((name, lag, thin) for name in ("trench", "slope", "static", "jerky-crossfall")
      for lag, thin in ((0.0, 1), (0.1, 1), (0.3, 2), (0.5, 10), (0.3, 25))),
]  # fmt: skip
"""Motion, time constant in s, every how manieth reading of 100 Hz is kept; `-hobby` of each."""
OTHERS = [
    ("trench-hobby-rocker", 0.1, 2), ("trench-industrial", 0.1, 2), ("slope-hobby-installed", 0.3, 2),
    ("static-industrial", 0.1, 1), ("jerky-crossfall-hobby-installed", 0.2, 5),
]  # fmt: skip


class Part:
    """An inclinometer with the accelerometer of one sensor inside."""

    def __init__(self, lag: float, thin: int, seed: int) -> None:
        self._lag, self._thin, self._rng = lag, thin, np.random.default_rng(seed)
        self._count = seed % thin
        self._inside: tuple[float, Array] | None = None

    def take(self, reading: Imu) -> Tilt | None:
        """What the part tells with this sample; None between two of its readings."""
        force = np.array(reading.accel_mps2)
        if self._inside is not None and self._lag > 0.0:
            t, before = self._inside
            force = before + (1.0 - np.exp((t - reading.t) / self._lag)) * (force - before)
        self._inside = (reading.t, force)
        self._count += 1
        if self._count % self._thin:
            return None
        x, y, z = force / np.linalg.norm(force)
        if reading.sensor in DUAL:
            return Tilt(reading.t, reading.sensor, None, self._told(np.arcsin(x)), self._told(np.arcsin(y)))
        return Tilt(reading.t, reading.sensor, self._told(np.arctan2(x, z)))

    def _told(self, angle: float) -> float:
        return round((float(np.degrees(angle)) + NOISE_DEG * self._rng.normal()) / STEP_DEG) * STEP_DEG


def read(path: Path, lag: float, thin: int) -> tuple[Machine, list[Record]]:
    """A session's machine and records, its sensors turned into inclinometers."""
    with gzip.open(path, "rb") as handle:
        words: dict[str, Any] = decode_header(handle.readline()).machine
        for sensor in words["sensor"].values():
            sensor.update(type="tilt", time_constant_s=lag, noise={"tilt_deg": NOISE_DEG})
        parts = {name: Part(lag, thin, k) for k, name in enumerate(words["sensor"])}
        records: list[Record] = []
        for found in map(decode_line, handle):
            told = parts[found.sensor].take(found) if isinstance(found, Imu) else found
            if told is not None:
                records.append(told)
    return parse_machine(words, str(path)), records


def complementary(machine: Machine, records: list[Record]) -> tuple[Array, Array]:
    """(emit time, height) at every tick."""
    estimator, chain = make_estimator("complementary", machine, PERIOD_S), machine.chain()
    out: list[tuple[float, float]] = []
    tick, emit = 1, None
    for r in records:
        if not isinstance(r, Tilt | Slew):
            continue
        while r.t > tick * PERIOD_S:
            pose = estimator.pose(emit) if emit is not None else None
            if pose is not None and pose.known:
                out.append((pose.t, float(chain.tip(pose.angles)[2])))
            tick += 1
        estimator.consume(r)
        emit = r.t
    t, z = np.array(out).T
    return t, z


def once(t: Array) -> NDArray[np.bool_]:
    """Which ticks had news: slow parts let some pass with the same emit time."""
    return np.asarray(np.diff(t, prepend=-np.inf) > 0.0)


def markdown(pairs: list[tuple[Score, Score]]) -> str:
    """The results as a page."""
    lines = [
        "# Tip elevation error with inclinometers alone, filter only", "",
        "RMS in mm at the emit time, ours beside the complementary filter's.", "",
        "| session | moving | slow | lag ms | 1σ, 2σ moving | 1σ, 2σ slow | × real time |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]  # fmt: skip
    lines += [
        f"| {a.session} | {a.moving_mm:.0f} ({b.moving_mm:.0f}) | {a.slow_mm:.0f} ({b.slow_mm:.0f}) "
        f"| {a.lag_ms:.0f} ({b.lag_ms:.0f}) | {a.within_1_moving:.0%}, {a.within_2_moving:.0%} "
        f"| {a.within_1_slow:.0%}, {a.within_2_slow:.0%} | {a.times_real_time:.0f} |"
        for a, b in pairs
    ]
    return "\n".join(lines) + "\n"


def main() -> None:
    root = Path(__file__).resolve().parents[2]
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--sessions", type=Path, default=root.parent / "shared" / "physics_public")
    parser.add_argument("--results", type=Path, default=root / "results")
    parser.add_argument("--only", nargs="*", help="parts of the sessions' names")
    options = parser.parse_args()
    pairs: list[tuple[Score, Score]] = []
    for name, lag, thin in [*((f"{motion}-hobby", lag, thin) for motion, lag, thin in RUNS), *OTHERS]:
        if options.only and not any(part in name for part in options.only):
            continue
        machine, records = read(options.sessions / f"{name}.ndjson.gz", lag, thin)
        title = f"{name}, lag {lag:g} s, {100 / thin:g} Hz"
        t, z, sigma, speed = ours(machine, records)
        new = once(t)
        one = score(title, "ours", t[new], z[new], records, sigma[new])
        t, z = complementary(machine, records)
        new = once(t)
        other = score(title, "complementary", t[new], z[new], records, None)
        pairs.append((replace(one, times_real_time=speed), other))
        print(markdown(pairs).splitlines()[-1], flush=True)
    options.results.mkdir(exist_ok=True)
    (options.results / "inclinometer_accuracy.md").write_text(markdown(pairs), encoding="utf-8")
    scores = [asdict(s) for pair in pairs for s in pair]
    (options.results / "inclinometer_accuracy.json").write_text(json.dumps(scores, indent=1) + "\n")


if __name__ == "__main__":
    main()
