"""The service's file: what it may say, what is taken relative to it, and each mistake in one sentence."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from small_machine import MACHINE
from tipdatum.config import FusionTable, ServiceFile, Settings, load_service, make_settings
from tipdatum.errors import ConfigError
from tipdatum.fusion.estimator import names, options_model
from tipdatum.grade.forms import WorkOptions
from tipdatum.machine.description import load_machine


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A site's folder, with the working directory somewhere else."""
    (tmp_path / "site" / "machines").mkdir(parents=True)
    (tmp_path / "site" / "machines" / "Big Digger_2.toml").write_text(MACHINE)
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    return tmp_path / "site"


def write(folder: Path, text: str, machine: str = "machines/Big Digger_2.toml") -> Path:
    path = folder / "service.toml"
    path.write_text(f'machine = "{machine}"\n{text}')
    return path


def refusal(folder: Path, text: str, **more: str) -> str:
    path = write(folder, text, **more)
    with pytest.raises(ConfigError) as refused:
        load_service(path)
    told = str(refused.value)
    assert told.startswith(str(path))
    assert "\n" not in told
    return told.removeprefix(f"{path}: ")


def test_a_machine_alone_is_a_service_with_every_default(folder: Path) -> None:
    service = load_service(write(folder, ""))
    assert service.machine.name == "invented machine"
    assert service.machine_id == "big-digger-2"
    assert service.settings.period_s == pytest.approx(0.04)
    assert service.settings.arm_every == 1
    assert service.settings.raw
    assert not service.settings.on_arrival
    assert service.broker.uses_embedded
    assert service.state_directory is None
    assert service.drivers == ()


def test_relative_paths_are_relative_to_the_file(folder: Path) -> None:
    service = load_service(
        write(
            folder,
            '[[driver]]\nkind = "replay"\nfile = ["a.ndjson", "b.ndjson"]\n'
            '[[driver]]\nkind = "replay"\nfile = "/c.ndjson"\n'
            '[state]\ndirectory = "state"\n',
        )
    )
    assert service.machine_path == (folder / "machines" / "Big Digger_2.toml").resolve()
    assert service.state_directory == folder / "state"
    first, second = (getattr(driver.options, "file", None) for driver in service.drivers)
    assert first == (folder / "a.ndjson", folder / "b.ndjson")
    assert second == Path("/c.ndjson")


def test_a_tilde_is_the_users_home(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(folder))
    text = '[state]\ndirectory = "~/kept"\n'
    service = load_service(write(folder, text, machine="~/machines/Big Digger_2.toml"))
    assert service.state_directory == folder / "kept"
    assert service.machine.name == "invented machine"


def test_a_file_named_relative_to_the_working_directory_is_found_too(folder: Path) -> None:
    write(folder, "")
    service = load_service(Path(os.path.relpath(folder / "service.toml")))
    assert service.machine.name == "invented machine"


@pytest.mark.parametrize(
    ("given", "expected"), [('machine_id = "digger-7"\n', "digger-7"), ("", "big-digger-2")]
)
def test_the_machine_id_is_the_given_one_or_the_files_name(folder: Path, given: str, expected: str) -> None:
    assert load_service(write(folder, given)).machine_id == expected


def test_a_file_name_without_any_letter_still_gives_a_machine_id(folder: Path) -> None:
    (folder / "__.toml").write_text(MACHINE)
    assert load_service(write(folder, "", machine="__.toml")).machine_id == "machine"


