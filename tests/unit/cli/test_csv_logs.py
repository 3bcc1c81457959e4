"""CSV logs of other programs, straight into `replay`: the figures of the session itself.

The logs are written from a shipped dig in the manner of loggers (units, names, time stamps), so what has to
come out is known from the dig.
"""

from __future__ import annotations

import gzip
import json
import math
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tomlkit

from tipdatum.cli import main
from tipdatum.cli.recordings import read_commands
from tipdatum.errors import SessionError
from tipdatum.shipped import shipped
from tipdatum.tables import rows_of
from tipdatum_drivers.csv_guess import guess_columns
from tipdatum_drivers.reading import Command

G = 9.80665
LINES = 9000
"""Of the dig: some twenty seconds, past its datum/set."""


@pytest.fixture(scope="module")
def dig() -> list[dict[str, Any]]:
    with gzip.open(shipped("replay_data", "trench.ndjson.gz"), "rt") as lines:
        return [json.loads(line) for line, _ in zip(lines, range(LINES), strict=False)]


@pytest.fixture
def folder(dig: list[dict[str, Any]], tmp_path: Path) -> Path:
    (tmp_path / "machine.toml").write_text(tomlkit.dumps(dig[0]["machine"]))
    return tmp_path


Stamp = Callable[[float], str]


def write_log(
    path: Path,
    dig: list[dict[str, Any]],
    stamp: Stamp,
    *,
    accel: float = 1.0,
    gyro: float = 1.0,
    unit: str = "",
) -> Path:
    """One row a reading, each sensor in columns of its own, as loggers of several devices write."""
    sensors = sorted({row["sensor"] for row in dig if row["kind"] == "imu"})
    columns = [f"{s}_{kind}_{axis}" for s in sensors for kind in ("acc", f"gyro{unit}") for axis in "xyz"]
    lines = [",".join(["time", *columns, "note"])]
    for row in dig:
        if row["kind"] == "imu":
            cells = dict.fromkeys(columns, "")
            for axis, a, w in zip("xyz", row["accel_mps2"], row["gyro_radps"], strict=True):
                cells[f"{row['sensor']}_acc_{axis}"] = repr(a * accel)
                cells[f"{row['sensor']}_gyro{unit}_{axis}"] = repr(w * gyro)
            lines.append(",".join([stamp(row["t"]), *cells.values(), ""]))
    path.write_text("\n".join(lines) + "\n")
    return path


def seconds(t: float) -> str:
    return f"{t:.6f}"


def moment(t: float) -> str:
    return (datetime(2026, 5, 4, 8, tzinfo=UTC) + timedelta(seconds=t)).isoformat()


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([*map(str, arguments)])
    return int(ended.value.code or 0)


