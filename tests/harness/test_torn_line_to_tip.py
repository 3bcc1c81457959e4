"""From the wire to the tip: a recorded dig comes over a line that is torn away and put back."""

from __future__ import annotations

import asyncio
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
from tipdatum_drivers.reading import Imu
from tipdatum_drivers.session_file import SessionFile

DIG = Path(__file__).resolve().parents[2] / "replay_data" / "trench.ndjson.gz"
STALE_S = 0.25


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

    tips: list[tuple[float, Tip]] = []

    def publish(out: Outgoing) -> None:
        if isinstance(out.message, Tip):
            tips.append((clock(), out.message))

    pipeline = Pipeline(machine, Settings(), WallTime(datetime.now(UTC)), publish)
    driver = PacketsDriver(PacketsOptions(port=str(port.path), sensor=ids))
    task = asyncio.create_task(driver.run(pipeline.feed, clock))
    torn = back = 0.0
    try:
        await asyncio.sleep(0.2)
        begin = clock()
        for sequence, record in enumerate(r for r in session if isinstance(r, Imu)):
            while clock() - begin < record.t:
                await asyncio.sleep(0.002)
                pipeline.advance(clock())
            if record.t > 4.5:
                break
            if 1.5 < record.t < 2.5 and port.plugged:
                torn = clock()
                port.unplug()
            elif record.t >= 2.5 and not port.plugged:
                back = clock()
                port.plug()
            if port.plugged:
                port.send(packet(sequence, ids[record.sensor], record))
    finally:
        task.cancel()
        await asyncio.wait([task])
        port.close()

    working = [tip for at, tip in tips if torn - 0.5 < at < torn]
    assert working
    assert {tip.quality for tip in working} <= {"good", "moving", "settling"}
    away = [tip for at, tip in tips if torn + STALE_S + 0.1 < at < back]
    assert away
    assert {tip.quality for tip in away} == {"stale"}
    assert {(tip.reach_m, tip.elevation_m) for tip in away} == {(None, None)}
    again = [at for at, tip in tips if at > back and tip.quality != "stale" and tip.reach_m is not None]
    assert again
    assert again[0] - back < 1.5, "the longest wait between two attempts to open is one second"
    assert tips[-1][1].quality in ("good", "moving", "settling")
