"""From a sensor's last byte to a display, stage by stage, and the noise of a machine that stands still.

    python tests/harness/latency.py [--seconds 30] [--publish arrival] [--tick-hz 50] [--output F.json]
        [--plot F.png]

Real processes: encoders write frames to pseudo-terminals; the service reads them, fuses and publishes over a
real mosquitto; a subscriber hears. In the same run a bare forwarder carries one line's raw readings over the
same broker to the same subscriber: it is the floor, and the figures that count are ratios to it, which do not
depend on the computer. The wait for the tick, which is set by `tick_hz`, is reported by itself.

A frame carries its running number in the temperature field, so every published figure is traced to the very
frame whose reading was the newest in it.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing
import os
import pty
import random
import signal
import struct
import subprocess
import sys
import tempfile
import time
import tty
from collections import defaultdict, deque
from collections.abc import Callable
from itertools import pairwise
from multiprocessing.synchronize import Event
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

from bus_tools import Mosquitto, quick, wait_until

from small_machine import machine_file

HERE = Path(__file__).parent
RATE_HZ = 100.0
NUMBERS = 1000  # running numbers before they begin anew; ten seconds at RATE_HZ
G = 9.80665
ACCEL_LSB, GYRO_LSB = 16.0 * G / 32768.0, math.radians(2000.0) / 32768.0  # as the imu-55 frames have them
ACCEL_NOISE_MPS2, GYRO_NOISE_RADPS = 0.02, 0.002  # of a hobby-grade part at 100 Hz; from memory, no source
ELEVATION_ANGLES_DEG = {"upper": 0.0, "boom": 20.0, "stick": -60.0, "bucket": -100.0}
FLOOR_LINE, FLOOR_TOPIC = "floor", "floor/raw"
TIP_TOPIC = "tipdatum/bench/tip"
WARM_UP_S = 3.0
LOOK_EVERY_NS = 500_000
STAGES = ("total", "without_tick_wait", "arrival", "tick_wait", "hand_over", "fusion", "make", "bus")


def frame(angle_deg: float, number: int, rng: random.Random) -> bytes:
    """Acceleration and rate of a body that stands still at this elevation angle; x·up = sin, z·up = cos."""
    angle = math.radians(angle_deg)
    accel = [G * math.sin(angle), 0.0, G * math.cos(angle)]
    parts = []
    for kind, values, sigma, lsb in (
        (0x51, accel, ACCEL_NOISE_MPS2, ACCEL_LSB),
        (0x52, [0.0, 0.0, 0.0], GYRO_NOISE_RADPS, GYRO_LSB),
    ):
        raw = [round((v + rng.gauss(0.0, sigma)) / lsb) for v in values]
        body = struct.pack("<BBhhhh", 0x55, kind, *raw, number)
        parts.append(body + bytes([sum(body) & 0xFF]))
    return b"".join(parts)


def encoders_process(folder: str, stop: Event, written: Any) -> None:
    """Lines at RATE_HZ each, evenly staggered; hands over when every frame was written."""
    rng = random.Random(20260302)
    lines = {**ELEVATION_ANGLES_DEG, FLOOR_LINE: -100.0}
    masters: dict[str, int] = {}
    slaves = []  # held open: a line whose reader has gone must not end
    for name in lines:
        master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        Path(folder, f"tty-{name}").symlink_to(os.ttyname(slave))
        masters[name] = master
        slaves.append(slave)
    Path(folder, "lines-ready").touch()
    stamps: dict[str, list[tuple[int, int]]] = {name: [] for name in lines}
    refused = 0
    begin, step = time.monotonic(), 0
    while not stop.is_set():
        for place, (name, angle) in enumerate(lines.items()):
            due = begin + (step + place / len(lines)) / RATE_HZ
            number = step % NUMBERS
            data = frame(angle, number, rng)
            if (left := due - time.monotonic()) > 0:
                time.sleep(left)
            stamp = time.monotonic_ns()  # before, for afterwards the reader may be at it already
            try:
                os.write(masters[name], data)
            except BlockingIOError:
                refused += 1
                continue
            stamps[name].append((number, stamp))
        step += 1
    written.put((stamps, refused))


def subscriber_process(port: int, stop: Event, heard: Any) -> None:
    """Hears figures and the floor's frames; hands over what came when."""
    tips: list[tuple[int, bytes]] = []
    floor: list[tuple[int, bytes]] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_socket_open = quick
    client.on_connect = lambda c, *_: c.subscribe([(TIP_TOPIC, 0), (FLOOR_TOPIC, 0)])
    client.on_subscribe = lambda *_: heard.put("ready")

    def on_message(_c: Any, _d: Any, message: mqtt.MQTTMessage) -> None:
        stamp = time.monotonic_ns()
        (tips if message.topic == TIP_TOPIC else floor).append((stamp, bytes(message.payload)))

    client.on_message = on_message
    client.connect("127.0.0.1", port)
    client.loop_start()
    stop.wait()
    client.loop_stop()
    heard.put((tips, floor))


