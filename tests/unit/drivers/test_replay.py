"""Recordings as live sources: pacing, passes, logs of other programs."""

from __future__ import annotations

import asyncio
import math
from pathlib import Path

import pytest
from pydantic import ValidationError

from tipdatum_drivers.csv_file import CsvColumns, CsvFile
from tipdatum_drivers.decode.session_lines import encode_header, encode_line
from tipdatum_drivers.errors import SessionError
from tipdatum_drivers.reading import Command, Fault, Imu, Record, SessionHeader, Tilt
from tipdatum_drivers.replay import CsvReplayDriver, CsvReplayOptions, ReplayDriver, ReplayOptions

RECORDS: list[Record] = [
    Imu(0.01, "boom", (0.0, 0.0, 9.8), (0.0, 0.0, 0.0), t_sample=0.005),
    Command(0.02, "datum/set", {"elevation_m": 0.0}),
    Imu(0.05, "boom", (0.0, 0.0, 9.7), (0.0, 0.0, 0.0)),
]


@pytest.fixture
def session(tmp_path: Path) -> Path:
    path = tmp_path / "short.ndjson"
    header = encode_header(SessionHeader(1, "2026-05-04T08:00:00Z", {}))
    path.write_bytes(header + b"".join(map(encode_line, RECORDS)))
    return path


async def played(driver: ReplayDriver | CsvReplayDriver, clock_at: float = 100.0) -> list[Record | Fault]:
    got: list[Record | Fault] = []
    await driver.run(got.append, lambda: clock_at)
    return got


async def test_records_keep_their_distances_on_the_clock_of_the_run(session: Path) -> None:
    got = await played(ReplayDriver(ReplayOptions(file=session, speed=0)))
    assert [r.t for r in got] == pytest.approx([100.01, 100.02, 100.05])
    assert isinstance(got[0], Imu)
    assert got[0].t_sample == pytest.approx(100.005)
    assert isinstance(got[1], Command)


async def test_no_record_comes_before_it_is_due_and_late_wake_ups_do_not_add_up(session: Path) -> None:
    now = 7.0
    late: list[float] = []

    def clock() -> float:
        nonlocal now
        now += 0.001
        return now

    await ReplayDriver(ReplayOptions(file=session)).run(lambda record: late.append(now - record.t), clock)
    assert all(0.0 <= lateness < 0.01 for lateness in late)


async def test_each_file_is_a_pass_of_its_own(session: Path) -> None:
    driver = ReplayDriver(ReplayOptions(file=(session, session), speed=0, pause_s=2.0))
    passes: list[float] = []
    driver.on_pass = lambda header, start: passes.append(start)
    got = await played(driver, 0.0)
    assert passes == pytest.approx([0.0, 2.05])
    assert [r.t for r in got][3:] == pytest.approx([2.06, 2.07, 2.10])


async def test_loop_goes_on_until_it_is_cancelled(session: Path) -> None:
    driver = ReplayDriver(ReplayOptions(file=session, speed=0, loop=True))
    got: list[Record | Fault] = []
    task = asyncio.create_task(driver.run(got.append, lambda: 0.0))
    while len(got) < 30:  # noqa: ASYNC110
        await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    times = [r.t for r in got]
    assert times == sorted(times)


async def test_recording_without_records_is_not_played_in_a_circle(tmp_path: Path) -> None:
    path = tmp_path / "empty.ndjson"
    path.write_bytes(encode_header(SessionHeader(1, "2026-05-04T08:00:00Z", {})))
    assert await played(ReplayDriver(ReplayOptions(file=path, loop=True))) == []


@pytest.fixture
def cut_session(session: Path) -> Path:
    session.write_bytes(session.read_bytes()[:-4])
    return session


async def test_recording_cut_off_is_a_fault_at_its_end(cut_session: Path) -> None:
    got = await played(ReplayDriver(ReplayOptions(file=cut_session, speed=0)))
    assert isinstance(got[-1], Fault)
    assert got[-1].kind == "recording cut off"


async def test_missing_file_is_the_users_mistake(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match="no such file"):
        await played(ReplayDriver(ReplayOptions(file=tmp_path / "none.ndjson")))


LOG = """Time [ms];ax;ay;az;wx;wy;wz;Neigung;T
1000;0,5;0;0,8660254;0;-10;0;12,5;21,5
1010;0,5;0;0,8660254;;;;;
1020;;;;;;;-3,25;
"""


def columns(**sensor: object) -> CsvColumns:
    return CsvColumns.model_validate(
        {"time": "Time [ms]", "time_unit": "ms", "delimiter": ";", "decimal_comma": True, "sensor": sensor}
    )


def test_csv_log_of_another_program_by_columns_units_and_signs(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(LOG)
    boom = {
        "accel": ["ax", "-ay", "az"],
        "accel_unit": "g",
        "gyro": ["wx", "-wy", "wz"],
        "gyro_unit": "degps",
    }
    got = list(CsvFile(path, columns(boom=boom, stick={"angle": "-Neigung", "temp_c": "T"})))
    g = 9.80665
    assert got == [
        Imu(0.0, "boom", (0.5 * g, 0.0, 0.8660254 * g), (0.0, math.radians(10.0), 0.0)),
        Tilt(0.0, "stick", angle_deg=-12.5, temp_c=21.5),
        Imu(1010 * 1e-3 - 1000 * 1e-3, "boom", (0.5 * g, 0.0, 0.8660254 * g), None),
        Tilt(1020 * 1e-3 - 1000 * 1e-3, "stick", angle_deg=3.25),
    ]


async def test_csv_log_without_heading_is_played_by_column_numbers(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("0.0,1.5,-2.5\n0.1,1.6,-2.6\n")
    options = CsvReplayOptions.model_validate(
        {
            "file": path,
            "speed": 0,
            "columns": {"time": 1, "heading": False, "sensor": {"upper": {"pitch": 2, "roll": 3}}},
        }
    )
    got = await played(CsvReplayDriver(options), 0.0)
    assert got == [
        Tilt(0.0, "upper", pitch_deg=1.5, roll_deg=-2.5),
        Tilt(0.1, "upper", pitch_deg=1.6, roll_deg=-2.6),
    ]


@pytest.mark.parametrize(
    ("log", "message"),
    [
        (LOG.replace("12,5", "much"), 'line 2: found "much" in column 8'),
        (LOG.replace("1020", "990"), "line 4: found time 0.99 after 1.01"),
        (LOG.replace("ax;ay;az", "a;b;c"), 'line 1: found columns .*; expected a column "ax"'),
        (LOG.replace("1010", "nan"), 'line 3: found "nan" in column 1'),
        ("", "an empty file"),
    ],
)
def test_what_is_wrong_in_a_csv_log_is_named(tmp_path: Path, log: str, message: str) -> None:
    path = tmp_path / "log.csv"
    path.write_text(log)
    with pytest.raises(SessionError, match=message):
        list(CsvFile(path, columns(boom={"accel": ["ax", "ay", "az"]}, stick={"angle": "Neigung"})))


def test_mapping_must_say_what_the_sensor_measures() -> None:
    with pytest.raises(ValidationError, match="fields for accel"):
        columns(boom={"pitch": "a"})
