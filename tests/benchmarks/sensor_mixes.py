"""How right the tip elevation and its sigma are for poorer, slower and mixed sensors.

    python tests/benchmarks/sensor_mixes.py [--sessions FOLDER] [--results FOLDER] [--only MIX ...] [--jobs N]

The simulated sessions have IMUs at 100 Hz. Here they lose gyros, are thinned (no low-pass before: what a slow
reader of a fast part gets, engine and all), turn into inclinometers (first-order lag of the force, noise,
steps of 0.01°), fall away, or arrive late. Scored as `fusion_accuracy.py` scores, beside two others with the
same kinematics: `complementary`, and `vqf` where a sensor has a gyro with a Butterworth low-pass where it has
none. These figures measure the filter; pin play, temperature and soft ground of a real machine come on top.

Writes `sensor_mixes.json` and `.md` to the results folder.
"""

from __future__ import annotations

import argparse
import gzip
import json
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))
from fusion_accuracy import PERIOD_S, Score, geometric, ours, score
from fusion_methods import REST_S, Stream, vqf
from scipy.signal import butter, sosfilt, sosfilt_zi

from tipdatum.fusion.estimator import make_estimator
from tipdatum.fusion.sensors import up_from_tilt
from tipdatum.kinematics.frames import elevation_angle, roll_angle, rotation_from_rpy_deg
from tipdatum.machine.description import Machine, parse_machine
from tipdatum.machine.parts import ARM
from tipdatum_drivers.decode.session_lines import decode_header, decode_line
from tipdatum_drivers.reading import Imu, Reading, Record, Slew, Tilt

Array = NDArray[np.float64]
SESSIONS = ("trench-hobby", "slope-hobby", "static-hobby", "jerky-crossfall-hobby")
NOISE_DEG, STEP_DEG = 0.02, 0.01
DUAL = ("upper", "boom")
"""Bodies whose inclinometers have two axes; the others' tell one angle over 360°."""


@dataclass(frozen=True)
class Mix:
    """What becomes of the IMUs.

    Attributes:
        kinds: body → "imu" (default), "accel" (no gyro), "tilt" or "none".
        keep_every: every how manieth reading is kept.
        lag_s: time constant of the inclinometers.
        jitter_s: mean of an exponential delay in arrival, in order; the description knows its mean.
        lost: share of the readings that never come.
        late_s: body → what it comes later than the others, as described.
    """

    kinds: dict[str, str] = field(default_factory=dict)
    keep_every: int = 1
    lag_s: float = 0.1
    jitter_s: float = 0.0
    lost: float = 0.0
    late_s: dict[str, float] = field(default_factory=dict)


_ALL = ("upper", "boom", "stick", "bucket")
MIXES: dict[str, Mix] = {
    "IMUs, 100 Hz": Mix(),
    "IMUs, 50 Hz": Mix(keep_every=2),
    "IMUs, 25 Hz": Mix(keep_every=4),
    "IMUs, 10 Hz": Mix(keep_every=10),
    "IMUs, 4 Hz": Mix(keep_every=25),
    "no gyro on the bucket": Mix({"bucket": "accel"}),
    "no gyro on the bucket, 10 Hz": Mix({"bucket": "accel"}, keep_every=10),
    "no gyro on the upper": Mix({"upper": "accel"}),
    "no gyro at all": Mix(dict.fromkeys(_ALL, "accel")),
    "inclinometer on the upper": Mix({"upper": "tilt"}),
    "inclinometer on the bucket": Mix({"bucket": "tilt"}),
    "inclinometers on upper and boom": Mix({"upper": "tilt", "boom": "tilt"}),
    "inclinometers on the arm": Mix({"boom": "tilt", "stick": "tilt", "bucket": "tilt"}),
    "nothing on the upper": Mix({"upper": "none"}),
    "arrival jitters by 5 ms": Mix(jitter_s=0.005),
    "one reading in five lost": Mix(lost=0.2),
    "20 to 150 ms of latency": Mix(late_s={"upper": 0.15, "boom": 0.02, "stick": 0.06, "bucket": 0.1}),
}


