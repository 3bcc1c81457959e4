"""A recording with gaps of all sensors and late bursts, made outside of this project: figures come back.

Source: `shared/faults/stuck-after-gap.ndjson.gz`, recorded on a loaded computer; readings come up to 0.7 s
after the device's own stamps.
"""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from tipdatum.bus.messages import Tip
from tipdatum.config import Settings
from tipdatum.core.pipeline import Outgoing, Pipeline
from tipdatum.machine.description import parse_machine
from tipdatum.walltime import WallTime, parse_started
from tipdatum_drivers.decode.session_lines import decode_header, decode_line
from tipdatum_drivers.presence import STALE_S
from tipdatum_drivers.reading import Imu

RECORDING = Path(__file__).resolve().parents[3] / "shared" / "faults" / "stuck-after-gap.ndjson.gz"
BEGINS_S = 150.0
"""Before the first gap that is left in it."""

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not RECORDING.exists(), reason="needs the recordings beside the checkout"),
]


def test_figures_are_back_within_two_seconds_of_readings_that_can_be_used() -> None:
    with gzip.open(RECORDING, "rb") as handle:
        header = decode_header(handle.readline())
        records = [r for line in handle if (r := decode_line(line)) is not None and r.t >= BEGINS_S]
    out: list[Outgoing] = []
    machine = parse_machine(header.machine, str(RECORDING))
    pipeline = Pipeline(machine, Settings(), WallTime(parse_started(header.started, "")), out.append)
    usable_since = BEGINS_S
    last: dict[str, float] = {}
    unknown: list[float] = []
    for record in records:
        pipeline.feed(record)
        for tip in [one.message for one in out if isinstance(one.message, Tip)]:
            silent = tip.t - min(last.values(), default=tip.t) > STALE_S
            if tip.reach_m is None and not silent and tip.t - usable_since > 2.0:
                unknown.append(tip.t)
        out.clear()
        if isinstance(record, Imu):
            late = record.t - (record.t if record.t_sample is None else record.t_sample)
            if late > STALE_S or record.t - last.get(record.sensor, record.t) > STALE_S:
                usable_since = record.t
            last[record.sensor] = record.t
    assert unknown == []
    assert records[-1].t - usable_since > 5.0
