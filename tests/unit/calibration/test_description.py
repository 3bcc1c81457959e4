"""Writing a solution: the person's file stays theirs."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from tipdatum.calibration import description
from tipdatum.calibration.adjustment import Solution, adjust
from tipdatum.calibration.budget import make_budget
from tipdatum.calibration.deviations import for_description
from tipdatum.calibration.recordings import gather
from tipdatum.calibration.unknowns import make_setup
from tipdatum.machine.description import load_machine

FILE = """# my machine, bought second-hand
name = "Invented retrofit"

[stick]            # before the boom, for once
length_m = 2.50    # taped twice

[boom]
foot_m = [0.36, 0.0, 1.70]
length_m = 4.60

[[bucket]]
name = "digging"
tip_m = 1.34
width_m = 0.6

[sensor.upper]
body = "upper"
[sensor.boom]
body = "boom"
mount_rpy_deg = [-90.0, 0.0, -90.0]   # cable to the back
[sensor.stick]
body = "stick"
mount_rpy_deg = [180.0, 0.0, 90.0]
[sensor.bucket]
body = "bucket"
mount_rpy_deg = [90.0, 0.0, 180.0]
"""


@pytest.fixture(scope="module")
def solution(retrofit: Any) -> Solution:
    chosen = retrofit.book.solving()
    evidence = gather(retrofit.book, [], chosen)
    return adjust(make_setup(retrofit.machine, chosen, evidence, retrofit.book.assume))


@pytest.fixture(scope="module")
def text(solution: Solution) -> str:
    origin = description.provenance(solution, "abc", "2026-05-01T10:00:00Z", 0.002)
    return description.rewritten(FILE, description.changes(solution), origin)


def test_comments_and_order_stay(text: str) -> None:
    assert text.startswith("# my machine, bought second-hand\n")
    for comment in ("# before the boom, for once", "# taped twice", "# cable to the back"):
        assert comment in text
    assert text.index("[stick]") < text.index("[boom]")


def test_the_written_file_is_the_solution(text: str, solution: Solution, tmp_path: Path) -> None:
    path = tmp_path / "machine.toml"
    path.write_text(text, encoding="utf-8")
    machine = load_machine(path)
    assert machine.bucket[0].tip_m == pytest.approx(solution.value("bucket.tip_m"), abs=1e-5)
    assert machine.sensor["boom"].mount_sigma_deg is not None
    assert machine.sensor["boom"].accel_offset_mps2 != (0.0, 0.0, 0.0)


def test_provenance_says_when_how_and_from_what(text: str) -> None:
    origin = tomllib.loads(text)["calibration"]
    assert origin["date"] == "2026-05-01T10:00:00Z"
    assert origin["methods"] == ["bench", "slopes"]
    assert origin["observations_sha256"] == "abc"
    assert origin["sigma"]["boom.length_m"] > 0


def test_deviations_added_independently_give_the_tip_that_the_adjustment_knows(
    text: str, solution: Solution, tmp_path: Path
) -> None:
    path = tmp_path / "machine.toml"
    path.write_text(text, encoding="utf-8")
    machine = load_machine(path)
    told = for_description(solution, machine).tip_rms_m
    assert 0.6 * told < make_budget(machine, step_m=0.6).rms_m < 2.5 * told


def test_writing_twice_changes_nothing_more(text: str, solution: Solution) -> None:
    origin = tomllib.loads(text)["calibration"]
    assert tomllib.loads(description.rewritten(text, description.changes(solution), origin)) == tomllib.loads(
        text
    )


def test_the_file_before_is_kept_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "machine.toml"
    path.write_text("old", encoding="utf-8")
    kept = description.write(path, "new", "20260501-100000")
    assert kept == tmp_path / "machine.20260501-100000.toml"
    assert (kept.read_text(encoding="utf-8"), path.read_text(encoding="utf-8")) == ("old", "new")


def test_the_difference_shows_old_and_new(text: str) -> None:
    shown = description.difference(FILE, text, "machine.toml")
    assert "-tip_m = 1.34\n" in shown
    assert "+tip_m = 1.32" in shown or "+tip_m = 1.33" in shown
