"""What the service costs: replay speed, a live run with five sensors, and the time to the first figure.

    python tests/benchmarks/service_cost.py [SESSION.ndjson.gz] [--seconds 20] [--results FOLDER]

- Replay: one session in one process, whole and stage by stage.
- Live: `tipdatum run` beside a broker of its own, reading a pseudo-terminal on which a board sends packets of
  five inertial sensors 100 times a second; processor time and memory of the service's process alone.
- Start: from the start of that process to the first figure at a subscriber.

The five sensors are those of a recorded dig and one more on the bucket, whose readings are made from where
the filter saw the bucket: its path, smoothed, differentiated twice. They agree with the others, as in a run
that is measured they should: where sensors contradict each other more is to be done.

Figures of time depend on the computer and on what else it does. Beside each stands its ratio to decoding the
lines of the same session, or to a start of the interpreter with numpy, measured in the same run. Writes
`service_cost.json` and `.md` to the results folder.
"""

from __future__ import annotations

import argparse
import json
import os
import pty
import queue
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as mqtt
import tomlkit
from paho.mqtt.enums import CallbackAPIVersion
from scipy.signal import savgol_filter

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "harness"))

import replay_stages
from bus_tools import Mosquitto

from module_at import module_at
from tipdatum.fusion.estimator import make_estimator
from tipdatum.fusion.pose import Pose
from tipdatum.kinematics.frames import up_vector
from tipdatum.machine.description import Machine, parse_machine
from tipdatum_drivers.reading import Imu
from tipdatum_drivers.session_file import SessionFile

ROOT = Path(__file__).resolve().parents[2]
FIVE = ROOT / "replay_data" / "rocker.ndjson.gz"
"""A dig recorded at 100 Hz with sensors on upper, boom, stick and rocker."""
RATE_HZ = 100.0
PLACE_M = (0.2, 0.0, 0.1)
"""Of the fifth sensor, in the bucket's frame."""
SMOOTH = 9
"""Poses over which the bucket's path is smoothed: more would blur how a bucket is shaken out."""
WARM_UP_S = 4.0
STARTS = 5
RUNS = 5
TARGETS = {"replay_times_real_time": 100.0, "cpu_percent": 3.0, "memory_mb": 70.0, "first_message_s": 0.6}

Sample = tuple[int, tuple[float, float, float], tuple[float, float, float]]


def five_sensors() -> tuple[dict[str, Any], list[list[Sample]]]:
    """The machine, and what its board sends: for each packet a sample (id, accel, gyro) of every sensor."""
    session = SessionFile(FIVE)
    described = dict(session.header.machine)
    described["sensor"] = {**described["sensor"], "bucket": {"body": "bucket", "position_m": list(PLACE_M)}}
    machine = parse_machine(session.header.machine, str(FIVE))
    estimator = make_estimator("chain", machine, 1.0 / RATE_HZ)
    numbers = {name: number for number, name in enumerate(described["sensor"])}
    rows: list[list[Sample]] = []
    poses: list[Pose] = []
    row: dict[str, Sample] = {}
    for record in session.records():
        if not isinstance(record, Imu) or record.gyro_radps is None:
            continue
        estimator.consume(record)
        row[record.sensor] = (numbers[record.sensor], record.accel_mps2, record.gyro_radps)
        if len(row) < len(machine.sensor):
            continue
        pose = estimator.pose(record.t)
        if pose.known:
            rows.append([*row.values()])
            poses.append(pose)
        row = {}
    bucket = zip(*on_the_bucket(machine, poses), strict=True)
    return described, [
        [*others, (numbers["bucket"], tuple(accel), tuple(gyro))]
        for others, (accel, gyro) in zip(rows, bucket, strict=True)
    ]


def on_the_bucket(machine: Machine, poses: list[Pose]) -> tuple[list[list[float]], list[list[float]]]:
    """What a sensor at `PLACE_M` of the bucket feels: (K, 3) m/s² and (K, 3) rad/s, in its own axes."""
    chain = machine.chain()
    reach, lateral, height = np.array(
        [chain.point(p.angles, (PLACE_M[0], 0.0, PLACE_M[2]))[0] for p in poses]
    ).T
    slew = np.array([p.slew_rad for p in poses])
    c, s = np.cos(slew), np.sin(slew)
    path = np.array([c * reach - s * lateral, s * reach + c * lateral, height])
    window = {"window_length": SMOOTH, "polyorder": 3, "delta": 1.0 / RATE_HZ}
    moved = savgol_filter(path, deriv=2, **window)
    along, across = c * moved[0] + s * moved[1], c * moved[1] - s * moved[0]
    theta = np.array([p.angles[chain.bucket] for p in poses])
    up = np.array([up_vector(p.angles[chain.bucket], p.angles[1]) for p in poses])
    c, s = np.cos(theta), np.sin(theta)
    felt = np.array([c * along + s * moved[2], across, c * moved[2] - s * along]).T
    turn = savgol_filter(slew, deriv=1, **window)[:, None] * up
    turn[:, 1] -= [p.rates[chain.bucket] for p in poses]
    noise = np.random.default_rng(5)
    accel = machine.gravity_mps2 * up + felt + noise.normal(0.0, 0.02, felt.shape)
    gyro = turn + noise.normal(0.0, 0.002, turn.shape)
    return accel.tolist(), gyro.tolist()


