"""Keeps what comes in as session files, off the path from reading to message.

The event loop only appends to a bounded queue; a thread of its own encodes, compresses and writes twice a
second. A kill of the process costs a second at most (more only while the disk takes nothing), and what was
written stays readable. A full disk ends the recording with a fault in words; the service goes on.
"""

from __future__ import annotations

import os
import re
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from tipdatum.errors import InputError
from tipdatum.sessions.writer import SessionWriter
from tipdatum_drivers.decode.session_lines import encode_line
from tipdatum_drivers.options import PathText, Table
from tipdatum_drivers.reading import Record, SessionHeader

WRITE_EVERY_S = 0.5
"""How often the thread writes."""

KILL_COSTS_S = 2.0 * WRITE_EVERY_S
"""What a kill of the process costs at most: what came since the last write, and what that had in hand."""

SYNC_EVERY = 10
"""Writes between two fsyncs (5 s): what a cut of the power may cost; more often would wear a memory card."""

SYNC_SECONDS = WRITE_EVERY_S * SYNC_EVERY

QUEUE = 100_000
"""Records that may wait: a minute of eight sensors at 200 Hz, for a disk that stalls."""


class RecordingOptions(Table):
    """`[recording]` of the service's file: whether, where and how much of what comes in is kept."""

    directory: PathText | None = None
    """Where session files go; none is recorded without it (or `--record`)."""
    format: Literal["ndjson.gz", "ndjson"] = "ndjson.gz"
    """Gzip takes about a fifth of the space (four sensors at 100 Hz: 35 MB an hour instead of 190)."""
    new_file_after_min: Annotated[float, Field(ge=1, le=1440)] = 60.0
    """A new file is begun after so many minutes, so that old ones can go and one broken file costs little."""
    keep_mb: Annotated[float, Field(ge=10)] = 2000.0
    """Disk budget of the directory: before a new file is begun, the oldest go until the rest fits."""


@dataclass(frozen=True, slots=True)
class RecorderState:
    """How the recording stands.

    Attributes:
        file: the file being written, None once it ended. records: handed to the operating system, which
            keeps them when the process is killed.
        dropped: lost because the queue was full. late: left out because they went back in time.
        fault: why the recording ended by itself, empty if it did not.
    """

    file: Path | None = None
    records: int = 0
    dropped: int = 0
    late: int = 0
    fault: str = ""


