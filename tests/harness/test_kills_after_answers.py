"""What was answered with ok is there after a kill: the service is killed the moment its answer has come.

    python tests/harness/test_kills_after_answers.py [--kills 1000]

does it as often as asked and prints how many answers were lost (a start each time, so some seconds a kill). A
kill does not empty the system's caches as a cut of power does; that the answer waits for the disk itself is
tested in `tests/unit/run/test_state_keeper.py`.
"""

from __future__ import annotations

import argparse
import json
import signal
import sys
import tempfile
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))
import service_process
from service_process import Client, Service

from small_machine import STILL

KILLS = 3
"""In the suite; each is a start."""
REPORTED_EVERY = 50


def kill_after_answer(folder: Path, number: int) -> bool:
    """One command, killed right after its answer; whether a later start finds what it did."""
    service = Service(folder / "service.toml")
    try:
        with Client(service.port) as client:
            client.wait_for("status", lambda status: status["state"] == "online")
            client.send("mark/add", {"name": f"K{number}", "elevation_m": 100.0 + number})
            reply = client.wait_for("reply")
            service.process.send_signal(signal.SIGKILL)
            assert reply["ok"], reply
            assert reply["saved"], reply
        service.process.wait()
    finally:
        service.close()
    work = json.loads((folder / "state" / "test.json").read_bytes())["work"]
    return all(f"K{earlier}" in work["marks"] for earlier in range(number + 1))


def lost_answers(folder: Path, kills: int) -> int:
    """How many of so many answers were lost."""
    (folder / "machine.toml").write_text(STILL)
    (folder / "service.toml").write_text(
        'machine = "machine.toml"\nmachine_id = "test"\n[state]\ndirectory = "state"\n'
        "[display]\nenabled = false\n"
    )
    lost = 0
    for number in range(kills):
        lost += not kill_after_answer(folder, number)
        if number % REPORTED_EVERY == REPORTED_EVERY - 1:
            print(f"{lost} of {number + 1} answers lost so far", flush=True)
    return lost


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="kills as POSIX systems do")
def test_no_answer_that_said_ok_is_lost(tmp_path: Path) -> None:
    assert lost_answers(tmp_path, KILLS) == 0


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=1000)
    kills = parser.parse_args().kills
    service_process.PATIENCE_S = 900.0  # beside other work on a busy computer
    with tempfile.TemporaryDirectory() as place:
        print(f"{lost_answers(Path(place), kills)} of {kills} answers lost")
