"""Serial drivers on pseudo-terminals that do what a machine does to a cable."""

from __future__ import annotations

import asyncio
import os
import random
import re
import struct
import time
import zlib
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from cobs import cobs
from serial_tools import TornPort, faults, readings, running, until

from tipdatum_drivers.decode.framing import Item
from tipdatum_drivers.decode.imu55 import Imu55Driver, Imu55Options
from tipdatum_drivers.decode.packets import PacketsDecoder, PacketsDriver, PacketsOptions
from tipdatum_drivers.decode.text_lines import TextLinesDriver, TextLinesOptions
from tipdatum_drivers.part_limits import PartLimits
from tipdatum_drivers.plausibility import SensorMonitor
from tipdatum_drivers.reading import Imu, Tilt
from tipdatum_drivers.source import let_it_wait

SENSORS = {"upper": 0, "boom": 1, "stick": 2, "bucket": 3, "rocker": 4}


@pytest.fixture
def port(tmp_path: Path) -> Iterator[TornPort]:
    port = TornPort(tmp_path / "tty")
    yield port
    port.close()


def packet(sequence: int, number: int, count: int) -> bytes:
    """One sensor's packet that carries `count`, framed by an independent library."""
    low, high = count % 30000, count // 30000
    body = struct.pack("<BBIB6h", 1, sequence % 256, count * 2000 % 2**32, number, 0, 0, 1961, low, high, 0)
    return bytes(cobs.encode(body + struct.pack("<I", zlib.crc32(body)))) + b"\0"


def count_of(reading: Imu) -> int:
    assert reading.gyro_radps is not None
    low, high, _ = (round(rate * 800.0) for rate in reading.gyro_radps)
    return low + 30000 * high


class Listening(PacketsDriver):
    """The packets driver, with a copy of every byte that the service read."""

    def __init__(self, options: PacketsOptions) -> None:
        super().__init__(options)
        self.connections: list[bytearray] = []

    def decoder(self) -> PacketsDecoder:
        read = bytearray()
        self.connections.append(read)

        class Copying(PacketsDecoder):
            def feed(self, data: bytes, t: float) -> list[Item]:
                read.extend(data)
                return super().feed(data, t)

        return Copying(self.options)  # type: ignore[arg-type]

    def counts_read(self) -> list[int]:
        """The counts of all whole packets among the bytes, by the independent library."""
        found = []
        for read in self.connections:
            for frame in bytes(read).split(b"\0")[:-1]:
                try:
                    content = cobs.decode(frame)
                except cobs.DecodeError:
                    continue
                if len(content) == 23 and zlib.crc32(content[:-4]) == int.from_bytes(content[-4:], "little"):
                    low, high = struct.unpack("<hh", content[13:17])
                    found.append(low + 30000 * high)
        return found


@pytest.mark.parametrize("fetched", [False, True], ids=["handed over", "fetched"])
async def test_port_torn_away_at_500_readings_a_second_loses_none_that_was_read(
    port: TornPort, fetched: bool
) -> None:
    driver = Listening(PacketsOptions(port=str(port.path), sensor=SENSORS))
    driver.on_read = let_it_wait if fetched else None
    monitors = {
        name: SensorMonitor(
            name, SimpleNamespace(serial=None, stale_after_s=None, type="imu", body="", limits=PartLimits())
        )
        for name in SENSORS
    }
    states: list[tuple[float, float, str]] = []
    heard = float("-inf")
    torn: list[tuple[float, float]] = []
    async with running(driver) as got:
        start = time.monotonic()
        sent = seen = 0
        last_unplug = 0.0
        while (now := time.monotonic() - start) < 4.0:
            away = 0.8 <= now % 1.6 < 1.3
            if away and port.plugged:
                port.unplug()
                last_unplug = time.monotonic()
            elif not away and not port.plugged:
                port.plug()
                torn.append((last_unplug, time.monotonic()))
            while sent < now * 500:
                if port.plugged:
                    port.send(packet(sent, sent % 5, sent))
                sent += 1
            got += driver.collect() if fetched else []
            for item in got[seen:]:
                if isinstance(item, Imu):
                    monitors[item.sensor].check(item)
                    heard = item.t if item.sensor == "boom" else heard
            seen = len(got)
            at = time.monotonic()
            states.append((at, at - heard, monitors["boom"].health(at).state))
            await asyncio.sleep(0.004)
        await asyncio.sleep(0.1)
        got += driver.collect() if fetched else []
        counts = [count_of(item) for item in got if isinstance(item, Imu)]
        expected = driver.counts_read()
    assert counts == expected, "every reading whose last byte was read, once and in order"
    assert counts == sorted(set(counts))
    assert len(counts) > 200
    assert len(faults(got, "unplugged")) == 2 * len(SENSORS)
    assert faults(got, "driver error") == []
    # By how long nothing has come, whenever a busy computer let it come.
    silent = [(t, state) for t, since, state in states if since > 0.3 and t > torn[0][0]]
    assert {state for _, state in silent} == {"stale"}
    assert all(any(gone < t < back for t, _ in silent) for gone, back in torn)
    assert {state for _, since, state in states if since < 0.2} == {"ok"}
    assert all(any(t > back and since < 0.2 for t, since, _ in states) for _, back in torn)


