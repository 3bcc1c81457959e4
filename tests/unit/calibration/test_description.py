"""Writing a solution: the person's file stays theirs."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tipdatum.calibration import description
from tipdatum.calibration.adjustment import Solution, adjust
from tipdatum.calibration.budget import CALIBRATED, make_budget
from tipdatum.calibration.recordings import gather
from tipdatum.calibration.tip_figures import TipFigures
from tipdatum.calibration.unknowns import make_setup
from tipdatum.errors import ConfigError
from tipdatum.machine.description import load_machine, parse_machine

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
    figures = TipFigures(description.calibrated_machine(solution))
    origin = description.provenance(solution, figures, "abc", "2026-05-01T10:00:00Z")
    said = {"date": "2026-05-01T10:00:00Z", "verdict": "accepted", "tip_sigma_m": 0.002}
    return description.written(FILE, description.changes(solution, figures), said, origin, "machine.toml")


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


def test_the_budget_of_the_written_file_is_what_the_adjustment_knows_of_the_tip(
    text: str, solution: Solution, tmp_path: Path
) -> None:
    path = tmp_path / "machine.toml"
    path.write_text(text, encoding="utf-8")
    machine = load_machine(path)
    figures = TipFigures(machine)
    C = solution.covariance[np.ix_(*2 * [[solution.place[n] for n in figures.names]])]
    told = figures.rms(figures.variance(C))
    budget = make_budget(machine)
    assert figures.rms(budget.variance[CALIBRATED]) == pytest.approx(told, rel=0.01)


def test_deviations_added_independently_give_the_tip_that_the_adjustment_knows(
    text: str, solution: Solution, tmp_path: Path
) -> None:
    path = tmp_path / "machine.toml"
    path.write_text(text, encoding="utf-8")
    machine = load_machine(path)
    joint = make_budget(machine).rms_m
    apart = make_budget(machine.model_copy(update={"calibrated": None})).rms_m
    assert 0.8 * joint < apart < 2.0 * joint


def test_lengths_are_written_as_they_are_known(text: str, solution: Solution) -> None:
    data = tomllib.loads(text)
    assert data["boom"]["length_sigma_m"] == pytest.approx(solution.sigma("boom.length_m"), rel=0.06)
    assert data["stick"]["length_sigma_m"] == pytest.approx(solution.sigma("stick.length_m"), rel=0.06)


def test_a_verdict_does_not_outlive_the_values_it_was_made_of(text: str) -> None:
    machine = parse_machine(tomllib.loads(text), "machine.toml")
    assert machine.calibration_holds
    longer = machine.stick.model_copy(update={"length_m": machine.stick.length_m + 0.01})
    assert not machine.model_copy(update={"stick": longer}).calibration_holds


def test_tables_on_one_line_are_written_too(solution: Solution) -> None:
    whole = tomllib.loads(FILE)
    inline = "\n".join(f"{key} = {_inline(value)}" for key, value in whole.items()) + "\n"
    assert tomllib.loads(inline) == whole
    after = description.rewritten(inline, description.changes(solution))
    assert tomllib.loads(after)["boom"]["length_m"] == pytest.approx(
        solution.value("boom.length_m"), abs=1e-5
    )


def _inline(value: object) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{k} = {_inline(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_inline(v) for v in value) + "]"
    return f'"{value}"' if isinstance(value, str) else repr(value)


def test_every_table_keeps_an_empty_line_before_it_where_it_had_one(text: str) -> None:
    lines = text.splitlines()
    for header in ("[boom]", "[[bucket]]", "[sensor.upper]", "[calibrated]", "[calibration]"):
        assert lines[lines.index(header) - 1] == "", header


def test_a_link_stays_a_link_and_the_mode_stays(tmp_path: Path) -> None:
    real, link = tmp_path / "real.toml", tmp_path / "machine.toml"
    real.write_text("old", encoding="utf-8")
    real.chmod(0o640)
    link.symlink_to(real)
    description.write(link, "new", "20260501-100000")
    assert link.is_symlink()
    assert (real.read_text(encoding="utf-8"), real.stat().st_mode & 0o777) == ("new", 0o640)


def test_an_edit_made_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "machine.toml"
    path.write_text("edited by hand", encoding="utf-8")
    with pytest.raises(ConfigError, match="changed it meanwhile"):
        description.write(path, "new", "20260501-100000", expected="as it was read")
    assert path.read_text(encoding="utf-8") == "edited by hand"
    assert list(tmp_path.iterdir()) == [path]


def test_writing_twice_changes_nothing_more(text: str, solution: Solution) -> None:
    data = tomllib.loads(text)
    again = description.written(
        text, description.changes(solution), data["calibrated"], data["calibration"], "m"
    )
    assert again == text


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
