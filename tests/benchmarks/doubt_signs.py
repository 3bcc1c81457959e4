"""What each sign of doubt detects and misses: the public working day, shuffles put into digs, false alarms.

    python tests/benchmarks/doubt_signs.py [--moments 12] [--processes 2] [--only NAME ...] [--output FILE]

Three parts:

- **Events** of the simulated working day (settlement, travels, nudge): which sign came, and how long after.
- **Shuffles** put into recorded digs: every inertial sensor feels the acceleration of a machine that goes 0.1
  to 1 m in a direction on even, level ground and stops (speed a wave of the sine squared), without rattle,
  lean or heave. So only the speed of the slew centre can tell. Moments are spread over the session.
- **False alarms**: signs in sessions without travel, and how many hours those are.

The filter runs anew from the shuffle's beginning, from a copy of its state.
"""

from __future__ import annotations

import argparse
import copy
import gzip
import json
import math
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tipdatum.fusion.estimator import DEFAULT_ESTIMATOR, Estimator, make_estimator
from tipdatum.fusion.pose import Pose
from tipdatum.grade.doubt import MoveWatch, Sign
from tipdatum.kinematics.frames import rotation_from_rpy_deg
from tipdatum.machine.description import Machine, parse_machine
from tipdatum_drivers.decode.session_lines import decode_header, decode_line
from tipdatum_drivers.reading import Command, Imu, Reading, Slew, Tilt

SHARED = Path(__file__).resolve().parents[3] / "shared"
TICK_S = 0.05
DISTANCES_M = (0.1, 0.2, 0.3, 0.5, 1.0)
SPEEDS_MPS = (0.15, 0.3)
"""Mean speed of a shuffle: the day's nudge, and twice that."""
DIRECTIONS_DEG = (0, 90, 180, 270)
AFTER_S = 3.0
"""A sign counts until so long after the shuffle's end."""
BEFORE_S = 20.0
"""The session's beginning, in which the filter settles and the reference is set."""

Matrix = NDArray[np.float64]


@dataclass
class Follower:
    """Filter and watch, driven tick by tick."""

    machine: Machine
    estimator: Estimator
    watch: MoveWatch
    tick: int = 1
    newest: float = 0.0
    pose: Pose | None = None
    calm_t: float = -math.inf

    def feed(self, reading: Reading) -> list[tuple[float, Sign]]:
        """Take a reading; signs of the ticks before it."""
        found = []
        while reading.t > self.tick * TICK_S:
            self.pose = pose = self.estimator.pose(self.newest)
            reach = self.machine.chain().locate(pose.angles).pins[-1][0] if pose.known else 0.0
            sign = self.watch.watch(pose, reach)
            if sign is not None:
                found.append((pose.t, sign))
            self.tick += 1
        self.newest = reading.t
        assert isinstance(reading, Imu | Tilt | Slew)
        self.estimator.consume(reading)
        if isinstance(reading, Imu):
            self.watch.hear(reading)
        return found


def started(machine: Machine) -> Follower:
    """A follower that has heard nothing yet."""
    return Follower(machine, make_estimator(DEFAULT_ESTIMATOR, machine, TICK_S, None), MoveWatch(machine))


def read(path: Path) -> tuple[Machine, list[Reading], float]:
    """Machine, motion readings in order, and when the reference was set (5 s where nothing says)."""
    with gzip.open(path, "rt") as lines:
        machine = parse_machine(decode_header(next(lines)).machine, str(path))
        records = [record for record in map(decode_line, lines) if record is not None]
    touch = next((r.t for r in records if isinstance(r, Command) and r.name == "datum/set"), 5.0)
    return machine, [r for r in records if isinstance(r, Imu | Tilt | Slew)], touch


def turned(axis: int, angle: float) -> Matrix:
    """Rotation about x (0) or y (1), right-handed."""
    c, s = math.cos(angle), math.sin(angle)
    rows = [[[1, 0, 0], [0, c, -s], [0, s, c]], [[c, 0, s], [0, 1, 0], [-s, 0, c]]]
    return np.array(rows[axis], dtype=float)