class Board:
    """A microcontroller on a pseudo-terminal that sends the packets in turn, 100 a second, for ever."""

    def __init__(self, packets: list[list[Sample]]) -> None:
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.port = os.ttyname(self._slave)
        self._packets = packets
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._send, daemon=True)
        self._thread.start()

    def _send(self) -> None:
        firmware = module_at(ROOT / "drivers" / "firmware" / "tipdatum_packets.py")
        encoder = firmware.Packets(self._write, ticks_bits=32)
        begun, number = time.monotonic(), 0
        while not self._stop.is_set():
            encoder.imu(round(number / RATE_HZ * 1e6) % 2**32, self._packets[number % len(self._packets)])
            number += 1
            time.sleep(max(0.0, begun + number / RATE_HZ - time.monotonic()))

    def _write(self, data: bytes) -> None:
        # What nobody reads is lost, as on a real line.
        try:
            os.write(self._master, data)
        except BlockingIOError:
            return

    def close(self) -> None:
        """Stop sending."""
        self._stop.set()
        self._thread.join()
        os.close(self._slave)
        os.close(self._master)


@contextmanager
def running(service: Path) -> Iterator[int]:
    """`tipdatum run` as a process; gives its id."""
    # An installed service has its bytecode on the disk, whatever the checkout's environment says.
    environment = {**os.environ, "PYTHONPYCACHEPREFIX": str(service.parent / "bytecode")}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    with (service.parent / "log").open("ab") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "tipdatum", "run", str(service)], stdout=log, stderr=log, env=environment
        )
        try:
            yield process.pid
        finally:
            process.terminate()
            process.wait(10)


@contextmanager
def listening(port: int) -> Iterator[queue.Queue[tuple[float, dict[str, Any]]]]:
    """When each `tip` message came, on the monotonic clock, and what it said."""
    heard: queue.Queue[tuple[float, dict[str, Any]]] = queue.Queue()
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    ready = threading.Event()
    client.on_connect = lambda *_: client.subscribe("tipdatum/bench/tip")
    client.on_subscribe = lambda *_: ready.set()
    client.on_message = lambda _c, _u, message: heard.put((time.monotonic(), json.loads(message.payload)))
    client.connect("127.0.0.1", port)
    client.loop_start()
    assert ready.wait(5.0)
    try:
        yield heard
    finally:
        client.disconnect()
        client.loop_stop()


def processor_s(pid: int) -> float:
    """Processor time of a process so far, all its threads, s."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def wakes(pid: int) -> int:
    """How often threads of a process have been woken so far: each time finds the caches cold."""
    count = 0
    for status in Path(f"/proc/{pid}/task").glob("*/status"):
        with suppress(FileNotFoundError, ProcessLookupError):  # a thread that has just ended
            lines = status.read_text().splitlines()
            count += next(int(line.split()[1]) for line in lines if line.startswith("voluntary_ctxt"))
    return count


def memory_mb(pid: int) -> float:
    """The most memory that the process has had, MB."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("VmHWM")).split()[1]) / 1000.0


def write_service(
    folder: Path, machine: dict[str, Any], board: Board, broker_port: int, **fusion: float
) -> Path:
    """The service's file: defaults but for the broker, so with the page, small displays and raw means."""
    (folder / "machine.toml").write_text(tomlkit.dumps(machine))
    ids = {name: number for number, name in enumerate(machine["sensor"])}
    service = {
        "machine": "machine.toml",
        "machine_id": "bench",
        "driver": [{"kind": "packets", "port": board.port, "sensor": ids}],
        "broker": {"host": "127.0.0.1", "port": broker_port},
        "state": {"directory": str(folder / "state")},
        "fusion": fusion,
    }
    path = folder / "service.toml"
    path.write_text(tomlkit.dumps(service))
    return path


def live(seconds: float) -> dict[str, Any]:
    """Run the service on five sensors: its cost, and how soon it speaks."""
    machine, packets = five_sensors()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        broker, board = Mosquitto.open_to_all(folder), Board(packets)
        try:
            service = write_service(folder, machine, board, broker.port)
            with listening(broker.port) as heard:
                first_figure_s(service, heard)  # writes the bytecode
                starts = [first_figure_s(service, heard) for _ in range(STARTS)]
                cost = cost_of(service, heard, seconds)
                tips = [heard.get()[1] for _ in range(heard.qsize())]
        finally:
            board.close()
            broker.stop()
    return cost | {
        "tips_a_second": len(tips) / cost["seconds"],
        "with_figures": sum(tip["reach_m"] is not None for tip in tips) / max(1, len(tips)),
        "first_message_s": _summary([message for message, _ in starts]),
        "first_figure_s": _summary([figure for _, figure in starts]),
    }


