"""An answer that says ok is on the disk before it leaves, and a disk that fails is said and tried again."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tipdatum.grade.state import WorkState
from tipdatum.run import state_keeper
from tipdatum.run.state_file import StateFile
from tipdatum.run.state_keeper import StateKeeper

SOON_S = 60.0


class Kept:
    """A keeper over a state that the test changes."""

    def __init__(self, folder: Path) -> None:
        self.file = StateFile(folder, "digger-1")
        self.state = WorkState()
        self.troubles: list[str | None] = []
        self.keeper = StateKeeper(self.file, lambda: self.state, self.troubles.append)

    def change(self, bucket: str) -> list[str | None]:
        """A command; the list holds the answer once there is one."""
        self.state = WorkState(bucket=bucket)
        answers: list[str | None] = []
        assert self.keeper.when_saved(self.state, answers.append)
        return answers

    @property
    def on_disk(self) -> str | None:
        found = self.file.load(0.0).state
        return found.bucket if found is not None else None


def soon(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + SOON_S
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.005)


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Kept]:
    monkeypatch.setattr(state_keeper, "SAVE_RETRY_S", 0.05)
    kept = Kept(tmp_path)
    kept.keeper.start()
    yield kept
    kept.keeper.stop()
    kept.file.close()


def test_a_changed_state_is_soon_on_the_disk(kept: Kept) -> None:
    kept.state = WorkState(bucket="first")
    kept.keeper.changed()
    soon(lambda: kept.on_disk == "first")


def test_no_answer_leaves_before_the_disk_has_it(kept: Kept, monkeypatch: pytest.MonkeyPatch) -> None:
    written, go_on = threading.Event(), threading.Event()
    real = os.fsync

    def slow(handle: int) -> None:
        written.set()
        go_on.wait(SOON_S)
        real(handle)

    monkeypatch.setattr(os, "fsync", slow)
    answers = kept.change("new")
    assert written.wait(SOON_S)
    assert answers == []
    go_on.set()
    soon(lambda: answers == [None])
    assert kept.on_disk == "new"
    assert not kept.keeper.when_saved(kept.state, answers.append)


def test_a_state_that_changes_while_it_is_written_is_written_again_before_its_answer(
    kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, go_on = threading.Event(), threading.Event()
    real = kept.file.save

    def slow(state: WorkState) -> None:
        begun.set()
        go_on.wait(SOON_S)
        real(state)

    monkeypatch.setattr(kept.file, "save", slow)
    first = kept.change("first")
    assert begun.wait(SOON_S)
    second = kept.change("second")
    go_on.set()
    soon(lambda: second == [None])
    assert first == [None]
    assert kept.on_disk == "second"


def test_a_full_disk_shows_in_the_answer_and_mends_itself(
    kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    full, real = True, kept.file.save

    def save(state: WorkState) -> None:
        if full:
            raise OSError(28, "No space left on device")
        real(state)

    monkeypatch.setattr(kept.file, "save", save)
    answers = kept.change("new")
    soon(lambda: answers == ["No space left on device"])
    soon(lambda: len(kept.troubles) > 2)
    assert set(kept.troubles) == {"No space left on device"}
    full = False
    soon(lambda: kept.troubles[-1] is None)
    assert kept.on_disk == "new"


def test_a_disk_that_has_stopped_holds_up_no_answer_for_long(
    kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on = threading.Event()
    monkeypatch.setattr(state_keeper, "ANSWER_WITHIN_S", 0.1)
    monkeypatch.setattr(kept.file, "save", lambda state: go_on.wait(SOON_S))
    answers = kept.change("new")
    time.sleep(0.2)
    kept.keeper.give_up_waiting()
    assert len(answers) == 1
    assert "the disk has been writing for" in str(answers[0])
    go_on.set()
    time.sleep(0.1)
    assert len(answers) == 1


def test_a_defect_in_what_is_written_still_gives_an_answer(
    kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(state: WorkState) -> None:
        raise TypeError("not a document")

    monkeypatch.setattr(kept.file, "save", broken)
    answers = kept.change("new")
    soon(lambda: answers == ["internal fault (TypeError)"])


def test_the_last_state_is_written_at_the_end(tmp_path: Path) -> None:
    kept = Kept(tmp_path)
    kept.keeper.start()
    kept.state = WorkState(bucket="last")
    kept.keeper.stop()
    assert kept.on_disk == "last"
    kept.file.close()


def test_a_demonstration_keeps_nothing_and_answers_at_once() -> None:
    keeper = StateKeeper(None, WorkState)
    keeper.start()
    keeper.changed()
    assert not keeper.when_saved(WorkState(), lambda why: None)
    keeper.stop()
