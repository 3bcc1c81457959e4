"""How long until figures flow again after a fault, and what it cost.

    python tests/benchmarks/load_faults.py [--repeats 5] [--output faults.json]

A real mosquitto, the service's bus client publishing 50 figures and 5 events a second, a reader beside it,
and a cable between service and broker that can be cut. Time to recover: from the moment the cause is mended
to the first new figure at the reader. Figures lost while there is no way are the price of never sending old
ones; figures late are those that came more than a second old; events lost is what must be zero.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1] / "harness"))

from bus_fixtures import TOPICS, Service
from bus_tools import Cable, Listener, Mosquitto, wait_until

from tipdatum.bus.messages import Happening
from tipdatum.bus.options import BrokerOptions
from tipdatum.bus.topics import LIVE

OUTAGE_S = 1.5
LATE_S = 1.0  # older than this a figure must not be shown; displays that follow the rules do not
COUNTS = ("figures_lost", "figures_late", "events_lost", "events_repeated")
FIGURES_HZ, EVENT_EVERY = 50.0, 10
PADDING = b"x" * 440  # the size of a tip message
TIME = "2026-03-02T07:41:12.340Z"


def made(payload: bytes) -> int:
    """When a figure was made, ns."""
    return int(payload.split(b" ")[0])


class Source:
    """Publishes figures and events with running numbers, each figure with the time it was made."""

    def __init__(self, service: Service) -> None:
        self.figures = self.events = 0
        self._service = service
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.wait(1.0 / FIGURES_HZ):
            payload = b"%d %s" % (time.monotonic_ns(), PADDING)
            self._service.client.publish_raw(TOPICS.of("tip"), payload, LIVE)
            self.figures += 1
            if self.figures % EVENT_EVERY == 0:
                text = str(self.events)
                self._service.client.publish("event", "", Happening(t=0.0, time=TIME, kind="test", text=text))
                self.events += 1

    def stop(self) -> None:
        """End."""
        self._stop.set()
        self._thread.join()


def broker_killed(broker: Mosquitto, cable: Cable) -> None:
    """The broker dies and is started again."""
    broker.kill()
    time.sleep(OUTAGE_S)
    broker.start()


def cable_cut(broker: Mosquitto, cable: Cable) -> None:
    """The cable is pulled and put back."""
    cable.cut()
    time.sleep(OUTAGE_S)
    cable.restore()


def short_stall(broker: Mosquitto, cable: Cable) -> None:
    """Nothing goes through for a while; the connection survives."""
    cable.stall()
    time.sleep(OUTAGE_S)
    cable.restore()


def long_stall(broker: Mosquitto, cable: Cable) -> None:
    """Nothing goes through for so long that either side gives the connection up."""
    cable.stall()
    time.sleep(20 * OUTAGE_S)
    cable.restore()


FAULTS: dict[str, Callable[[Mosquitto, Cable], None]] = {
    "broker killed": broker_killed,
    "cable cut": cable_cut,
    "stalled 1.5 s": short_stall,
    "stalled 30 s": long_stall,
}


def once(folder: Path, fault: Callable[[Mosquitto, Cable], None]) -> dict[str, float]:
    """One fault on a fresh broker."""
    # The broker keeps its sessions, so that what it has acknowledged reaches the reader after its death too.
    broker = Mosquitto(
        folder,
        "user root\nlistener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n"
        f"persistence true\npersistence_location {folder}/\nautosave_interval 1\nautosave_on_changes true\n",
    )
    cable = Cable(broker.port)
    service = Service(BrokerOptions(host="127.0.0.1", port=cable.port))
    reader = Listener(broker.port, "tipdatum/#", qos=1, client_id="reader", keep_session=True)
    service.client.start()
    wait_until(lambda: service.client.online, "online")
    source = Source(service)
    try:
        reader.wait_for("/event", 3)
        fault(broker, cable)
        mended = time.monotonic_ns()
        wait_until(lambda: any(made(p) > mended for p in reader.payloads("/tip")[-50:]), "figures again", 60)
        recovered = time.monotonic_ns()
        source.stop()
        wait_until(lambda: service.client.waiting_events == 0, "the outbox is empty", 60)
        time.sleep(0.5)
        late = [stamp * 1e-9 - made(p) * 1e-9 for stamp, p in reader.timed("/tip")]
        heard = {json.loads(p)["text"] for p in reader.payloads("/event")}
        return {
            "recovered_s": (recovered - mended) * 1e-9,
            "figures_late": sum(one > LATE_S for one in late),
            "figures_lost": source.figures - len(set(reader.payloads("/tip"))),
            "events": source.events,
            "events_lost": source.events - len(heard),
            "events_repeated": len(reader.payloads("/event")) - len(heard),
        }
    finally:
        source.stop()
        service.client.stop()
        reader.close()
        cable.close()
        broker.stop()


def main() -> None:
    """Run every fault and report."""
    raw = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=raw)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--output", type=Path)
    options = parser.parse_args()
    console = Console(stderr=True)
    results: dict[str, list[dict[str, Any]]] = {}
    with tempfile.TemporaryDirectory() as place, Progress(console=console, transient=True) as bar:
        task = bar.add_task("", total=len(FAULTS) * options.repeats)
        for name, fault in FAULTS.items():
            for number in range(options.repeats):
                bar.update(task, description=name)
                results.setdefault(name, []).append(once(Path(place) / f"{name}-{number}", fault))
                bar.advance(task)
    table = Table("fault", "recovered s, median", "largest", *(key.replace("_", " ") for key in COUNTS))
    for name, rows in results.items():
        recovered = [row["recovered_s"] for row in rows]
        sums = [str(sum(int(row[key]) for row in rows)) for key in COUNTS]
        table.add_row(name, f"{np.median(recovered):.2f}", f"{max(recovered):.2f}", *sums)
    console.print(table)
    if options.output is not None:
        options.output.write_text(json.dumps(results, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
