"""Many machines on one mosquitto: loss and latency, and the rate at which this computer's broker is full.

    python tests/benchmarks/load_machines.py [--machines 100] [--hz 20] [--seconds 20] [--output load.json]

Every machine is the service's own bus client, publishing tip messages as the service does; they run in four
processes. One reader hears all of them (a recorder at the site), ten hear one each (displays). Latency
is from the call of `publish` to the reader's callback, on one clock. The same run measures one machine alone:
ratios to it do not depend on the computer. Then the rate is doubled until messages are lost or late.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import tempfile
import time
from multiprocessing.synchronize import Event
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1] / "harness"))

from bus_tools import Mosquitto

from tipdatum.bus.client import BusClient
from tipdatum.bus.options import BrokerOptions
from tipdatum.bus.small import SmallDisplayOptions
from tipdatum.bus.topics import LIVE, Topics

PROCESSES = 4
DISPLAYS = 10
SETTLE_S = 1.0
LATE_S = 0.1  # a figure that comes later than this is of little use to whoever digs by it
PADDING = "x" * 615  # with the rest, the size of a tip message


def machines_process(
    port: int, first: int, count: int, hz: float, seconds: float, go: Event, sent: Any
) -> None:
    """`count` machines, evenly spread over the period."""
    options = BrokerOptions(
        host="127.0.0.1", port=port, small_displays=SmallDisplayOptions(values=(), texts=())
    )
    machines = []
    for number in range(first, first + count):
        client = BusClient(
            options,
            topics := Topics(f"m{number}"),
            on_order=lambda _: None,
            on_state=lambda _: None,
            on_trouble=lambda _: None,
        )
        client.start()
        machines.append((client, topics.of("tip")))
    while not all(client.online for client, _ in machines):
        time.sleep(0.01)
    sent.put(("ready", 0, 0))
    go.wait()
    begin, total = time.monotonic(), int(hz * seconds)
    for step in range(total):
        for place, (client, topic) in enumerate(machines):
            due = begin + (step + place / count) / hz
            while (left := due - time.monotonic()) > 0:
                time.sleep(left)
            payload = b'{"sent_ns":%d,"n":%d,"pad":"%s"}' % (time.monotonic_ns(), step, PADDING.encode())
            client.publish_raw(topic, payload, LIVE)
    time.sleep(SETTLE_S)
    dropped = sum(client.counters.live_dropped for client, _ in machines)
    sent.put(("sent", total * count, dropped))
    for client, _ in machines:
        client.stop()


def reader_process(port: int, topic: str, stop: Event, heard: Any) -> None:
    """Hears a topic filter; hands over latencies in seconds."""
    found: list[float] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2)

    def on_message(_c: Any, _d: Any, message: mqtt.MQTTMessage) -> None:
        now = time.monotonic_ns()
        sent_ns = int(message.payload[11 : message.payload.index(b",")])
        found.append((now - sent_ns) * 1e-9)

    client.on_message = on_message
    client.on_connect = lambda c, *_: c.subscribe(topic)
    client.on_subscribe = lambda *_: heard.put(("ready", topic, []))
    client.connect("127.0.0.1", port)
    client.loop_start()
    stop.wait()
    client.loop_stop()
    heard.put(("heard", topic, found))


def cpu_seconds(pid: int) -> float:
    """Processor time of a process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / 100.0