def cost_of(service: Path, heard: queue.Queue[Any], seconds: float) -> dict[str, float]:
    """What a run of the service costs for so long, warm; what was heard meanwhile stays in the queue."""
    _drain(heard)
    with running(service) as pid:
        heard.get(timeout=30.0)  # a loaded computer starts slowly
        time.sleep(WARM_UP_S)
        _drain(heard)
        before, woken, begun = processor_s(pid), wakes(pid), time.monotonic()
        time.sleep(seconds)
        used, lasted = processor_s(pid) - before, time.monotonic() - begun
        return {
            "seconds": lasted,
            "cpu_percent": 100.0 * used / lasted,
            "wakes_a_second": (wakes(pid) - woken) / lasted,
            "memory_mb": memory_mb(pid),
        }


def _drain(heard: queue.Queue[Any]) -> None:
    while not heard.empty():
        heard.get()


def _summary(seconds: list[float]) -> dict[str, float]:
    return {"least": min(seconds), "median": statistics.median(seconds)}


def first_figure_s(service: Path, heard: queue.Queue[tuple[float, dict[str, Any]]]) -> tuple[float, float]:
    """From the start of the process to the first `tip` message, and to the first that has figures, s."""
    _drain(heard)
    begun = time.monotonic()
    first = None
    with running(service):
        while True:
            came, tip = heard.get(timeout=30.0)
            first = first or came - begun
            if tip["reach_m"] is not None:
                return first, came - begun


def bare_start_s() -> float:
    """A start of the interpreter that imports numpy and ends, s; the least of some."""
    times = []
    for _ in range(STARTS):
        begun = time.monotonic()
        subprocess.run([sys.executable, "-c", "import numpy"], check=True)
        times.append(time.monotonic() - begun)
    return min(times)


def table(result: dict[str, Any]) -> str:
    """The result as a page."""
    replay, run = result["replay"], result["live"]
    lines = [
        "| figure | measured | wanted |",
        "| --- | --- | --- |",
        f"| replay, one process | {replay['times_real_time']:.0f} × real time | at least 100 × |",
        f"| five IMUs at 100 Hz, live | {run['cpu_percent']:.1f} % of one core | under 3 % |",
        f"| wakes of its threads, live | {run['wakes_a_second']:.0f} a second | |",
        f"| memory | {run['memory_mb']:.0f} MB | under 70 MB |",
        f"| start to first message | {run['first_message_s']['median']:.2f} s | under 0.6 s |",
        f"| start to first figure | {run['first_figure_s']['median']:.2f} s | |",
        "",
        f"Replay of {replay['session']}: {replay['readings']} records, {replay['ticks']} ticks.",
        "",
        "| stage | ms for each minute of session | share |",
        "| --- | --- | --- |",
    ]
    for name, took in replay["stages_s"].items():
        each_minute, share = 6e4 * took / replay["session_s"], 100.0 * replay["shares"][name]
        lines.append(f"| {name} | {each_minute:.0f} | {share:.0f} % |")
    ratios = result["ratios"]
    lines += [
        "",
        f"Ratios, which depend less on the computer: replay {replay['ratio_to_decoding']:.1f} × decoding its "
        f"lines; live {ratios['live_to_decoding']:.1f} × decoding as much session; first message "
        f"{ratios['first_message_to_bare_start']:.1f} × a start of the interpreter with numpy.",
    ]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("session", type=Path, nargs="?", default=FIVE)
    parser.add_argument("--seconds", type=float, default=20.0, help="of the live run")
    parser.add_argument("--results", type=Path, default=ROOT / "results")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        replay = replay_stages.measure(args.session, Path(place), RUNS)
    run, bare = live(args.seconds), bare_start_s()
    decoding = replay["stages_s"]["decode"] / replay["session_s"]
    result = {
        "targets": TARGETS,
        "replay": replay,
        "live": run,
        "bare_start_s": bare,
        "ratios": {
            "live_to_decoding": run["cpu_percent"] / 100.0 / decoding,
            "first_message_to_bare_start": run["first_message_s"]["median"] / bare,
        },
    }
    text = table(result)
    args.results.mkdir(parents=True, exist_ok=True)
    (args.results / "service_cost.json").write_text(json.dumps(result, indent=1) + "\n")
    (args.results / "service_cost.md").write_text(text)
    print(text)


if __name__ == "__main__":
    main()
