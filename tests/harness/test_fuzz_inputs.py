"""Whatever stands in a file or a command: an answer in words; no traceback, no hang, no flood of memory.

    python tests/harness/test_fuzz_inputs.py [--minutes 10]

runs the same properties for as long as asked and prints how many inputs were tried. The input is invented, or
one of the files in `config/` with some of it changed.
"""

from __future__ import annotations

import argparse
import json
import resource
import sys
import time
import tomllib
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tipdatum.bus.messages import Reply
from tipdatum.calibration.observations_file import load_observations
from tipdatum.cli.new import ANSWERED
from tipdatum.cli.questions import read_answers
from tipdatum.config import Settings, load_service
from tipdatum.core.messages_out import Outgoing
from tipdatum.core.pipeline import Pipeline
from tipdatum.errors import InputError
from tipdatum.grade.commands import COMMANDS
from tipdatum.machine.bucket_files import read_bucket
from tipdatum.machine.description import load_machine, parse_machine
from tipdatum.machine.words import describe_arm, describe_sensor, notes
from tipdatum.run.replay import play
from tipdatum.simulator.scenario import load_scenario
from tipdatum.walltime import WallTime
from tipdatum_drivers.session_file import SessionFile

MOST_MEMORY_KB = 200_000
"""By which the process may grow."""
LONGEST_S = 30.0
"""For one input, on a busy computer."""
BODIES = ("upper", "boom", "stick", "bucket")
MACHINE: dict[str, Any] = {
    "name": "invented",
    "boom": {"foot_m": [0.3, 0.0, 1.8], "length_m": 4.7, "length_sigma_m": 0.002},
    "stick": {"length_m": 2.4},
    "bucket": [{"name": "trenching 600", "tip_m": 1.3, "width_m": 0.6, "outline_m": [[0.2, -0.3]]}],
    "sensor": {body: {"body": body, "mount_rpy_deg": [0, 0, 0], "noise": {}} for body in BODIES},
    "undercarriage": {"contact_length_m": 3.0, "gauge_m": 2.0},
    "tolerance": {"heave_m": 0.01},
}
SERVICE: dict[str, Any] = {
    "machine": "machine.toml",
    "driver": [{"kind": "text-lines", "port": "/dev/x", "id_field": 1, "sensor": {"boom": {"angle": 2}}}],
    "fusion": {"tick_hz": 50.0, "options": {}},
    "work": {"wait_s": 7.0},
    "broker": {"host": "127.0.0.1", "port": 1883},
    "recording": {"directory": "sessions"},
}
HEADER: dict[str, Any] = {
    "kind": "session", "format": "tipdatum-session", "version": 1,
    "started": "2026-05-04T08:00:00Z", "machine": MACHINE, "comment": "",
}  # fmt: skip
LINES: list[dict[str, Any]] = [
    HEADER,
    *(
        {"kind": "imu", "t": 0.01 * k, "sensor": BODIES[k % 4], "accel_mps2": [0.0, 0.0, 9.8],
         "gyro_radps": [0, 0, 0]}
        for k in range(40)
    ),
    {"kind": "tilt", "t": 0.4, "sensor": "boom", "angle_deg": 12.0},
    {"kind": "command", "t": 0.5, "name": "datum/set", "body": {"elevation_m": 1.0}},
    {"kind": "input", "t": 0.5, "name": "travel", "on": True},
]  # fmt: skip

CONFIG = Path(__file__).resolve().parents[2] / "config"


def shipped(folder: str) -> list[dict[str, Any]]:
    """The files of a folder of `config/`, plain."""
    return [tomllib.loads(path.read_text()) for path in sorted((CONFIG / folder).glob("*.toml"))]


MACHINES = [MACHINE, *shipped("machines")]
BUCKETS, SCENARIOS = shipped("buckets"), shipped("scenarios")
OBSERVATIONS: dict[str, Any] = {
    "format": "tipdatum-observations",
    "version": 1,
    "assume": {"tip_sigma_m": 0.015},
    "rest": [{"id": "r", "sensor": {"boom": {"count": 3, "accel_mps2": [0.0, 0.0, 9.8]}}}],
    "observation": [
        {"id": "a", "method": "slopes", "kind": "slope", "of": "boom", "value": 25.6, "unit": "deg",
         "sigma": 0.05, "standing": "S", "file": "slopes.ndjson.gz", "window": [2.3, 6.3], "use": True},
        {"id": "b", "kind": "height_difference", "of": "B-A", "value": 1.0, "unit": "m", "sigma": 0.003,
         "rest": "r"},
    ],
}  # fmt: skip
ANSWERS: dict[str, Any] = {key: "1" for key in ANSWERED if "." not in key}

