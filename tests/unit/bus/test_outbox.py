"""Events that wait: in order, bounded, on disk, and never a reason to stop."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from tipdatum.bus.outbox import SENT_KEPT, Outbox, Payload, StoredEvent


def events(*names: int) -> list[tuple[str, Payload]]:
    return [("event", lambda _number, name=name: str(name).encode()) for name in names]


def payloads(waiting: list[StoredEvent]) -> list[int]:
    return [int(one.payload) for one in waiting]


def no_trouble(text: str) -> None:
    raise AssertionError(text)


def test_events_come_out_in_order_and_leave_when_they_are_done(tmp_path: Path) -> None:
    box = Outbox(tmp_path / "o", 100, no_trouble)
    box.add(events(1, 2, 3))
    first = box.after(0, 2)
    assert payloads(first) == [1, 2]
    assert payloads(box.after(first[-1].id, 10)) == [3]
    box.done([first[0].id])
    assert payloads(box.after(0, 10)) == [2, 3]
    assert len(box) == 2
    box.close()


def test_what_waits_survives_the_end_of_the_process(tmp_path: Path) -> None:
    box = Outbox(tmp_path / "deep" / "o", 100, no_trouble)
    box.add(events(1, 2))
    again = Outbox(tmp_path / "deep" / "o", 100, no_trouble)  # the first was never closed, as in a kill
    assert payloads(again.after(0, 10)) == [1, 2]
    assert len(again) == 2
    again.close()
    box.close()


def test_a_full_box_gives_up_the_oldest_and_counts_them() -> None:
    box = Outbox(None, 3, no_trouble)
    box.add(events(1, 2))
    box.add(events(3, 4, 5))
    assert payloads(box.after(0, 10)) == [3, 4, 5]
    assert (len(box), box.dropped) == (3, 2)
    box.close()


def test_more_at_once_than_fits_keeps_the_newest() -> None:
    box = Outbox(None, 3, no_trouble)
    box.add(events(*range(10)))
    assert payloads(box.after(0, 10)) == [7, 8, 9]
    assert (len(box), box.dropped) == (3, 7)
    box.close()


def test_a_damaged_file_is_set_aside_and_said(tmp_path: Path) -> None:
    path = tmp_path / "o"
    path.write_bytes(b"this is no database, " * 100)
    told: list[str] = []
    box = Outbox(path, 100, told.append)
    box.add(events(1))
    assert (tmp_path / "o.broken").read_bytes().startswith(b"this is no database")
    assert len(told) == 1
    assert "set aside" in told[0]
    box.close()
    again = Outbox(path, 100, no_trouble)
    assert payloads(again.after(0, 10)) == [1]
    again.close()


@pytest.mark.parametrize("kind", ["folder in its place", "file where a folder should be"])
def test_a_place_that_cannot_be_used_is_said_and_memory_serves(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "o" / "events"
    if kind.startswith("folder"):
        path.mkdir(parents=True)
    else:
        path.parent.write_text("in the way")
    told: list[str] = []
    box = Outbox(path, 100, told.append)
    box.add(events(1, 2))
    assert payloads(box.after(0, 10)) == [1, 2]
    assert "memory only" in told[0]
    box.close()


def test_a_disk_that_fails_later_is_said_once_and_nothing_that_waits_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "o"
    told: list[str] = []
    box = Outbox(path, 100, told.append)
    box.add(events(1, 2))
    # A foreign lock that is not let go stands for a disk that does not take what is written.
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    box.add(events(3))
    box.add(events(4))
    assert payloads(box.after(0, 10)) == [1, 2, 3, 4]
    assert len(told) == 1
    box.done([box.after(0, 1)[0].id])
    assert len(box) == 3
    other.close()
    box.close()


def numbered(count: int) -> list[tuple[str, Payload]]:
    return [("event", lambda number: str(number).encode())] * count


def test_numbers_run_on_over_restarts_and_over_events_that_are_gone(tmp_path: Path) -> None:
    for run in range(3):
        box = Outbox(tmp_path / "o", 100, no_trouble)
        box.add(numbered(2))
        assert payloads(box.after(0, 10)) == [2 * run + 1, 2 * run + 2]
        box.done([one.id for one in box.after(0, 10)])
        box.close()


def test_what_the_broker_has_is_kept_and_sent_again_on_request(tmp_path: Path) -> None:
    box = Outbox(tmp_path / "o", 100, no_trouble)
    box.add(numbered(6))
    box.done(range(1, 6))
    assert payloads(box.after(0, 10)) == [6]
    assert box.again(3, 2) == [3, 4]
    assert (payloads(box.after(0, 10)), len(box)) == ([3, 4, 6], 3)
    box.done([3, 4, 6])
    assert (box.after(0, 10), len(box)) == ([], 0)
    assert box.again(7, 10) == []
    box.close()


def test_only_the_last_ones_that_were_sent_are_kept() -> None:
    box = Outbox(None, SENT_KEPT + 200, no_trouble)
    box.add(numbered(SENT_KEPT + 100))
    box.done(range(1, SENT_KEPT + 101))
    assert box.again(1, 5) == [101, 102, 103, 104, 105]
    box.close()


def test_a_file_of_before_there_were_numbers_is_read_on(tmp_path: Path) -> None:
    db = sqlite3.connect(tmp_path / "o")
    db.execute("CREATE TABLE outbox (id INTEGER PRIMARY KEY AUTOINCREMENT, topic TEXT, payload BLOB)")
    db.execute("INSERT INTO outbox (topic, payload) VALUES ('event', '41')")
    db.commit()
    db.close()
    box = Outbox(tmp_path / "o", 100, no_trouble)
    box.add(numbered(1))
    assert payloads(box.after(0, 10)) == [41, 2]
    box.close()