def resident_mb(pid: int) -> float:
    """Memory of a process."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * 4096 / 1e6


def measure(folder: Path, machines: int, hz: float, seconds: float, displays: int) -> dict[str, Any]:
    """One load on a fresh broker."""
    broker = Mosquitto.open_to_all(folder, extra="log_type error\n")
    context = multiprocessing.get_context("spawn")
    go, stop = context.Event(), context.Event()
    sent, heard = context.Queue(), context.Queue()
    filters = ["tipdatum/+/tip"] + [f"tipdatum/m{n}/tip" for n in range(min(displays, machines))]
    workers = [context.Process(target=reader_process, args=(broker.port, f, stop, heard)) for f in filters]
    split = [len(part) for part in np.array_split(np.arange(machines), min(PROCESSES, machines))]
    first = 0
    for count in split:
        workers.append(
            context.Process(target=machines_process, args=(broker.port, first, count, hz, seconds, go, sent))
        )
        first += count
    try:
        for worker in workers:
            worker.start()
        for _ in filters:
            heard.get(timeout=60)
        for _ in split:
            sent.get(timeout=60)
        cpu = cpu_seconds(broker.pid)
        go.set()
        counts = [sent.get(timeout=seconds * 10 + 60) for _ in split]
        used = cpu_seconds(broker.pid) - cpu
        memory = resident_mb(broker.pid)
        stop.set()
        latencies: dict[str, Any] = {}
        for _ in filters:
            _, topic, found = heard.get(timeout=60)
            latencies[topic] = np.array(found)
        for worker in workers:
            worker.join(30)
    finally:
        for worker in workers:
            if worker.is_alive():
                worker.terminate()
        broker.stop()
    total = sum(count for _, count, _ in counts)
    everything = latencies[filters[0]]
    return {
        "machines": machines,
        "hz": hz,
        "seconds": seconds,
        "sent": total,
        "dropped_by_clients": sum(dropped for _, _, dropped in counts),
        "received": len(everything),
        "lost_share": 1.0 - len(everything) / total,
        "rate_in": total / seconds,
        "rate_out": sum(map(len, latencies.values())) / seconds,
        "latency_s": {name: float(np.percentile(everything, q)) for name, q in
                      (("p50", 50), ("p95", 95), ("p99", 99), ("max", 100))},
        "late_share": float(np.mean(everything > LATE_S)),
        "broker_cpu_share": used / seconds,
        "broker_memory_mb": memory,
    }  # fmt: skip


def main() -> None:
    """Run and report."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--machines", type=int, default=100)
    parser.add_argument("--hz", type=float, default=20.0)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--output", type=Path)
    parser.add_argument("--no-ramp", action="store_true", help="do not look for the rate at which it is full")
    options = parser.parse_args()
    console = Console(stderr=True)
    results: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as place, Progress(console=console, transient=True) as bar:
        folder = Path(place)
        task = bar.add_task("one machine alone", total=None if not options.no_ramp else 2)
        results["alone"] = measure(folder, 1, options.hz, options.seconds, 1)
        bar.update(task, description=f"{options.machines} machines at {options.hz:g} Hz")
        results["load"] = measure(folder, options.machines, options.hz, options.seconds, DISPLAYS)
        results["ramp"] = []
        hz = options.hz
        while not options.no_ramp:
            hz *= 2
            bar.update(task, description=f"{options.machines} machines at {hz:g} Hz")
            step = measure(folder, options.machines, hz, min(10.0, options.seconds), DISPLAYS)
            results["ramp"].append(step)
            if step["lost_share"] > 0.001 or step["late_share"] > 0.01 or hz > 1000:
                break
    console.print(report(results))
    ratio = results["load"]["latency_s"]["p99"] / results["alone"]["latency_s"]["p99"]
    console.print(f"p99 under load is {ratio:.1f} times that of one machine alone")
    text = json.dumps(results | {"p99_ratio_to_alone": ratio}, indent=2)
    if options.output is not None:
        options.output.write_text(text + "\n", encoding="utf-8")
    else:
        print(text)


def report(results: dict[str, Any]) -> Table:
    """A table for people."""
    table = Table(
        "machines x Hz", "in /s", "out /s", "lost", "late", "p50 ms", "p99 ms", "max ms", "broker CPU", "MB"
    )
    for one in [results["alone"], results["load"], *results["ramp"]]:
        ms = {name: value * 1e3 for name, value in one["latency_s"].items()}
        table.add_row(
            f"{one['machines']} x {one['hz']:g}", f"{one['rate_in']:.0f}", f"{one['rate_out']:.0f}",
            f"{one['lost_share']:.2%}", f"{one['late_share']:.2%}", f"{ms['p50']:.2f}", f"{ms['p99']:.2f}",
            f"{ms['max']:.1f}", f"{one['broker_cpu_share']:.0%}", f"{one['broker_memory_mb']:.0f}",
        )  # fmt: skip
    return table


if __name__ == "__main__":
    main()
