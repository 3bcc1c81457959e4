"""Session files as they are found in the field: compressed, cut off, damaged, edited by hand."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum_drivers.decode.session_lines import LineError, decode_line, encode_header, encode_line
from tipdatum_drivers.errors import SessionError
from tipdatum_drivers.reading import Imu, Input, Record, SessionHeader, Vector
from tipdatum_drivers.session_file import SessionFile, _without_truth

HEADER = SessionHeader(1, "2026-05-04T08:00:00Z", {"name": "test"})
RECORDS: list[Record] = [
    Imu(0.01 * i, "boom", (0.0, 0.1 * i, 9.8), (0.0, 0.0, 0.0))
    if i % 5
    else Input(0.01 * i, "travel", i % 2 == 0)
    for i in range(1, 200)
]
WHOLE = encode_header(HEADER) + b"".join(map(encode_line, RECORDS))


NUMBER = st.floats(-1e300, 1e300) | st.integers(-1000, 1000)
VECTOR = st.tuples(NUMBER, NUMBER, NUMBER)


def write(path: Path, data: bytes) -> SessionFile:
    path.write_bytes(data)
    return SessionFile(path)


@pytest.mark.parametrize("suffix", [".ndjson", ".ndjson.gz"])
def test_every_record_comes_back_plain_and_compressed(tmp_path: Path, suffix: str) -> None:
    data = gzip.compress(WHOLE) if suffix.endswith("gz") else WHOLE
    session = write(tmp_path / f"a{suffix}", data)
    assert session.header == HEADER
    assert list(session) == RECORDS
    assert list(session) == RECORDS, "a second pass starts again"
    assert session.warnings == []


@given(NUMBER, VECTOR, st.none() | VECTOR, st.none() | NUMBER, st.none() | NUMBER)
def test_reading_of_whole_and_broken_numbers_comes_back_in_floats(
    t: float, accel: Vector, gyro: Vector | None, temp_c: float | None, t_sample: float | None
) -> None:
    reading = Imu(t, "boom", accel, gyro, temp_c, t_sample)
    back = decode_line(encode_line(reading))
    assert back == reading
    assert isinstance(back, Imu)
    numbers = [back.t, back.temp_c, back.t_sample, *back.accel_mps2, *(back.gyro_radps or ())]
    assert {type(number) for number in numbers} <= {float, type(None)}


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("t", None), ("t", "0.5"), ("t", True), ("sensor", ""), ("sensor", 7),
        ("accel_mps2", [0.0, 1.0]), ("accel_mps2", [0.0, 1.0, "9.8"]), ("accel_mps2", "abc"),
        ("accel_mps2", {"x": 0.0, "y": 1.0, "z": 9.8}), ("gyro_radps", [0.0, 1.0, 2.0, 3.0]),
        ("gyro_radps", [0.0, 1.0, True]), ("gyro_radps", 1.0),
    ],
)  # fmt: skip
def test_field_of_another_kind_is_named(field: str, value: object) -> None:
    row = json.loads(encode_line(Imu(0.5, "boom", (0.0, 0.1, 9.8), (0.0, 0.1, 0.2)))) | {field: value}
    with pytest.raises(LineError, match=f"found {field} = "):
        decode_line(json.dumps(row))


def test_compression_is_recognised_by_content_and_members_are_joined(tmp_path: Path) -> None:
    cut = WHOLE.index(b"\n", 4000) - 7
    data = gzip.compress(WHOLE[:cut]) + gzip.compress(WHOLE[cut:])
    assert list(write(tmp_path / "misnamed.txt", data)) == RECORDS


def test_last_line_cut_off_is_left_out_with_a_warning(tmp_path: Path) -> None:
    session = write(tmp_path / "cut.ndjson", WHOLE[:-9])
    assert list(session) == RECORDS[:-1]
    assert session.warnings == [f"{tmp_path / 'cut.ndjson'}: line 200 ends in the middle and was left out"]


def test_zero_bytes_after_a_power_loss_are_ignored(tmp_path: Path) -> None:
    assert list(write(tmp_path / "zeros.ndjson", WHOLE + bytes(4096))) == RECORDS
    assert list(write(tmp_path / "cut.ndjson", WHOLE[:-9] + bytes(100))) == RECORDS[:-1]


def test_compressed_file_cut_off_gives_what_is_whole(tmp_path: Path) -> None:
    data = gzip.compress(WHOLE)
    session = write(tmp_path / "cut.ndjson.gz", data[: len(data) * 3 // 4])
    read = list(session)
    assert 20 < len(read) < len(RECORDS)
    assert read == RECORDS[: len(read)]
    assert "ends in the middle" in " ".join(session.warnings)


def test_last_line_without_newline_counts_when_it_is_whole(tmp_path: Path) -> None:
    session = write(tmp_path / "a.ndjson", WHOLE[:-1])
    assert list(session) == RECORDS
    assert session.warnings == []


def test_windows_line_ends_and_byte_order_mark_are_read(tmp_path: Path) -> None:
    data = b"\xef\xbb\xbf" + WHOLE.replace(b"\n", b"\r\n")
    assert list(write(tmp_path / "a.ndjson", data)) == RECORDS


def test_broken_line_is_named(tmp_path: Path) -> None:
    lines = WHOLE.splitlines(keepends=True)
    lines[7] = b'{"kind":"imu","t":0.08,"sensor":"boom","accel_mps2":[0,"x",9.8]}\n'
    session = write(tmp_path / "a.ndjson", b"".join(lines))
    with pytest.raises(SessionError, match=r"a\.ndjson, line 8: found accel_mps2") as caught:
        list(session)
    assert caught.value.line == 8


def test_two_records_in_one_line_are_none(tmp_path: Path) -> None:
    lines = WHOLE.splitlines(keepends=True)
    lines[7] = lines[7][:-1] + lines[8]
    del lines[8]
    session = write(tmp_path / "a.ndjson", b"".join(lines))
    with pytest.raises(SessionError, match=r"line 8: found .*not JSON"):
        list(session)


def test_lines_of_unknown_kinds_and_empty_ones_are_passed_over_where_they_stand(tmp_path: Path) -> None:
    lines = WHOLE.splitlines(keepends=True)
    lines[9:9] = [b"\n", b'{"kind":"weather","t":0.08}\n']
    lines[40] = b'{"kind":"imu"}\n'
    session, read = write(tmp_path / "a.ndjson", b"".join(lines)), []
    with pytest.raises(SessionError, match=r"line 41"):
        read.extend(session)
    assert read == RECORDS[:37]


def test_time_going_back_is_refused_by_line(tmp_path: Path) -> None:
    lines = WHOLE.splitlines(keepends=True)
    lines[5], lines[6] = lines[6], lines[5]
    session = write(tmp_path / "a.ndjson", b"".join(lines))
    with pytest.raises(SessionError, match=r"line 7: found t = 0\.05 after t = 0\.06"):
        list(session)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "found an empty file"),
        (b"t,pitch\n0,1\n", "line 1: found .* not JSON"),
        (b'{"kind":"imu"}\n', "line 1: found a first line of kind 'imu'; expected kind \"session\""),
        (gzip.compress(WHOLE, mtime=0)[:10] + b"\xff" * 50, "damaged gzip data"),
    ],
)
def test_what_is_no_session_is_said_in_one_sentence(tmp_path: Path, data: bytes, message: str) -> None:
    with pytest.raises(SessionError, match=message):
        write(tmp_path / "a.ndjson", data)


def test_missing_file_and_directory_are_said(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match="found no such file"):
        SessionFile(tmp_path / "nowhere.ndjson")
    with pytest.raises(SessionError, match="found a directory"):
        SessionFile(tmp_path)


def test_line_without_end_does_not_fill_the_memory(tmp_path: Path) -> None:
    session = write(tmp_path / "a.ndjson", encode_header(HEADER) + b"x" * (5 << 20))
    with pytest.raises(SessionError, match="line 2: found a line of over 4 MiB"):
        list(session)


lines_of_any_kind = st.lists(
    st.one_of(
        st.builds(
            lambda t, rest: f'{{"kind": "truth", "t": {t}, "note": "{rest}"}}'.encode(),
            st.integers(0, 99),
            st.sampled_from(["", 'a \\"truth\\"', "x" * 50]),
        ),
        st.builds(
            lambda n: b'{"kind": "event", "text": "' + b"y" * n + b' \\"truth\\""}', st.integers(0, 60)
        ),
        st.just(b""),
    ),
    max_size=12,
)


@given(lines=lines_of_any_kind, ends=st.booleans())
def test_a_digest_is_that_of_all_lines_that_are_no_truth(lines: list[bytes], ends: bool) -> None:
    """SHA-256 by Python's library, line by line as the docstring says."""
    whole = b"\n".join(lines) + (b"\n" if ends else b"")
    kept = [line for line in whole.splitlines(keepends=True) if b'"truth"' not in line[:40]]
    assert b"".join(_without_truth(whole)) == b"".join(kept)
