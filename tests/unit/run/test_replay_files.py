"""Recorded sessions into files: the same bytes every time and every way, whole or not at all."""

from __future__ import annotations

import gzip
import json
import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from small_machine import DESCRIPTION
from tipdatum.bus.messages import Datum, Happening, Quality, Reply, Tip
from tipdatum.cli import main
from tipdatum.config import FusionTable, Settings, make_settings
from tipdatum.core.messages_out import Outgoing
from tipdatum.errors import ConfigError, InputError, SessionError
from tipdatum.grade.forms import WorkOptions
from tipdatum.run.replay import Summary, output_name, replay_file, replay_many, tip_line
from tipdatum_drivers.decode.session_lines import encode_header, encode_line
from tipdatum_drivers.reading import Command, Imu, SessionHeader, Truth

HEADER = encode_header(SessionHeader(1, "2026-05-04T08:00:00.123456Z", DESCRIPTION))
Readings = Callable[..., Iterator[Imu]]


@pytest.fixture
def settings() -> Settings:
    return make_settings(FusionTable(tick_hz=50.0), WorkOptions(), "test")


@pytest.fixture
def dig(tmp_path: Path, readings: Readings) -> Path:
    """Four seconds of a still machine, with a reference that is set and truth that nobody may read."""
    path = tmp_path / "dig.ndjson"
    with path.open("wb") as out:
        out.write(HEADER)
        for reading in readings(0.0, 3.0):
            out.write(encode_line(reading))
        out.write(encode_line(Command(3.0, "datum/set", {"elevation_m": 101.25})))
        out.write(encode_line(Truth(3.0, (1.0, 2.0, 3.0))))
        for reading in readings(3.0, 4.0):
            out.write(encode_line(reading))
    return path


FIGURE = st.none() | st.floats(allow_nan=False, allow_infinity=False)
TIPS = st.builds(
    Tip,
    t=st.floats(0.0, 1e6),
    time=st.text(),
    quality=st.sampled_from(get_args(Quality)),
    reasons=st.lists(st.text(), max_size=3),
    datum=st.sampled_from(get_args(Datum)),
    judgement=st.none() | st.text(),
    governing=st.none() | st.text(),
    **{name: FIGURE for name in Tip.model_fields if name.endswith(("_m", "_deg"))},
)


def lines(path: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in path.read_bytes().splitlines()]


def leftovers(folder: Path) -> list[Path]:
    return [path for path in folder.iterdir() if ".part" in path.name]


def test_the_same_session_gives_the_same_bytes_again(dig: Path, tmp_path: Path, settings: Settings) -> None:
    first, second = tmp_path / "1.ndjson", tmp_path / "2.ndjson"
    assert replay_file(dig, first, settings) == replay_file(dig, second, settings)
    assert first.read_bytes() == second.read_bytes()
    assert len(lines(first)) == 200


def test_a_compressed_session_gives_the_same_bytes(dig: Path, tmp_path: Path, settings: Settings) -> None:
    packed = tmp_path / "packed.ndjson.gz"
    packed.write_bytes(gzip.compress(dig.read_bytes()))
    replay_file(dig, tmp_path / "plain", settings)
    replay_file(packed, tmp_path / "unpacked", settings)
    assert (tmp_path / "plain").read_bytes() == (tmp_path / "unpacked").read_bytes()


@pytest.mark.parametrize("jobs", [1, 2])
def test_several_processes_give_the_same_bytes(
    dig: Path, tmp_path: Path, settings: Settings, jobs: int
) -> None:
    other = tmp_path / "other.ndjson"
    other.write_bytes(dig.read_bytes().replace(b"101.25", b"50.5"))
    told: list[Summary | InputError] = []
    replay_many([dig, other], tmp_path / "out", settings, told.append, jobs)
    for source in (dig, other):
        replay_file(source, tmp_path / "alone", settings)
        assert (tmp_path / "out" / output_name(source)).read_bytes() == (tmp_path / "alone").read_bytes()
    assert {summary.session for summary in told if isinstance(summary, Summary)} == {dig, other}


def test_arm_and_raw_settings_do_not_change_a_tip(dig: Path, tmp_path: Path, settings: Settings) -> None:
    replay_file(dig, tmp_path / "1", settings)
    replay_file(dig, tmp_path / "2", replace(settings, arm_every=1, raw=not settings.raw))
    assert (tmp_path / "1").read_bytes() == (tmp_path / "2").read_bytes()


