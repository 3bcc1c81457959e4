"""Events with running numbers, in order, bounded, on disk: those that wait, and the last ones that were sent.

An event waits here until the broker has acknowledged it, so neither a broker that is away nor a killed
service loses one. What a broker loses that acknowledged it and died before it wrote or delivered it, a
reader notices by the gap in the numbers, and `again` sends it once more. Sending again can repeat some:
every event carries an id by which a receiver knows it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import NamedTuple

_TABLE = "CREATE TABLE IF NOT EXISTS outbox (id INTEGER PRIMARY KEY AUTOINCREMENT, topic TEXT, payload BLOB)"
_SENT = "ALTER TABLE outbox ADD COLUMN sent INTEGER NOT NULL DEFAULT 0"

SENT_KEPT = 1000
"""Events that stay after the broker has them, for readers that missed some: a working day's and more."""

Payload = Callable[[int], bytes]
"""An event as it is published, from its running number."""


class StoredEvent(NamedTuple):
    """An event in the box; `id` is its running number."""

    id: int
    topic: str
    payload: bytes


class Outbox:
    """At most `limit` events; the oldest go first when it is full, and are counted in `dropped`.

    `path` None keeps them in memory. A file that cannot be used (full disk, damaged) is reported to `trouble`
    once, and what follows is kept in memory: guidance must not end with the disk. Use it from one thread.
    """

    def __init__(self, path: Path | None, limit: int, trouble: Callable[[str], None]) -> None:
        self._limit = limit
        self._trouble = trouble
        self.dropped = 0
        self._db = self._open(path)
        self._count = int(self._db.execute("SELECT count(*) FROM outbox WHERE sent = 0").fetchone()[0])
        numbered = self._db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'outbox'").fetchone()
        self._last = int(numbered[0]) if numbered else 0

    def __len__(self) -> int:
        return self._count

    def add(self, events: Iterable[tuple[str, Payload]]) -> None:
        """Take events in, oldest first, and number them."""
        rows = [
            StoredEvent(number, topic, payload(number))
            for number, (topic, payload) in enumerate(events, self._last + 1)
        ]
        if not rows:
            return
        self._last = rows[-1].id
        try:
            self._insert(rows)
        except sqlite3.Error as error:
            self._leave_disk(error)
            self._insert(rows)

    def after(self, last_id: int, limit: int) -> list[StoredEvent]:
        """The next events with an id above `last_id`, oldest first."""
        try:
            rows = self._db.execute(
                "SELECT id, topic, payload FROM outbox WHERE id > ? AND sent = 0 ORDER BY id LIMIT ?",
                (last_id, limit),
            )
            return [StoredEvent(*row) for row in rows]
        except sqlite3.Error as error:
            self._leave_disk(error)
            return []

    def done(self, ids: Iterable[int]) -> None:
        """The broker has these."""
        wanted = [(i,) for i in ids]
        if not wanted:
            return
        try:
            with self._db:
                gone = self._db.executemany(
                    "UPDATE outbox SET sent = 1 WHERE id = ? AND sent = 0", wanted
                ).rowcount
                self._db.execute("DELETE FROM outbox WHERE sent = 1 AND id <= ?", (self._last - SENT_KEPT,))
            self._count -= max(gone, 0)
        except sqlite3.Error as error:
            self._leave_disk(error)

    def again(self, first: int, most: int) -> list[int]:
        """Have events from number `first` on wait once more, `most` at most. Returns their numbers."""
        try:
            with self._db:
                chosen = [row[0] for row in self._db.execute(
                    "SELECT id FROM outbox WHERE id >= ? ORDER BY id LIMIT ?", (first, most)
                )]  # fmt: skip
                back = self._db.executemany(
                    "UPDATE outbox SET sent = 0 WHERE id = ? AND sent = 1", [(i,) for i in chosen]
                ).rowcount
            self._count += max(back, 0)
        except sqlite3.Error as error:
            self._leave_disk(error)
            return []
        return chosen

    def close(self) -> None:
        """Close the file; what waits stays in it."""
        self._db.close()

    def _insert(self, rows: list[StoredEvent]) -> None:
        with self._db:
            self._db.executemany("INSERT INTO outbox (id, topic, payload) VALUES (?, ?, ?)", rows)
            too_many = self._count + len(rows) - self._limit
            if too_many > 0:
                self._db.execute(
                    "DELETE FROM outbox WHERE id IN"
                    " (SELECT id FROM outbox WHERE sent = 0 ORDER BY id LIMIT ?)",
                    (too_many,),
                )
        self._count += len(rows) - max(too_many, 0)
        self.dropped += max(too_many, 0)

    def _open(self, path: Path | None) -> sqlite3.Connection:
        if path is None:
            return self._connect(":memory:")
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            return self._connect(str(path))
        except sqlite3.DatabaseError as error:
            if not path.is_file() or isinstance(error, sqlite3.OperationalError):
                self._trouble(f"events are kept in memory only: {path} cannot be used ({error})")
                return self._connect(":memory:")
        except OSError as error:
            self._trouble(f"events are kept in memory only: {path} cannot be used ({error.strerror})")
            return self._connect(":memory:")
        aside = path.with_name(path.name + ".broken")
        try:
            path.replace(aside)
            self._trouble(f"the file of waiting events is damaged; it was set aside as {aside}")
            return self._connect(str(path))
        except (OSError, sqlite3.Error) as error:
            self._trouble(f"events are kept in memory only: {path} cannot be used ({error})")
            return self._connect(":memory:")

    @staticmethod
    def _connect(name: str) -> sqlite3.Connection:
        db = sqlite3.connect(name, timeout=1.0, check_same_thread=False)
        try:
            # A write-ahead log survives a killed process; a power cut may cost the last events, not the file.
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA synchronous=NORMAL")
            db.execute(_TABLE)
            if "sent" not in {row[1] for row in db.execute("PRAGMA table_info(outbox)")}:
                db.execute(_SENT)
        except BaseException:
            db.close()
            raise
        return db

    def _leave_disk(self, error: sqlite3.Error) -> None:
        self._trouble(f"events are kept in memory from here on: their file cannot be written ({error})")
        kept: list[StoredEvent] = []
        try:
            kept = self.after(0, self._limit)
            self._db.close()
        except sqlite3.Error:
            self.dropped += self._count
        self._db = self._connect(":memory:")
        with self._db:
            self._db.executemany("INSERT INTO outbox (id, topic, payload) VALUES (?, ?, ?)", kept)
        self._count = len(kept)
