"""What `run` and `replay` take in: nothing that only other commands need, so that they start soon."""

from __future__ import annotations

import gzip
import subprocess
import sys
from pathlib import Path

import pytest

DIG = Path(__file__).parents[3] / "replay_data" / "rocker.ndjson.gz"
LINES = 120
"""Of the dig: enough for figures."""

OF_OTHERS = {
    "scipy": "a solver's",
    "threadpoolctl": "a solver's",
    "rich": "tables and bars of the terminal",
    "tomlkit": "for who writes a file of the user's",
    "pymodbus": "of one driver",
    "serial": "of ports",
    "numpy.ma": "slow to take in, and behind some functions of numpy alone",
    "numpy.random": "the simulator's",
    "tipdatum.calibration": "a calibration's",
    "tipdatum.simulator": "the simulator's",
    "tipdatum.bus.contract": "the documents'",
    "http.server": "a page's, which a broker without WebSockets has none of",
}
OF_SEVERAL_OR_LIVE = {
    "asyncio": "of what runs live",
    "paho": "of what runs live",
    "sqlite3": "of what runs live",
    "http": "of what runs live",
    "multiprocessing": "of several sessions",
}

STARTED = """
import sys
from tipdatum.__main__ import main
try:
    main(sys.argv[1:])
except SystemExit as end:
    if end.code:
        raise
print("\\n".join(sys.modules))
"""


@pytest.fixture
def session(tmp_path: Path) -> Path:
    path = tmp_path / "dig.ndjson"
    with gzip.open(DIG, "rt", encoding="utf-8") as lines:
        path.write_text("".join(next(lines) for _ in range(LINES)), encoding="utf-8")
    return path


def taken_in(*arguments: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", STARTED, *arguments], capture_output=True, text=True, check=True, timeout=60
    )
    return set(done.stdout.split())


def needless(found: set[str], of_others: dict[str, str]) -> dict[str, str]:
    return {
        name: why
        for name, why in of_others.items()
        if any(one == name or one.startswith(f"{name}.") for one in found)
    }


def test_replay_takes_in_nothing_of_other_commands(session: Path, tmp_path: Path) -> None:
    found = taken_in("replay", str(session), "-o", str(tmp_path / "tips.ndjson"))
    assert "tipdatum.fusion.chain.filter" in found
    assert needless(found, OF_OTHERS | OF_SEVERAL_OR_LIVE) == {}


def test_run_takes_in_nothing_of_other_commands(session: Path, tmp_path: Path) -> None:
    described = Path(__file__).parents[3] / "config" / "machines" / "demo.toml"
    service = tmp_path / "service.toml"
    service.write_text(
        f'machine = "{described}"\n[broker]\nhost = "127.0.0.1"\nport = 1\n[state]\ndirectory = "state"\n'
        f'[[driver]]\nkind = "replay"\nfile = "{session}"\n',
        encoding="utf-8",
    )
    found = taken_in("run", str(service), "--until-end")
    assert "tipdatum.fusion.chain.filter" in found
    assert needless(found, OF_OTHERS) == {}
