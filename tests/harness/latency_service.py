"""The service as `tipdatum run` runs it, with a stamp at every stage: python latency_service.py CONFIG OUT

The stages are wrapped from outside, so the service itself carries no measuring code. Stamps are nanoseconds
of the monotonic clock, which all processes of one computer share.
"""

from __future__ import annotations

import asyncio
import json
import sys
import time
from pathlib import Path
from typing import Any

import tipdatum.cli  # noqa: F401 - before numpy: it holds linear algebra to one thread, as in `tipdatum run`
from tipdatum.bus.client import BusClient
from tipdatum.config import load_service
from tipdatum.core.pipeline import Pipeline
from tipdatum.grade.work import Work
from tipdatum.run.shell import Shell
from tipdatum_drivers.plausibility import SensorMonitor
from tipdatum_drivers.reading import Imu

now = time.monotonic_ns


class Trace:
    """Stamps of every tip message, and how many readings came of each sensor."""

    def __init__(self) -> None:
        self.rows: list[dict[str, Any]] = []
        self.readings: dict[str, int] = {}
        self.zero_s = 0.0
        """The run's t = 0 on the monotonic clock."""
        self._newest: dict[str, Any] = {}
        self._begun = self._fused = 0
        self._due: float | None = None

    def install(self) -> None:
        """Wrap the stages, before anything is made of them."""
        check, tick = SensorMonitor.check, Pipeline._tick
        report, publish = Work.report, BusClient.publish

        def traced_check(monitor: SensorMonitor, found: Any) -> Any:
            if isinstance(found, Imu):
                self.readings[found.sensor] = self.readings.get(found.sensor, 0) + 1
                self._newest = {
                    "sensor": found.sensor,
                    "count": round((found.temp_c or 0.0) * 100),
                    "arrived_ns": round((found.t + self.zero_s) * 1e9),
                }
            return check(monitor, found)

        def traced_tick(pipeline: Pipeline, number: int) -> None:
            self._due = number * pipeline._settings.period_s
            tick(pipeline, number)
            self._due = None

        def traced_report(work: Work, t: float) -> Any:
            self._begun = now()
            found = report(work, t)
            self._fused = now()
            return found

        def traced_publish(client: BusClient, name: str, part: str, message: Any) -> None:
            made = now()
            publish(client, name, part, message)
            if name == "tip" and self._newest:
                stamps = {"begun_ns": self._begun, "fused_ns": self._fused, "made_ns": made}
                due = None if self._due is None else round((self._due + self.zero_s) * 1e9)
                self.rows.append({"t": message.t, "due_ns": due} | self._newest | stamps)

        SensorMonitor.check = traced_check  # type: ignore[method-assign,assignment]
        Pipeline._tick = traced_tick  # type: ignore[method-assign,assignment]
        Work.report = traced_report  # type: ignore[method-assign,assignment]
        BusClient.publish = traced_publish  # type: ignore[method-assign,assignment]


def main() -> None:
    """Run until SIGTERM, then write what was traced."""
    config, out = Path(sys.argv[1]), Path(sys.argv[2])
    trace = Trace()
    trace.install()
    shell = Shell(load_service(config), remember=False)
    trace.zero_s = shell._clock._zero
    asyncio.run(shell.run())
    assert shell._turn.bus is not None
    counters = shell._turn.bus.counters
    out.write_text(
        json.dumps(
            {
                "rows": trace.rows,
                "readings": trace.readings,
                "live_dropped": counters.live_dropped,
                "events_dropped": counters.events_dropped,
            }
        )
    )


if __name__ == "__main__":
    main()