def configuration(folder: Path, port: int, publish: str, tick_hz: float | None) -> Path:
    """Machine and service file of the run."""
    sensors = "".join(
        f'[sensor.{name}]\nbody = "{name}"\nposition_m = [0.0, 0.0, 0.0]\nmount_rpy_deg = [0.0, 0.0, 0.0]\n'
        for name in ELEVATION_ANGLES_DEG
    )
    (folder / "bench.toml").write_text(machine_file() + sensors)
    drivers = "".join(
        f'[[driver]]\nkind = "imu-55"\nsensor = "{name}"\nport = "{folder}/tty-{name}"\n'
        for name in ELEVATION_ANGLES_DEG
    )
    service = folder / "service.toml"
    service.write_text(
        f'machine = "bench.toml"\nmachine_id = "bench"\n{drivers}'
        f'[broker]\nhost = "127.0.0.1"\nport = {port}\n[display]\nenabled = false\n'
        f'[fusion]\npublish = "{publish}"\n' + ("" if tick_hz is None else f"tick_hz = {tick_hz}\n")
    )
    return service


def set_reference(port: int) -> None:
    """As a panel would once the service is online; waits for the answer."""
    answers: list[dict[str, Any]] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2)

    def on_message(_c: Any, _d: Any, message: mqtt.MQTTMessage) -> None:
        found = json.loads(message.payload)
        if message.topic.endswith("/reply"):
            answers.append(found)
        elif found["state"] == "online":
            client.publish("tipdatum/bench/command/datum/set", '{"elevation_m": 100}', 1)

    client.on_message = on_message
    client.on_connect = lambda c, *_: c.subscribe([("tipdatum/bench/status", 1), ("tipdatum/bench/reply", 1)])
    client.connect("127.0.0.1", port)
    client.loop_start()
    wait_until(lambda: answers, "the reference is set")
    client.disconnect()
    client.loop_stop()
    if not answers[0]["ok"]:
        raise AssertionError(answers[0]["text"])


def usage(pid: int) -> tuple[float, float]:
    """Processor seconds so far and memory in MB of a process."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK"), pages * 4096 / 1e6


def measure(
    folder: Path,
    seconds: float,
    progress: Callable[[str, float], None],
    publish: str = "tick",
    tick_hz: float | None = None,
) -> dict[str, Any]:
    """One run; see the module's description. `progress` is told a stage and its share done."""
    context = multiprocessing.get_context("spawn")
    stop = context.Event()
    written, heard = context.Queue(), context.Queue()
    broker = Mosquitto.open_to_all(folder, extra="log_type error\n")
    helpers = [context.Process(target=encoders_process, args=(str(folder), stop, written)),
               context.Process(target=subscriber_process, args=(broker.port, stop, heard))]  # fmt: skip
    trace = folder / "trace.json"
    running: list[subprocess.Popen[bytes]] = []
    try:
        progress("starting", 0.0)
        for helper in helpers:
            helper.start()
        wait_until((folder / "lines-ready").exists, "the lines are there")
        heard.get(timeout=30)
        service = configuration(folder, broker.port, publish, tick_hz)
        with (folder / "service.log").open("wb") as log:
            running = [
                subprocess.Popen([sys.executable, *map(str, command)], stdout=log, stderr=log)
                for command in (
                    (HERE / "latency_service.py", service, trace),
                    (HERE / "latency_forwarder.py", folder / f"tty-{FLOOR_LINE}", broker.port, FLOOR_TOPIC),
                )
            ]
        set_reference(broker.port)
        _wait(WARM_UP_S, "warming up", progress)
        began = time.monotonic_ns()
        before = [usage(p.pid) for p in running]
        _wait(seconds, "measuring", progress)
        ended = time.monotonic_ns()
        after = [usage(p.pid) for p in running]
        running[0].send_signal(signal.SIGTERM)
        running[0].wait(20)
        stop.set()
        stamps, refused = written.get(timeout=30)
        tips, floor = heard.get(timeout=30)
        traced = json.loads(trace.read_text())
    except BaseException as error:
        log_text = (folder / "service.log").read_text() if (folder / "service.log").exists() else ""
        error.add_note(f"the service said: {log_text[-3000:]}")
        raise
    finally:
        stop.set()
        for process in running:
            process.kill()
            process.wait()
        for helper in helpers:
            helper.join(10)
        broker.stop()
    costs = {
        name: {"cpu_share": (b[0] - a[0]) / seconds, "memory_mb": b[1]}
        for name, a, b in zip(("service", "forwarder"), before, after, strict=True)
    }
    return evaluate(stamps, refused, tips, floor, traced, (began, ended)) | {
        "costs": costs,
        "seconds": seconds,
    }


