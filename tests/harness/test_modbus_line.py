"""The Modbus driver against pymodbus' own server on the other end of a line."""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from pymodbus import FramerType
from pymodbus.datastore import ModbusDeviceContext, ModbusSequentialDataBlock, ModbusServerContext
from pymodbus.server import ModbusSerialServer
from serial_tools import Line, faults, running, until

from tipdatum_drivers.decode.modbus_map import ModbusOptions
from tipdatum_drivers.decode.modbus_rtu import ModbusDriver
from tipdatum_drivers.reading import Identity, Imu, Input, Tilt

G = 9.80665


def device(*registers: int, bits: tuple[int, ...] = (0, 0)) -> Any:
    """A device whose input and holding registers hold these from 0; pymodbus counts its blocks from 1."""
    new_block: Any = ModbusSequentialDataBlock
    block = new_block(1, [value & 0xFFFF for value in registers])
    return ModbusDeviceContext(ir=block, hr=block, di=new_block(1, list(bits)))


@contextlib.asynccontextmanager
async def serving(line: Line, devices: dict[int, Any], **more: Any) -> AsyncIterator[None]:
    server: Any = ModbusSerialServer(
        ModbusServerContext(devices=devices, single=False),
        framer=FramerType.RTU,
        port=str(line.ends[1].path),
        baudrate=115200,
        **more,
    )
    wire = asyncio.create_task(line.carry())
    work = asyncio.create_task(server.serve_forever())
    try:
        yield
    finally:
        await server.shutdown()
        for task in (work, wire):
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        line.close()


def options(line: Line, **keys: Any) -> ModbusOptions:
    return ModbusOptions.model_validate(
        {"port": str(line.ends[0].path), "baud": 115200, "answer_within_s": 0.2, **keys}
    )


TILT = {"pitch": 0, "roll": "-1", "scale": 0.01}


async def test_several_sensors_on_one_line_are_read_in_turn(tmp_path: Path) -> None:
    line = Line(tmp_path)
    devices = {
        1: device(-1234, 567, 0x0001, 0x86A0),
        2: device(100, 0, 0, 1000, 0, 250, 235),
        9: device(0x0000, 0x4248, bits=(1, 0, 1)),
    }
    sensors = {
        "boom": {"address": 1, **TILT, "serial": 2, "function": 4},
        "stick": {
            "address": 2, "accel": [1, 2, 3], "accel_unit": "mg", "scale": 1.0, "gyro": [4, 5, "-4"],
            "gyro_unit": "degps", "gyro_scale": 0.1, "temp_c": 6, "temp_scale": 0.1,
        },
        "bucket": {"address": 9, "angle": 0, "type": "float32", "word_order": "low-first"},
    }  # fmt: skip
    inputs = {"travel": {"address": 9, "bit": 0}, "coupler": {"address": 9, "bit": 1, "invert": True}}
    driver = ModbusDriver(options(line, sensor=sensors, input=inputs))
    async with serving(line, devices), running(driver) as got:
        await until(lambda: sum(isinstance(item, Imu) for item in got) >= 3)
    boom = next(item for item in got if isinstance(item, Tilt) and item.sensor == "boom")
    assert (boom.pitch_deg, boom.roll_deg) == pytest.approx((-12.34, -5.67))
    stick = next(item for item in got if isinstance(item, Imu))
    assert stick.accel_mps2 == pytest.approx((0.0, 0.0, G))
    assert stick.gyro_radps == pytest.approx((0.0, math.radians(25.0), 0.0))
    assert stick.temp_c == pytest.approx(23.5)
    bucket = next(item for item in got if isinstance(item, Tilt) and item.sensor == "bucket")
    assert bucket.angle_deg == 50.0  # IEEE 754: 42480000h is 50
    states = {(item.name, item.on) for item in got if isinstance(item, Input)}
    assert states == {("travel", True), ("coupler", True)}
    (identity,) = (item for item in got if isinstance(item, Identity))
    assert (identity.sensor, identity.serial) == ("boom", "100000")
    assert faults(got, "wrong checksum") == []


async def test_dead_sensor_is_named_and_costs_the_others_little(tmp_path: Path) -> None:
    line = Line(tmp_path)
    line.deaf = b"\x02"
    sensors = {"boom": {"address": 1, **TILT}, "stick": {"address": 2, **TILT}}
    async with (
        serving(line, {1: device(100, 200)}),
        running(ModbusDriver(options(line, sensor=sensors))) as got,
    ):
        await until(lambda: sum(fault.source == "stick" for fault in faults(got, "no answer")) >= 5)
        await until(lambda: sum(isinstance(item, Tilt) for item in got) >= 20)
    silent = [fault for fault in faults(got, "no answer") if fault.source == "stick"]
    readings = [item for item in got if isinstance(item, Tilt)]
    # The other sensor is asked every round; a busy computer may let one of its answers come too late.
    assert {reading.sensor for reading in readings} == {"boom"}
    assert len(readings) >= len(silent)
    assert "address 2 did not answer within 0.2 s" in silent[0].text


async def test_adapter_that_echoes_the_question_is_no_matter(tmp_path: Path) -> None:
    line = Line(tmp_path, echo=True)
    driver = ModbusDriver(options(line, sensor={"boom": {"address": 1, **TILT}}))
    async with serving(line, {1: device(100, 200)}), running(driver) as got:
        await until(lambda: sum(isinstance(item, Tilt) for item in got) >= 5)
    assert faults(got, "wrong checksum") == []


async def test_broken_wire_is_no_answer_and_silence_and_heals(tmp_path: Path) -> None:
    line = Line(tmp_path)
    driver = ModbusDriver(options(line, sensor={"boom": {"address": 1, **TILT}}, silent_after_s=0.5))
    async with serving(line, {1: device(100, 200)}), running(driver) as got:
        await until(lambda: any(isinstance(item, Tilt) for item in got))
        line.cut = True
        await until(lambda: bool(faults(got, "silent")))
        assert faults(got, "no answer")
        line.cut = False
        so_far = len(got)
        await until(lambda: any(isinstance(item, Tilt) for item in got[so_far:]))


async def test_register_that_the_device_has_not_is_said(tmp_path: Path) -> None:
    line = Line(tmp_path)
    sensor = {"address": 1, "pitch": 500, "roll": 501}
    async with (
        serving(line, {1: device(100, 200)}),
        running(ModbusDriver(options(line, sensor={"boom": sensor}))) as got,
    ):
        await until(lambda: bool(faults(got, "device says fault")))
    assert (
        "address 1 refuses register 500: it has no such register" in faults(got, "device says fault")[0].text
    )
