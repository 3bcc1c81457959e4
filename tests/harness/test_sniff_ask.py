"""`tipdatum sniff --ask`: parts of pymodbus' own server, and a CAN adapter that keeps what it is sent."""

from __future__ import annotations

import asyncio
import termios
import threading
from pathlib import Path

import pytest
import typer
from serial_tools import Line, TornPort
from test_modbus_line import device, serving
from test_sniff import sending, summed

from tipdatum.cli.sniff import sniff
from tipdatum.cli.sniff_ask import Ask


class PickyLine(Line):
    """A line whose parts understand one rate only; it keeps what the asking side sent."""

    def __init__(self, folder: Path, rate: int) -> None:
        super().__init__(folder)
        self._rate = rate
        self.asked: set[bytes] = set()
        listen = self.ends[0].receive

        def receive() -> bytes:
            data = listen()
            if data:
                self.asked.add(data)
            settings = termios.tcgetattr(self.ends[0]._slave)
            return data if settings[5] == self._rate else b""

        self.ends[0].receive = receive  # type: ignore[method-assign]


async def test_modbus_parts_are_found_by_reading_alone_with_rate_parity_and_registers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    line = PickyLine(tmp_path, termios.B38400)
    parts = {3: device(*[0] * 16), 7: device(-1234, 567, *[0] * 14)}
    line.deaf = bytes(set(range(1, 17)) - set(parts))
    async with serving(line, parts):
        await asyncio.to_thread(sniff, str(line.ends[0].path), ask=Ask.modbus, parity="none", seconds=0.2)
    told = capsys.readouterr().out
    assert told.startswith("This SENDS: Modbus requests to read a register")
    assert "9600 baud, parity none: no answer" in told
    assert "38400 baud, parity none: address 3, address 7" in told
    assert "-1234" in told
    for key in ('kind = "modbus-rtu"', "baud = 38400", 'parity = "none"', "address = 7", "function = 3"):
        assert key in told
    # Functions 3 and 4 read (MODBUS application protocol, 6.3 and 6.4); nothing else may have been sent.
    assert {frame[1] for frame in line.asked} <= {3, 4}
    assert {frame[0] for frame in line.asked} == set(range(1, 17))


def test_a_line_on_which_nobody_answers_is_said_with_what_to_look_at(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    port = TornPort(tmp_path / "tty")
    with pytest.raises(typer.Exit) as caught:
        sniff(str(port.path), ask=Ask.modbus, baud=115200, parity="none")
    port.close()
    assert caught.value.exit_code == 1
    assert "Nobody answers." in capsys.readouterr().out


class Adapter:
    """A CAN adapter as its command set has it: it is heard only while open, at the bus's own bit rate."""

    def __init__(self, port: TornPort, bitrate: bytes, frames: list[bytes]) -> None:
        self._port, self._bitrate, self._frames = port, bitrate, frames
        self.commands: list[bytes] = []
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._work)
        self._thread.start()

    def _work(self) -> None:
        heard, chosen, is_open, n = b"", b"", False, 0
        while not self._ended.wait(0.01):
            *commands, heard = (heard + self._port.receive()).split(b"\r")
            for command in filter(None, commands):
                self.commands.append(command)
                if command[:1] == b"S":
                    chosen = command
                is_open = {b"C": False, b"L": True, b"O": True}.get(command, is_open)
                self._port.send(b"V1013\r" if command == b"V" else b"\r")
            if is_open and chosen == self._bitrate:
                self._port.send(self._frames[n % len(self._frames)])
                n += 1

    def close(self) -> None:
        self._ended.set()
        self._thread.join()
        self._port.close()


def test_can_adapter_is_set_to_listen_only_until_a_bit_rate_gives_sense(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "160")
    # CiA 410: TPDO1 of node 10, long 12.34° and lateral -1.00° in hundredths, low byte first.
    adapter = Adapter(TornPort(tmp_path / "tty"), b"S4", [b"t18A4D2049CFF\r"])
    sniff(str(adapter._port.path), ask=Ask.can, seconds=1.0)
    adapter.close()
    told = capsys.readouterr().out
    assert told.startswith("This SENDS to the adapter")
    assert "CAN at 250 kbit/s: silence" in told
    assert "bitrate_kbps = 125" in told
    assert "listen_only = true" in told
    assert "pitch 12.34°, roll -1.00°" in told
    # Nothing that opens the bus for sending, and no frame to send.
    assert {command[:1] for command in adapter.commands} <= {b"C", b"V", b"S", b"L"}


def test_readings_are_shown_line_by_line_where_nobody_watches_a_screen(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    port = TornPort(tmp_path / "tty")
    with sending(port, lambda i: summed(f"HCXDR,A,{i % 50 / 10},D,PITCH,A,-2.5,D,ROLL")):
        sniff(str(port.path), seconds=2.2)
    told = capsys.readouterr().out.splitlines()
    lines = [line for line in told if " s  device  ok  pitch" in line]
    assert len(lines) >= 2
    assert "roll -2.50°" in lines[0]
