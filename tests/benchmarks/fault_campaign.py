"""Faults of every kind put into recorded digs: does a wrong figure ever stand there as good?

    python tests/benchmarks/fault_campaign.py [--cases N] [--seed N] [--processes N] [--only WORD ...]

Recorded sessions (those shipped and, where they are beside the checkout, the simulated ones) run through the
whole pipeline, decoded records in, messages out. At moments of each the process forks: the child goes on with
one sensor's readings spoilt (`tests/fault_injection.py`), the parent with them as they are. A figure is
*harmful* when it differs from the unspoilt run's by more than max(20 mm, 3 sigma) and is published as good or
moving. By fault the table tells

- cases, and how many had any harmful figure;
- seconds of harmful figures: the worst case and the mean;
- from the first harmful figure until the figures were null or the fault named: median, worst;
- whether the sensor named first was the right one;
- how long after the fault's end until the figures agreed again: median, worst ("not" counts those that had
  not within the window).

Sessions are in two halves by machine and motion: those on which parameters were chosen, and those held out.
Cases go round sessions and sensors with a chance of their own from `--seed`: every seed is another sample.
On the unspoilt runs, the working day's among them where `--day` is given, every fault named and every alarm
is counted: all of those are false, but for sessions that lose packets or clip on purpose.
"""

from __future__ import annotations

import argparse
import gzip
import json
import os
import pickle
import random
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from rich.console import Console

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from fault_tables import LEAST_M, SIGMAS, Result, markdown, show, summary

from fault_injection import FAULTS, Case, Fault
from tipdatum.bus.messages import Happening, Health, Tip
from tipdatum.config import Settings
from tipdatum.core.messages_out import Outgoing
from tipdatum.core.pipeline import Pipeline
from tipdatum.fusion.arm import SensedArm
from tipdatum.machine.description import Machine, parse_machine
from tipdatum.walltime import WallTime, parse_started
from tipdatum_drivers.decode.session_lines import decode_header, decode_line
from tipdatum_drivers.reading import Command, Record

Array = NDArray[np.float64]
ROOT = Path(__file__).resolve().parents[2]
AFTER_S = 10.0
"""How long is looked on after the fault's end."""
AGREES_S = 1.0
"""For how long figures must have agreed at the end to count as recovered."""
CHOICE = ("trench", "rocker", "static", "mixed", "moving-start", "twopiece")
"""Beginnings of the names of sessions on which parameters were chosen; the rest is held out."""
LOOKED_AT_S = 0.5
"""Seconds of harmful figures from which `--verbose` shows a case."""
ALARMS = ("consistency",)
"""Kinds of event that are alarms about a sensor."""


@dataclass
class Track:
    """What was published: tips as columns t, elevation, sigma, whether good or moving; alarms; faults."""

    tips: list[tuple[float, float, float, bool]] = field(default_factory=list)
    named: list[tuple[float, str, str]] = field(default_factory=list)
    """(t, sensor, words): a sensor's health in fault, or an alarm about it."""
    counted: dict[str, int] = field(default_factory=dict)
    """Sensor → faults counted against it so far."""
    problems: list[str] = field(default_factory=list)
    """Internal faults: there must be none."""

    def take(self, item: Outgoing) -> None:
        """Take one message."""
        m = item.message
        if isinstance(m, Tip):
            unknown = m.elevation_m is None
            self.tips.append(
                (
                    m.t,
                    float("nan") if unknown else m.elevation_m,  # type: ignore[arg-type]
                    float("nan") if m.sigma_m is None else m.sigma_m,
                    m.quality in ("good", "moving"),
                )
            )
        elif isinstance(m, Health):
            self.counted[m.sensor] = sum(m.faults.values())
            if m.state in ("fault", "stale"):
                self.named.append((m.t, m.sensor, m.text))
        elif isinstance(m, Happening):
            if m.kind == "internal fault":
                self.problems.append(f"{m.t:.2f} s: {m.text}")
            elif m.kind in ALARMS and m.sensor:
                self.named.append((m.t, m.sensor, m.text))

    def array(self) -> Array:
        """(N, 4) the tips."""
        return np.array(self.tips, dtype=float).reshape(-1, 4)


