"""`tipdatum check` tells every mistake at once, and refuses a service that could not work."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from small_machine import MACHINE
from tipdatum.cli import main
from tipdatum.errors import InputError, SessionError
from tipdatum.validation import load_toml
from tipdatum_drivers.session_file import SessionFile

FOUR = MACHINE + "".join(f'[sensor.{body}]\nbody = "{body}"\n' for body in ("upper", "stick", "bucket"))
CSV = """[[driver]]
kind = "csv-replay"
file = "log.csv"
columns.time = "t"
"""


@pytest.fixture
def checked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., list[str]]:
    """`checked(service, machine=...)`: what is wrong with a service file, a sentence each."""

    def run(service: str, machine: str = FOUR) -> list[str]:
        (tmp_path / "machine.toml").write_text(machine)
        (tmp_path / "service.toml").write_text(service)
        with pytest.raises(SystemExit) as ended:
            main(["check", str(tmp_path / "service.toml")])
        told = capsys.readouterr()
        assert "Traceback" not in told.err
        assert bool(told.err) == (ended.value.code == 2)
        start = f"tipdatum: {tmp_path}/"
        assert all(line.startswith(start) for line in told.err.splitlines())
        return [line.removeprefix(start) for line in told.err.splitlines()]

    return run


def sensors(*names: str) -> str:
    return "".join(f"columns.sensor.{name}.angle = 2\n" for name in names)


def test_every_mistake_of_both_files_is_told_at_once(checked: Callable[..., list[str]]) -> None:
    service = 'machine = "machine.toml"\n[fusion]\ntick_hz = 1000\n[work]\nwait = 3\n[broker]\nport = -1\n'
    machine = FOUR.replace("4.7", "4700").replace("2.4", '"2.4"')
    told = "\n".join(checked(service, machine))
    for part in ("tick_hz", "work.wait", "broker.port", "boom.length_m", "looks like millimetres"):
        assert part in told
    assert "stick.length_m" in "\n".join(checked('machine = "machine.toml"', FOUR.replace("2.4", '"2.4"')))


def test_a_service_that_lacks_most_of_its_sensors_is_refused(
    checked: Callable[..., list[str]], tmp_path: Path
) -> None:
    (tmp_path / "log.csv").write_text("t,a\n0,1\n")
    (told,) = checked(f'machine = "machine.toml"\n{CSV}{sensors("boom")}')
    assert "no table that brings the machine's sensors upper, stick, bucket" in told


def test_a_driver_for_a_sensor_that_does_not_exist_is_refused(
    checked: Callable[..., list[str]], tmp_path: Path
) -> None:
    (tmp_path / "log.csv").write_text("t,a\n0,1\n")
    all_of_them = sensors("boom", "stick", "bucket", "upper", "cab")
    (told,) = checked(f'machine = "machine.toml"\n{CSV}{all_of_them}')
    assert "driver[0].sensor: found cab, which the machine file does not describe" in told


def test_a_column_that_the_log_lacks_and_a_folder_that_cannot_be_are_refused_together(
    checked: Callable[..., list[str]], tmp_path: Path
) -> None:
    (tmp_path / "log.csv").write_text("t,a\n0,1\n")
    lacking = sensors("boom", "stick", "bucket", "upper").replace("= 2", '= "angle"')
    folders = '[recording]\ndirectory = "log.csv/sessions"\n[state]\ndirectory = "log.csv"\n'
    told = checked(f'machine = "machine.toml"\n{CSV}{lacking}{folders}')
    assert len(told) == 3
    assert 'a column "angle"' in told[0]
    assert "recording.directory" in told[1]
    assert "state.directory" in told[2]


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"a = " + b"[" * 2000 + b"]" * 2000, "brackets"),
        (b"a = " + b"1" * 5000, "broken TOML"),
        (b"\xef\xbb\xbfname = 1", "UTF-8 with a byte order mark"),
        ("name = 'grün'".encode("utf-16"), "UTF-16"),
        ("a = 1\nname = 'grün'".encode("latin-1"), 'a byte 0xFC in line 2, which is "ü" in Latin-1'),
        (b"a = 1\0", "broken TOML"),
        (b"#" * (5 << 20), "more than 4 MB"),
    ],
    ids=["nested", "digits", "BOM", "UTF-16", "Latin-1", "zero byte", "large"],
)
def test_what_is_no_text_of_ours_is_named(tmp_path: Path, content: bytes, told: str) -> None:
    (tmp_path / "machine.toml").write_bytes(content)
    with pytest.raises(InputError) as refused:
        load_toml(tmp_path / "machine.toml")
    assert told in str(refused.value)


@pytest.mark.parametrize("t", ["1e308", "1e10", "400000.0"])
def test_a_time_that_would_keep_a_replay_going_for_ever_is_named(tmp_path: Path, t: str) -> None:
    header = '{"kind":"session","format":"tipdatum-session","version":1,"started":"2026-05-04T08:00:00Z"'
    lines = [header + ',"machine":{},"comment":""}']
    lines += [f'{{"kind":"beam","t":{at},"sensor":"laser"}}' for at in ("1.0", t)]
    (tmp_path / "dig.ndjson").write_text("\n".join(lines) + "\n")
    with pytest.raises(SessionError, match=r"line 3: found t = "):
        list(SessionFile(tmp_path / "dig.ndjson"))


def test_a_mount_given_to_two_degrees_is_not_called_exact(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def said(more: str) -> Any:
        (tmp_path / "machine.toml").write_text(MACHINE + more)
        with pytest.raises(SystemExit):
            main(["check", str(tmp_path / "machine.toml")])
        return " ".join(capsys.readouterr().out.split())

    assert "within 2°" in said("mount_sigma_deg = 2.0\n")
    assert "exactly" not in said("")
