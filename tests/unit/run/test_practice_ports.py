"""The practice machine on ports: every format over a loop of two, and ports that cannot be had."""

from __future__ import annotations

import contextlib
import os
import select
import tty
from pathlib import Path

import pytest

from tipdatum.errors import PortError
from tipdatum.run.practice import LineEnd, PseudoTerminal, RealPort, open_port, turn
from tipdatum.shipped import shipped
from tipdatum.simulator.practice import Practice
from tipdatum.simulator.scenario import load_scenario
from tipdatum.simulator.wire import LINES
from tipdatum_drivers.reading import Fault, Imu, Slew, Tilt
from tipdatum_drivers.registry import find_driver

TURN_S, SECONDS, PATIENCE_S, FIRST_S = 0.01, 2.0, 0.002, 0.3
BESIDE = [("packets", "swing-boom"), ("imu-55", "two-piece")]


class Loop:
    """Two serial ports wired to each other: pseudo-terminals, and somebody who carries the bytes across."""

    def __init__(self) -> None:
        self.masters, self.slaves = zip(*(os.openpty() for _ in range(2)), strict=True)
        for slave in self.slaves:
            tty.setraw(slave)
        self.far, self.near = (os.ttyname(slave) for slave in self.slaves)

    def carry(self) -> None:
        """What was written on one port comes in on the other."""
        a, b = self.masters
        for one, other in ((a, b), (b, a)):
            while data := waiting(one):
                os.write(other, data)

    def close(self) -> None:
        for end in (*self.masters, *self.slaves):
            os.close(end)


def waiting(end: int) -> bytes:
    return os.read(end, 4096) if select.select([end], [], [], PATIENCE_S)[0] else b""


@pytest.mark.parametrize(
    ("kind", "machine"),
    [*((kind, "demo") for kind in LINES), ("packets", "swing-boom"), ("imu-55", "two-piece")],
)
def test_every_format_goes_over_a_loop_of_two_ports(kind: str, machine: str) -> None:
    scenario = Path(shipped("config", "scenarios", "trench.toml"))
    practice = Practice(load_scenario(scenario, Path(shipped("config", "machines", f"{machine}.toml"))), kind)
    with contextlib.ExitStack() as stack:
        loops = [stack.enter_context(contextlib.closing(Loop())) for _ in practice.lines]
        ports: list[LineEnd] = []
        for loop, line in zip(loops, practice.lines, strict=True):
            ports.append(stack.enter_context(contextlib.closing(RealPort(loop.far, line.baud))))
        decoders = []
        for line in practice.lines:
            table = line.table("/dev/null")
            driver = find_driver(table.pop("kind"))
            decoders.append(driver(driver.Options(**table)).decoder())  # type: ignore[attr-defined]
        heard: dict[str, int] = {}
        for step in range(round(SECONDS / TURN_S)):
            now = step * TURN_S
            turn(practice, ports, now)
            for loop, decoder in zip(loops, decoders, strict=True):
                loop.carry()
                ask, items = decoder.poll(now)
                if ask:
                    os.write(loop.slaves[1], ask)
                    loop.carry()
                items = [*items, *decoder.feed(waiting(loop.slaves[1]), now)]
                # A part that is asked before its first sampling has nothing to say.
                assert not [item for item in items if isinstance(item, Fault) and item.t > FIRST_S]
                for item in items:
                    if isinstance(item, (Imu, Tilt, Slew)):
                        heard[item.sensor] = heard.get(item.sensor, 0) + 1
    assert set(heard) == {sensor for line in practice.lines for sensor in line.sensors}
    assert min(heard.values()) > 10


def test_a_device_that_is_not_there_is_said_and_not_made() -> None:
    with pytest.raises(PortError, match=r"/dev/ttyNOWHERE7 is not there: unplugged, or another name\?"):
        open_port("/dev/ttyNOWHERE7", 115200)
    assert not Path("/dev/ttyNOWHERE7").is_symlink()


def test_a_port_that_another_program_has_is_said() -> None:
    with (
        contextlib.closing(Loop()) as loop,
        contextlib.closing(RealPort(loop.far, 115200)),
        pytest.raises(PortError, match="is in use by another program"),
    ):
        open_port(loop.far, 115200)


def test_a_file_is_no_port(tmp_path: Path) -> None:
    file = tmp_path / "notes"
    file.write_text("x")
    with pytest.raises(PortError, match="is no serial port"):
        open_port(str(file), 115200)


def test_another_name_becomes_a_port_that_goes_when_it_is_closed(tmp_path: Path) -> None:
    port = open_port(str(tmp_path / "line"), 115200)
    assert isinstance(port, PseudoTerminal)
    assert (tmp_path / "line").is_symlink()
    port.close()
    assert not (tmp_path / "line").is_symlink()