def sessions(choice: list[str]) -> list[Path]:
    """All sessions there are, or those whose names contain one of the words."""
    folders = [
        ROOT / "replay_data",
        ROOT.parent / "shared/physics_public",
        ROOT.parent / "shared/physics_hard",
        ROOT.parent / "shared/physics_arms",
    ]
    found = [p for folder in folders for p in sorted(folder.glob("*.ndjson.gz"))]
    return [p for p in found if not choice or any(word in label(p) for word in choice)]


def label(path: Path) -> str:
    """A session's name in the tables."""
    name = path.name.removesuffix(".ndjson.gz")
    return f"shipped-{name}" if path.parent.name == "replay_data" else name


def is_choice(name: str) -> bool:
    """Whether a session is of the half on which parameters were chosen."""
    return name.removeprefix("shipped-").startswith(CHOICE)


def read(path: Path) -> tuple[Machine, WallTime, list[Record]]:
    """A session."""
    with gzip.open(path, "rb") as handle:
        header = decode_header(handle.readline())
        records = [r for line in handle if (r := decode_line(line)) is not None]
    machine = parse_machine(header.machine, str(path))
    return machine, WallTime(parse_started(header.started, str(path))), records


@dataclass(frozen=True)
class Job:
    """One case to run in a session."""

    fault: Fault
    sensor: str
    at: float