async def test_single_bytes_dripping_in_are_joined(port: TornPort) -> None:
    async with running(PacketsDriver(PacketsOptions(port=str(port.path), sensor=SENSORS))) as got:
        await asyncio.sleep(0.15)
        for i in range(4):
            for byte in packet(i, 1, i):
                port.send(bytes([byte]))
                await asyncio.sleep(0.003)
        await until(lambda: len(readings(got)) == 4)
    assert [count_of(item) for item in readings(got) if isinstance(item, Imu)] == [0, 1, 2, 3]
    assert faults(got, "unreadable bytes") == []


async def test_readings_can_be_kept_until_somebody_fetches_them_with_their_own_stamps(port: TornPort) -> None:
    driver = PacketsDriver(PacketsOptions(port=str(port.path), sensor=SENSORS))
    told: list[float] = []
    driver.on_read = lambda: told.append(time.monotonic())
    async with running(driver) as got:
        await asyncio.sleep(0.15)
        sent = []
        for i in range(4):
            sent.append(time.monotonic())
            port.send(packet(i, 1, i))
            await asyncio.sleep(0.03)
        kept = driver.collect()
        assert got == []
    assert [count_of(item) for item in kept if isinstance(item, Imu)] == [0, 1, 2, 3]
    for begun, item in zip(sent, kept, strict=True):
        assert begun <= item.t < begun + 0.03
    assert driver.collect() == []
    assert told


async def test_flood_of_200_hz_from_five_sensors_is_taken_whole(port: TornPort) -> None:
    async with running(PacketsDriver(PacketsOptions(port=str(port.path), sensor=SENSORS))) as got:
        await asyncio.sleep(0.15)
        for tick in range(100):
            for number in range(5):
                port.send(packet(5 * tick + number, number, 5 * tick + number))
            await asyncio.sleep(0.005)
        await until(lambda: len(readings(got)) == 500)
    assert [count_of(item) for item in got if isinstance(item, Imu)] == list(range(500))


async def test_noise_between_packets_is_counted_and_never_read(port: TornPort) -> None:
    rng = random.Random(7)
    async with running(PacketsDriver(PacketsOptions(port=str(port.path), sensor=SENSORS))) as got:
        await asyncio.sleep(0.15)
        for i in range(60):
            port.send(rng.randbytes(rng.randrange(40)) if i % 3 == 2 else packet(i, 1, i))
            await asyncio.sleep(0.002)
        port.send(packet(60, 1, 60) + packet(61, 1, 61))
        await until(lambda: any(count_of(item) == 61 for item in got if isinstance(item, Imu)))
    counts = [count_of(item) for item in got if isinstance(item, Imu)]
    assert set(counts) <= {i for i in range(60) if i % 3 != 2} | {60, 61}
    assert counts == sorted(set(counts))
    assert len(counts) >= 20
    assert faults(got, "wrong checksum") or faults(got, "unreadable bytes")


async def test_silent_port_is_said_once_and_forgiven(port: TornPort) -> None:
    options = Imu55Options(port=str(port.path), sensor="boom", silent_after_s=0.3)
    async with running(Imu55Driver(options)) as got:
        await until(lambda: bool(faults(got, "silent")))
        (fault,) = faults(got, "silent")
        assert "nothing has come for 0.3 s" in fault.text
        assert fault.source == "boom"
        frames = bytes.fromhex("55510000000000 08C4097B 5552A4005CFF0000C40973")
        for _ in range(5):
            port.send(frames)
            await asyncio.sleep(0.02)
        await until(lambda: len(readings(got)) >= 4)


