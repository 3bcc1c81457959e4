"""Reading session files: `*.ndjson`, plain or gzip, line by line, with errors that name the line.

A recorder that lost its power leaves a last line or a last gzip block that ends in the middle. That is no
reason to lose the session: what is whole is delivered, and `SessionFile.warnings` says what was left out.
"""

from __future__ import annotations

import hashlib
import math
import zlib
from collections.abc import Iterator, Sequence
from itertools import chain
from pathlib import Path
from typing import Final

from tipdatum_drivers.decode.session_lines import (
    LineError,
    decode_header,
    decode_line,
    decode_lines,
    header_error,
)
from tipdatum_drivers.errors import SessionError
from tipdatum_drivers.reading import Record, SessionHeader

BLOCK: Final = 1 << 15
"""Bytes read at a time: some ten times as many unpacked, which then still fit the processor's cache."""

LONGEST_LINE: Final = 4 << 20
"""Bytes; far above any line that a recorder writes (a machine description is some kilobytes)."""

_TRUTH, _TOLD_BY = b'"truth"', 40
"""The kind of a line that is truth, and within how many bytes it stands."""

LONGEST_GAP_S: Final = 2 * 86400.0
"""Figures go on through gaps, tick by tick; a longer one is a damaged number and would never end."""
LATEST_S: Final = 20 * 366 * 86400.0
"""No run lasts longer, s."""

_GZIP = b"\x1f\x8b"
_GZIP_OR_ZLIB: Final = 47  # window bits: zlib finds out by itself which of the two it is


COPY = "copy_of"
"""Key of a header: the recording that this one was made from for a command's life, by name and digest."""


def copy_of(source: Path, digest: str) -> dict[str, dict[str, str]]:
    """What the header of such a copy carries beside the rest, so that whatever is said names the source."""
    return {COPY: {"name": str(source), "digest": digest}}


