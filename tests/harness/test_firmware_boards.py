"""The firmware's programs on a simulated board, from chip registers to what `sniff` makes of the bytes.

The C++ sketch is compiled by g++ against a stub of its framework; the MicroPython program runs in
MicroPython's own interpreter (its WebAssembly build from npm, under node). Both speak to the same simulated
chips.
"""

from __future__ import annotations

import math
import os
import shutil
import struct
import subprocess
import zlib
from collections.abc import Callable
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from cobs import cobs
from serial_tools import TornPort

from module_at import module_at
from tipdatum_drivers.decode.packets import PacketsDecoder, PacketsOptions
from tipdatum_drivers.guess import guess
from tipdatum_drivers.reading import Fault, Identity, Imu, Input, Reading

HERE = Path(__file__).parent / "firmware"
FIRMWARE = Path(__file__).resolve().parents[2] / "drivers" / "firmware"
MICROPYTHON = "@micropython/micropython-webassembly-pyscript"
G = 9.80665

SETTINGS = {
    "one": ([(1, 0, 0x6A, 15)], []),
    "four": ([(1, 0, 0x6A, 15), (2, 0, 0x6B, None), (3, 0, 0x68, 16), (4, 0, 0x69, None)], [20]),
    "weak": ([(1, 0, 0x6A, None), (2, 0, 0x68, None)], []),
    "weak-other": ([(1, 0, 0x6A, None), (2, 0, 0x68, None)], []),
    "loose": ([(1, 0, 0x6A, None), (2, 0, 0x68, None)], []),
    "wrap": ([(1, 0, 0x6A, 15)], []),
}
Board = Callable[[str], bytes]


def node_with_micropython() -> str:
    """node's path; skips where it or the interpreter is not there."""
    node = shutil.which("node")
    folders = [*os.environ.get("NODE_PATH", "").split(":"), "node_modules"]
    if node is None or not any((Path(folder) / MICROPYTHON).is_dir() for folder in folders):
        pytest.skip(f"needs node, and NODE_PATH with {MICROPYTHON} from npm")
    return node


