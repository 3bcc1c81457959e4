"""What may go wrong while the service runs: brokers, disks and files. It keeps going and says so once."""

from __future__ import annotations

import resource
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from bus_tools import Mosquitto, free_port
from service_process import Client, Service, write_service

from tipdatum.bus.broker import EmbeddedBroker
from tipdatum_drivers.session_file import SessionFile

QUIET = "[display]\nenabled = false\n"


@pytest.fixture
def folder(tmp_path: Path, still: Path) -> Path:
    (tmp_path / "still.ndjson").symlink_to(still)
    write_service(tmp_path, QUIET)
    return tmp_path


@pytest.fixture
def start(folder: Path) -> Iterator[Callable[..., Service]]:
    """`start(*options)`: a running service; ended with the test."""
    running: list[Service] = []

    def begin(*options: str) -> Service:
        running.append(Service(folder / "service.toml", *options))
        return running[-1]

    yield begin
    for service in running:
        service.close()


def test_it_starts_before_its_broker_and_is_online_once_that_is_there(
    folder: Path, start: Callable[..., Service], need_mosquitto: None
) -> None:
    port = free_port()
    write_service(folder, f'{QUIET}[broker]\nhost = "127.0.0.1"\nport = {port}\n')
    service = start()
    service.wait_for(rf"nothing listens at 127\.0\.0\.1:{port}")
    broker = Mosquitto.open_to_all(folder / "broker", port)
    try:
        service.wait_for('"event": "broker online"')
        with Client(port) as client:
            client.wait_for("tip")
        assert service.end() == 0
    finally:
        broker.stop()
    assert sum("nothing listens" in line for line in service.lines) == 1
    assert "Traceback" not in service.log


def test_a_wrong_password_is_told_once_and_never_shown_and_the_service_goes_on(
    folder: Path, start: Callable[..., Service]
) -> None:
    (folder / "password").write_text("wrong-pa55\n")
    with EmbeddedBroker(users={"digger": "right-pa55"}) as broker:
        assert broker.addresses is not None
        write_service(
            folder,
            f'{QUIET}[broker]\nhost = "127.0.0.1"\nport = {broker.addresses.port}\n'
            'user = "digger"\npassword_file = "password"\n[recording]\ndirectory = "sessions"\n',
        )
        service = start()
        line = service.wait_for(r'"text": "([^"]*)".*"event": "broker offline"')
        service.wait_for('"event": "sensor ok"')  # readings are worked on all the same
        assert service.end() == 0
    assert "password" in line[1] or "user" in line[1]
    assert sum("broker offline" in told for told in service.lines) == 1
    assert "pa55" not in service.log
    assert "Traceback" not in service.log
    (recording,) = (folder / "sessions").iterdir()
    assert sum(1 for _ in SessionFile(recording)) > 0


def noise_of(about: dict[str, Any]) -> float:
    """The stick's gyro's, rad/s/√Hz."""
    return float(about["machine"]["sensor"]["stick"]["noise"]["gyro_radps_rthz"])


def test_a_changed_file_is_taken_over_and_a_broken_one_is_not(
    folder: Path, start: Callable[..., Service]
) -> None:
    service = start()
    with Client(service.port) as client:
        client.wait_for("tip", lambda tip: tip["quality"] == "good")
        machine = folder / "machine.toml"
        described = machine.read_text()
        renamed = described.replace("invented still machine", "measured anew")
        machine.write_text(renamed)
        service.process.send_signal(signal.SIGHUP)
        service.wait_for('"event": "reloaded"')
        about = client.wait_for("about", lambda about: about["machine"]["name"] == "measured anew")
        assert about["machine"]["boom"]["length_m"] == 4.7

        for noise in (0.02, 0.000175):  # of another one it starts anew, back to the usual too
            machine.write_text(f"{renamed}\n[sensor.stick.noise]\ngyro_radps_rthz = {noise}\n")
            service.process.send_signal(signal.SIGHUP)
            service.wait_for(r'sensor\.stick\.noise\.gyro_radps_rthz.*"event": "reloaded"')
            client.wait_for("about", lambda about, noise=noise: noise_of(about) == noise)
            client.wait_for("tip", lambda tip: tip["quality"] == "good")

        machine.write_text(described.replace("4.7", "4700"))
        service.process.send_signal(signal.SIGHUP)
        service.wait_for(r"reload refused; going on as before")
        assert "looks like millimetres" in service.log

        machine.write_text(described)
        write_service(folder, f"{QUIET}[fusion]\ntick_hz = 100\n[work]\nwait_s = 5\n")
        service.process.send_signal(signal.SIGHUP)
        service.wait_for(r"fusion.tick_hz \(a restart ticks at the new rate\).*these wait for a restart")
        client.wait_for("about", lambda about: about["machine"]["name"] == "invented still machine")
        assert client.wait_for("tip")["quality"] == "good"
        assert service.end() == 0
    assert "Traceback" not in service.log


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path | None]:
    """A disk of 200 kB, None where this user may not mount one."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=200k", "tmpfs", str(place)]
    try:
        mounted = subprocess.run(mount, capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        mounted = False
    yield place if mounted else None
    if mounted:
        subprocess.run(["umount", "--lazy", str(place)], check=True)


@pytest.mark.skipif(sys.platform != "linux", reason="fills a disk the way Linux does")
def test_a_full_disk_ends_the_recording_and_nothing_else(
    folder: Path, start: Callable[..., Service], small_disk: Path | None
) -> None:
    recording = (small_disk or folder) / "dig.ndjson"
    service = start("--record", str(recording))
    if small_disk is None:
        # Without a disk of its own: no file of the process may grow beyond what fits the state, not the dig.
        resource.prlimit(service.process.pid, resource.RLIMIT_FSIZE, (200_000, 200_000))
    with Client(service.port) as client:
        told = client.wait_for("event", lambda event: event["kind"] == "recording stopped")
        assert "dig.ndjson" in told["text"]
        assert client.wait_for("tip")["quality"] == "good"
        assert client.set_reference()["ok"]
        assert service.end() == 0
    assert "Traceback" not in service.log
    assert sum(1 for _ in SessionFile(recording)) > 500