async def test_bytes_that_never_decode_raise_the_question_of_the_rate(port: TornPort) -> None:
    options = Imu55Options(port=str(port.path), sensor="boom", baud=9600, silent_after_s=0.3)
    async with running(Imu55Driver(options)) as got:
        await asyncio.sleep(0.15)
        for _ in range(50):
            port.send(bytes.fromhex("e0 fe 80 00 f8 1c"))  # what a faster device looks like at a slow rate
            await asyncio.sleep(0.01)
        await until(lambda: bool(faults(got, "nothing decodes")))
    (fault,) = faults(got, "nothing decodes")
    assert f"{port.path} at 9600 baud, nothing decodes: is the rate 115200 or 230400 or 921600?" in fault.text


async def test_port_that_appears_later_is_opened_and_said_once(tmp_path: Path) -> None:
    path = tmp_path / "tty"
    options = TextLinesOptions.model_validate(
        {"port": str(path), "format": "json", "sensor": {"upper": {"pitch": "p", "roll": "r"}}}
    )
    async with running(TextLinesDriver(options)) as got:
        await asyncio.sleep(0.5)
        assert len(faults(got, "port")) == 1
        assert "is not there" in faults(got, "port")[0].text
        port = TornPort(path)
        try:
            for _ in range(200):
                port.send(b'{"p":1.5,"r":-2}\n')
                await asyncio.sleep(0.01)
                if len(readings(got)) > 2:
                    break
        finally:
            port.close()
    tilt = readings(got)[0]
    assert isinstance(tilt, Tilt)
    assert (tilt.pitch_deg, tilt.roll_deg) == (1.5, -2.0)


async def test_port_in_use_is_said_so(port: TornPort) -> None:
    options = Imu55Options(port=str(port.path), sensor="boom")
    async with running(Imu55Driver(options)):
        await asyncio.sleep(0.2)
        async with running(Imu55Driver(options)) as second:
            await until(lambda: bool(faults(second, "port")))
            assert "in use by another program" in faults(second, "port")[0].text


async def test_file_that_is_no_port_is_said_so(tmp_path: Path) -> None:
    path = tmp_path / "plain"
    os.close(os.open(path, os.O_CREAT))
    async with running(Imu55Driver(Imu55Options(port=str(path), sensor="boom"))) as got:
        await until(lambda: bool(faults(got, "port")))
    assert "is no serial port" in faults(got, "port")[0].text


async def test_mistake_in_a_driver_s_decoder_is_a_fault_and_the_line_goes_on(port: TornPort) -> None:
    mistakes = 1

    class Faulty(PacketsDriver):
        def decoder(self) -> PacketsDecoder:
            class Raising(PacketsDecoder):
                def feed(self, data: bytes, t: float) -> list[Item]:
                    nonlocal mistakes
                    mistakes -= 1
                    if mistakes >= 0:
                        raise KeyError("oops")
                    return super().feed(data, t)

            return Raising(self.options)  # type: ignore[arg-type]

    async with running(Faulty(PacketsOptions(port=str(port.path), sensor={"boom": 1}))) as got:
        await asyncio.sleep(0.15)
        for i in range(6000):
            port.send(packet(i, 1, i))
            await asyncio.sleep(0.01)
            if readings(got):
                break
    assert faults(got, "driver error")[0].text == "KeyError: 'oops'"
    assert readings(got)


async def test_bytes_that_waited_while_the_computer_stood_still_are_not_taken_for_new(port: TornPort) -> None:
    jump = 0.0

    def clock() -> float:
        return time.monotonic() + jump

    async with running(PacketsDriver(PacketsOptions(port=str(port.path), sensor={"boom": 1})), clock) as got:
        await asyncio.sleep(0.15)
        port.send(packet(0, 1, 0))
        await until(lambda: len(readings(got)) == 1)
        await asyncio.sleep(0.1)
        jump = 3.0
        port.send(packet(1, 1, 1))
        await until(lambda: bool(faults(got, "late")))
        await asyncio.sleep(0.3)
        port.send(packet(2, 1, 2))
        await until(lambda: len(readings(got)) == 2)
    assert [count_of(item) for item in got if isinstance(item, Imu)] == [0, 2]
    stood = re.search(r"stood still for ([\d.]+) s", faults(got, "late")[0].text)
    assert stood is not None
    assert float(stood[1]) >= 3.0


async def test_stopping_ends_a_thread_that_waits_for_bytes(port: TornPort) -> None:
    async with running(Imu55Driver(Imu55Options(port=str(port.path), sensor="boom"))):
        await asyncio.sleep(0.15)