@dataclass
class Shuffle:
    """A machine that goes and stops: from `start`, `distance` m at a mean speed towards `direction`, rad."""

    start: float
    distance: float
    speed: float
    direction: float

    @property
    def lasts(self) -> float:
        """s."""
        return self.distance / self.speed

    def felt(self, t: float) -> Matrix:
        """Acceleration at `t`, m/s², in axes that do not turn with the machine."""
        part = (t - self.start) / self.lasts
        if not 0.0 <= part <= 1.0:
            return np.zeros(3)
        # Speed 2·v·sin²(π·part): its mean is v, and it begins and ends without a jerk.
        size = 2.0 * math.pi * self.speed / self.lasts * math.sin(2.0 * math.pi * part)
        return size * np.array([math.cos(self.direction), math.sin(self.direction), 0.0])

    def put_into(self, reading: Reading, machine: Machine, pose: Pose) -> Reading:
        """What the sensor would have told; `pose` of the undisturbed session."""
        accel = self.felt(reading.t)
        if not isinstance(reading, Imu) or not accel.any():
            return reading
        sensor = machine.sensor[reading.sensor]
        bodies = ["upper", *machine.chain().names]
        at = bodies.index("bucket" if sensor.body == "rocker" else sensor.body)
        angles = [pose.angles[0], *pose.angles[2:]]
        c, s = math.cos(pose.slew_rad), math.sin(pose.slew_rad)
        forward = np.array([c * accel[0] + s * accel[1], c * accel[1] - s * accel[0], 0.0])
        body = turned(1, -pose.angles[0]) @ turned(0, pose.angles[1])
        body = body @ turned(1, pose.angles[0] - angles[at])
        mounted = np.asarray(rotation_from_rpy_deg(sensor.mount_rpy_deg))
        extra = mounted.T @ body.T @ forward
        x, y, z = (np.array(reading.accel_mps2) + extra).tolist()
        return Imu(reading.t, reading.sensor, (x, y, z), reading.gyro_radps)


def poses(machine: Machine, readings: list[Reading], until: float, follower: Follower) -> Iterator[Pose]:
    """Poses of the undisturbed session at each reading."""
    for reading in readings:
        if reading.t > until:
            return
        follower.feed(reading)
        assert follower.pose is not None
        yield follower.pose


def shuffles(name: str, path: Path, moments: int) -> list[dict[str, Any]]:
    """Every distance, speed and direction at so many moments of a session."""
    machine, readings, touch = read(path)
    last = readings[-1].t - 1.0 / SPEEDS_MPS[0] - AFTER_S - 1.0
    starts = np.linspace(max(BEFORE_S, touch + 5.0), last, moments).tolist()
    follower, found, i = started(machine), list[dict[str, Any]](), 0
    own = own_moves(path)
    for start in starts:
        if any(begin - 12.0 < start < end for begin, end in own):
            continue
        while readings[i].t < start:
            follower.feed(readings[i])
            if readings[i].t > touch:
                follower.watch.start_anew()
                touch = math.inf
            i += 1
        still = follower.watch.still_since
        calm = still is not None and start - still > 2.0
        ends = start + max(DISTANCES_M) / min(SPEEDS_MPS) + AFTER_S
        following = [r for r in readings[i:] if r.t < ends]
        plain = list(poses(machine, following, ends, copy.deepcopy(follower)))
        for distance in DISTANCES_M:
            for speed in SPEEDS_MPS:
                for degrees in DIRECTIONS_DEG:
                    shuffle = Shuffle(start, distance, speed, math.radians(degrees))
                    end = start + shuffle.lasts + AFTER_S
                    one, after = copy.deepcopy(follower), None
                    for reading, pose in zip(following, plain, strict=True):
                        if reading.t > end or after is not None:
                            break
                        signs = one.feed(shuffle.put_into(reading, machine, pose))
                        after = next((t - start for t, _ in signs), None)
                    found.append(
                        {"session": name, "calm": calm, "distance_m": distance, "speed_mps": speed,
                         "direction_deg": degrees, "t": round(start, 1), "after_s": after}
                    )  # fmt: skip
    return found