def test_truth_is_never_read(dig: Path, tmp_path: Path, settings: Settings) -> None:
    blind = tmp_path / "blind.ndjson"
    blind.write_bytes(b"".join(line for line in dig.read_bytes().splitlines(True) if b'"truth"' not in line))
    assert len(blind.read_bytes()) < len(dig.read_bytes())
    replay_file(dig, tmp_path / "1", settings)
    replay_file(blind, tmp_path / "2", settings)
    assert (tmp_path / "1").read_bytes() == (tmp_path / "2").read_bytes()


def test_each_line_is_the_message_and_the_newest_reading_it_knew(
    dig: Path, tmp_path: Path, settings: Settings
) -> None:
    replay_file(dig, tmp_path / "out", settings)
    tips = lines(tmp_path / "out")
    assert all(tip["t"] == tip["t_emit"] for tip in tips)
    # Tick k has taken in every reading with t <= k * 20 ms; one body reads at every 10 ms sharp.
    assert [tip["t_emit"] for tip in tips] == pytest.approx([0.02 * k for k in range(len(tips))])
    assert tips[0]["time"] == "2026-05-04T08:00:00.123Z"
    assert tips[0]["datum"] == "none"
    assert tips[-1]["datum"] == "set"


@given(TIPS, st.floats(0.0, 1e6))
def test_a_line_holds_the_very_bytes_that_the_bus_would_carry(tip: Tip, t_emit: float) -> None:
    published = tip.model_dump_json().encode()
    line = tip_line(tip, t_emit)
    assert line.startswith(published[:-1] + b',"t_emit":')
    assert json.loads(line)["t_emit"] == round(t_emit, 6)


def test_what_else_the_service_would_say_is_shown_to_who_watches(
    dig: Path, tmp_path: Path, settings: Settings
) -> None:
    seen: list[Outgoing] = []
    replay_file(dig, tmp_path / "out", settings, watch=seen.append)
    replies = [item.message for item in seen if isinstance(item.message, Reply)]
    assert [(reply.command, reply.ok) for reply in replies] == [("datum/set", True)]
    assert any(isinstance(item.message, Happening) for item in seen)


