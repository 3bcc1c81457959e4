"""`run --until-end`: a service that stops by itself once its recordings have been played."""

from __future__ import annotations

import asyncio
import gzip
from pathlib import Path

import pytest

from tipdatum.config import load_service
from tipdatum.errors import InputError
from tipdatum.run.shell import Shell
from tipdatum.shipped import shipped

LOOP = f'kind = "replay"\nfile = "{shipped("replay_data", "slope.ndjson.gz")}"\nloop = true'


@pytest.mark.parametrize("table", ['kind = "packets"\nport = "/dev/x"\nsensor = { boom = 0 }', LOOP])
def test_what_never_ends_is_not_waited_for(tmp_path: Path, table: str) -> None:
    service = tmp_path / "service.toml"
    machine = shipped("config", "machines", "example.toml")
    service.write_text(f'machine = "{machine}"\n[[driver]]\n{table}\n')
    with pytest.raises(InputError, match=r"recordings played once; (packets|replay) never comes to an end"):
        Shell(load_service(service), remember=False, until_end=True)


@pytest.mark.slow
def test_a_service_of_recordings_ends_when_they_do(tmp_path: Path) -> None:
    dig = tmp_path / "dig.ndjson"
    with gzip.open(shipped("replay_data", "slope.ndjson.gz")) as lines:
        dig.write_bytes(b"".join(line for line, _ in zip(lines, range(1000), strict=False)))
    machine = shipped("config", "machines", "example.toml")
    service = tmp_path / "service.toml"
    service.write_text(
        f'machine = "{machine}"\n[display]\nenabled = false\n'
        f'[[driver]]\nkind = "replay"\nfile = "{dig}"\nspeed = 2\n'
    )
    record = tmp_path / "heard.ndjson"
    asyncio.run(
        asyncio.wait_for(
            Shell(load_service(service), record=record, remember=False, until_end=True).run(), 60
        )
    )
    assert record.read_text().count('"kind":"imu"') > 500
