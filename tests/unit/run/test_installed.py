"""What the shipped unit would refuse is said before it is installed."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from tipdatum.config import load_service
from tipdatum.run.installed import HIDDEN, OWN_TMP, PORTS, STATE, refusals

CONFIG = Path(__file__).parents[3] / "config"
UNIT = (CONFIG / "systemd" / "tipdatum@.service").read_text(encoding="utf-8")


def service(folder: Path, text: str) -> list[str]:
    shutil.copy(CONFIG / "machines" / "demo.toml", folder / "machine.toml")
    file = folder / "digger-1.toml"
    file.write_text(f'machine = "machine.toml"\n{text}')
    return refusals(load_service(file))


@pytest.fixture
def seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder that stands for one which the unit sees: tests live below /tmp."""
    monkeypatch.setattr("tipdatum.run.installed.OWN_TMP", ())
    monkeypatch.setattr("tipdatum.run.installed.HIDDEN", (tmp_path / "home",))
    for folder in (tmp_path, *tmp_path.parents):
        if folder.stat().st_uid == os.getuid() and folder != Path(folder.anchor):
            folder.chmod(folder.stat().st_mode | 0o055)
    return tmp_path


def test_a_service_that_keeps_to_its_state_folder_is_fine(seen: Path) -> None:
    assert service(seen, '[recording]\ndirectory = "/var/lib/tipdatum/digger-1/sessions"\n') == []


def test_a_recording_beside_the_file_is_refused_with_the_folder_to_write(seen: Path) -> None:
    (found,) = service(seen, '[recording]\ndirectory = "sessions"\n')
    assert found.startswith(f"recording.directory: {seen}/sessions cannot be written to")
    assert found.endswith('write "/var/lib/tipdatum/digger-1/sessions"')


def test_another_machines_state_folder_is_not_its_own(seen: Path) -> None:
    (found,) = service(seen, '[state]\ndirectory = "/var/lib/tipdatum/digger-10"\n')
    assert "state.directory" in found


def test_a_file_in_a_home_is_out_of_sight(seen: Path) -> None:
    (seen / "home").mkdir()
    found = service(seen / "home", "")
    assert [f.split(":")[0] for f in found] == ["the service's file", "machine"]


def test_a_secret_that_only_root_reads_is_named_with_the_way_out(seen: Path) -> None:
    secret = seen / "password"
    secret.write_text("hush")
    secret.chmod(0o600)
    found = service(seen, '[broker]\nhost = "broker"\nuser = "a"\npassword_file = "password"\n')
    assert any("broker.password_file" in f and "LoadCredential" in f for f in found)


def test_a_display_on_a_low_port_wants_a_right_that_is_taken_away(seen: Path) -> None:
    (found,) = service(seen, "[display]\nport = 80\n")
    assert found.startswith("display.port: 80")


def test_the_rules_are_those_of_the_unit() -> None:
    """Man pages systemd.exec(5), systemd.resource-control(5): what each line of the unit forbids."""
    assert f"StateDirectory={STATE.name}/%i" in UNIT
    assert "ProtectSystem=strict" in UNIT
    assert "ProtectHome=yes" in UNIT
    assert {str(p) for p in HIDDEN} == {"/home", "/root", "/run/user"}
    assert "PrivateTmp=yes" in UNIT
    assert {str(p) for p in OWN_TMP} == {"/tmp", "/var/tmp"}
    allowed = [line.split("=")[1].split()[0] for line in UNIT.splitlines() if line.startswith("DeviceAllow=")]
    assert [f"/dev/{name.removeprefix('char-')}" for name in allowed] == list(PORTS)
    assert "CapabilityBoundingSet=\n" in UNIT


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="systemd-analyze is not installed")
def test_systemd_finds_nothing_wrong_with_the_unit(tmp_path: Path) -> None:
    unit = tmp_path / "tipdatum@digger-1.service"
    unit.write_text(UNIT.replace("/opt/tipdatum/bin/tipdatum", "/bin/true"))
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(unit)],
        capture_output=True, text=True, timeout=240, check=False,
    )  # fmt: skip
    about_ours = [line for line in done.stderr.splitlines() if "tipdatum@" in line]
    assert about_ours == []
