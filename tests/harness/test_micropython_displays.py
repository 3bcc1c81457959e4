"""The microcontroller displays in MicroPython's own interpreter: 70 s of figures, silence and a lost link.

Time and the link are simulated: that interpreter has no sockets. What a figure says is when it was sent.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

from test_firmware_boards import HERE, node_with_micropython

from tipdatum import display

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