def test_a_log_gives_the_figures_of_the_session_that_it_was_written_from(
    folder: Path, dig: list[dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    """In g and degrees, stamped with date and time; the reference by the command that the session holds."""
    log = write_log(folder / "log.csv", dig, moment, accel=1 / G, gyro=math.degrees(1.0))
    order = next(row for row in dig if row["kind"] == "command")
    (folder / "orders.txt").write_text(
        f"# by the log's own time\n{order['t']} {order['name']} elevation_m={order['body']['elevation_m']}\n"
    )
    session = folder / "dig.ndjson"
    session.write_text("".join(json.dumps(row) + "\n" for row in dig))
    assert run("replay", session, "-o", folder / "session.csv") == 0
    logged = folder / "log.tip.csv"
    options = ("--machine", folder / "machine.toml", "--commands", folder / "orders.txt")
    assert run("replay", log, *options, "-o", logged) == 0
    told = capsys.readouterr().err
    assert "time, as date and time" in told
    assert "boom_acc_x, boom_acc_y, boom_acc_z: acceleration of boom, in g (by its size" in told
    assert "turn rate of boom, in degps (by the accelerometers' turns)" in told
    assert "note: not used" in told
    ours, theirs = (rows_of(path.read_text()) for path in (logged, folder / "session.csv"))
    first = min(row["t"] for row in dig if row["kind"] == "imu")
    assert ours[-1]["datum"] == theirs[-1]["datum"] == "set"
    # The log's first row is its zero, so its ticks fall a few milliseconds elsewhere.
    t, elevation = np.array(
        [(r["t"] + first, r["elevation_m"]) for r in ours if r["elevation_m"] is not None]
    ).T
    late = [row for row in theirs if row["t"] > order["t"] + 1.0 and row["t"] < t[-1]]
    assert len(late) > 250
    apart = [np.interp(row["t"], t, elevation) - row["elevation_m"] for row in late]
    assert float(np.max(np.abs(apart))) < 0.02
    assert float(np.sqrt(np.mean(np.square(apart)))) < 0.003


def test_the_same_log_gives_the_same_bytes_and_its_own_times(folder: Path, dig: list[dict[str, Any]]) -> None:
    log = write_log(folder / "log.csv", dig, moment)
    for name in ("a", "b"):
        assert run("replay", log, "--machine", folder / "machine.toml", "-o", folder / name) == 0
    assert (folder / "a").read_bytes() == (folder / "b").read_bytes()
    assert json.loads((folder / "a").read_text().splitlines()[0])["time"].startswith("2026-05-04T08:00:00")
    undated = write_log(folder / "undated.csv", dig, seconds)
    assert run("replay", undated, "--machine", folder / "machine.toml", "-o", folder / "c") == 0
    assert json.loads((folder / "c").read_text().splitlines()[0])["time"].startswith("1970-01-01T00:00:00")


def test_a_log_without_a_machine_and_one_in_another_codec_are_named_as_they_were_given(
    folder: Path, dig: list[dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    log = write_log(folder / "log.csv", dig, seconds)
    assert run("replay", log, "-o", folder / "a") == 2
    assert f"{log}: describes no machine; say which with --machine" in capsys.readouterr().err
    for codec, told in (("latin-1", 'a byte 0xFC, which is "ü" in Latin-1'), ("utf-16", "UTF-16 at the")):
        other = folder / f"{codec}.csv"
        other.write_text(log.read_text().replace("note", "für"), encoding=codec)
        assert run("replay", other, "--machine", folder / "machine.toml", "-o", folder / "a") == 2
        assert f"{other}: found {told}" in capsys.readouterr().err
        session = folder / f"{codec}.ndjson"
        session.write_text(json.dumps({**dig[0], "comment": "für"}, ensure_ascii=False), encoding=codec)
        assert run("replay", session, "-o", folder / "a") == 2
        assert f"{session}, line 1: found {told}" in capsys.readouterr().err


def test_a_table_has_words_alone_in_its_cells(folder: Path, dig: list[dict[str, Any]]) -> None:
    """Reasons as they are read, and as the codes that stay the same in every language."""
    log = write_log(folder / "log.csv", dig, seconds)
    assert run("replay", log, "--machine", folder / "machine.toml", "-o", folder / "t.csv") == 0
    rows = rows_of((folder / "t.csv").read_text())
    words, codes = (rows[0][key].split("; ") for key in ("reasons", "reasons_said"))
    assert len(words) == len(codes)
    assert all(re.fullmatch("[a-z]+(-[a-z]+)+", code) for code in codes)
    assert not any(mark in str(cell) for row in rows for cell in row.values() for mark in "{[")


def test_a_log_with_columns_of_the_truth_is_scored_as_the_session_that_it_was_written_from(
    folder: Path, dig: list[dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    """Truth between the readings' rows, as a total station logs beside them; empty cells elsewhere."""
    log = write_log(folder / "log.csv", dig, seconds)
    heading, *rows = log.read_text().splitlines()
    filler = "," * heading.count(",")
    timed = [(float(row.split(",")[0]), f"{row},,,") for row in rows]
    timed += [
        (row["t"], f"{seconds(row['t'])}{filler},{','.join(map(repr, row['tip_m']))}")
        for row in dig
        if row["kind"] == "truth" and row["t"] >= timed[0][0]
    ]
    log.write_text("\n".join([f"{heading},E,N,H", *(row for _, row in sorted(timed))]) + "\n")
    first = min(t for t, _ in timed)
    order = next(row for row in dig if row["kind"] == "command")
    options = ("--machine", folder / "machine.toml", "--set-reference", f"{order['t'] - first}")
    assert run("replay", log, *options, "-o", folder / "tip.ndjson") == 0
    assert run("score", log, folder / "tip.ndjson", *options) == 2
    told = capsys.readouterr().err
    assert f"{log}: found no truth; expected" in told
    columns = guess_columns(log, ["upper", "boom", "stick", "bucket"]).columns
    beside = {**columns.model_dump(mode="json", exclude_defaults=True), "truth": ["E", "N", "H"]}
    (folder / "log.columns.toml").write_text(tomlkit.dumps(beside))
    assert run("score", log, folder / "tip.ndjson", *options, "--json") == 0
    ours = json.loads(capsys.readouterr().out)
    session = folder / "dig.ndjson"
    session.write_text("".join(json.dumps(row) + "\n" for row in dig))
    assert run("replay", session, "-o", folder / "session.ndjson") == 0
    assert run("score", session, folder / "session.ndjson", "--json") == 0
    theirs = json.loads(capsys.readouterr().out)
    assert ours["moving"]["rms_m"] == pytest.approx(theirs["moving"]["rms_m"], abs=0.002)


def test_a_reference_for_what_has_none(folder: Path, dig: list[dict[str, Any]]) -> None:
    order = next(row for row in dig if row["kind"] == "command")
    log = write_log(folder / "log.csv", dig, seconds)
    out = folder / "out.csv"
    options = ("--set-reference", order["t"], "--elevation", 0, "--machine", folder / "machine.toml")
    assert run("replay", log, *options, "-o", out) == 0
    last = rows_of(out.read_text())[-1]
    assert last["datum"] == "set"
    assert abs(last["elevation_m"]) < 10


def test_columns_beside_the_log_go_before_a_guess_and_are_checked(
    folder: Path, dig: list[dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    log = write_log(folder / "log.csv", dig, seconds)
    guessed = guess_columns(log, ["upper", "boom", "stick", "bucket"]).columns
    beside = folder / "log.columns.toml"
    beside.write_text(tomlkit.dumps(guessed.model_dump(mode="json", exclude_defaults=True)))
    assert run("replay", log, "--machine", folder / "machine.toml", "-o", folder / "out") == 0
    assert "acceleration of" not in capsys.readouterr().err
    beside.write_text(beside.read_text().replace("boom_acc_x", "boom_acc_q"))
    assert run("replay", log, "--machine", folder / "machine.toml", "-o", folder / "out") == 2
    assert 'a column "boom_acc_q"' in capsys.readouterr().err


def test_a_rate_whose_unit_nothing_tells_is_refused_and_one_that_its_name_tells_is_not(
    folder: Path, dig: list[dict[str, Any]]
) -> None:
    """A wrong unit would give a wrong figure that looks right."""
    still = [row for row in dig if row.get("t", 0.0) < 0.5]
    log = write_log(folder / "still.csv", still, seconds)
    with pytest.raises(SessionError, match="whose unit neither its name nor the motion tells"):
        guess_columns(log)
    named = write_log(folder / "named.csv", still, seconds, unit="[deg/s]")
    assert guess_columns(named).columns.sensor["boom"].gyro_unit == "degps"


@pytest.mark.parametrize(
    ("heading", "row", "found"),
    [
        (
            "Time [ms];StickPitch;StickRoll",
            ["1000;1,5;0,5", "1010;1,6;0,5"],
            {"pitch": "StickPitch", "roll": "StickRoll"},
        ),
        ("t;dipper angle (deg)", ["0,00;1,5", "0,01;1,6"], {"angle": "dipper angle (deg)"}),
    ],
)
def test_inclinometers_by_the_words_of_the_trade(
    tmp_path: Path, heading: str, row: list[str], found: dict[str, str]
) -> None:
    (tmp_path / "log.csv").write_text("\n".join([heading, *row]) + "\n")
    fields = guess_columns(tmp_path / "log.csv").columns.sensor["stick"]
    assert {key: getattr(fields, key) for key in found} == found


@pytest.mark.parametrize(
    "text", ["soon datum/set", '{"t": 1}', "1.0", '{"kind": "imu", "t": 1}', "1 datum/set elevation"]
)
def test_a_line_of_commands_that_is_none_is_named(tmp_path: Path, text: str) -> None:
    (tmp_path / "orders").write_text(f"# first\n2.5 datum/set elevation_m=0\n{text}\n")
    with pytest.raises(SessionError, match="line 3"):
        read_commands(tmp_path / "orders")


def test_commands_are_taken_as_typed_and_as_recorded(tmp_path: Path) -> None:
    (tmp_path / "orders").write_text(
        '2.5 datum/set elevation_m=0 mark="BM 1"\n{"t": 3, "name": "datum/clear", "body": {}}\n'
    )
    assert read_commands(tmp_path / "orders") == [
        Command(2.5, "datum/set", {"elevation_m": 0, "mark": "BM 1"}), Command(3.0, "datum/clear", {}),
    ]  # fmt: skip


@pytest.mark.parametrize(
    "text", ["a,b,c\n1,2,3\n", "time,foo\n1,2\n", "time\n1\n", "boom_ax,boom_ay,boom_az\n0,0,1\n"]
)
def test_a_table_that_says_nothing_is_refused_in_words(tmp_path: Path, text: str) -> None:
    (tmp_path / "log.csv").write_text(text)
    with pytest.raises(SessionError, match="expected"):
        guess_columns(tmp_path / "log.csv")


def test_a_packed_log_is_the_log(dig: list[dict[str, Any]], folder: Path) -> None:
    log, packed = write_log(folder / "log.csv", dig, seconds), folder / "packed.csv.gz"
    packed.write_bytes(gzip.compress(log.read_bytes()))
    for source, target in ((log, "plain.tip"), (packed, "packed.tip")):
        assert run("replay", source, "--machine", folder / "machine.toml", "-o", folder / target) == 0
    assert (folder / "packed.tip").read_bytes() == (folder / "plain.tip").read_bytes() != b""
    packed.write_bytes(packed.read_bytes()[:2000])
    with pytest.raises(SessionError, match="damaged gzip data"):
        guess_columns(packed)