class SessionFile:
    """One session file: its header now, its records when iterated (again from the start each time).

    Args:
        path: the file; compression is recognised by content, not by name.

    Raises:
        SessionError: the file is missing or unreadable, or its first line is no session header.
    """

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        self.name = str(path)
        self.warnings: list[str] = []
        """What the last iteration left out at the end of the file, in words."""
        first = _first_line(next(self._pieces(), b""))
        try:
            self.header: SessionHeader = decode_header(first.removeprefix(b"\xef\xbb\xbf"))
        except LineError as error:
            if not first.strip():
                raise SessionError(self.name, 0, "an empty file", 'a line of kind "session"') from None
            raise header_error(self.name, error) from None
        told = self.header.extra.get(COPY)
        self._source: dict[str, str] = told if isinstance(told, dict) else {}
        self.name = str(self._source.get("name", self.name))

    def __iter__(self) -> Iterator[Record]:
        return self.records()

    def records(self) -> Iterator[Record]:
        """The records in order of `t`; kinds that are not known are skipped.

        Raises:
            SessionError: a line cannot be read, or its `t` is before that of an earlier one.
        """
        return chain.from_iterable(self._batches())

    def _batches(self) -> Iterator[Sequence[Record]]:
        """The records, those of a piece of the file at a time."""
        self.warnings.clear()
        latest, number = -math.inf, 1
        for piece in self._pieces():
            text = piece[len(_first_line(piece)) :] if number == 1 else piece
            number += number == 1
            records = decode_lines(text)
            if records is not None and _follow(records, latest):
                yield records
                if records:
                    latest = records[-1].t
            else:
                for record in self._one_by_one(text, number, latest):
                    yield (record,)
                    latest = record.t
            number += text.count(b"\n")

    def _one_by_one(self, text: bytes, number: int, latest: float) -> Iterator[Record]:
        """The records of lines that are not all plainly what they should be, the first with this number."""
        for at, line in enumerate(_lines_of(text), number):
            try:
                record = decode_line(line)
            except LineError as error:
                if not line.endswith(b"\n"):
                    self._warn(f"line {at} ends in the middle and was left out")
                    return
                raise SessionError(self.name, at, error.found, error.expected) from None
            if record is None:
                continue
            if record.t < latest:
                raise SessionError(
                    self.name, at, f"t = {record.t:g} after t = {latest:g}", "records in order of t"
                )
            if record.t > max(latest, 0.0) + LONGEST_GAP_S and latest > -math.inf:
                leap = f"t = {record.t:g}, {record.t - latest:.3g} s after the record before"
                raise SessionError(self.name, at, leap, f"gaps of at most {LONGEST_GAP_S / 86400:g} days")
            if record.t > LATEST_S:
                raise SessionError(self.name, at, f"t = {record.t:g}", "seconds since the start")
            latest = record.t
            yield record

    def digest(self) -> str:
        """What tells this session from others, packed or not, with its truth or without.

        Sixteen hexadecimal digits of the SHA-256 of all lines of other kinds than `truth`. A copy for a
        command's life has those of its source.
        """
        if "digest" in self._source:
            return str(self._source["digest"])
        found = hashlib.sha256()
        for piece in self._pieces():
            for part in _without_truth(piece):
                found.update(part)
        return found.hexdigest()[:16]

    def _pieces(self) -> Iterator[bytes]:
        """The file, whole lines of a block at a time; only the last one may lack its newline."""
        rest = b""
        number = 1
        for block in self._blocks():
            text = rest + block
            end = text.rfind(b"\n") + 1
            rest = text[end:]
            number += text.count(b"\n")
            if len(rest) > LONGEST_LINE:
                long = f"a line of over {LONGEST_LINE >> 20} MiB"
                raise SessionError(self.name, number, long, "lines of JSON")
            if end:
                yield text[:end]
        # A file system that lost its power pads the end with zero bytes.
        rest = rest.rstrip(b"\0")
        if rest:
            yield rest

    def _blocks(self) -> Iterator[bytes]:
        try:
            with self.path.open("rb") as handle:
                start = handle.read(2)
                handle.seek(0)
                raw = iter(lambda: handle.read(BLOCK), b"")
                yield from self._unzipped(raw) if start == _GZIP else raw
        except FileNotFoundError:
            raise SessionError(self.name, 0, "no such file", "a session file") from None
        except IsADirectoryError:
            raise SessionError(self.name, 0, "a directory", "a session file") from None
        except OSError as error:
            raise SessionError(self.name, 0, error.strerror or str(error), "a readable file") from None

    def _unzipped(self, raw: Iterator[bytes]) -> Iterator[bytes]:
        """Decompressed blocks of one gzip member after the other, as a recorder that appends writes them."""
        member = zlib.decompressobj(_GZIP_OR_ZLIB)
        for block in raw:
            data = block
            while data:
                if member.eof:
                    data = data.lstrip(b"\0")
                    if not data:
                        break
                    member = zlib.decompressobj(_GZIP_OR_ZLIB)
                try:
                    yield member.decompress(data)
                except zlib.error:
                    raise SessionError(
                        self.name, 0, "damaged gzip data", "a whole gzip file, or a plain one"
                    ) from None
                data = member.unused_data
        if not member.eof:
            self._warn("the compressed file ends in the middle; what comes after is lost")

    def _warn(self, text: str) -> None:
        self.warnings.append(f"{self.name}: {text}")


def _first_line(text: bytes) -> bytes:
    """With its newline, where it has one."""
    return text[: text.find(b"\n") + 1 or len(text)]


def _lines_of(text: bytes) -> list[bytes]:
    """With their newlines; only the last one may lack it."""
    *lines, rest = text.split(b"\n")
    return [line + b"\n" for line in lines] + ([rest] if rest else [])


def _follow(records: Sequence[Record], latest: float) -> bool:
    """Whether records plainly follow one at `latest` s, in order and without a gap that is none."""
    times = [record.t for record in records]
    if not times:
        return True
    # Where the last one follows closely enough, all before it do.
    longest = min(max(latest, 0.0) + LONGEST_GAP_S, LATEST_S)
    return latest <= times[0] and times[-1] <= longest and times == sorted(times)


def _without_truth(lines: bytes) -> Iterator[bytes]:
    """What is left of whole lines without those that say early on that they are truth."""
    begun = told = 0
    while (told := lines.find(_TRUTH, told)) >= 0:
        start, end = lines.rfind(b"\n", 0, told) + 1, lines.find(b"\n", told) + 1 or len(lines)
        if told - start <= _TOLD_BY - len(_TRUTH):
            yield lines[begun:start]
            begun = end
        told = end
    yield lines[begun:]