def evaluate(
    stamps: dict[str, list[tuple[int, int]]], refused: int, tips: list[tuple[int, bytes]],
    floor: list[tuple[int, bytes]], traced: dict[str, Any], window: tuple[int, int],
) -> dict[str, Any]:  # fmt: skip
    """Figures of the run: latencies in s, each with its distribution."""
    began, ended = window
    # Two ticks may be for the same newest reading, so a time can come twice; in order they match.
    received: dict[float, deque[int]] = defaultdict(deque)
    for stamp, payload in tips:
        received[json.loads(payload)["t"]].append(stamp)
    stages: dict[str, list[float]] = {name: [] for name in STAGES}
    seen: list[tuple[int, int]] = []  # when a figure came, and when its newest reading had been written
    lost = 0
    for row in traced["rows"]:
        stamps_of_t = received[row["t"]]
        got = stamps_of_t.popleft() if stamps_of_t else None
        if not began <= row["begun_ns"] < ended:
            continue
        if got is None:
            lost += 1
            continue
        wrote = _written(stamps[row["sensor"]], row["count"], row["arrived_ns"])
        seen.append((got, wrote))
        # A figure that is due with the tick waits for it; one on arrival for nothing.
        due = max(row["arrived_ns"], row["due_ns"] or 0)
        spans = {
            "total": got - wrote,
            "without_tick_wait": got - wrote - (due - row["arrived_ns"]),
            "arrival": row["arrived_ns"] - wrote,
            "tick_wait": due - row["arrived_ns"],
            "hand_over": row["begun_ns"] - due,
            "fusion": row["fused_ns"] - row["begun_ns"],
            "make": row["made_ns"] - row["fused_ns"],
            "bus": got - row["made_ns"],
        }
        for name, span in spans.items():
            stages[name].append(span * 1e-9)
    bare = [
        (stamp - _written(stamps[FLOOR_LINE], struct.unpack_from("<h", payload, 8)[0], stamp)) * 1e-9
        for stamp, payload in floor
        if began <= stamp < ended
    ]
    inside = [(stamp, json.loads(payload)) for stamp, payload in tips if began <= stamp < ended]
    elevations = np.array([tip["elevation_m"] for _, tip in inside if tip["elevation_m"] is not None])
    sigmas = np.array([tip["sigma_m"] for _, tip in inside if tip["sigma_m"] is not None])
    intervals = np.diff([stamp for stamp, _ in inside]) * 1e-9
    times = [tip["t"] for _, tip in inside]
    shown = {name: distribution(values) for name, values in stages.items()}
    shown["floor"] = distribution(bare)
    frames = {name: len(stamps[name]) for name in ELEVATION_ANGLES_DEG}
    return {
        "latency_s": shown,
        "ratio_to_floor": {
            q: shown["without_tick_wait"][q] / shown["floor"][q] for q in ("p50", "p95", "p99")
        },
        "jitter_s": float(np.std(intervals)),
        "messages": len(inside),
        "messages_lost": lost,
        "in_order": times == sorted(times),
        "null_figures": len(inside) - len(elevations),
        "oldest_figure_s": max(stages["total"]),
        "age_at_any_moment_s": _age_at_any_moment(seen),
        "live_dropped": traced["live_dropped"],
        "events_dropped": traced["events_dropped"],
        "frames_written": frames,
        "frames_refused_by_the_line": refused,
        # The frames before the service opened its ports went nowhere, those after its end too.
        "frames_read_share": {name: traced["readings"].get(name, 0) / frames[name] for name in frames},
        "static_noise_m": float(np.std(elevations)) if len(elevations) else None,
        "sigma_m": float(np.median(sigmas)) if len(sigmas) else None,
        "samples": {**stages, "floor": bare},
    }


