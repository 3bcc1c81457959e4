"""The microcontroller displays in MicroPython's own interpreter: figures, silence and a lost link.

Two builds of it: the WebAssembly one has no sockets, so time and link are simulated there; the one for Unix
speaks through umqtt.simple to a real broker. What a figure says is when it was sent.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from test_firmware_boards import HERE, node_with_micropython

from tipdatum import display
from tipdatum.bus.broker import EmbeddedBroker

EXAMPLES = Path(display.__file__).parents[1] / "docs" / "examples"


def played(tmp_path: Path, example: str) -> list[str]:
    """What the example printed, line by line."""
    node = node_with_micropython()
    folder = tmp_path / example
    shutil.copytree(EXAMPLES / example, folder, ignore=shutil.ignore_patterns("__pycache__", "terminal.py"))
    for file in (HERE / "display").glob("*.py"):
        shutil.copy(file, folder)
    main = (folder / "main.py").read_text().replace("umqtt.simple", "umqtt_simple")
    if example == "micropython":
        # The time of each line, and at the end what the program gave the link.
        main = main.replace('    print(" | "', '    print(time.now_ms(), end=" ")\n    print(" | "')
    main = (
        f"import running\ntry:\n{indented(main)}\nexcept SystemExit:\n    print(running.clients)\n    raise\n"
    )
    (folder / "main.py").write_text(main)
    done = subprocess.run([node, HERE / "run.mjs", folder], capture_output=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout.decode().splitlines()


def indented(text: str) -> str:
    return "".join(f"    {line}\n" for line in text.splitlines())


def test_the_text_display_never_shows_what_is_old_and_comes_back_after_a_lost_link(tmp_path: Path) -> None:
    *lines, clients = played(tmp_path, "micropython")
    shown = []
    for line in lines:
        match = re.fullmatch(r"(\d+) (?:([\d.]+) m|---) \| (?:cut ([\d.]+) m|---) \| (.*)", line)
        assert match is not None, line
        shown.append((int(match[1]) / 1000, float(match[2]) if match[2] else None, match[4]))
    ages = [t - sent for t, sent, _ in shown if sent is not None]
    # Sent five times a second, looked at ten times a second, blanked half a second after the newest.
    assert max(ages) < 0.75
    before = [t - sent for t, sent, _ in shown if sent is not None and t < 50.0]
    assert max(before) < 0.4, "what is shown at the end of 50 s is as new as at the beginning"
    for begins, ends in ((50.7, 53.0), (58.2, 62.0)):
        assert all(sent is None for t, sent, _ in shown if begins < t < ends)
        assert any(sent is not None for t, sent, _ in shown if ends + 1.5 < t < ends + 3.0)
    assert all(state == "no figures" for t, sent, state in shown if sent is None and t > 1.0)
    assert clients.count("display-01020304") >= 2, "one client id a board, at every connection"


def test_the_light_bar_is_dark_without_figures(tmp_path: Path) -> None:
    *lines, _ = played(tmp_path, "light_bar")
    written = [(int(t) / 1000, lamps) for t, lamps in (line.split() for line in lines)]
    for begins, ends in ((50.7, 53.0), (58.2, 62.0)):
        assert {lamps for t, lamps in written if begins < t < ends} == {"." * 11}
    # Tens of metres to cut: the column above the middle is full.
    assert {lamps for t, lamps in written if 10.0 < t < 50.0} == {"....." + "+" + "++++" + "#"}
    assert written[-1][1] == ".....+++++#"


def micropython_for_unix() -> str:
    """Its path; skips where it is not there or has no umqtt.simple."""
    found = shutil.which("micropython")
    asks = [found or "", "-c", "import umqtt.simple"]
    if found is None or subprocess.run(asks, capture_output=True, timeout=30, check=False).returncode:
        pytest.skip("needs micropython for Unix (PyPI has builds), and umqtt.simple where MICROPYPATH says")
    return found


@contextlib.contextmanager
def clock_figures(port: int) -> Iterator[threading.Event]:
    """Publishes the time as elevation five times a second; while the event is set it is silent."""
    silent, ended = threading.Event(), threading.Event()
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    client.reconnect_delay_set(1, 1)
    client.connect("127.0.0.1", port)
    client.loop_start()

    def run() -> None:
        while not ended.wait(0.2):
            texts = {"elevation": f"{time.monotonic():.3f} m", "deviation": "cut 0.047 m", "state": "good"}
            for name, text in texts.items() if not silent.is_set() else ():
                client.publish(f"tipdatum/digger-1/text/{name}", text)

    thread = threading.Thread(target=run)
    thread.start()
    yield silent
    ended.set()
    thread.join()
    client.loop_stop()


@pytest.mark.slow
def test_the_text_display_against_a_real_broker_shows_what_is_new_or_nothing(tmp_path: Path) -> None:
    interpreter = micropython_for_unix()
    with EmbeddedBroker() as first:
        assert first.addresses is not None
        port = first.addresses.port
        shutil.copy(EXAMPLES / "micropython" / "main.py", tmp_path)
        (tmp_path / "settings.py").write_text(f"HOST, PORT, MACHINE = '127.0.0.1', {port}, 'digger-1'\n")
        rows: list[tuple[float, str]] = []
        with (
            clock_figures(port) as silent,
            subprocess.Popen(
                [interpreter, "main.py"], cwd=tmp_path, env=os.environ, stdout=subprocess.PIPE, text=True
            ) as shown,
        ):
            assert shown.stdout is not None
            lines = shown.stdout
            reader = threading.Thread(
                target=lambda: rows.extend((time.monotonic(), line.strip()) for line in lines)
            )
            reader.start()
            time.sleep(25.0)
            silent.set()
            quiet_from = time.monotonic()
            time.sleep(3.0)
            silent.clear()
            quiet_to = time.monotonic()
            time.sleep(3.0)
            first.stop()
            gone_from = time.monotonic()
            time.sleep(4.0)
            with EmbeddedBroker("127.0.0.1", port):
                gone_to = time.monotonic()
                time.sleep(8.0)
                shown.kill()
                reader.join()
    ages = [(t, t - float(text.split()[0])) for t, text in rows if re.match(r"[\d.]+ m \|", text)]
    # A second of grace for a busy computer; whoever falls behind is many seconds late by then.
    assert max(age for _, age in ages) < 1.5
    for begins, ends in ((quiet_from + 1.5, quiet_to), (gone_from + 1.5, gone_to)):
        assert [text for t, text in rows if begins < t < ends and "no figures" not in text] == []
    assert any(t > quiet_to for t, _ in ages)
    assert any(t > gone_to for t, _ in ages), "it comes back with the broker"
