"""What is recorded is what came in, whatever happens to the file."""

from __future__ import annotations

import gzip
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tipdatum.errors import InputError
from tipdatum.sessions.recorder import QUEUE, Recorder, RecordingOptions, file_stem, make_room
from tipdatum.sessions.writer import SessionWriter
from tipdatum_drivers.decode.session_lines import encode_line
from tipdatum_drivers.reading import Command, Imu, Input, Record, SessionHeader, Tilt
from tipdatum_drivers.session_file import SessionFile

STARTED = datetime(2026, 5, 4, 8, 0, 0, tzinfo=UTC)
HEADER = SessionHeader(1, "2026-05-04T08:00:00Z", {"name": "Fourteen-tonne demo machine"}, "test")


def readings(count: int, start: float = 0.0) -> list[Record]:
    return [
        Imu(round(start + i * 0.01, 4), "boom", (0.1, -0.2, 9.8 + (i % 7) * 0.01), (0.01 * (i % 5), 0.0, 0.0))
        for i in range(count)
    ]


def recorder(target: Path, **options: float | str) -> Recorder:
    chosen = RecordingOptions.model_validate(options)
    return Recorder(target, HEADER, STARTED, "digger-1", chosen)


@pytest.mark.parametrize("ending", ["ndjson", "ndjson.gz"])
def test_a_recording_reads_back_as_it_came_in(tmp_path: Path, ending: str) -> None:
    came_in: list[Record] = [
        *readings(500),
        Command(5.0, "datum/set", {"elevation_m": 12.5}),
        Tilt(5.01, "stick", pitch_deg=-61.2, roll_deg=0.4, temp_c=31.0),
        Input(5.02, "ignition", True),
    ]
    path = tmp_path / "new" / f"dig.{ending}"
    running = recorder(path)
    for record in came_in:
        running.record(record)
    running.close()
    session = SessionFile(path)
    assert list(session) == came_in
    assert session.warnings == []
    assert session.header == HEADER
    assert running.state.records == len(came_in)
    assert running.state.file is None


def test_a_directory_gets_files_named_for_machine_and_time(tmp_path: Path) -> None:
    for _ in range(2):
        running = recorder(tmp_path / "sessions")
        assert running.state.file is not None
        running.close()
        running.close()
    names = sorted(p.name for p in (tmp_path / "sessions").iterdir())
    assert names == ["digger-1-20260504T080000Z-2.ndjson.gz", "digger-1-20260504T080000Z.ndjson.gz"]


def test_a_new_file_is_begun_by_session_time_and_each_stands_alone(tmp_path: Path) -> None:
    running = recorder(tmp_path, format="ndjson", new_file_after_min=1.0)
    came_in = [r for minute in range(3) for r in readings(20, start=minute * 60.0)]
    for record in came_in:
        running.record(record)
    running.close()
    files = sorted(tmp_path.iterdir())
    assert [p.name for p in files] == [
        f"digger-1-{stamp}.ndjson" for stamp in ("20260504T080000Z", "20260504T080100Z", "20260504T080200Z")
    ]
    assert [record for path in files for record in SessionFile(path)] == came_in
    assert {SessionFile(path).header.started for path in files} == {HEADER.started}


def test_old_recordings_go_when_the_budget_is_used_up_and_nothing_else(tmp_path: Path) -> None:
    for hour in range(4):
        (tmp_path / f"digger-1-20260504T0{hour}0000Z.ndjson.gz").write_bytes(b"x" * 100)
    for other in ("digger-2-20260504T000000Z.ndjson.gz", "digger-1-notes.txt", "keep.ndjson.gz"):
        (tmp_path / other).write_bytes(b"x" * 1000)
    gone = make_room(tmp_path, "digger-1", budget=250)
    assert [p.name for p in gone] == [
        "digger-1-20260504T000000Z.ndjson.gz",
        "digger-1-20260504T010000Z.ndjson.gz",
    ]
    assert len(list(tmp_path.iterdir())) == 5
    assert make_room(tmp_path, "digger-1", budget=250) == []


def test_a_reading_that_goes_back_in_time_is_left_out_and_counted(tmp_path: Path) -> None:
    path = tmp_path / "dig.ndjson"
    running = recorder(path)
    for record in (*readings(3, start=1.0), *readings(1, start=0.5), *readings(1, start=1.02)):
        running.record(record)
    running.close()
    assert [r.t for r in SessionFile(path)] == [1.0, 1.01, 1.02, 1.02]
    assert running.state.late == 1


def test_a_file_that_exists_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "dig.ndjson"
    path.write_text("precious")
    with pytest.raises(InputError, match="exists already"):
        recorder(path)
    assert path.read_text() == "precious"


def test_a_target_that_cannot_be_written_to_is_told_at_once(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot record there"):
        recorder(tmp_path / "file" / "sessions")


def test_a_queue_that_is_full_drops_and_counts(tmp_path: Path) -> None:
    running = recorder(tmp_path / "dig.ndjson")
    first = Imu(0.0, "boom", (0.0, 0.0, 9.8))
    for _ in range(2 * QUEUE):
        running.record(first)
    running.close()
    state = running.state
    assert state.dropped > 0
    assert state.records + state.dropped == 2 * QUEUE


@pytest.mark.parametrize("ending", ["ndjson", "ndjson.gz"])
def test_everything_before_a_flush_is_readable_in_a_file_cut_at_any_byte(tmp_path: Path, ending: str) -> None:
    came_in = readings(400)
    path = tmp_path / f"dig.{ending}"
    writer = SessionWriter(path, HEADER)
    marks: list[tuple[int, int]] = []
    for i, record in enumerate(came_in, 1):
        writer.write(encode_line(record))
        if i % 50 == 0:
            writer.flush()
            marks.append((writer.size, i))
    writer.close()
    whole = path.read_bytes()
    for size in range(marks[0][0], len(whole), 97):
        path.write_bytes(whole[:size])
        flushed = max(i for at, i in marks if at <= size)
        read = list(SessionFile(path))
        assert len(read) >= flushed
        assert read == came_in[: len(read)]


def test_a_gzip_recording_is_ordinary_gzip(tmp_path: Path) -> None:
    path = tmp_path / "dig.ndjson.gz"
    running = recorder(path)
    running.record(readings(1)[0])
    running.close()
    assert gzip.decompress(path.read_bytes()).count(b"\n") == 2


def test_the_name_of_a_file_carries_the_moment_it_begins() -> None:
    assert file_stem("digger-1", STARTED, 3661.4) == "digger-1-20260504T090101Z"
