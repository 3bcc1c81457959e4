"""The document that outlives a restart: the old one or the new one, never a half, never silently another."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tipdatum.errors import InputError
from tipdatum.grade.state import Mark, WorkState
from tipdatum.run.state_file import StateFile, default_directory

NOW = 1.8e9
"""Wall-clock seconds since the epoch."""


@pytest.fixture
def file(tmp_path: Path) -> StateFile:
    return StateFile(tmp_path / "deep" / "state", "digger-1")


def lived(file: StateFile, at: float) -> None:
    os.utime(file.path.with_suffix(".alive"), (at, at))


def test_nothing_saved_is_a_fresh_start_without_a_warning(file: StateFile) -> None:
    found = file.load(NOW)
    assert (found.state, found.age_s, found.warning) == (None, None, "")


def test_what_was_saved_comes_back_with_its_age(file: StateFile) -> None:
    state = WorkState(bucket="trenching 600")
    file.save(state)
    lived(file, NOW - 12.5)
    found = file.load(NOW)
    assert found.state == state
    assert found.age_s == pytest.approx(12.5)
    assert found.warning == ""


def test_a_sign_of_life_makes_the_absence_shorter(file: StateFile) -> None:
    file.save(WorkState())
    lived(file, NOW - 3600.0)
    file.touch()
    age = file.load(file.path.with_suffix(".alive").stat().st_mtime + 1.0).age_s
    assert age == pytest.approx(1.0)


def test_a_clock_that_went_back_gives_no_age(file: StateFile) -> None:
    file.save(WorkState())
    lived(file, NOW + 3600.0)
    found = file.load(NOW)
    assert found.state is not None
    assert found.age_s is None


def test_without_a_sign_of_life_there_is_no_age(file: StateFile) -> None:
    file.save(WorkState())
    file.path.with_suffix(".alive").unlink()
    assert file.load(NOW).age_s is None


def test_a_save_that_fails_leaves_the_old_document(file: StateFile, monkeypatch: pytest.MonkeyPatch) -> None:
    file.save(WorkState(bucket="old"))

    def full(_fd: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        file.save(WorkState(bucket="new"))
    found = file.load(NOW).state
    assert found is not None
    assert found.bucket == "old"


def test_half_a_document_beside_the_whole_one_does_no_harm(file: StateFile) -> None:
    file.save(WorkState(bucket="old"))
    file.path.with_suffix(".part").write_text('{"version": 1, "wor')
    found = file.load(NOW)
    assert found.warning == ""
    assert found.state is not None
    assert found.state.bucket == "old"


@pytest.mark.parametrize(
    ("content", "why"),
    [
        ('{"version": 1, "work": {"reference"', "unexpected end of data"),
        ("", "is broken"),
        ("[]", "it holds no state"),
        ('{"version": 1}', "it holds no state"),
        ("\0\0\0\0", "is broken"),
    ],
    ids=["cut off", "empty", "a list", "no work", "zeros of a lost sector"],
)
def test_a_broken_document_is_set_aside_and_said(file: StateFile, content: str, why: str) -> None:
    file.path.write_text(content)
    found = file.load(NOW)
    aside = file.path.with_suffix(".broken-1.json")
    assert found.state is None
    assert str(aside) in found.warning
    assert why in found.warning
    assert "\n" not in found.warning
    assert aside.read_text() == content
    assert not file.path.exists()


@pytest.mark.parametrize("version", [0, 2, 99, None, "1.1"])
def test_a_state_of_another_version_is_carried_over_and_kept_as_it_was(
    file: StateFile, version: object
) -> None:
    state = WorkState(bucket="trenching 600", place=3)
    work = {**state.model_dump(mode="json"), "rainfall": 3.5}
    file.path.write_text(json.dumps({"version": version, "work": work}))
    found = file.load(NOW)

    assert found.state is not None
    assert (found.state.bucket, found.state.place) == ("trenching 600", 3)
    # Of an older version it is known what it meant.
    assert bool(found.state.doubts) == (version != 0)
    assert "left out: rainfall" in found.warning
    kept = file.path.with_suffix(".as-found-1.json")
    assert str(kept) in found.warning
    assert json.loads(kept.read_text())["work"]["rainfall"] == 3.5
    file.save(found.state)
    assert file.load(NOW).warning == ""


def test_what_cannot_be_read_in_it_is_left_out_alone(file: StateFile) -> None:
    good = Mark(elevation_m=101.25, known=True).model_dump(mode="json")
    work = {
        "marks": {"A": good, "B": {"elevation_m": "high"}, "C": good},
        "points": [5],
        "target": {"kind": "a staircase"},
        "bucket": "trenching 600",
    }
    file.path.write_text(json.dumps({"version": 1, "work": work}))
    found = file.load(NOW)
    assert found.state is not None
    assert set(found.state.marks) == {"A", "C"}
    assert found.state.bucket == "trenching 600"
    assert found.state.doubts == ()
    for part in ("marks.B", "points[0]", "target"):
        assert part in found.warning


def test_without_its_doubts_a_reference_is_doubtful(file: StateFile) -> None:
    file.path.write_text(json.dumps({"version": 1, "work": {"doubts": "none"}}))
    found = file.load(NOW)
    assert found.state is not None
    assert found.state.doubts == ("whether the reference was doubtful before the restart is not known",)


TWO = """
import sys
from pathlib import Path
from tipdatum.errors import InputError
from tipdatum.run.state_file import StateFile
try:
    StateFile(Path(sys.argv[1]), sys.argv[2])