class Recorder:
    """Records into one file, or into a directory with a new file from time to time.

    Args:
        target: a directory (made if it does not exist), or a file that ends in .ndjson or .ndjson.gz.
        header: of every file.
        started: wall-clock time of t = 0, for the files' names.
        machine_id: first part of the files' names.
        options: format, length of a file and disk budget; they concern a directory only.
        on_fault: called once from the recorder's thread when the recording ends by itself.

    Raises:
        InputError: the target cannot be written to.
    """

    def __init__(
        self,
        target: Path,
        header: SessionHeader,
        started: datetime,
        machine_id: str,
        options: RecordingOptions | None = None,
        on_fault: Callable[[str], None] | None = None,
    ) -> None:
        self._target, self._header, self._started, self._machine_id = target, header, started, machine_id
        self._options = options or RecordingOptions()
        self._on_fault = on_fault
        self._one_file = target.name.endswith((".ndjson", ".ndjson.gz"))
        self._queue: deque[Record] = deque()
        self._stop = threading.Event()
        self._latest = float("-inf")
        self._next_file_t = float("inf")
        self._file: Path | None = None
        self._records = self._late = self._dropped = 0
        self._fault = ""
        self._syncing: threading.Thread | None = None
        self._sync_error: OSError | None = None
        if self._one_file and target.exists():
            raise InputError(f"{target}: exists already; a recording never overwrites a file")
        try:
            self._writer = self._open(0.0)
        except OSError as error:
            raise InputError(f"{target}: cannot record there: {error.strerror or error}") from None
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._thread.start()

    @property
    def state(self) -> RecorderState:
        """How the recording stands; may be read from any thread."""
        return RecorderState(self._file, self._records, self._dropped, self._late, self._fault)

    def record(self, record: Record) -> None:
        """Keep a record. Returns at once and never raises."""
        if self._file is None:
            return
        if len(self._queue) < QUEUE:
            self._queue.append(record)
        else:
            self._dropped += 1

    def close(self) -> None:
        """Write what is left and end the file. Safe to call twice."""
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        rounds = 0
        try:
            while not self._stop.wait(WRITE_EVERY_S):
                rounds += 1
                self._drain(sync=rounds % SYNC_EVERY == 0)
            self._drain(sync=False)
            if self._syncing is not None:
                self._syncing.join()
            self._writer.close()
        except OSError as error:
            self._fail(error)
        self._file = None

    def _drain(self, *, sync: bool) -> None:
        if self._sync_error is not None:
            raise self._sync_error
        lines: list[bytes] = []
        came = 0
        for _ in range(len(self._queue)):
            record = self._queue.popleft()
            if record.t < self._latest:
                self._late += 1
                continue
            self._latest = record.t
            if record.t >= self._next_file_t:
                self._writer.write(b"".join(lines))
                lines = []
                self._writer.close()
                self._writer = self._open(record.t)
            lines.append(encode_line(record))
            came += 1
        if lines:
            self._writer.write(b"".join(lines))
        self._writer.flush()
        self._records += came
        if sync and (self._syncing is None or not self._syncing.is_alive()):
            # A slow disk takes seconds for it, and a kill meanwhile would cost what waits behind.
            self._syncing = threading.Thread(target=self._sync, args=(self._writer.duplicate(),), daemon=True)
            self._syncing.start()

    def _sync(self, descriptor: int) -> None:
        try:
            os.fsync(descriptor)
        except OSError as error:
            self._sync_error = error
        finally:
            os.close(descriptor)

    def _open(self, t: float) -> SessionWriter:
        if self._one_file:
            self._target.parent.mkdir(parents=True, exist_ok=True)
            path = self._target
        else:
            self._target.mkdir(parents=True, exist_ok=True)
            make_room(self._target, self._machine_id, int(self._options.keep_mb * 1e6))
            path = free_path(
                self._target, file_stem(self._machine_id, self._started, t), self._options.format
            )
            self._next_file_t = t + self._options.new_file_after_min * 60.0
        writer = SessionWriter(path, self._header)
        self._file = path
        return writer

    def _fail(self, error: OSError) -> None:
        self._writer.abandon()
        self._fault = f"recording ended: {error.strerror or error} ({self._file})"
        self._file = None
        self._queue.clear()
        if self._on_fault is not None:
            self._on_fault(self._fault)


def file_stem(machine_id: str, started: datetime, t: float) -> str:
    """Name of a file that begins at session time `t`, such as digger-1-20260504T080000Z."""
    return f"{machine_id}-{started + timedelta(seconds=t):%Y%m%dT%H%M%SZ}"


def free_path(directory: Path, stem: str, ending: str) -> Path:
    """A path that does not exist yet: stem.ending, stem-2.ending, …"""
    path, n = directory / f"{stem}.{ending}", 1
    while path.exists():
        n += 1
        path = directory / f"{stem}-{n}.{ending}"
    return path


def make_room(directory: Path, machine_id: str, budget: int) -> list[Path]:
    """Delete the oldest session files of this machine until the rest is within `budget` bytes.

    Only names that a recorder gives are touched. Returns what was deleted.
    """
    ours = re.compile(re.escape(machine_id) + r"-\d{8}T\d{6}Z(-\d+)?\.ndjson(\.gz)?")
    files = sorted(p for p in directory.iterdir() if ours.fullmatch(p.name) and p.is_file())
    sizes = {path: path.stat().st_size for path in files}
    total, gone = sum(sizes.values()), []
    for path in files:
        if total <= budget:
            break
        path.unlink(missing_ok=True)
        total -= sizes[path]
        gone.append(path)
    return gone