class Part:
    """One sensor as a mix has it."""

    def __init__(self, mix: Mix, body: str, mount: Array, number: int) -> None:
        self.kind = mix.kinds.get(body, "imu")
        self._mix, self._mount, self._dual = mix, mount, body in DUAL
        self._rng = np.random.default_rng(number)
        self._count = number * mix.keep_every // 4
        self._inside: tuple[float, Array] | None = None
        self._arrived = -np.inf
        self._late = mix.late_s.get(body, 0.0)

    def take(self, reading: Imu) -> Imu | Tilt | None:
        """What arrives of a reading; None if nothing does."""
        self._count += 1
        if self.kind == "tilt":
            self._swing(reading)
        if self.kind == "none" or self._count % self._mix.keep_every or self._rng.random() < self._mix.lost:
            return None
        jitter = self._rng.exponential(self._mix.jitter_s) if self._mix.jitter_s else 0.0
        self._arrived = t = max(self._arrived, reading.t + self._late + jitter)
        if self.kind != "tilt":
            return replace(reading, t=t, gyro_radps=None if self.kind == "accel" else reading.gyro_radps)
        assert self._inside is not None
        x, y, z = self._inside[1] / np.linalg.norm(self._inside[1])
        if self._dual:
            return Tilt(t, reading.sensor, None, self._told(np.arcsin(x)), self._told(np.arcsin(y)))
        return Tilt(t, reading.sensor, self._told(np.arctan2(x, z)))

    def _swing(self, reading: Imu) -> None:
        force = self._mount @ np.array(reading.accel_mps2)
        if self._inside is not None and self._mix.lag_s > 0.0:
            t, before = self._inside
            force = before + (1.0 - np.exp((t - reading.t) / self._mix.lag_s)) * (force - before)
        self._inside = (reading.t, force)

    def _told(self, angle: float) -> float:
        return round((float(np.degrees(angle)) + NOISE_DEG * self._rng.normal()) / STEP_DEG) * STEP_DEG


def mixed(words: dict[str, Any], records: list[Record], mix: Mix) -> tuple[Machine, list[Record]]:
    """The machine and the records of a session as `mix` has them; `words` are of the description."""
    words = json.loads(json.dumps(words))
    parts: dict[str, Part] = {}
    for k, (name, sensor) in enumerate(list(words["sensor"].items())):
        mount = rotation_from_rpy_deg(sensor.get("mount_rpy_deg", [0.0, 0.0, 0.0]))
        parts[name] = part = Part(mix, sensor["body"], mount, k)
        sensor["latency_s"] = (
            sensor.get("latency_s", 0.0) + mix.jitter_s + mix.late_s.get(sensor["body"], 0.0)
        )
        if part.kind == "none":
            del words["sensor"][name]
        elif part.kind == "tilt":
            sensor.update(
                type="tilt",
                time_constant_s=mix.lag_s,
                noise={"tilt_deg": NOISE_DEG},
                mount_rpy_deg=[0.0, 0.0, 0.0],
            )
    found = [parts[r.sensor].take(r) if isinstance(r, Imu) else r for r in records]
    kept: list[Record] = [r for r in found if r is not None]
    kept.sort(key=lambda r: r.t)
    return parse_machine(words, "session"), kept


def emitted(t: Array) -> Array:
    """Which ticks had news."""
    return np.asarray(np.diff(t, prepend=-np.inf) > 0.0)


def simple(machine: Machine, records: list[Record], at: Array) -> Array:
    """Heights by the estimator `complementary` at the emit times `at`, m; NaN where it knows none."""
    estimator, chain = make_estimator("complementary", machine, PERIOD_S), machine.chain()
    z, k = np.full(len(at), np.nan), 0
    for r in records:
        if not isinstance(r, Imu | Tilt | Slew):
            continue
        while k < len(at) and r.t > at[k]:
            pose = estimator.pose(float(at[k]))
            z[k] = float(chain.tip(pose.angles)[2]) if pose.known else np.nan
            k += 1
        estimator.consume(r)
    return z


def stream(machine: Machine, name: str, readings: list[Reading]) -> tuple[Stream, bool]:
    """One sensor's samples in its body's axes, and whether there is a gyro among them."""
    sensor = machine.sensor[name]
    R = rotation_from_rpy_deg(sensor.mount_rpy_deg)
    t = np.array([r.t for r in readings])
    rate, gyro = np.zeros((len(t), 3)), False
    force = np.array([r.accel_mps2 if isinstance(r, Imu) else _up(r) for r in readings])
    if isinstance(readings[0], Imu) and readings[0].gyro_radps is not None:
        rate, gyro = np.array([r.gyro_radps for r in readings if isinstance(r, Imu)]) @ R.T, True
        rate -= rate[t < REST_S].mean(axis=0)
    return Stream(t, force @ R.T, rate, sensor.latency_s), gyro


def _up(reading: Reading) -> tuple[float, float, float]:
    assert isinstance(reading, Tilt)
    return up_from_tilt(reading)


def low_pass(s: Stream) -> Array:
    """Second-order low-pass of the force at 2 Hz, or at 0.3 of the rate where that is lower (scipy)."""
    sos = butter(2, min(2.0, 0.3 / s.period), fs=1.0 / s.period, output="sos")
    start = sosfilt_zi(sos)[:, :, None] * s.force[0]
    return np.asarray(sosfilt(sos, s.force, axis=0, zi=start)[0], dtype=float)