def _age_at_any_moment(seen: list[tuple[int, int]]) -> dict[str, float]:
    """How old the last figure is for who looks at any moment: it stands until the next one comes."""
    ages = [
        moment - wrote
        for (came, wrote), (follows, _) in pairwise(seen)
        for moment in np.arange(came, follows, LOOK_EVERY_NS)
    ]
    return distribution([age * 1e-9 for age in ages])


def distribution(values: list[float]) -> dict[str, float]:
    """p50, p95, p99 and the largest."""
    found = np.percentile(values, [50, 95, 99, 100])
    return dict(zip(("p50", "p95", "p99", "max"), map(float, found), strict=True))


def _written(stamps: list[tuple[int, int]], number: int, before_ns: int) -> int:
    """When the frame of this running number was written, the last time before `before_ns`."""
    wanted = [stamp for n, stamp in stamps if n == number and stamp <= before_ns]
    return wanted[-1]


def _wait(seconds: float, stage: str, progress: Callable[[str, float], None]) -> None:
    begin = time.monotonic()
    while (passed := time.monotonic() - begin) < seconds:
        progress(stage, passed / seconds)
        time.sleep(min(0.2, seconds - passed))
    progress(stage, 1.0)


def main() -> None:
    """Run with a progress bar, print a table, write JSON and a plot."""
    from rich.console import Console
    from rich.progress import Progress
    from rich.table import Table

    raw = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=raw)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--publish", choices=("tick", "arrival"), default="tick", help="of [fusion]")
    parser.add_argument("--tick-hz", type=float, help="of [fusion]; default the service's")
    parser.add_argument("--output", type=Path)
    parser.add_argument("--plot", type=Path)
    options = parser.parse_args()
    console = Console(stderr=True)
    with tempfile.TemporaryDirectory() as folder, Progress(console=console, transient=True) as bar:
        task = bar.add_task("", total=1.0)
        found = measure(
            Path(folder),
            options.seconds,
            lambda stage, share: bar.update(task, description=stage, completed=share),
            options.publish,
            options.tick_hz,
        )
    samples = found.pop("samples")
    table = Table("stage", "p50 ms", "p95 ms", "p99 ms", "max ms")
    for name, spread in found["latency_s"].items():
        table.add_row(name.replace("_", " "), *(f"{value * 1e3:.2f}" for value in spread.values()))
    console.print(table)
    ratio = found["ratio_to_floor"]
    console.print(f"without the tick wait, times the floor: p50 {ratio['p50']:.2f}, p99 {ratio['p99']:.2f}")
    if found["static_noise_m"] is not None:
        console.print(
            f"static noise {found['static_noise_m'] * 1e3:.2f} mm; "
            f"sigma published {found['sigma_m'] * 1e3:.2f} mm"
        )
    text = json.dumps(found, indent=2)
    if options.output is not None:
        options.output.write_text(text + "\n", encoding="utf-8")
    else:
        print(text)
    if options.plot is not None:
        plot(samples, options.plot)


def plot(samples: dict[str, list[float]], path: Path) -> None:
    """Cumulative distributions, the floor among them."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(figsize=(9, 5), layout="constrained")
    for name, values in samples.items():
        ordered = np.sort(np.array(values)) * 1e3
        width = 2.5 if name in ("floor", "without_tick_wait") else 1.2
        share = np.arange(1, len(ordered) + 1) / len(ordered)
        axes.plot(np.maximum(ordered, 1e-3), share, label=name.replace("_", " "), linewidth=width)
    axes.set_xscale("log")
    axes.set_xlim(left=0.02)
    axes.set_xlabel("latency, ms")
    axes.set_ylabel("share of messages at most that late")
    axes.set_title("From a sensor's last byte to a subscriber's callback")
    axes.grid(visible=True, which="both", alpha=0.3)
    axes.legend(loc="upper left")
    figure.savefig(path, dpi=110)


if __name__ == "__main__":
    main()
