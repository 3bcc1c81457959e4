"""The encoders that firmware authors copy, built and run, against the decoder and the page."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from types import ModuleType

import pytest
from cobs import cobs

from module_at import module_at
from tipdatum_drivers.decode.packets import PacketsDecoder, PacketsOptions
from tipdatum_drivers.reading import Fault, Identity, Imu, Input, Reading, Slew, Tilt

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "drivers" / "firmware"
PAGE = ROOT / "service" / "tipdatum" / "docs" / "packet.md"

PROGRAM = r"""
#include <stdio.h>
#include "tipdatum_packets.h"
static void out(const uint8_t *bytes, size_t count) { fwrite(bytes, 1, count, stdout); }
int main(void) {
    td_packet p;
    td_hello(&p, 1, "A1207"); td_send(&p, out);
    td_begin(&p, TD_WARMTH); td_u8(&p, 1); td_u16(&p, (uint16_t)-1250); td_send(&p, out);
    for (uint32_t i = 0; i < 300; i++) {
        td_begin(&p, TD_IMU); td_u32(&p, i * 10000u);
        td_imu(&p, 1, 0.01f * (float)i, -9.80665f, 500.0f, 0.0f, 1.0f, -0.5f);
        td_imu(&p, 0, 0.0f, 0.0f, 9.80665f, 0.0f, 0.0f, 0.0f);
        td_send(&p, out);
    }
    td_begin(&p, TD_TILT); td_u32(&p, 3000000u); td_tilt(&p, 1, -12345, 6789); td_send(&p, out);
    td_begin(&p, TD_ANGLE); td_u32(&p, 3010000u);
    td_u8(&p, 9); td_u32(&p, (uint32_t)-90250); td_send(&p, out);
    td_begin(&p, TD_INPUTS); td_u32(&p, 3020000u); td_u8(&p, 2); td_send(&p, out);
    return 0;
}
"""


def decoded(data: bytes) -> list[Reading]:
    options = PacketsOptions.model_validate(
        {
            "port": "x",
            "sensor": {"upper": 0, "boom": 1},
            "slew": {"slew": 9},
            "input": {"travel": 0, "coupler": 1},
            "device_time": False,
        }
    )
    items = PacketsDecoder(options).feed(data, 5.0)
    assert [item for item in items if isinstance(item, Fault)] == []
    return [item for item in items if not isinstance(item, Fault)]


def expect_the_program(items: list[Reading]) -> None:
    assert items[0] == Identity(5.0, "boom", "A1207")
    boom = [item for item in items if isinstance(item, Imu) and item.sensor == "boom"]
    assert len(boom) == 300
    assert boom[37].accel_mps2 == pytest.approx((0.37, -9.80665, 163.835), abs=0.0026)
    assert boom[37].gyro_radps == pytest.approx((0.0, 1.0, -0.5))
    assert boom[37].temp_c == -12.5
    assert items[-4:] == [
        Tilt(5.0, "boom", None, -12.345, 6.789, -12.5),
        Slew(5.0, "slew", -90.25),
        Input(5.0, "travel", False),
        Input(5.0, "coupler", True),
    ]


def test_c_encoder_is_short_compiles_without_a_warning_and_is_read(tmp_path: Path) -> None:
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.skip("needs a C compiler, and there is none")
    header = FIRMWARE / "tipdatum_packets.h"
    assert len(header.read_text().splitlines()) < 80
    (tmp_path / "main.c").write_text(PROGRAM)
    flags = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", f"-I{FIRMWARE}"]
    subprocess.run([compiler, *flags, "main.c", "-o", "send"], cwd=tmp_path, check=True, timeout=60)
    done = subprocess.run([tmp_path / "send"], capture_output=True, check=True, timeout=60)
    expect_the_program(decoded(done.stdout))


def micropython_module() -> ModuleType:
    return module_at(FIRMWARE / "tipdatum_packets.py")


def test_micropython_encoder_is_read() -> None:
    wire = bytearray()
    packets = micropython_module().Packets(wire.extend)
    packets.hello(1, "A1207")
    packets.warmth([(1, -12.5)])
    for i in range(300):
        boom = (1, (0.01 * i, -9.80665, 500.0), (0.0, 1.0, -0.5))
        packets.imu(i * 10000, [boom, (0, (0.0, 0.0, 9.80665), (0.0, 0.0, 0.0))])
    packets.tilt(3000000, [(1, -12.345, 6.789)])
    packets.angle(3010000, [(9, -90.25)])
    packets.inputs(3020000, 2)
    expect_the_program(decoded(bytes(wire)))


def test_micropython_counter_that_wraps_early_goes_on() -> None:
    wire = bytearray()
    packets = micropython_module().Packets(wire.extend, ticks_bits=30)
    for ticks in (2**30 - 10_000, 0, 10_000):
        packets.inputs(ticks, 0)
    stamps = [int.from_bytes(cobs.decode(frame)[2:6], "little") for frame in bytes(wire).split(b"\0")[:-1]]
    assert stamps == [2**30 - 10_000, 2**30, 2**30 + 10_000]


def test_example_on_the_page_is_read() -> None:
    page = PAGE.read_text()
    (block,) = re.findall(r"COBS-encoded:\s+```\s+([0-9A-F ]+)\s+```", page)
    (imu,) = decoded(bytes.fromhex(block))
    assert imu == Imu(5.0, "boom", (0.0, 0.0, 9.805), (0.0, 0.0, 0.0))
