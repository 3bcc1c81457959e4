"""What `tipdatum new` writes from given measurements, and what it refuses."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import typer
from hypothesis import given
from hypothesis import strategies as st

from tipdatum.cli import main
from tipdatum.cli.new import mount_from_arrows
from tipdatum.cli.new_texts import ANSWERS, driver_tables
from tipdatum.cli.ports import Port
from tipdatum.cli.questions import ARROWS
from tipdatum.config import load_service
from tipdatum.kinematics.frames import rotation_from_rpy_deg
from tipdatum.machine.description import Mounted
from tipdatum.machine.words import notes
from tipdatum_drivers.registry import BUILT_IN, find_driver

MEASURED = (
    "--yes", "--name", "Blue digger", "--foot", "0.35,0,1.75", "--boom", "460 cm", "--stick", "2500 mm",
    "--tip", "1.3", "--width", "60 cm",
)  # fmt: skip

New = Callable[..., tuple[int, str]]


@pytest.fixture
def new(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> New:
    """`new("--boom", …)`: runs in a fresh folder; exit code and what was told on stderr."""

    def run(*arguments: str) -> tuple[int, str]:
        with pytest.raises(SystemExit) as ended:
            main(["new", str(tmp_path / "site"), *arguments])
        return int(ended.value.code or 0), capsys.readouterr().err.strip()

    return run


def test_measurements_become_a_machine_that_loads(new: New, tmp_path: Path) -> None:
    assert new(*MEASURED, "--sensor", "boom=1.7,0.12,0.24:back up") == (0, "")
    service = load_service(tmp_path / "site" / "blue-digger.toml")
    assert service.machine_id == "blue-digger"
    assert service.machine.name == "Blue digger"
    assert service.machine.chain().lengths.tolist() == [4.6, 2.5, 1.3]
    assert service.machine.boom.foot_m == (0.35, 0.0, 1.75)
    assert set(service.machine.sensor) == {"upper", "boom", "stick", "bucket"}
    assert service.machine.sensor["boom"].position_m == (1.7, 0.12, 0.24)
    assert service.machine.sensor["boom"].mount_rpy_deg == (0.0, 0.0, 180.0)


def test_a_sensor_on_the_rocker_brings_the_linkage(new: New, tmp_path: Path) -> None:
    code, told = new(*MEASURED, "--linkage", "0.35, 0.02, 0.60, 0.55, 0.39", "--ear-angle", "136")
    assert (code, told) == (0, "")
    machine = load_service(tmp_path / "site" / "blue-digger.toml").machine
    assert machine.linkage is not None
    assert machine.linkage.rocker_pivot_m == (2.15, 0.02)
    assert "rocker" in machine.sensor
    assert "bucket" not in machine.sensor


EVERY_JOINT = """
joints = "second_boom, boom_swing, tilt"
second_boom = "2100 mm"
boom_swing = "0.55, 0.05"
tilt_axis = "0.18, 0.15"
tilt_deg = "128"
"""


def test_more_joints_become_tables_that_load(new: New, tmp_path: Path) -> None:
    (tmp_path / "answers.toml").write_text(EVERY_JOINT)
    assert new(*MEASURED, "--answers", str(tmp_path / "answers.toml")) == (0, "")
    machine = load_service(tmp_path / "site" / "blue-digger.toml").machine
    assert machine.second_boom is not None
    assert machine.second_boom.length_m == 2.1
    assert machine.boom_swing is not None
    assert machine.boom_swing.pivot_m[:2] == (0.55, 0.05)
    assert (machine.bucket[0].tilt_axis_m, machine.bucket[0].tilt_axis_deg) == ((0.18, 0.15), 128.0)
    assert machine.swing_sensor == "swing"
    assert {s.body for s in machine.sensor.values()} == {
        "upper", "boom", "second_boom", "stick", "bucket", "boom_swing",
    }  # fmt: skip


def test_a_coupler_carries_the_bucket_and_its_sensor(new: New, tmp_path: Path) -> None:
    answers = 'joints = "coupler"\ncoupler = "34 cm"\ncoupler_deg = 118\npins_deg = 136\n'
    (tmp_path / "answers.toml").write_text(answers)
    assert new(*MEASURED, "--answers", str(tmp_path / "answers.toml")) == (0, "")
    machine = load_service(tmp_path / "site" / "blue-digger.toml").machine
    assert machine.coupler is not None
    assert machine.coupler.length_m == 0.34
    assert machine.bucket[0].pin_m is not None
    assert "coupler" in machine.sensor


TILTING_COUPLER = """\
joints = "tilt, coupler"
coupler = "34 cm"
coupler_deg = 118
pins_deg = 136
tilts = "coupler"
tilt_axis = "0.10, 0.08"
tilt_deg = 110
slew_sensor = "yes"
"""


def test_a_coupler_that_tilts_and_a_slew_sensor_are_described(new: New, tmp_path: Path) -> None:
    (tmp_path / "answers.toml").write_text(TILTING_COUPLER)
    assert new(*MEASURED, "--answers", str(tmp_path / "answers.toml")) == (0, "")
    machine = load_service(tmp_path / "site" / "blue-digger.toml").machine
    assert machine.coupler is not None
    assert (machine.coupler.tilt_axis_m, machine.coupler.tilt_axis_deg) == ((0.10, 0.08), 110.0)
    assert machine.chain().tilt_axis is not None
    assert set(machine.sensor) == {"upper", "boom", "stick", "coupler", "slew"}
    assert Mounted(machine, None, {}).has_slew_sensor


@pytest.mark.parametrize(
    ("answers", "where", "told"),
    [
        (TILTING_COUPLER, "rocker", "none of coupler, bucket"),
        ('joints = "tilt"\ntilt_axis = "0.18, 0.15"\ntilt_deg = 128\n', "rocker", "none of bucket"),
    ],
)
def test_a_sensor_that_could_not_tell_the_tilt_is_refused(
    new: New, tmp_path: Path, answers: str, where: str, told: str
) -> None:
    (tmp_path / "answers.toml").write_text(answers)
    assert told in new(*MEASURED, "--answers", str(tmp_path / "answers.toml"), "--fourth", where)[1]


def test_a_joint_without_its_measure_is_asked_for_by_its_key(new: New, tmp_path: Path) -> None:
    code, told = new(*MEASURED, "--joints", "second_boom")
    assert code != 0
    assert "second_boom of an answers file is missing (second boom: pin at the boom's end" in told
    assert "is none of second_boom, boom_swing, tilt, coupler" in new(*MEASURED, "--joints", "rotator")[1]


def test_every_number_written_is_explained(new: New, tmp_path: Path) -> None:
    new(*MEASURED)
    text = (tmp_path / "site" / "blue-digger-machine.toml").read_text()
    assert tomllib.loads(text)["boom"]["length_m"] == 4.6
    for key in ("foot_m", "length_m", "tip_m", "width_m", "position_m", "mount_rpy_deg", "latency_s"):
        first = next(line for line in text.splitlines() if line.startswith(key))
        assert "#" in first


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--yes",), "--foot is missing (boom foot pin"),
        ((*MEASURED, "--boom", "4600"), "--boom: 4600 m cannot be: above 0.3 m and at most 30 m"),
        ((*MEASURED, "--boom", "long"), "--boom: "),
        (
            (*MEASURED, "--foot", "0.35,1.75"),
            '--foot: "0.35,1.75" is not 3 lengths',
        ),
        ((*MEASURED, "--sensor", "arm=1,2,3"), '--sensor "arm=1,2,3": a body'),
        ((*MEASURED, "--sensor", "rocker=1,0,0"), "there is none on the rocker with --fourth bucket"),
        (
            (*MEASURED, "--sensor", "boom=1.7,0,0:along back"),
            "the x and the z arrow are square to each other",
        ),
        ((*MEASURED, "--sensor", "boom=1.7,0,0:forward up"), "two words, for the x and the z arrow, out of"),
        ((*MEASURED, "--machine-id", "Blue Digger"), "is not made of a-z, 0-9 and hyphens"),
        ((*MEASURED, "--name", 'a "b"'), "--name: a name without quotation marks"),
        ((*MEASURED, "--linkage", "0.35,0.02,0.6,0.55,0.39"), "--ear-angle is missing"),
        (
            (*MEASURED, "--linkage", "0.35,0.02,0.6,0.55,0.39", "--ear-angle", "wide"),
            '"wide" is not a number',
        ),
    ],
)
def test_what_makes_no_sense_is_refused(new: New, arguments: tuple[str, ...], told: str) -> None:
    code, said = new(*arguments)
    assert code == 2
    assert told in said
    assert "\n" not in said


def test_numbers_that_do_not_fit_together_are_told_with_the_file_to_mend(new: New) -> None:
    code, told = new(*MEASURED, "--linkage", "0.35,0.02,0.60,0.05,0.04", "--ear-angle", "136")
    assert code == 2
    assert "blue-digger-machine.toml: linkage: found rocker 0.600 m" in told


def test_files_that_exist_are_left_alone_unless_told_otherwise(new: New, tmp_path: Path) -> None:
    assert new(*MEASURED)[0] == 0
    path = tmp_path / "site" / "blue-digger-machine.toml"
    path.write_text("mine")
    code, told = new(*MEASURED)
    assert code == 2
    assert "exists already; --force overwrites it" in told
    assert path.read_text() == "mine"
    assert new(*MEASURED, "--force")[0] == 0
    assert path.read_text() != "mine"


def test_the_template_is_an_answers_file_that_works_as_printed(
    new: New, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit):
        main(["new", "--template"])
    printed = capsys.readouterr().out
    for text, name in (
        (printed, "my-excavator"),
        (printed.replace("# ", "#").replace('#name = "My', 'name = "Our'), "our-excavator"),
    ):
        (tmp_path / "answers.toml").write_text(text)
        assert new("--answers", str(tmp_path / "answers.toml")) == (0, "")
        machine = load_service(tmp_path / "site" / f"{name}.toml").machine
        assert (machine.boom.length_m, machine.stick.length_m, machine.bucket[0].tip_m) == (4.6, 2.5, 1.3)


def test_every_default_of_the_template_is_the_one_that_is_taken(new: New, tmp_path: Path) -> None:
    everything = "\n".join(
        line.removeprefix("# ")
        if re.match(r"# (\[|\w+ = )", line) and "linkage" not in line and "ear_" not in line
        else line
        for line in ANSWERS.splitlines()
    )
    made = []
    for text in (ANSWERS, everything):
        (tmp_path / "answers.toml").write_text(text)
        assert new("--force", "--answers", str(tmp_path / "answers.toml"))[0] == 0
        made.append(load_service(tmp_path / "site" / "my-excavator.toml").machine)
    for name, sensor in made[0].sensor.items():
        assert made[1].sensor[name].position_m == sensor.position_m
        assert made[1].sensor[name].mount_rpy_deg == sensor.mount_rpy_deg
        assert (sensor.unmeasured, made[1].sensor[name].unmeasured) == (("position_m", "mount_rpy_deg"), ())


def test_guesses_are_marked_in_the_file_and_named_until_measured(
    new: New, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    new(*MEASURED, "--sensor", "boom=1.7,0.12,0.24:back up", "--sensor", "stick=1.2,0.1,0.2")
    path = tmp_path / "site" / "blue-digger-machine.toml"
    told = notes(load_service(tmp_path / "site" / "blue-digger.toml").machine)
    assert any("position_m of upper, bucket is a guess that nobody measured" in note for note in told)
    assert any("mount_rpy_deg of upper, stick, bucket is a guess" in note for note in told)
    lines = [line for line in path.read_text().splitlines() if not line.startswith("unmeasured")]
    path.write_text("\n".join(lines))
    assert not any(
        "guess" in note for note in notes(load_service(path.with_name("blue-digger.toml")).machine)
    )


def test_answers_are_kept_when_somebody_breaks_off_and_are_not_asked_again(
    new: New, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []
    answers = iter(["Blue digger", "blue-digger", "0.35, 0, 1.75", "460 cm", None])

    def prompt(question: str, **_: object) -> str:
        asked.append(question)
        answer = next(answers, "x")
        if answer is None:
            raise typer.Abort
        return answer

    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr(typer, "prompt", prompt)
    assert new()[0] == 130, "broken off, as the table of exit codes says"
    kept = tmp_path / "site" / "answers.toml"
    assert 'boom = "460 cm"' in kept.read_text()
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    more = ("--stick", "2.5", "--tip", "1.3", "--width", "0.6")
    assert new("--answers", str(kept), *more)[0] == 0
    assert load_service(tmp_path / "site" / "blue-digger.toml").machine.boom.length_m == 4.6


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('boon = "4.6"', 'answers.toml: boon: found an unknown key; expected "boom"?'),
        ('boom = "long"', "answers.toml: boom: "),
        ("[sensor.boom]\nplace = 1", "sensor.boom.place: found an unknown key"),
        ("boom = [", "answers.toml"),
    ],
)
def test_a_wrong_answers_file_is_refused_by_file_and_key(
    new: New, tmp_path: Path, text: str, told: str
) -> None:
    (tmp_path / "answers.toml").write_text(text)
    code, said = new("--foot", "0,0,1", "--answers", str(tmp_path / "answers.toml"))
    assert code == 2
    assert told in said


def test_numbers_and_lists_of_an_answers_file_may_stand_as_such(new: New, tmp_path: Path) -> None:
    (tmp_path / "answers.toml").write_text(
        'name = "Blue digger"\nfoot = [0.35, 0, 1.75]\nboom = 4.6\nstick = 2.5\ntip = 1.3\nwidth = 0.6\n'
        "sensor.boom.position = [1.7, 0.1, 0.2]\n"
    )
    assert new("--answers", str(tmp_path / "answers.toml"))[0] == 0
    machine = load_service(tmp_path / "site" / "blue-digger.toml").machine
    assert machine.sensor["boom"].position_m == (1.7, 0.1, 0.2)
    assert machine.sensor["boom"].unmeasured == ("mount_rpy_deg",)


def test_every_ready_made_driver_table_works_when_its_marks_are_taken_off() -> None:
    port = Port("/dev/ttyUSB0", "/dev/serial/by-id/usb-adapter", "0403:6001", "A1", "adapter")
    text = driver_tables([port])
    assert "Connected when this was written: /dev/serial/by-id/usb-adapter (adapter)." in text
    assert "tipdatum sniff /dev/serial/by-id/usb-adapter" in text
    _, *tables = text.split("# [[driver]]")
    kinds = set()
    for table in tables:
        taken_off = re.sub(r"(?m)^# ", "", "[[driver]]" + table)
        (driver,) = tomllib.loads(taken_off)["driver"]
        kinds.add(driver["kind"])
        find_driver(driver.pop("kind")).Options.model_validate(driver)
    assert kinds == set(BUILT_IN) - {"csv-replay"}


@given(st.sampled_from(sorted(ARROWS)), st.sampled_from(sorted(ARROWS)))
def test_arrows_become_the_mount_that_points_them_there(x_arrow: str, z_arrow: str) -> None:
    if np.dot(ARROWS[x_arrow], ARROWS[z_arrow]) != 0.0:
        return
    mount = rotation_from_rpy_deg(mount_from_arrows(x_arrow, z_arrow))
    np.testing.assert_allclose(mount[:, 0], ARROWS[x_arrow], atol=1e-9)
    np.testing.assert_allclose(mount[:, 2], ARROWS[z_arrow], atol=1e-9)
    assert np.linalg.det(mount) == pytest.approx(1.0)


def test_check_as_json_tells_errors_and_notes(
    new: New, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    new(*MEASURED)
    site = tmp_path / "site"
    for file, ok in (("blue-digger-machine.toml", True), ("none.toml", False)):
        with pytest.raises(SystemExit) as ended:
            main(["check", "--json", str(site / file)])
        told = json.loads(capsys.readouterr().out)
        assert told["ok"] is ok
        assert (ended.value.code == 0) is ok
        assert bool(told["errors"]) is not ok
        assert any("nobody measured" in one["note"] for one in told["notes"]) is ok
        assert told["files"] == [str(site / file)]