except InputError as error:
    print(error)
"""


def test_a_second_service_is_kept_away_from_the_same_state_in_words(file: StateFile) -> None:
    def other(machine_id: str) -> str:
        command = [sys.executable, "-c", TWO, str(file.path.parent), machine_id]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout

    assert f"another service (process {os.getpid()}) keeps the state of digger-1 in" in other("digger-1")
    assert other("digger-2") == ""
    file.close()
    assert other("digger-1") == ""


def test_broken_documents_never_replace_each_other(file: StateFile) -> None:
    for content in ("first", "second"):
        file.path.write_text(content)
        file.load(NOW)
    kept = sorted(file.path.parent.glob("*.broken-*.json"))
    assert [path.read_text() for path in kept] == ["first", "second"]


def test_what_cannot_be_read_is_set_aside_too(file: StateFile) -> None:
    file.path.mkdir()  # also root, who may read everything, cannot read this
    found = file.load(NOW)
    assert "broken-1" in found.warning
    file.save(WorkState())
    assert file.load(NOW).state == WorkState()


def test_a_folder_that_cannot_be_made_is_one_clear_sentence(tmp_path: Path) -> None:
    (tmp_path / "state").write_text("a file")
    with pytest.raises(InputError, match=r"state directory .*: .*; set \[state\] directory"):
        StateFile(tmp_path / "state", "digger-1")


def test_a_folder_that_cannot_be_written_is_one_clear_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "access", lambda *_: False)  # root may write everywhere
    with pytest.raises(InputError, match=r"cannot be written; set \[state\] directory"):
        StateFile(tmp_path, "digger-1")


def test_the_document_is_readable_by_people(file: StateFile) -> None:
    file.save(WorkState(bucket="trenching 600"))
    text = file.path.read_text()
    assert json.loads(text)["version"] == 1
    assert '    "bucket": "trenching 600"' in text
    assert text.endswith("}\n")


@pytest.mark.parametrize(
    ("environment", "expected"),
    [
        ({"STATE_DIRECTORY": "/var/lib/tipdatum:/other", "XDG_STATE_HOME": "/x"}, "/var/lib/tipdatum"),
        ({"XDG_STATE_HOME": "/x"}, "/x/tipdatum"),
        ({"HOME": "/home/digger"}, "/home/digger/.local/state/tipdatum"),
    ],
    ids=["systemd", "XDG base directories", "neither"],
)
def test_state_goes_where_the_system_keeps_such_things(
    monkeypatch: pytest.MonkeyPatch, environment: dict[str, str], expected: str
) -> None:
    for name in ("STATE_DIRECTORY", "XDG_STATE_HOME"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    assert default_directory() == Path(expected)