def common(machine: Machine, records: list[Record], at: Array) -> Array:
    """Heights by `vqf` where there is a gyro and `low_pass` where there is an accelerometer alone, m."""
    angles: dict[str, tuple[Array, Array]] = {}
    for name, sensor in machine.sensor.items():
        readings = [r for r in records if isinstance(r, Imu | Tilt) and r.sensor == name]
        s, gyro = stream(machine, name, list(readings))
        method: Callable[[Stream], Array] = vqf if gyro else low_pass
        up = s.force if isinstance(readings[0], Tilt) else method(s)
        up = up / np.linalg.norm(up, axis=1, keepdims=True)
        i = np.maximum(np.searchsorted(s.t, at + 1e-12, side="right") - 1, 0)
        angles[sensor.body] = np.unwrap(elevation_angle(up))[i], roll_angle(up)[i]
    roll = angles.get("upper", angles["boom"])[1]
    upper = angles["upper"][0] if "upper" in angles else np.zeros(len(at))
    q = np.stack([upper, roll, *(angles[b][0] for b in ARM)], axis=1)
    return np.asarray(machine.chain().tip(q)[:, 2], dtype=float)


def run(path: Path, names: list[str]) -> list[tuple[str, Score, Score, Score]]:
    """Mix, ours, complementary, common of one session."""
    with gzip.open(path, "rb") as handle:
        words = dict(decode_header(handle.readline()).machine)
        records = [r for r in map(decode_line, handle) if r is not None]
    session, rows = path.name.removesuffix(".ndjson.gz"), []
    for name in names:
        machine, readings = mixed(words, records, MIXES[name])
        t, z, sigma, speed = ours(machine, readings)
        new = emitted(t)
        t = t[new]
        mine = score(session, "ours", t, z[new], readings, sigma[new])
        mine.times_real_time = speed
        others = []
        for method, heights in (("complementary", simple), ("vqf and low-pass", common)):
            found = heights(machine, readings, t)
            told = np.isfinite(found)
            others.append(score(session, method, t[told], found[told], readings, None))
        rows.append((name, mine, others[0], others[1]))
        print(f"{session}, {name}: {mine.moving_mm:.1f} mm moving, {mine.slow_mm:.1f} slow", flush=True)
    return rows


def markdown(rows: list[tuple[str, Score, Score, Score]]) -> str:
    """The results as a page."""
    lines = [
        "# Tip elevation error by mix of sensors, filter only", "",
        "RMS in mm at the emit time, geometric mean over the sessions; shares of the time that the truth is",
        "within 1σ and 2σ, mean over the sessions; the least share within 2σ of one session.", "",
        "| sensors | moving, slow mm | complementary | vqf, low-pass without gyro "
        "| 1σ, 2σ moving (least) | 1σ, 2σ slow (least) |",
        "| --- | --- | --- | --- | --- | --- |",
    ]  # fmt: skip
    for name in dict.fromkeys(row[0] for row in rows):
        here = [row[1:] for row in rows if row[0] == name]
        cells = [
            f"{geometric([r[k].moving_mm for r in here]):.1f}, {geometric([r[k].slow_mm for r in here]):.1f}"
            for k in range(3)
        ]
        shares = []
        for kind in ("moving", "slow"):
            one, two = ([getattr(r[0], f"within_{k}_{kind}") for r in here] for k in (1, 2))
            shares.append(f"{100 * np.mean(one):.0f}, {100 * np.mean(two):.0f} % ({100 * min(two):.0f})")
        lines.append(f"| {' | '.join([name, *cells, *shares])} |")
    return "\n".join(lines) + "\n"


def main() -> None:
    root = Path(__file__).resolve().parents[2]
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--sessions", type=Path, default=root.parent / "shared" / "physics_public")
    parser.add_argument("--results", type=Path, default=root / "results")
    parser.add_argument("--only", nargs="*", help="parts of the mixes' names")
    parser.add_argument("--jobs", type=int, default=1, help="sessions at a time")
    options = parser.parse_args()
    names = [n for n in MIXES if not options.only or any(part in n for part in options.only)]
    paths = [options.sessions / f"{session}.ndjson.gz" for session in SESSIONS]
    missing = [p for p in paths if not p.exists()]
    if missing:
        parser.error(f"no session {missing[0]}")
    with ProcessPoolExecutor(options.jobs) as pool:
        rows = [row for part in pool.map(partial(run, names=names), paths) for row in part]
    options.results.mkdir(exist_ok=True)
    text = markdown(rows)
    (options.results / "sensor_mixes.md").write_text(text, encoding="utf-8")
    found = [{"mix": row[0]} | asdict(s) for row in rows for s in row[1:]]
    (options.results / "sensor_mixes.json").write_text(json.dumps(found, indent=1) + "\n")
    print(text)


if __name__ == "__main__":
    main()
