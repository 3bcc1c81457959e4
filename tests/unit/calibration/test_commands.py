"""The commands as their user types them: files in, files and exit codes out."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from tipdatum.calibration.observations_file import save_observations
from tipdatum.cli import main
from tipdatum.machine.description import load_machine

MACHINE = """# mine
name = "Invented retrofit"
[boom]
foot_m = [0.36, 0.0, 1.70]
length_m = 4.60
[stick]
length_m = 2.50
[[bucket]]
name = "digging"
tip_m = 1.34
width_m = 0.6
[sensor.upper]
body = "upper"
[sensor.boom]
body = "boom"
mount_rpy_deg = [-90.0, 0.0, -90.0]
[sensor.stick]
body = "stick"
mount_rpy_deg = [180.0, 0.0, 90.0]
[sensor.bucket]
body = "bucket"
mount_rpy_deg = [90.0, 0.0, 180.0]
"""


@pytest.fixture
def folder(tmp_path: Path, retrofit: Any) -> Path:
    (tmp_path / "machine.toml").write_text(MACHINE, encoding="utf-8")
    daily = tuple(
        o.model_copy(update={"id": f"daily {o.id}", "method": "daily"})
        for o in retrofit.book.observation
        if o.kind == "height" and o.of == "tip"
    )
    book = retrofit.book.model_copy(update={"observation": (*retrofit.book.observation, *daily)})
    save_observations(tmp_path / "observations.toml", book)
    return tmp_path


def run(*arguments: str | Path) -> int:
    try:
        main([str(a) for a in arguments])
    except SystemExit as end:
        return int(end.code or 0)
    return 0


def test_a_calibration_is_written_and_then_passes_the_daily_check(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    machine, observations = folder / "machine.toml", folder / "observations.toml"
    check = ("verify", machine, observations, "--method", "daily", "--tolerance", "0.012")
    history = ("--history", folder / "daily.ndjson", "--picture", folder / "daily.svg")
    assert run(*check, *history) == 1
    assert run("calibrate", machine, observations, "--yes") == 0
    assert machine.read_text(encoding="utf-8").startswith("# mine\n")
    assert load_machine(machine).calibration["rejected"] == []
    assert len(list(folder.glob("machine.*.toml"))) == 1
    assert run(*check, *history, "--output", folder / "daily.json") == 0
    assert "PASS" in capsys.readouterr().out
    assert len((folder / "daily.ndjson").read_text(encoding="utf-8").splitlines()) == 2
    assert json.loads((folder / "daily.json").read_text(encoding="utf-8"))["rms_m"] < 0.01
    assert (folder / "daily.svg").read_text(encoding="utf-8").startswith("<svg")


def test_a_dry_run_shows_the_difference_and_writes_nothing(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("calibrate", folder / "machine.toml", folder / "observations.toml", "--dry-run") == 0
    assert "+length_sigma_m" in capsys.readouterr().out
    assert (folder / "machine.toml").read_text(encoding="utf-8") == MACHINE


def test_on_standard_output_the_description_stands_alone(
    folder: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    machine, observations = folder / "machine.toml", folder / "observations.toml"
    assert run("calibrate", machine, observations, "--output", "-") == 0
    told = capfd.readouterr()
    assert tomllib.loads(told.out)["calibrated"]["verdict"] == "accepted"
    assert "+length_sigma_m" in told.err
    assert run("calibrate", machine, observations, "--output", "-", "--json") == 2
    assert "both want standard output" in capfd.readouterr().err
    assert (folder / "machine.toml").read_text(encoding="utf-8") == MACHINE


def test_two_sensors_in_each_other_s_place_are_named_and_nothing_is_written(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = folder / "machine.toml"
    wrong = MACHINE.replace("sensor.boom", "sensor.x").replace("sensor.stick", "sensor.boom")
    file.write_text(wrong := wrong.replace("sensor.x", "sensor.stick"), encoding="utf-8")
    assert run("calibrate", file, folder / "observations.toml", "--yes") == 1
    assert "the sensors stick and boom are exchanged" in " ".join(capsys.readouterr().out.split())
    assert file.read_text(encoding="utf-8") == wrong


def test_a_budget_is_a_table_and_a_picture(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    picture = folder / "map.svg"
    assert run("budget", folder / "machine.toml", "--tolerance", "0.02", "--picture", picture) == 0
    assert "over the working envelope, against the reference" in " ".join(capsys.readouterr().out.split())
    assert picture.read_text(encoding="utf-8").startswith("<svg")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("calibrate", "machine.toml", "nowhere.toml"), "no such file"),
        (("calibrate", "machine.toml", "observations.toml", "--method", "tea"), "no observation"),
        (("verify", "machine.toml", "observations.toml"), 'no observation with method = "acceptance"'),
        (("verify", "machine.toml", "observations.toml", "--work", "golf"), "one of bulk"),
        (("budget", "machine.toml", "--sensor", "cab"), "upper, boom, stick, bucket"),
        (("budget", "machine.toml", "--reference", "40", "0"), "out of reach"),
        (("noise", "nowhere.ndjson"), "no such file"),
    ],
    ids=lambda v: v[0] if isinstance(v, tuple) else "",
)
def test_a_mistake_ends_with_one_sentence_and_exit_code_two(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    arguments: tuple[str, ...], words: str,
) -> None:  # fmt: skip
    monkeypatch.chdir(folder)
    assert run(*arguments) == 2
    assert words in capsys.readouterr().err