odd = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.sampled_from([10**400, -(10**30), 2**63, 0, -1]),
    st.floats(),
    st.text(max_size=20),
    st.sampled_from(["", "\0", "1e999", "a" * 5000, "∞", "../../etc", "sensor", "4' 3 1/2\""]),
    st.dates(),
)
anything = st.recursive(
    odd, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4)
)
raw = st.one_of(
    st.binary(max_size=200), st.sampled_from([b"[" * 3000, b"{" * 3000, b"\xff\xfe", b"\xef\xbb\xbf"])
)


def places(document: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Where something stands in a document."""
    entries = (
        document.items()
        if isinstance(document, dict)
        else enumerate(document)
        if isinstance(document, list)
        else ()
    )
    return [at, *(place for key, value in entries for place in places(value, (*at, key)))]


@st.composite
def mutated(draw: st.DrawFn, document: Any) -> Any:
    """A document with some of its values replaced, some keys dropped and some added."""
    copy = json.loads(json.dumps(document))
    for _ in range(draw(st.integers(1, 3))):
        *way, last = draw(st.sampled_from([place for place in places(copy) if place]))
        inside = copy
        for key in way:
            inside = inside[key]
        what = draw(st.sampled_from(["replace", "replace", "drop", "add"]))
        if what == "drop":
            del inside[last]
        elif what == "add" and isinstance(inside, dict):
            inside[draw(st.text(max_size=10))] = draw(anything)
        else:
            inside[last] = draw(anything)
        if not places(copy)[1:]:
            break
    return copy


def toml(document: Any) -> bytes | None:
    """As TOML, None for what that cannot say."""
    try:
        return tomlkit.dumps(document).encode("utf-8", "surrogatepass")
    except (ValueError, TypeError, AttributeError, RecursionError):
        return None


def damaged(data: bytes, at: float, bytes_in: bytes) -> bytes:
    place = int(at * len(data))
    return data[:place] + bytes_in + data[place + 1 :]


class Watch:
    """Holds what runs inside it to time and memory."""

    def __enter__(self) -> None:
        self._begun = time.monotonic()
        self._before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss

    def __exit__(self, kind: Any, error: Any, trace: Any) -> bool:
        assert time.monotonic() - self._begun < LONGEST_S
        assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - self._before < MOST_MEMORY_KB
        if isinstance(error, InputError):
            assert all(str(one).isprintable() or "\n" not in str(one) for one in (error, *error.more))
            return True
        return False


FOLDER = Path()
"""Made when the module begins, so that collecting it leaves nothing behind."""
TRIED: Counter[str] = Counter()


@pytest.fixture(scope="module", autouse=True)
def place(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Where the files are written."""
    global FOLDER
    FOLDER = tmp_path_factory.mktemp("fuzz")


@given(document=st.sampled_from(MACHINES).flatmap(mutated), at=st.floats(0, 0.999), junk=st.none() | raw)
def test_a_machine_file(document: Any, at: float, junk: bytes | None) -> None:
    data = toml(document)
    if data is None:
        return
    # Beside it, for the machine whose buckets have files of their own.
    path = FOLDER / "machines" / "machine.toml"
    for folder in (path.parent, FOLDER / "buckets"):
        folder.mkdir(exist_ok=True)
    for bucket in (CONFIG / "buckets").glob("*.toml"):
        (FOLDER / "buckets" / bucket.name).write_bytes(bucket.read_bytes())
    path.write_bytes(data if junk is None else damaged(data, at, junk))
    TRIED["machine file"] += 1
    with Watch():
        machine = load_machine(path)
        assert describe_arm(machine)
        assert all(describe_sensor(sensor) for sensor in machine.sensor.values())
        assert isinstance(notes(machine), list)


@given(document=st.sampled_from(BUCKETS).flatmap(mutated), at=st.floats(0, 0.999), junk=st.none() | raw)
def test_a_bucket_file(document: Any, at: float, junk: bytes | None) -> None:
    _try("bucket file", document, at, junk, read_bucket)


@given(document=st.sampled_from(SCENARIOS).flatmap(mutated), at=st.floats(0, 0.999), junk=st.none() | raw)
def test_a_scenario(document: Any, at: float, junk: bytes | None) -> None:
    demo = CONFIG / "machines" / "demo.toml"
    _try("scenario", document, at, junk, lambda path: load_scenario(path, demo).setting())


@given(document=mutated(OBSERVATIONS), at=st.floats(0, 0.999), junk=st.none() | raw, as_json=st.booleans())
def test_an_observations_file(document: Any, at: float, junk: bytes | None, as_json: bool) -> None:
    _try("observations file", document, at, junk, load_observations, as_json)


@given(document=mutated(ANSWERS), at=st.floats(0, 0.999), junk=st.none() | raw)
def test_an_answers_file(document: Any, at: float, junk: bytes | None) -> None:
    _try("answers file", document, at, junk, lambda path: read_answers(path, ANSWERED))


def _try(
    what: str,
    document: Any,
    at: float,
    junk: bytes | None,
    load: Callable[[Path], object],
    as_json: bool = False,
) -> None:
    """One file of a kind, damaged or not."""
    try:
        data = json.dumps(document, default=str).encode() if as_json else toml(document)
    except (ValueError, RecursionError):
        return
    if data is None:
        return
    path = FOLDER / "any"
    path.write_bytes(data if junk is None else damaged(data, at, junk))
    TRIED[what] += 1
    with Watch():
        load(path)


@given(document=mutated(SERVICE), at=st.floats(0, 0.999), junk=st.none() | raw)
def test_a_service_file(document: Any, at: float, junk: bytes | None) -> None:
    data = toml(document)
    if data is None:
        return
    (FOLDER / "machine.toml").write_bytes(toml(MACHINE) or b"")
    path = FOLDER / "service.toml"
    path.write_bytes(data if junk is None else damaged(data, at, junk))
    TRIED["service file"] += 1
    with Watch():
        load_service(path)


@given(lines=mutated(LINES), at=st.floats(0, 0.999), junk=st.none() | raw)
def test_a_session_file(lines: Any, at: float, junk: bytes | None) -> None:
    if not isinstance(lines, list):
        lines = [lines]
    try:
        data = b"".join(json.dumps(line, default=str).encode() + b"\n" for line in lines)
    except (ValueError, RecursionError):
        return
    path = FOLDER / "dig.ndjson"
    path.write_bytes(data if junk is None else damaged(data, at, junk))
    TRIED["session file"] += 1
    # A leap of hours is legal, and takes as long as its ticks.
    times = [line.get("t") for line in lines if isinstance(line, dict)]
    if any(isinstance(t, (int, float)) and 100.0 < abs(t) < 1e6 for t in times):
        return
    with Watch():
        play(SessionFile(path), Settings(), lambda out: None)


bodies = st.dictionaries(st.text(max_size=12), anything, max_size=4)


@given(name=st.sampled_from(sorted(COMMANDS)), body=bodies, data=st.data())
def test_a_command(name: str, body: dict[str, Any], data: st.DataObject) -> None:
    fields = sorted(COMMANDS[name].body.model_fields)
    if fields:
        known = data.draw(st.dictionaries(st.sampled_from(fields), anything, max_size=3))
        body = {**(body if data.draw(st.booleans()) else {}), **known}
    TRIED["command"] += 1
    out: list[Outgoing] = []
    with Watch():
        pipeline = Pipeline(
            parse_machine(MACHINE, "test"), Settings(), WallTime(datetime(2026, 5, 4, tzinfo=UTC)), out.append
        )
        pipeline.command(name, body, 0.0)
        pipeline.speak()
        pipeline.advance(30.0)
    replies = [one.message for one in out if isinstance(one.message, Reply)]
    assert replies
    assert all("Error" not in reply.text for reply in replies)


PROPERTIES = (
    test_a_machine_file,
    test_a_bucket_file,
    test_a_scenario,
    test_an_observations_file,
    test_an_answers_file,
    test_a_service_file,
    test_a_session_file,
    test_a_command,
)


def main() -> None:
    """Run the properties in turn until the time is over."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    until = time.monotonic() + 60.0 * parser.parse_args().minutes
    begun_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    long = settings(max_examples=50, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    properties = [long(one) for one in PROPERTIES]
    while time.monotonic() < until:
        for one in properties:
            one()
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - begun_kb) / 1000.0
    print(
        ", ".join(f"{count} of {what}" for what, count in TRIED.items()),
        f"tried; grown by {grown:.0f} MB at most",
    )


if __name__ == "__main__":
    main()
else:
    for _one in PROPERTIES:
        settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))(_one)

    pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="measures memory by getrusage")