@pytest.fixture(scope="session")
def micropython(tmp_path_factory: pytest.TempPathFactory) -> Board:
    """Runs the MicroPython program in a scene, once; gives the bytes that it sends."""
    node = node_with_micropython()

    @cache
    def run(scene: str) -> bytes:
        folder = tmp_path_factory.mktemp("micropython") / scene
        shutil.copytree(FIRMWARE / "micropython", folder, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(FIRMWARE / "tipdatum_packets.py", folder)
        for file in (HERE / "shim").glob("*.py"):
            shutil.copy(file, folder)
        shutil.copy(HERE / "world.py", folder)
        sensors, inputs = SETTINGS[scene]
        own = (folder / "settings.py").read_text()
        (folder / "settings.py").write_text(f"{own}\nSENSORS = {tuple(sensors)}\nINPUTS = {tuple(inputs)}\n")
        (folder / "running.py").write_text(f"from world import scene\nworld = scene({scene!r})\n")
        done = subprocess.run([node, HERE / "run.mjs", folder], capture_output=True, timeout=120, check=False)
        assert done.returncode == 0, done.stderr.decode()
        return done.stdout

    return run


@pytest.fixture(scope="session")
def sketch(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """Compiles the sketch with a scene's settings; gives the program."""
    compiler = shutil.which("g++")
    if compiler is None:
        pytest.skip("needs g++, and there is none")

    def build(scene: str) -> Path:
        folder = tmp_path_factory.mktemp(scene)
        for file in (FIRMWARE / "tipdatum_board").iterdir():
            shutil.copy(file, folder)
        shutil.copy(FIRMWARE / "tipdatum_packets.h", folder)
        sensors, inputs = SETTINGS[scene]
        places = "".join(
            f"{{{n}, {bus}, {address}, {-1 if pin is None else pin}}},\n" for n, bus, address, pin in sensors
        )
        ends = ", ".join(map(str, [*inputs, -1]))
        settings = (folder / "settings.h").read_text()
        settings = settings.replace("{1, 0, 0x6A, 15},", places)
        settings = settings.replace("INPUT_PINS[] = {-1}", f"INPUT_PINS[] = {{{ends}}}")
        (folder / "settings.h").write_text(settings)
        flags = ["-std=c++17", "-O1", "-Wall", "-Wextra", "-Werror", f"-I{HERE / 'stub'}", f"-I{folder}"]
        subprocess.run(
            [compiler, *flags, HERE / "stub" / "host.cpp", "-o", folder / "board"], check=True, timeout=120
        )
        return folder / "board"

    return build


@pytest.fixture(scope="session")
def common(sketch: Callable[[str], Path]) -> Board:
    """Runs the C++ sketch in a scene, once; gives the bytes that it sends."""

    @cache
    def run(scene: str) -> bytes:
        return played(sketch(scene), load_world().scene(scene))

    return run


def load_world() -> Any:
    return module_at(HERE / "world.py")


def played(program: Path, world: Any) -> bytes:
    """Answers the stub's questions out of the world until its time is over; gives what the sketch sent."""
    sent = bytearray()
    edges: list[int] = []
    world.on_edge = edges.append
    with subprocess.Popen([program], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        while not world.over():
            what, a, b, c, count = struct.unpack("<5I", process.stdout.read(20))
            data = process.stdout.read(count) if count else b""
            value, back = 0, b""
            match chr(what):
                case "t" | "m":
                    world.advance(world.CALL_US)
                    value = world.now if chr(what) == "t" else world.now // 1000
                case "d":
                    world.advance(a * 1000)
                case "p":
                    world.advance(2)
                    value = world.level(a)
                case "l":
                    if not world.led or world.led[-1][1] != b:
                        world.led.append((world.now, b))
                case "o":
                    sent += data
                case "w":
                    value = int(world.write(a, b, c, data))
                case "r":
                    back = world.read(0, a, b, c) or b""
                    value = len(back)
            head = struct.pack("<3I", value & 0xFFFFFFFF, len(back), len(edges))
            process.stdin.write(head + back + bytes(edges))
            process.stdin.flush()
            edges.clear()
        process.kill()
    return bytes(sent)


@pytest.fixture(params=["common", "micropython"])
def board(request: pytest.FixtureRequest) -> Board:
    """Each of the two programs."""
    found: Board = request.getfixturevalue(request.param)
    return found


def decoded(data: bytes, **keys: Any) -> list[Reading]:
    """What the service's decoder makes of it, free of faults; it comes 10 ms after each packet's stamp."""
    options = PacketsOptions.model_validate({"port": "x", **keys})
    decoder, t, items = PacketsDecoder(options), 0.0, []
    for frame in data.split(b"\0")[:-1]:
        packet = cobs.decode(frame)
        assert zlib.crc32(packet[:-4]).to_bytes(4, "little") == packet[-4:]
        if packet[0] in (1, 4):
            t = int.from_bytes(packet[2:6], "little") / 1e6 + 0.01
        items += decoder.feed(frame + b"\0", t)
    assert [item for item in items if isinstance(item, Fault)] == []
    return [item for item in items if not isinstance(item, Fault)]


def imus(items: list[Reading], sensor: str) -> list[Imu]:
    return [item for item in items if isinstance(item, Imu) and item.sensor == sensor]


def stamps(items: list[Imu]) -> list[float]:
    return [item.t - 0.01 for item in items]


def test_one_chip_is_sampled_at_its_data_ready_and_sent_at_the_sending_rate(board: Board) -> None:
    items = decoded(board("one"), sensor={"boom": 1})
    boom = imus(items, "boom")
    times = stamps(boom)
    # 208 samples a second, 100 readings: every one is the mean of two or three samples.
    assert len(boom) == pytest.approx(100 * (times[-1] - times[0]), abs=2)
    gaps = [b - a for a, b in pairwise(times)]
    assert min(gaps) > 0.006
    assert max(gaps) < 0.014
    for reading in boom:
        # 0.6 g, 0 and 0.8 g: the part's x axis is 36.87° up; a packet's unit is 0.005 m/s².
        assert reading.accel_mps2 == pytest.approx((0.6 * G, 0.0, 0.8 * G), abs=0.006)
        assert reading.gyro_radps == pytest.approx((0.0, math.radians(10.0), 0.0), abs=0.0015)
    assert boom[-1].temp_c == pytest.approx(31.0, abs=0.02)
    (identity, *_) = (item for item in items if isinstance(item, Identity))
    assert identity.sensor == "boom"
    assert identity.serial.endswith("-1")


def test_four_chips_of_two_types_and_a_switch_come_in_order_of_their_stamps(
    board: Board,
) -> None:
    names = {"upper": 1, "boom": 2, "stick": 3, "bucket": 4}
    data = board("four")
    items = decoded(data, sensor=names, input={"travel": 0})
    expected = {
        "upper": ((0.0, 0.0, 1.0), (0.0, 0.0, 0.0)),
        "boom": ((0.6, 0.0, 0.8), (10.0, -20.0, 30.0)),
        "stick": ((0.0, -1.0, 0.0), (-5.0, 0.0, 5.0)),
        "bucket": ((-0.6, 0.0, 0.8), (0.0, 90.0, 0.0)),
    }
    for name, (force, turn) in expected.items():
        readings = imus(items, name)
        assert len(readings) > 100
        for reading in readings:
            assert reading.accel_mps2 == pytest.approx([f * G for f in force], abs=0.006)
            assert reading.gyro_radps == pytest.approx([math.radians(w) for w in turn], abs=0.0015)
    times = [
        int.from_bytes(packet[2:6], "little")
        for packet in map(cobs.decode, data.split(b"\0")[:-1])
        if packet[0] in (1, 4)
    ]
    assert times == sorted(times)
    assert imus(items, "stick")[-1].temp_c == pytest.approx(40.0, abs=0.02)
    switched = [item for item in items if isinstance(item, Input)]
    changes = [b for a, b in pairwise(switched) if a.on != b.on]
    assert [one.on for one in changes] == [True, False]
    # The switch closes at 2 s and opens at 3 s of the board's time.
    assert [one.t - 0.01 for one in changes] == pytest.approx([2.0, 3.0], abs=0.002)
    assert len(switched) >= 4, "the state is told once a second too"


@pytest.mark.parametrize(("scene", "good", "bad"), [("weak", 2, 1), ("weak-other", 1, 2)])
def test_a_chip_that_fails_its_self_test_is_not_sent(board: Board, scene: str, good: int, bad: int) -> None:
    items = decoded(board(scene), sensor={"good": good, "bad": bad})
    assert len(imus(items, "good")) > 50
    assert imus(items, "bad") == []


def test_a_chip_that_was_unplugged_is_missing_meanwhile_and_comes_back_while_the_other_goes_on(
    board: Board,
) -> None:
    items = decoded(board("loose"), sensor={"loose": 1, "firm": 2})
    loose, firm = stamps(imus(items, "loose")), stamps(imus(items, "firm"))
    assert not [t for t in loose if 3.02 < t < 5.0]
    assert [t for t in loose if 6.5 < t < 8.0]
    assert max(b - a for a, b in pairwise(firm)) < 0.1


def test_stamps_go_on_where_the_board_s_counter_wraps(micropython: Board) -> None:
    times = stamps(imus(decoded(micropython("wrap"), sensor={"boom": 1}), "boom"))
    assert max(b - a for a, b in pairwise(times)) < 0.014


def test_sniff_makes_the_right_thing_of_the_bytes(
    board: Board, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from test_sniff import sending

    from tipdatum.cli.sniff import sniff

    monkeypatch.setenv("COLUMNS", "200")
    packets = [frame + b"\0" for frame in board("one").split(b"\0")[:-1]]
    found = guess(b"".join(packets))
    assert found is not None
    assert (found.kind, found.share, found.options) == ("packets", 1.0, {"sensor": {"id 1": 1}})
    port = TornPort(tmp_path / "tty")
    with sending(port, lambda i: packets[i % len(packets)]):
        sniff(str(port.path), seconds=1.0)
    told = capsys.readouterr().out
    assert "115200 baud: packets of own firmware, sensor ids 1 (100% of what came is intact)" in told
    assert "x 36.9° up, 10.0 °/s" in told
