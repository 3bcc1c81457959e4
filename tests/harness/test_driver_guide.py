"""The guide to writing a driver, followed to the letter by somebody with a package of their own."""

from __future__ import annotations

import asyncio
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from serial_tools import TornPort, faults, readings, running, until
from test_sniff import sending

from tipdatum.cli.sniff import sniff
from tipdatum.config import load_service
from tipdatum.errors import ConfigError
from tipdatum_drivers.reading import Tilt
from tipdatum_drivers.registry import find_driver

ROOT = Path(__file__).resolve().parents[2]
GUIDE = (ROOT / "service/tipdatum/docs/writing-a-driver.md").read_text(encoding="utf-8")
MACHINE = (ROOT / "config/machines/demo.toml").read_text(encoding="utf-8")
GOOD = bytes.fromhex("A50104D2FE0C1595")


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", GUIDE, re.DOTALL)


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The guide's package, installed as an installer leaves it: a module and its metadata."""
    module, test = blocks("python")
    (tmp_path / "larch_tilt.py").write_text(module, encoding="utf-8")
    (tmp_path / "test_larch_tilt.py").write_text(test, encoding="utf-8")
    group = tomllib.loads(blocks("toml")[0])["project"]["entry-points"]["tipdatum.drivers"]
    info = tmp_path / "larch_tilt-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: larch-tilt\nVersion: 1.0\n")
    lines = [f"{name} = {value}" for name, value in group.items()]
    (info / "entry_points.txt").write_text("\n".join(["[tipdatum.drivers]", *lines]))
    monkeypatch.syspath_prepend(str(tmp_path))
    yield tmp_path
    sys.modules.pop("larch_tilt", None)


def service_file(folder: Path, table: str) -> Path:
    (folder / "machine.toml").write_text(MACHINE, encoding="utf-8")
    path = folder / "site.toml"
    path.write_text(f'machine = "machine.toml"\n{table}', encoding="utf-8")
    return path


def test_the_guide_s_own_tests_pass(package: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "test_larch_tilt.py"],
        cwd=package,
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    assert "3 passed" in done.stdout


async def test_the_guide_s_driver_is_found_configured_and_reads_a_line(package: Path) -> None:
    port = TornPort(package / "tty")
    table = blocks("toml")[1].replace("/dev/serial/by-id/usb-my-adapter", str(port.path))
    (described,) = load_service(service_file(package, table)).drivers
    driver = find_driver(described.kind)(described.options)
    try:
        async with running(driver) as got:
            await asyncio.sleep(0.2)
            for _ in range(3):
                port.send(GOOD + b"noise")
                await asyncio.sleep(0.02)
            port.send(GOOD)
            await until(lambda: len(readings(got)) == 4)
    finally:
        port.close()
    tilt = readings(got)[-1]
    assert isinstance(tilt, Tilt)
    assert (tilt.sensor, tilt.pitch_deg, tilt.roll_deg, tilt.temp_c) == ("boom", 12.34, -5.0, 21.0)
    assert len(faults(got, "unreadable bytes")) == 3


def test_mistake_in_its_table_is_named_by_file_and_key(package: Path) -> None:
    table = blocks("toml")[1].replace("baud = 19200", "baudrate = 19200")
    with pytest.raises(ConfigError, match=r"site\.toml: driver\[0\]\.baudrate: .*\"baud\""):
        load_service(service_file(package, table))


def test_sniff_knows_the_guide_s_device(
    package: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "160")
    port = TornPort(package / "tty-larch")
    with sending(port, lambda i: GOOD if i % 2 else b"\xa5\x01dirt"):
        sniff(str(port.path), seconds=1.0)
    told = capsys.readouterr().out
    assert "Larch inclinometers (" in told
    assert 'kind = "larch-tilt"' in told
    assert "pitch 12.34°, roll -5.00°" in told
