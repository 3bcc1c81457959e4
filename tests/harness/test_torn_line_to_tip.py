"""From the wire to the tip: a recorded dig comes over a line that is torn away and put back."""

from __future__ import annotations

import asyncio
import math
import struct
import time
import zlib
from datetime import UTC, datetime
from pathlib import Path

import pytest
from cobs import cobs
from serial_tools import TornPort

from tipdatum.bus.messages import Tip
from tipdatum.config import Settings
from tipdatum.core.messages_out import Outgoing
from tipdatum.core.pipeline import Pipeline
from tipdatum.machine.description import parse_machine
from tipdatum.walltime import WallTime
from tipdatum_drivers.decode.packets import PacketsDriver, PacketsOptions
from tipdatum_drivers.reading import Fault, Imu, Record
from tipdatum_drivers.session_file import SessionFile

DIG = Path(__file__).resolve().parents[2] / "replay_data" / "trench.ndjson.gz"
STALE_S = 0.25
AWAY_S = 1.0


def packet(sequence: int, number: int, imu: Imu) -> bytes:
    """A reading as a board would send it, framed by an independent library."""
    assert imu.gyro_radps is not None
    accel = (max(-32768, min(32767, round(value / 0.005))) for value in imu.accel_mps2)
    gyro = (round(value * 800.0) for value in imu.gyro_radps)
    body = struct.pack("<BBIB6h", 1, sequence % 256, int(imu.t * 1e6) % 2**32, number, *accel, *gyro)
    return bytes(cobs.encode(body + struct.pack("<I", zlib.crc32(body)))) + b"\0"


@pytest.mark.slow
async def test_tip_is_stale_in_time_while_the_line_is_away_and_comes_back_by_itself(tmp_path: Path) -> None:
    session = SessionFile(DIG)
    machine = parse_machine(session.header.machine, str(DIG))
    ids = {name: i for i, name in enumerate(machine.sensor)}
    port = TornPort(tmp_path / "tty")
    start = time.monotonic()

    def clock() -> float:
        return time.monotonic() - start

    tips: list[Tip] = []

    def publish(out: Outgoing) -> None:
        if isinstance(out.message, Tip):
            tips.append(out.message)

    pipeline = Pipeline(machine, Settings(), WallTime(datetime.now(UTC)), publish)
    heard: list[float] = []

    def feed(item: Record | Fault) -> None:
        if isinstance(item, Imu):
            heard.append(item.t)
        pipeline.feed(item)

    driver = PacketsDriver(PacketsOptions(port=str(port.path), sensor=ids))
    task = asyncio.create_task(driver.run(feed, clock))
    torn = back = math.inf

    def known_since(t: float) -> list[float]:
        return [tip.t for tip in tips if tip.t > t and tip.reach_m is not None]

    try:
        await asyncio.sleep(0.2)
        begin = clock()
        for sequence, record in enumerate(r for r in session if isinstance(r, Imu)):
            while clock() - begin < record.t:
                await asyncio.sleep(0.002)
                pipeline.advance(clock())
            if torn == math.inf and record.t > 1.5 and known_since(0.0):
                torn = clock()
                port.unplug()
            elif back == math.inf and clock() > torn + AWAY_S:
                back = clock()
                port.plug()
            elif clock() > back + 2.0 and known_since(back):
                break
            if port.plugged:
                port.send(packet(sequence, ids[record.sensor], record))
    finally:
        task.cancel()
        await asyncio.wait([task])
        port.close()

    # By the figures' own time and the readings on either side, whenever a busy computer let them come.
    last, first = max(t for t in heard if t < back), min(t for t in heard if t > back)
    away = [tip for tip in tips if last + STALE_S + 0.1 < tip.t < back]
    assert away
    assert {tip.quality for tip in away} == {"stale"}
    assert {(tip.reach_m, tip.elevation_m) for tip in away} == {(None, None)}
    again = known_since(last + STALE_S + 0.1)
    assert again[0] >= first, "no figure before there are readings again"
    assert {tip.quality for tip in tips if tip.reach_m is not None} <= {"good", "moving", "settling"}