def own_moves(path: Path) -> list[tuple[float, float]]:
    """When the machine of the working day moves by itself, s; elsewhere never."""
    events = path.parent / "events.json"
    if not events.exists():
        return []
    told = json.loads(events.read_text())
    ends = [e["t"] for e in told if e["what"] == "travel_end"]
    moves = [(e["t"], e["t_end"]) for e in told if e["what"] in ("nudge", "settlement")]
    return moves + [(e["t"], min(t for t in ends if t > e["t"])) for e in told if e["what"] == "travel_start"]


def signs_of(path: Path) -> tuple[list[tuple[float, str]], float]:
    """Signs since the reference, and how long that was, s."""
    machine, readings, touch = read(path)
    follower, signs = started(machine), []
    waiting = True
    for reading in readings:
        found = follower.feed(reading)
        if waiting and reading.t > touch:
            follower.watch.start_anew()
            waiting = False
        elif not waiting:
            signs += [(round(t, 2), kind_of(sign)) for t, sign in found]
    return signs, readings[-1].t - touch


def kind_of(sign: Sign) -> str:
    """Which of the three it is."""
    return "lean" if "lean" in sign.text else "speed" if "slew centre" in sign.text else "rattle"


def day_events(folder: Path) -> list[dict[str, Any]]:
    """Signs of each kind at each event of the working day, s after its beginning."""
    signs, _ = signs_of(folder / "day.ndjson.gz")
    events = json.loads((folder / "events.json").read_text())
    spans: list[tuple[str, float, float]] = []
    for i, event in enumerate(events):
        if event["what"] in ("settlement", "nudge", "travel_start"):
            until = next((e["t"] for e in events[i + 1 :] if e["what"] == "touch"), math.inf)
            spans.append((event["what"], event["t"], until))
    rows = []
    for what, begin, until in spans:
        first = {
            kind: next((round(t - begin, 1) for t, k in signs if k == kind and begin <= t <= until), None)
            for kind in ("rattle", "speed", "lean")
        }
        rows.append({"event": what, "t": begin, **first})
    outside = [s for s in signs if not any(b <= s[0] <= u for _, b, u in spans)]
    rows.append({"event": "none", "signs": outside})
    return rows


