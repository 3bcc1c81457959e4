"""The page for testers does what it says: its notebook in pandas and duckdb, its Dask script on a cluster."""

from __future__ import annotations

import gzip
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import tipdatum
from tipdatum.cli import main
from tipdatum.shipped import shipped

PAGE = Path(tipdatum.__file__).parent / "docs" / "testing-recordings.md"


def script(name: str) -> str:
    found = re.search(rf"<!-- {name} -->\n```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert found is not None
    return found[1]


def with_command(folder: Path) -> dict[str, str]:
    """An environment with the command as a person has it, whichever the tests run in."""
    command = folder / "bin" / "tipdatum"
    command.parent.mkdir()
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m tipdatum "$@"\n')
    command.chmod(0o755)
    return os.environ | {"PATH": f"{command.parent}{os.pathsep}{os.environ['PATH']}"}


def ran(text: str, folder: Path) -> str:
    (folder / "page.py").write_text(text, encoding="utf-8")
    environment = with_command(folder)
    done = subprocess.run(
        [sys.executable, "page.py"],
        cwd=folder, env=environment, capture_output=True, text=True, timeout=280, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


def replayed(target: Path) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["replay", str(shipped("replay_data", "trench.ndjson.gz")), "-o", str(target)])
    assert ended.value.code == 0


@pytest.mark.slow
def test_the_notebook_reads_what_a_replay_writes(tmp_path: Path) -> None:
    pytest.importorskip("pandas")
    pytest.importorskip("duckdb")
    for name in ("trench.tip.csv", "trench.tip.ndjson"):
        replayed(tmp_path / name)
    told = ran(script("notebook"), tmp_path)
    assert "moving" in told
    assert "62.9" in told


def test_the_same_table_as_parquet(tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    pandas = pytest.importorskip("pandas")
    for name in ("trench.tip.csv", "trench.tip.parquet"):
        replayed(tmp_path / name)
    table = parquet.read_table(tmp_path / "trench.tip.parquet").to_pandas()
    same = pandas.read_csv(tmp_path / "trench.tip.csv")
    assert list(table.columns) == list(same.columns)
    assert table["elevation_m"].sum() == pytest.approx(same["elevation_m"].sum())


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_the_dask_script_spreads_recordings_over_a_local_cluster(tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    (tmp_path / "digs").mkdir()
    with gzip.open(shipped("replay_data", "slope.ndjson.gz")) as lines:
        session = b"".join(line for line, _ in zip(lines, range(1500), strict=False))
    for name in ("a", "b"):
        (tmp_path / "digs" / f"{name}.ndjson.gz").write_bytes(gzip.compress(session))
    assert "2 replayed" in ran(script("dask"), tmp_path)
    assert len(list((tmp_path / "tips").glob("*.tip.ndjson"))) == 2


def test_the_line_for_gnu_parallel_replays_every_recording(tmp_path: Path) -> None:
    if shutil.which("parallel") is None:
        pytest.skip("needs GNU parallel (Debian: apt-get install parallel)")
    (tmp_path / "digs").mkdir()
    with gzip.open(shipped("replay_data", "slope.ndjson.gz")) as lines:
        session = b"".join(line for line, _ in zip(lines, range(300), strict=False))
    for name in ("a", "b"):
        (tmp_path / "digs" / f"{name}.ndjson.gz").write_bytes(gzip.compress(session))
    (tmp_path / "hosts").write_text(":\n")
    printed = re.search(r"^mkdir -p tips\n(ls digs.*)$", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
    assert printed is not None
    done = subprocess.run(
        ["sh", "-c", printed[0]],
        cwd=tmp_path, env=with_command(tmp_path), capture_output=True, text=True, timeout=280, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert sorted(path.name for path in (tmp_path / "tips").iterdir()) == ["a.tip.ndjson", "b.tip.ndjson"]
