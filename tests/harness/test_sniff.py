"""`tipdatum sniff` and `tipdatum ports`, as a person at the machine uses them."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import typer
from serial_tools import TornPort

from tipdatum.cli.ports import ports, stable_links
from tipdatum.cli.sniff import sniff
from tipdatum.errors import PortError


@contextlib.contextmanager
def sending(port: TornPort, line: Callable[[int], bytes]) -> Iterator[list[float]]:
    """Something that sends 100 times a second, or as often as a busy computer lets it; gives the times."""
    ended = threading.Event()
    sent: list[float] = []

    def send() -> None:
        i = 0
        while not ended.wait(0.01):
            port.send(line(i))
            sent.append(time.monotonic())
            i += 1

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield sent
    finally:
        ended.set()
        thread.join()
        port.close()


def summed(body: str) -> bytes:
    total = 0
    for character in body.encode():
        total ^= character
    return f"${body}*{total:02X}\r\n".encode()


def test_unknown_sensor_is_recognised_shown_and_described(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "160")
    port = TornPort(tmp_path / "tty")
    with sending(port, lambda i: summed(f"HCXDR,A,{i % 50 / 10},D,PITCH,A,-2.5,D,ROLL")) as sent:
        sniff(str(port.path), seconds=1.0)
    told = capsys.readouterr().out
    assert "115200 baud: NMEA 0183" in told
    assert 'kind = "nmea-xdr"' in told
    assert "roll -2.50°" in told
    row = next(line for line in told.splitlines() if line.startswith("device  ok"))
    rate = float(row.split(" Hz")[0].split()[-1])
    assert rate == pytest.approx((len(sent) - 1) / (sent[-1] - sent[0]), rel=0.4)


def test_text_is_shown_and_left_to_a_person_to_describe(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    port = TornPort(tmp_path / "tty")
    with sending(port, lambda i: f"{i},{i / 7:.3f},9.81\n".encode()), pytest.raises(typer.Exit) as caught:
        sniff(str(port.path), baud=9600)
    assert caught.value.exit_code == 1
    told = capsys.readouterr().out
    assert "9600 baud: lines of 3 columns" in told
    assert "which field is which" in told


def test_silence_says_what_to_look_at(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    port = TornPort(tmp_path / "tty")
    with pytest.raises(typer.Exit):
        sniff(str(port.path), baud=115200)
    port.close()
    told = capsys.readouterr().out
    assert "115200 baud: silence" in told
    assert "Is the sensor powered" in told


def test_port_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(PortError, match="is not there"):
        sniff(str(tmp_path / "nothing"))


def test_stable_names_are_found_by_their_links(tmp_path: Path) -> None:
    device, links = tmp_path / "ttyUSB0", tmp_path / "by-id"
    device.touch()
    links.mkdir()
    (links / "usb-adapter-A1").symlink_to(device)
    assert stable_links((str(links), str(tmp_path / "none"))) == {str(device): str(links / "usb-adapter-A1")}


def test_ports_are_listed_with_their_ids(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from serial.tools import list_ports
    from serial.tools.list_ports_common import ListPortInfo

    monkeypatch.setenv("COLUMNS", "160")
    info = ListPortInfo("/dev/ttyUSB7", skip_link_detection=True)
    info.vid, info.pid, info.serial_number, info.description = 0x0403, 0x6001, "A50285BI", "adapter"
    monkeypatch.setattr(list_ports, "comports", lambda: [info])
    ports()
    told = capsys.readouterr().out
    assert "/dev/ttyUSB7" in told
    assert "0403:6001" in told
    assert "A50285BI" in told
    monkeypatch.setattr(list_ports, "comports", list)
    ports()
    assert "No serial port is connected." in capsys.readouterr().out