def planned(
    names: list[str], faults: list[Fault], cases: int, seed: int
) -> dict[str, list[tuple[str, int, float]]]:
    """For each session which faults, at which sensor (a number) and share of its length: the same every time.

    Every fault meets `cases` pairs of session and sensor in each half, sessions in turn.
    """
    plan: dict[str, list[tuple[str, int, float]]] = {name: [] for name in names}
    for half in (True, False):
        mine = [n for n in names if is_choice(n) is half]
        for k, fault in enumerate(faults):
            rng = random.Random(f"{seed} {fault.name} {half}")
            for j in range(cases if mine else 0):
                at = k * 7 + seed + j * max(1, len(mine) // cases)
                plan[mine[at % len(mine)]].append((fault.name, k + j + rng.randrange(6), rng.random()))
    return plan


def jobs_of(records: list[Record], wanted: list[tuple[Fault, int, float]], machine: Machine) -> list[Job]:
    """Moments for a session's faults: after its reference, with room for fault and recovery."""
    named = [channel.name for channel in SensedArm(machine).in_order if channel.sensor.type == "imu"]
    set_at = [r.t for r in records if isinstance(r, Command) and r.name == "datum/set"]
    first, last = (set_at[0] if set_at else 8.0) + 3.0, records[-1].t
    out = []
    for fault, number, share in wanted:
        room = max(first + 0.1, last - fault.seconds - AFTER_S)
        out.append(Job(fault, named[number % len(named)], round(first + share * (room - first), 2)))
    return sorted(out, key=lambda job: job.at)


def neighbour(machine: Machine, sensor: str) -> str:
    """The sensor of the next body on the arm."""
    order = [channel.name for channel in SensedArm(machine).in_order]
    place = order.index(sensor)
    return order[place + 1] if place + 1 < len(order) else order[place - 1]


def in_child(pipeline: Pipeline, track: Track, records: list[Record], job: Job, machine: Machine) -> bytes:
    """The rest of a case in a forked process; its track as bytes, b"" if it died."""
    back, into = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            os.close(back)
            end = job.at + job.fault.seconds
            until = end if job.fault.seconds else job.at + 1.0
            rng = random.Random(f"{job.fault.name} {job.at}")
            case = Case(job.sensor, job.at, until, neighbour(machine, job.sensor), rng)
            # `track` is the emitter of the pipeline; a new page of it belongs to the child alone.
            before = dict(track.counted)
            track.tips.clear()
            track.named.clear()
            track.problems.clear()
            for record in job.fault.spoil(records, case):
                pipeline.feed(record)
            pipeline.publish_retained()
            track.counted = {k: v - before.get(k, 0) for k, v in track.counted.items()}
            with os.fdopen(into, "wb") as out:
                out.write(pickle.dumps(track))
        except BaseException as error:  # the parent says which case died
            sys.stderr.write(f"{job}: {type(error).__name__}: {error}\n")
        finally:
            os._exit(0)
    os.close(into)
    with os.fdopen(back, "rb") as source:
        data = source.read()
    os.waitpid(pid, 0)
    return data


def run(path: Path, wanted: list[tuple[Fault, int, float]]) -> tuple[list[Result], Track, float]:
    """All cases of one session; the unspoilt track, and its length in s."""
    machine, wall, records = read(path)
    track = Track()
    pipeline = Pipeline(machine, Settings(), wall, track.take)
    jobs = jobs_of(records, wanted, machine)
    told: list[tuple[Job, bytes]] = []
    times = [r.t for r in records]
    i = 0
    for job in jobs:
        start = int(np.searchsorted(times, job.at))
        while i < start:
            pipeline.feed(records[i])
            i += 1
        stop = int(np.searchsorted(times, job.at + job.fault.seconds + AFTER_S))
        # Told anew before each fork: what was counted so far is no fault of the case.
        pipeline.publish_retained()
        told.append((job, in_child(pipeline, track, records[start:stop], job, machine)))
    for record in records[i:]:
        pipeline.feed(record)
    pipeline.finish()
    sound = track.array()
    results = [
        judged(label(path), job, pickle.loads(data), sound, machine, track) for job, data in told if data
    ]
    if len(results) < len(told):
        raise SystemExit(f"{label(path)}: {len(told) - len(results)} cases died")
    return results, track, times[-1]


def run_or_kept(
    path: Path, cases: list[tuple[str, int, float]], folder: Path | None
) -> tuple[list[Result], Track, float]:
    """`run` for faults by their names, or what an earlier run of the same cases has left in `folder`."""
    by_name = {fault.name: fault for fault in FAULTS}
    file = None if folder is None else folder / f"{label(path)}.pickle"
    if file is not None and file.exists():
        before, done = pickle.loads(file.read_bytes())
        if before == cases:
            return done  # type: ignore[no-any-return]
    done = run(path, [(by_name[name], number, share) for name, number, share in cases])
    if file is not None:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(pickle.dumps((cases, done)))
    return done


def judged(session: str, job: Job, track: Track, sound: Array, machine: Machine, unspoilt: Track) -> Result:
    """A spoilt run against the unspoilt one."""
    # What is named without the fault as well, such as packets lost on purpose, is not its doing.
    anyway = {(round(when, 1), sensor) for when, sensor, _ in unspoilt.named}
    track.named = [one for one in track.named if (round(one[0], 1), one[1]) not in anyway]
    tips = track.array()
    t, elevation, sigma, stands = tips.T
    same = np.interp(t, sound[:, 0], sound[:, 1])
    off = np.abs(elevation - same)
    wrong = off > np.maximum(LEAST_M, SIGMAS * np.nan_to_num(sigma))
    harmful = wrong & (stands > 0.5)
    step = np.diff(t, append=t[-1:] + Settings().period_s).clip(0.0, 0.1)
    end = job.at + job.fault.seconds
    ours = {job.sensor} | ({neighbour(machine, job.sensor)} if "swapped" in job.fault.name else set())
    named = next(((when, sensor, words) for when, sensor, words in track.named if when >= job.at), None)
    first = float(t[harmful][0]) if harmful.any() else None
    null = t[~np.isfinite(elevation)]
    told = None
    if first is not None:
        moments = [when - first for when, *_ in track.named] + [float(x) - first for x in null]
        told = min((max(0.0, m) for m in moments if m >= -2.0), default=None)
    # Recovered: when the last figure that is missing or wrong has gone by, where the unspoilt run has one.
    there = np.interp(t, sound[:, 0], np.isfinite(sound[:, 1]) & (sound[:, 3] > 0.5)) > 0.99
    bad = t[there & (t >= end) & (wrong | ~np.isfinite(elevation))]
    recovered: float | None = max(0.0, float(bad[-1]) - end) if len(bad) else 0.0
    if len(bad) and bad[-1] > t[-1] - AGREES_S:
        recovered = None
    return Result(
        session, job.fault.name, job.sensor, job.at, float(step[harmful].sum()),
        float(off[harmful].max()) if harmful.any() else 0.0, told,
        None if named is None else named[0] - job.at,
        "" if named is None else f"{named[1]}: {named[2]}",
        None if named is None else named[1] in ours,
        track.counted.get(job.sensor, 0), recovered, track.problems,
    )  # fmt: skip


def false_alarms(track: Track) -> Iterator[str]:
    """What an unspoilt run named, each once."""
    seen: set[tuple[str, str]] = set()
    for t, sensor, words in track.named:
        key = (sensor, words.split(":")[0][:30])
        if key not in seen:
            seen.add(key)
            yield f"{t:.1f} s {sensor}: {words}"
    yield from track.problems


def day() -> list[Path]:
    """The simulated working day, where it is there."""
    return [p for p in [ROOT.parent / "shared/physics_public/day/day.ndjson.gz"] if p.exists()]


def main() -> None:
    """Run the campaign."""
    raw = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=raw)
    parser.add_argument("--only", nargs="*", default=[], help="faults whose names contain one of these")
    parser.add_argument("--sessions", nargs="*", default=[], help="sessions whose names contain one of these")
    parser.add_argument("--cases", type=int, default=4, help="cases a fault and half")
    parser.add_argument("--quick", action="store_true", help="one case a fault and half")
    parser.add_argument("--sound", action="store_true", help="unspoilt runs only: false alarms")
    parser.add_argument("--day", action="store_true", help="the simulated working day, too, unspoilt")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=1, help="sessions at the same time")
    parser.add_argument("--kept", type=Path, help="folder that keeps finished sessions: go on after a stop")
    parser.add_argument("--output", type=Path, help="JSON file for the results")
    parser.add_argument("--results", type=Path, help="folder for fault_campaign.json and .md")
    parser.add_argument("--verbose", action="store_true", help="harmful cases and wrong names as they come")
    options = parser.parse_args()
    console = Console(width=190)
    faults = [f for f in FAULTS if not options.only or any(word in f.name for word in options.only)]
    paths = sessions(options.sessions)
    cases = 0 if options.sound else 1 if options.quick else options.cases
    plan = planned([label(p) for p in paths], faults, cases, options.seed)
    work = [(p, plan[label(p)]) for p in paths if plan[label(p)] or options.sound]
    work += [(p, []) for p in day() if options.day]
    results: list[Result] = []
    alarms: dict[str, list[str]] = {}
    hours, began = 0.0, time.perf_counter()
    with ProcessPoolExecutor(options.processes) as pool:
        asked = {pool.submit(run_or_kept, path, wanted, options.kept): label(path) for path, wanted in work}
        for future in as_completed(asked):
            name, (found, track, seconds) = asked[future], future.result()
            results += found
            hours += seconds / 3600.0
            if told := list(false_alarms(track)):
                alarms[name] = told
            print(f"{name}: {len(found)} cases, {time.perf_counter() - began:.0f} s", file=sys.stderr)
            if options.verbose:
                for r in found:
                    if r.harmful_s > LOOKED_AT_S or r.problems or r.right is False:
                        print(f"  {r}", file=sys.stderr, flush=True)
                for one in alarms.get(name, []):
                    print(f"  unspoilt {one}", file=sys.stderr, flush=True)
    halves = {
        "for choosing": [r for r in results if is_choice(r.session)],
        "held out": [r for r in results if not is_choice(r.session)],
    }
    lines = {
        half: [summary(f, mine) for f in faults if (mine := [r for r in rows if r.fault == f.name])]
        for half, rows in halves.items()
    }
    for half, rows in lines.items():
        if rows:
            show(console, f"sessions {half}", rows)
    console.print(f"unspoilt: {sum(map(len, alarms.values()))} named in {len(work)} sessions, {hours:.2f} h")
    for name, told in sorted(alarms.items()):
        for one in told[:8]:
            console.print(f"  {name}: {one}")
    if options.results is not None:
        options.results.mkdir(parents=True, exist_ok=True)
        text = markdown(lines, results, alarms, len(work), hours)
        (options.results / "fault_campaign.md").write_text(text, encoding="utf-8")
    output = options.output or (options.results and options.results / "fault_campaign.json")
    if output is not None:
        document = {
            "benchmark": "fault_campaign",
            "harmful": f"off by more than max({LEAST_M * 1000:.0f} mm, {SIGMAS:g} sigma), good or moving",
            "halves": lines,
            "unspoilt": {"sessions": len(work), "hours": round(hours, 3), "named": alarms},
        }
        output.write_text(json.dumps(document, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