@pytest.mark.parametrize("given", ["Digger 7", "digger/7", "digger+", "", "dïgger"])
def test_a_machine_id_that_is_no_topic_level_is_refused(folder: Path, given: str) -> None:
    told = refusal(folder, f'machine_id = "{given}"\n')
    assert told == (
        f'machine_id: found "{given}"; expected small letters, digits and hyphens, such as digger-1'
    )


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("machine_idd = 'x'", 'machine_idd: unknown key; did you mean "machine_id"?'),
        ("[fusion]\ntick_hz = 0", "fusion.tick_hz: found 0; expected a number in Hz from 1 to 200"),
        ("[fusion]\ntick_hz = '50'", 'fusion.tick_hz: found "50"; expected a number in Hz from 1 to 200'),
        ("[fusion]\ntick_hz = nan", "fusion.tick_hz: found nan; expected a"),
        ("[fusion]\narm_hz = -1", "fusion.arm_hz: found -1; expected a number in Hz from 0 to 200"),
        ("[fusion]\npublish = 'often'", 'fusion.publish: found "often"; expected one of "tick", "arrival"'),
        ("[fusion]\nraw = 'perhaps'", 'fusion.raw: found "perhaps"; expected true or false'),
        ("[fusion]\nestimator = 'best'", 'fusion.estimator: found "best"; expected one of'),
        ("[fusion.options]\nbandwith_hz = 2", "fusion.options.bandwith_hz: unknown key"),
        ("[work]\nstill_least_s = -1", "work.still_least_s: found -1; expected a number in seconds"),
        ("[state]\ndirectory = 5", "state.directory: found 5; expected a text"),
        ("[broker]\nport = 70000", "broker.port: found 70000; expected a whole number"),
        ("[broker]\ntopic_root = 'a/#'", 'broker.topic_root: found "a/#"; expected a topic such as'),
        ("[broker.small_displays]\nunit = 'yard'", 'broker.small_displays.unit: found "yard"; expected one'),
        ("[display]\nport = -1", "display.port: found -1; expected a whole number from 0 to 65535"),
        ("[recording]\nformat = 'csv'", 'recording.format: found "csv"; expected one of'),
        ("driver = 5", "driver: found 5; expected"),
        ("[driver]\nkind = 'replay'", "driver: found a table; expected"),
        ("[[driver]]\nfile = 'a'", "driver[0].kind: found nothing; expected a driver's name"),
        ("[[driver]]\nkind = 5", "driver[0].kind: found 5; expected a driver's name"),
        ("[[driver]]\nkind = 'reply'", 'driver[0].kind: found "reply"; expected "replay"?'),
        ("[[driver]]\nkind = 'replay'", "driver[0].file: found nothing; expected a path"),
    ],
)  # fmt: skip
def test_each_mistake_is_told_by_key_found_and_expected(folder: Path, text: str, told: str) -> None:
    assert refusal(folder, text).startswith(told)


@pytest.mark.parametrize(
    ("options", "key"),
    [
        ("spede = 2", "driver[1].spede"),
        ("speed = 'fast'", "driver[1].speed"),
        ("speed = -1", "driver[1].speed"),
        ("loop = 'perhaps'", "driver[1].loop"),
    ],
)
def test_a_drivers_option_is_told_with_the_drivers_place(folder: Path, options: str, key: str) -> None:
    good = '[[driver]]\nkind = "replay"\nfile = "a.ndjson"\n'
    assert refusal(folder, f"{good}{good}{options}\n").startswith(f"{key}: ")


def test_a_machine_that_is_not_there_is_told_as_it_was_written(folder: Path) -> None:
    told = refusal(folder, "", machine="machines/none.toml")
    assert (
        told
        == 'machine: found "machines/none.toml", which does not exist; expected the path of a machine file'
    )


def test_a_mistake_in_the_machines_file_names_that_file(folder: Path) -> None:
    (folder / "machine.toml").write_text(MACHINE.replace("4.7", "4700"))
    with pytest.raises(ConfigError, match=r"machine\.toml: boom\.length_m: found 4700, which looks like m"):
        load_service(write(folder, "", machine="machine.toml"))


def test_a_service_file_given_as_the_machine_is_refused(folder: Path) -> None:
    with pytest.raises(ConfigError, match=r"service\.toml: found a service's file; expected a machine's"):
        load_service(write(folder, "", machine="service.toml"))


@pytest.mark.parametrize("estimator", names())
def test_every_estimator_has_options_with_defaults(estimator: str) -> None:
    settings = make_settings(FusionTable(estimator=estimator), WorkOptions(), "f")
    assert settings.estimator_options == options_model(estimator)()


@pytest.mark.parametrize(
    ("tick_hz", "arm_hz", "every"), [(50.0, 25.0, 2), (50.0, 0.0, 0), (50.0, 200.0, 1), (200.0, 10.0, 20)]
)
def test_the_arm_is_published_every_so_many_ticks(tick_hz: float, arm_hz: float, every: int) -> None:
    settings = make_settings(FusionTable(tick_hz=tick_hz, arm_hz=arm_hz), WorkOptions(), "f")
    assert settings.arm_every == every
    assert settings.period_s == pytest.approx(1.0 / tick_hz)


def test_figures_on_arrival_are_a_choice() -> None:
    assert make_settings(FusionTable(publish="arrival"), WorkOptions(), "f").on_arrival
    assert not Settings().on_arrival


def test_every_table_can_be_left_out() -> None:
    required = [name for name, info in ServiceFile.model_fields.items() if info.is_required()]
    assert required == ["machine"]


def test_a_machine_and_a_service_file_in_each_others_place_are_told_apart(tmp_path: Path) -> None:
    machine, service = tmp_path / "digger.toml", tmp_path / "site.toml"
    machine.write_text("[boom]\n")
    service.write_text('machine = "digger.toml"\n')
    with pytest.raises(ConfigError, match="found a machine's description; expected a service's file"):
        load_service(machine)
    with pytest.raises(ConfigError, match="found a service's file; expected a machine's description"):
        load_machine(service)
