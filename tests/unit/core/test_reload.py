"""What a changed service file changes in the running service, and what waits for a restart."""

from __future__ import annotations

from pathlib import Path

import pytest

from small_machine import MACHINE
from tipdatum.config import Service, load_service
from tipdatum.errors import InputError
from tipdatum.run.reload import reloaded

SERVICE = 'machine = "machine.toml"\n'


@pytest.fixture
def running(tmp_path: Path) -> Service:
    (tmp_path / "machine.toml").write_text(MACHINE)
    return load(tmp_path, SERVICE)


def load(folder: Path, text: str) -> Service:
    (folder / "service.toml").write_text(text)
    return load_service(folder / "service.toml")


def test_an_unchanged_file_changes_nothing(running: Service, tmp_path: Path) -> None:
    change = reloaded(running, load(tmp_path, SERVICE))
    assert change.service == running
    assert change.needs_restart == ()


def test_a_machine_that_was_measured_anew_is_taken_over(running: Service, tmp_path: Path) -> None:
    (tmp_path / "machine.toml").write_text(MACHINE.replace("4.7", "4.705"))
    change = reloaded(running, load(tmp_path, SERVICE))
    assert change.service.machine.boom.length_m == 4.705
    assert change.needs_restart == ()


def test_options_of_the_work_are_taken_over(running: Service, tmp_path: Path) -> None:
    change = reloaded(running, load(tmp_path, SERVICE + "[work]\nwait_s = 7\n"))
    assert change.service.settings.work.wait_s == 7.0
    assert change.needs_restart == ()


@pytest.mark.parametrize(
    ("text", "table"),
    [
        ('machine_id = "other"\n' + SERVICE, "machine_id"),
        (SERVICE + '[[driver]]\nkind = "replay"\nfile = "a.ndjson"\n', "drivers"),
        (SERVICE + '[broker]\nhost = "192.168.1.10"\n', "broker"),
        (SERVICE + '[recording]\ndirectory = "sessions"\n', "recording"),
        (SERVICE + "[display]\nport = 8080\n", "display"),
        (SERVICE + '[state]\ndirectory = "state"\n', "state_directory"),
        (SERVICE + "[fusion]\ntick_hz = 100\n", "fusion"),
        (SERVICE + "[fusion.options]\nepoch_s = 0.1\n", "fusion"),
    ],
)
def test_what_stands_in_ports_threads_and_files_waits_for_a_restart(
    running: Service, tmp_path: Path, text: str, table: str
) -> None:
    change = reloaded(running, load(tmp_path, text + "\n"))
    assert change.needs_restart == (table,)
    assert change.service == running


def test_a_change_that_waits_does_not_hold_up_another(running: Service, tmp_path: Path) -> None:
    text = SERVICE + "[fusion]\ntick_hz = 100\n[work]\nwait_s = 7\n"
    change = reloaded(running, load(tmp_path, text))
    assert change.needs_restart == ("fusion",)
    assert change.service.settings.work.wait_s == 7.0
    assert change.service.settings.period_s == running.settings.period_s


def test_other_sensors_are_refused(running: Service, tmp_path: Path) -> None:
    (tmp_path / "machine.toml").write_text(MACHINE + '[sensor.stick]\nbody = "stick"\n')
    with pytest.raises(InputError, match="other sensors need a restart"):
        reloaded(running, load(tmp_path, SERVICE))
