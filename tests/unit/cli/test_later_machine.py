"""A recording is read with a machine that was described, or calibrated, after it was made."""

from __future__ import annotations

import tomllib
from pathlib import Path

import tomlkit

from tipdatum.cli.recordings import Recordings
from tipdatum_drivers.decode.session_lines import encode_header, encode_line
from tipdatum_drivers.reading import Imu, SessionHeader
from tipdatum_drivers.session_file import SessionFile

ROOT = Path(__file__).parents[3]


def test_an_old_recording_is_read_with_a_machine_that_was_described_later(tmp_path: Path) -> None:
    old = tmp_path / "old.ndjson"
    described = tomllib.loads((ROOT / "config" / "machines" / "demo.toml").read_text())
    header = SessionHeader(1, "2026-05-04T08:00:00Z", {**described, "name": "as recorded"}, "")
    line = encode_line(Imu(0.1, "boom", (0.0, 0.0, 9.8), None))
    old.write_bytes(encode_header(header) + b"\n" + line + b"\n")
    later = tmp_path / "later.toml"
    later.write_text(tomlkit.dumps({**described, "name": "calibrated later"}))
    with Recordings(later).opened([old]) as (found,):
        assert SessionFile(found).header.machine["name"] == "calibrated later"
        assert SessionFile(found).header.started == "2026-05-04T08:00:00Z"
