"""A working day through the running service, with outside clients only, scored against its truth.

    python tests/harness/working_day.py FOLDER [--speed 4] [--switch] [--keep OUT]

FOLDER holds a simulated day as the developers' `day` does: `day.ndjson.gz`, `events.json`, `site.json`.
`tipdatum run` replays it over a mosquitto; every command goes out by `mosquitto_pub` when the tip's messages
have reached its time, everything published is kept by `mosquitto_sub`, book and points come from `tipdatum
book` and `tipdatum points`. Then the published elevations are compared with the truth, set-up by set-up, and
the recorded points with the true bottom. Nothing of the service's code takes part in the scoring.
"""

from __future__ import annotations

import argparse
import bisect
import gzip
import json
import math
import queue
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import IO, Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from bus_tools import Mosquitto

from day_script import digging, touches

EARLY_S = 0.15
"""How much earlier than its time a command is sent, real s: what starting `mosquitto_pub` takes."""

SERVICE = """
machine = "machine.toml"
machine_id = "day"
[[driver]]
kind = "replay"
file = "{session}"
speed = {speed}
[broker]
host = "127.0.0.1"
port = {port}
[state]
directory = "state"
[recording]
directory = "recorded"
format = "ndjson"
[display]
enabled = false
"""


@dataclass
class Heard:
    """Everything that was published, by topic, and the newest tip's time."""

    tips: list[dict[str, Any]] = field(default_factory=list)
    others: list[tuple[str, dict[str, Any]]] = field(default_factory=list)

    def of(self, name: str) -> Iterator[dict[str, Any]]:
        """Messages of a topic in the order in which they came."""
        return (message for topic, message in self.others if topic.split("/")[2] == name)


def beginning_s(folder: Path, work: Path) -> float:
    """The service's time at which the replayed session's t = 0 lay, by the first reading that it recorded."""
    with gzip.open(folder / "day.ndjson.gz", "rt") as lines:
        first = next(row for row in map(json.loads, lines) if row["kind"] == "imu")
    for path in sorted((work / "recorded").glob("*.ndjson")):
        with path.open() as lines:
            for row in map(json.loads, lines):
                if all(row.get(key) == first[key] for key in ("kind", "sensor", "accel_mps2", "gyro_radps")):
                    return float(row["t"]) - float(first["t"])
    raise SystemExit("the service recorded nothing of the session")


def machine_toml(folder: Path) -> str:
    """The description that the session's header carries, as a machine file."""
    import tomlkit

    with gzip.open(folder / "day.ndjson.gz", "rt") as lines:
        return tomlkit.dumps(json.loads(next(lines))["machine"])


def with_switch(folder: Path, target: Path) -> Path:
    """The day with its travel switch merged in by time."""
    with (
        gzip.open(folder / "day.ndjson.gz", "rt") as day,
        (folder / "travel_switch.ndjson").open() as switch,
        gzip.open(target, "wt", 4) as out,
    ):
        out.write(next(day))
        rows = sorted([*day, *switch], key=lambda row: float(json.loads(row)["t"]))
        out.writelines(rows)
    return target


def run_day(folder: Path, work: Path, speed: float, switch: bool) -> Heard:
    """Play the day; returns what outside clients heard."""
    session = with_switch(folder, work / "day.ndjson.gz") if switch else folder / "day.ndjson.gz"
    broker = Mosquitto.open_to_all(work / "broker")
    (work / "machine.toml").write_text(machine_toml(folder))
    (work / "service.toml").write_text(SERVICE.format(session=session, speed=speed, port=broker.port))
    listener = subprocess.Popen(
        ["mosquitto_sub", "-p", str(broker.port), "-t", "tipdatum/#", "-v", "-q", "1"],
        stdout=subprocess.PIPE,
        text=True,
    )
    log = (work / "service.log").open("w")
    service = subprocess.Popen(
        [sys.executable, "-m", "tipdatum", "run", str(work / "service.toml")], stdout=log, stderr=log
    )
    try:
        return _follow(folder, work, broker.port, listener, service, speed)
    finally:
        for process in (service, listener):
            process.terminate()
            process.wait(timeout=60)
        broker.stop()
        log.close()


def _follow(
    folder: Path,
    work: Path,
    port: int,
    listener: subprocess.Popen[str],
    service: subprocess.Popen[bytes],
    speed: float,
) -> Heard:
    events = json.loads((folder / "events.json").read_text())
    due = sorted([*touches(events), *digging(events)], key=lambda c: c.t)
    with gzip.open(folder / "day.ndjson.gz", "rt") as lines:
        end = max(float(json.loads(line).get("t", 0.0)) for line in lines)
    assert listener.stdout is not None
    rows: queue.Queue[str] = queue.Queue()
    threading.Thread(target=_hand_over, args=(listener.stdout, rows), daemon=True).start()
    heard, exported = Heard(), False
    while True:
        topic, _, payload = rows.get(timeout=60).partition(" ")
        if "/value/" in topic or "/text/" in topic or "/command/" in topic:
            continue
        message = json.loads(payload)
        if not topic.endswith("/tip"):
            heard.others.append((topic, message))
            continue
        heard.tips.append(message)
        now = message["t"]
        while due and now >= due[0].t - EARLY_S * speed:
            command = due.pop(0)
            _publish(port, command.name, dict(command.body))
        if not exported and now > end - 2.0:
            exported = True
            _publish(port, "book/distribute", {})
            for name in ("book", "points"):
                arguments = [name, "--port", str(port), "--output", str(work / f"{name}.csv")]
                subprocess.run([sys.executable, "-m", "tipdatum", *arguments], check=True)
        if (now > end - 0.1 and message["quality"] in ("stale", "invalid")) or service.poll() is not None:
            return heard