def table(found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Share detected by distance, speed and whether the arm had been calm; of which in each direction."""
    rows = []
    for calm in (True, False):
        for speed in SPEEDS_MPS:
            for distance in DISTANCES_M:
                part = [
                    f for f in found
                    if (f["calm"], f["speed_mps"], f["distance_m"]) == (calm, speed, distance)
                ]  # fmt: skip
                if not part:
                    continue
                ways = {d: [f for f in part if f["direction_deg"] == d] for d in DIRECTIONS_DEG}
                rows.append(
                    {"before": "calm" if calm else "at work", "mean_speed_mps": speed,
                     "distance_m": distance, "detected": round(_share(part), 3), "of": len(part),
                     "by_direction": {d: round(_share(some), 2) for d, some in ways.items() if some}}
                )  # fmt: skip
    return rows


def _share(part: list[dict[str, Any]]) -> float:
    """Of the shuffles those that were noticed."""
    return sum(f["after_s"] is not None for f in part) / len(part)


def markdown(results: dict[str, Any]) -> str:
    """The tables of the page of what is measured."""
    parts = [
        "Signs: *rattle* of the upper with a still arm, *speed* of the slew centre, lasting *lean*.",
        "",
        "**Events of the simulated working day**, seconds from the beginning until each sign came.",
        "",
        "| event | at s | rattle | speed | lean |",
        "| --- | --- | --- | --- | --- |",
    ]
    for row in results["events_of_the_day"]:
        if row["event"] == "none":
            outside = row["signs"]
        else:
            signs = " | ".join("–" if row[k] is None else str(row[k]) for k in ("rattle", "speed", "lean"))
            parts.append(f"| {row['event']} | {row['t']:g} | {signs} |")
    if results["events_of_the_day"]:
        parts += ["", f"Signs on that day without an event: {len(outside) or 'none'}.", ""]
    alarms = results["false_alarms"]
    parts += [
        f"**False alarms**: {sum(map(len, alarms['signs'].values()))} signs in {alarms['hours']:g} h of "
        f"sessions without travel; {', '.join(sorted(alarms['signs'])) or 'none in any'}.",
        "",
        "**Shuffles** on even, level ground, without rattle, put into digs; only the speed of the slew "
        "centre can tell. *Calm*: the arm had been still for two seconds. Directions are forwards, left, "
        "backwards and right of the tracks' heading at the start.",
        "",
        "| before | mean speed m/s | distance m | noticed | of | forwards, left, backwards, right |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for row in results["shuffles"]:
        ways = ", ".join(f"{100 * share:.0f} %" for share in row["by_direction"].values())
        parts.append(
            f"| {row['before']} | {row['mean_speed_mps']:g} | {row['distance_m']:g} "
            f"| {100 * row['detected']:.0f} % | {row['of']} | {ways} |"
        )
    return "\n".join(parts) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--shared", type=Path, default=SHARED, help="folder of the simulated sessions")
    parser.add_argument("--only", nargs="*", default=[], help="parts of sessions' names")
    parser.add_argument("--moments", type=int, default=12, help="shuffles start at so many moments a session")
    parser.add_argument("--shuffle", nargs="*", default=["day", "mixed-clean", "trench-hobby"])
    parser.add_argument("--processes", type=int, default=1, help="sessions at the same time")
    parser.add_argument("--output", type=Path, help="results as JSON")
    parser.add_argument("--results", type=Path, help="folder for doubt_signs.json and .md")
    options = parser.parse_args()
    day = options.shared / "physics_public" / "day"
    paths = sorted(
        p for folder in ("physics_public", "physics_hard") for p in (options.shared / folder).glob("*.gz")
    )
    wanted = [p for p in paths if not options.only or any(part in p.name for part in options.only)]
    standing = [p for p in wanted if "travel" not in p.name]
    shuffled = [
        p
        for p in [day / "day.ndjson.gz", *paths]
        if p.name.split(".")[0] in options.shuffle and (not options.only or p in wanted or p.parent == day)
    ]
    with ProcessPoolExecutor(options.processes) as pool:
        parts = [pool.submit(shuffles, p.name.split(".")[0], p, options.moments) for p in shuffled]
        of_day = pool.submit(day_events, day) if not options.only or "day" in options.only else None
        alarms, seconds = {}, 0.0
        for path, (signs, lasted) in zip(standing, pool.map(signs_of, standing), strict=True):
            seconds += lasted
            if signs:
                alarms[path.name.split(".")[0]] = signs
            print(f"{path.name}: {len(signs)} signs in {lasted:.0f} s", file=sys.stderr, flush=True)
        found = [one for part in parts for one in part.result()]
        events = [] if of_day is None else of_day.result()
    results = {
        "events_of_the_day": events,
        "false_alarms": {"hours": round(seconds / 3600.0, 2), "signs": alarms},
        "shuffles": table(found),
        "limits": asdict(_Limits()),
    }
    print(json.dumps(results, indent=1))
    if options.results is not None:
        options.results.mkdir(parents=True, exist_ok=True)
        (options.results / "doubt_signs.md").write_text(markdown(results), encoding="utf-8")
    output = options.output or (options.results and options.results / "doubt_signs.json")
    if output is not None:
        output.write_text(json.dumps({**results, "single_shuffles": found}, indent=1))


@dataclass
class _Limits:
    """What a shuffle here leaves out."""

    rattle: str = "none is put in: with it the sign of a still arm that shakes comes as well"
    ground: str = "even and level: no lean, no heave"


if __name__ == "__main__":
    sys.exit(main())
