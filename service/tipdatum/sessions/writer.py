"""One session file being written: plain or gzip, readable up to the last flush whatever happens after it."""

from __future__ import annotations

import os
import zlib
from pathlib import Path

from tipdatum_drivers.decode.session_lines import encode_header
from tipdatum_drivers.reading import SessionHeader

_GZIP = 31  # window bits: 15, plus 16 for a gzip header and trailer
_LEVEL = 6  # zlib's default; four sensors at 100 Hz take below 2 % of a small computer's core


class SessionWriter:
    """Writes lines; what was written before a `flush` survives a kill of the process.

    Args:
        path: a name ending in .gz is compressed. header: the first line.

    Raises:
        OSError: the file cannot be made or the disk is full; so may every method.
    """

    def __init__(self, path: Path, header: SessionHeader) -> None:
        self.path = path
        self.size = 0
        """Bytes in the file as of the last flush."""
        self._file = path.open("wb")
        gzip = path.name.endswith(".gz")
        self._zip = zlib.compressobj(_LEVEL, zlib.DEFLATED, _GZIP) if gzip else None
        try:
            self.write(encode_header(header))
            self.flush()
        except OSError:
            self.abandon()
            raise

    def write(self, data: bytes) -> None:
        """Add whole lines."""
        self._put(self._zip.compress(data) if self._zip else data)

    def flush(self) -> None:
        """Hand everything to the operating system, on a boundary that a reader of a cut file can use."""
        if self._zip:
            # A sync flush ends on a byte and keeps the dictionary: about 4 % more space at two a second.
            self._put(self._zip.flush(zlib.Z_SYNC_FLUSH))
        self._file.flush()

    def sync(self) -> None:
        """Have the operating system put it on the disk: what survives a cut of the power."""
        self._file.flush()
        os.fsync(self._file.fileno())

    def duplicate(self) -> int:
        """A descriptor of the same file, for whoever has it put on the disk and closes it."""
        return os.dup(self._file.fileno())

    def close(self) -> None:
        """End the file properly."""
        if self._zip:
            self._put(self._zip.flush(zlib.Z_FINISH))
        self.sync()
        self._file.close()

    def abandon(self) -> None:
        """Let go of the file after an error; what was flushed stays readable."""
        try:
            self._file.close()
        except OSError:
            # Python tries once more to write what did not fit, and has closed the descriptor all the same.
            return

    def _put(self, data: bytes) -> None:
        self._file.write(data)
        self.size += len(data)