def test_a_refused_command_is_a_warning_and_all_that_was_said_can_be_kept(
    dig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with dig.open("ab") as out:
        out.write(encode_line(Command(4.1, "target/grade", {"grade": "1:3"})))
    told = tmp_path / "told.ndjson"
    with pytest.raises(SystemExit) as left:
        main(["replay", str(dig), "--output", str(tmp_path / "out"), "--told", str(told)])
    assert left.value.code == 0
    assert "4.10 s: target/grade refused" in capsys.readouterr().err
    replies = [line for line in lines(told) if line["topic"] == "reply"]
    assert [(reply["command"], reply["ok"]) for reply in replies] == [
        ("datum/set", True), ("target/grade", False),
    ]  # fmt: skip
    assert "health/boom" in [line["topic"] for line in lines(told)]


def test_a_last_line_that_was_cut_off_is_a_warning(dig: Path, tmp_path: Path, settings: Settings) -> None:
    dig.write_bytes(dig.read_bytes()[:-20])
    summary = replay_file(dig, tmp_path / "out", settings)
    assert len(summary.warnings) == 1
    assert summary.messages == len(lines(tmp_path / "out"))


def test_the_output_appears_only_when_it_is_whole(dig: Path, tmp_path: Path, settings: Settings) -> None:
    dig.write_bytes(dig.read_bytes() + b"{broken\n" + dig.read_bytes().splitlines()[-1] + b"\n")
    target = tmp_path / "out.ndjson"
    target.write_text("what was there before")
    with pytest.raises(SessionError, match="which is not JSON"):
        replay_file(dig, target, settings)
    assert target.read_text() == "what was there before"
    assert leftovers(tmp_path) == []


def test_an_older_result_is_replaced(dig: Path, tmp_path: Path, settings: Settings) -> None:
    target = tmp_path / "out.ndjson"
    target.write_text("what was there before")
    replay_file(dig, target, settings)
    assert len(lines(target)) == 200


def test_a_session_is_never_replaced_by_its_own_messages(
    dig: Path, tmp_path: Path, settings: Settings
) -> None:
    before = dig.read_bytes()
    (tmp_path / "link.ndjson").symlink_to(dig)
    for target in (dig, tmp_path / "link.ndjson"):
        with pytest.raises(InputError, match="is the session itself"):
            replay_file(dig, target, settings)
    assert dig.read_bytes() == before


def test_a_folder_is_no_output_file(dig: Path, tmp_path: Path, settings: Settings) -> None:
    with pytest.raises(InputError, match=r"is a directory; --output wants a file .*--output-dir"):
        replay_file(dig, tmp_path, settings)


def test_a_folder_that_is_not_there_is_told_by_the_name_that_was_given(
    dig: Path, tmp_path: Path, settings: Settings
) -> None:
    target = tmp_path / "none" / "out.ndjson"
    with pytest.raises(InputError) as refused:
        replay_file(dig, target, settings)
    assert str(refused.value) == f"{target} cannot be written: no such file or directory"


def test_a_full_disk_is_one_sentence(dig: Path, settings: Settings) -> None:
    full = Path("/dev/full")
    if not full.is_char_device():
        pytest.skip("needs /dev/full, which this system does not have")
    with pytest.raises(InputError, match="/dev/full cannot be written: no space left on device"):
        replay_file(dig, full, settings)


def test_a_device_is_written_to_and_stays_one(dig: Path, settings: Settings) -> None:
    summary = replay_file(dig, Path(os.devnull), settings)
    assert summary.messages == 200
    assert not Path(os.devnull).is_file()


def test_one_bad_session_among_good_ones_stops_nothing(dig: Path, tmp_path: Path, settings: Settings) -> None:
    bad = tmp_path / "bad.ndjson"
    bad.write_text("hello\n")
    told: list[Summary | InputError] = []
    replay_many([bad, dig, tmp_path / "none.ndjson"], tmp_path / "out", settings, told.append, 2)
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["dig.tip.ndjson"]
    errors = sorted(str(error) for error in told if isinstance(error, InputError))
    assert "bad.ndjson, line 1" in errors[0]
    assert "none.ndjson: found no such file" in errors[1]


def test_a_header_whose_machine_is_none_is_told_across_processes(
    dig: Path, tmp_path: Path, settings: Settings
) -> None:
    dig.write_bytes(dig.read_bytes().replace(b'"length_m":4.7', b'"length_m":4700'))
    told: list[Summary | InputError] = []
    replay_many([dig], tmp_path / "out", settings, told.append)
    assert isinstance(told[0], ConfigError)
    assert "machine of the header: boom.length_m: found 4700" in str(told[0])


def test_a_folder_that_cannot_be_made_is_one_sentence(dig: Path, settings: Settings) -> None:
    with pytest.raises(InputError, match="no folder can be made there"):
        replay_many([dig], dig / "out", settings, lambda _: None)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("trench.ndjson.gz", "trench.tip.ndjson"),
        ("trench.ndjson", "trench.tip.ndjson"),
        ("trench.2.ndjson.gz", "trench.2.tip.ndjson"),
        ("trench", "trench.tip.ndjson"),
    ],
)
def test_an_output_is_named_after_its_session(name: str, expected: str) -> None:
    assert output_name(Path("somewhere") / name) == expected


def commanded(*arguments: str | Path) -> int | str | None:
    with pytest.raises(SystemExit) as ended:
        main(["replay", *map(str, arguments)])
    return ended.value.code


def test_the_command_writes_a_folder_for_several_and_tells_the_bad_ones(
    dig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = tmp_path / "bad.ndjson"
    bad.write_text("hello\n")
    assert commanded(dig, bad, tmp_path / "none.ndjson", "-o", tmp_path / "out") == 2
    told = capsys.readouterr().err
    assert "100 tip messages over 4.0 s" in told
    assert told.count("tipdatum: ") == 2
    assert "Traceback" not in told
    assert (tmp_path / "out" / "dig.tip.ndjson").exists()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("a.ndjson",), "say where the messages go: -o FILE, or -o FOLDER"),
        (("a.ndjson", "b.ndjson", "--output", "-"), "2 sessions need a folder"),
        (("a.ndjson", "x/a.ndjson.gz", "--output-dir", "o"), "would both be written to"),
        (("a.ndjson", "--output", "o", "--estimator", "best"), 'fusion.estimator: found "best"'),
        (("a.ndjson", "--output", "o", "--config", "none.toml"), "none.toml: found no such file"),
    ],
)
def test_a_command_that_cannot_be_meant_so_is_refused(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], told: str
) -> None:
    assert commanded(*arguments) == 2
    assert told in capsys.readouterr().err