def _hand_over(lines: IO[str], rows: queue.Queue[str]) -> None:
    for line in lines:
        rows.put(line)


def _publish(port: int, name: str, body: dict[str, Any]) -> None:
    topic = f"tipdatum/day/command/{name}"
    text = json.dumps({**body, "by": "day harness"})
    subprocess.run(["mosquitto_pub", "-p", str(port), "-q", "1", "-t", topic, "-m", text], check=True)


class Truth:
    """True elevation of the tip over time."""

    def __init__(self, folder: Path) -> None:
        self._t: list[float] = []
        self._z: list[float] = []
        with gzip.open(folder / "day.ndjson.gz", "rt") as lines:
            for line in lines:
                if '"truth"' in line:
                    row = json.loads(line)
                    self._t.append(row["t"])
                    self._z.append(row["tip_ground_m"][2])

    def at(self, t: float) -> float:
        """By linear interpolation, m."""
        i = min(max(bisect.bisect_left(self._t, t), 1), len(self._t) - 1)
        t0, t1, z0, z1 = self._t[i - 1], self._t[i], self._z[i - 1], self._z[i]
        return z0 + (z1 - z0) * (t - t0) / (t1 - t0)


def spans(events: list[dict[str, Any]]) -> Iterator[tuple[str, float, float]]:
    """Stretches between a touch that sets the reference and what next makes it false."""
    start: tuple[str, float] | None = None
    for event in events:
        if event["what"] in ("settlement", "travel_start", "nudge", "bucket") and start is not None:
            yield start[0], start[1], event["t"] - 1.0
            start = None
        if (event["what"] == "touch" and event["mark"] not in ("BM2", "KM3")) or event["what"] == "bucket":
            if start is not None:
                yield start[0], start[1], event["t"]
            start = (f"set-up {event['setup']} from {event['mark'] or 'the bucket change'}", event["t"] + 1.0)
    if start is not None:
        yield start[0], start[1], events[-1]["t"]


def report(folder: Path, work: Path, heard: Heard) -> None:
    """Print what an operator was told and how far it was from the truth."""
    events, truth = json.loads((folder / "events.json").read_text()), Truth(folder)
    began = beginning_s(folder, work)
    for tip in heard.tips:
        tip["t"] -= began
    print("\nanswers")
    for reply in heard.of("reply"):
        became = "ok     " if reply["ok"] else "REFUSED"
        print(f"  {reply['t']:7.2f} {became} {reply['command']}: {reply['text']}")
    print("\nevents")
    for event in heard.of("event"):
        print(f"  {event['t']:7.2f} {event['kind']}: {event['text']}")
    print("\nerror of the published elevation, mm")
    for name, start, end in spans(events):
        _score(name, [t for t in heard.tips if start <= t["t"] <= end], truth)
    print("\nerror of the as-dug points, mm")
    _points(heard, truth)
    print((work / "book.csv").read_text())


def _score(name: str, tips: list[dict[str, Any]], truth: Truth) -> None:
    rows = [(t["elevation_m"] - truth.at(t["t"]), t["sigma_m"]) for t in tips if t["elevation_m"] is not None]
    if not rows:
        print(f"  {name:<34} nothing published")
        return
    errors = [1000 * error for error, _ in rows]
    rms = math.sqrt(statistics.fmean(e * e for e in errors))
    inside = statistics.fmean(abs(e) <= 2 * s for e, s in rows)
    sigma = 1000 * statistics.fmean(s for _, s in rows)
    print(
        f"  {name:<34} {rms:5.1f} RMS, mean {statistics.fmean(errors):+6.1f}, sigma {sigma:4.1f}, "
        f"{inside:4.0%} within two sigma, {len(rows)} of {len(tips)}"
    )


def _points(heard: Heard, truth: Truth) -> None:
    """As-dug points against the true tip at the moment that each says, by code."""
    first = heard.tips[0]
    zero = datetime.fromisoformat(first["time"]).timestamp() - first["t"]
    dug = [event["data"] for event in heard.of("event") if event["kind"] == "point"]
    for code in dict.fromkeys(point["code"] for point in dug):
        ours = [p for p in dug if p["code"] == code]
        errors = [
            1000 * (p["elevation_m"] - truth.at(datetime.fromisoformat(p["time"]).timestamp() - zero))
            for p in ours
        ]
        rms = math.sqrt(statistics.fmean(e * e for e in errors))
        print(f"  {code}: {len(ours)} points, {rms:.1f} RMS, mean {statistics.fmean(errors):+.1f}")


def main() -> None:
    """See the module."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--speed", type=float, default=4.0)
    parser.add_argument("--switch", action="store_true", help="with the switch on the travel pedals")
    parser.add_argument("--keep", type=Path, help="keep log, book, points and messages in this folder")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        heard = run_day(options.folder.resolve(), work, options.speed, options.switch)
        report(options.folder, work, heard)
        if options.keep:
            (work / "tips.ndjson").write_text("".join(json.dumps(t) + "\n" for t in heard.tips))
            others = [json.dumps({"topic": topic, **m}) for topic, m in heard.others]
            (work / "others.ndjson").write_text("\n".join(others))
            shutil.copytree(work, options.keep, dirs_exist_ok=True)


if __name__ == "__main__":
    main()
