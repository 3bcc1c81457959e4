"""Cutting a byte stream into frames: what every decoder needs before it can look at one.

A stream is hostile: it starts in the middle of a frame, loses bytes, gains bytes, and may be noise for
hours. Both cutters keep a bounded buffer, give the same frames however the bytes are chopped up, and say how
many bytes belonged to no frame.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator
from typing import ClassVar, Protocol, TypeAlias

from tipdatum_drivers.reading import Fault, Reading, Value

Item: TypeAlias = Reading | Fault

REPORT_BYTES = 512
"""Noise is reported in portions of this size, so that a fault does not wait for the noise to end."""


class Frame(Value, frozen=True):
    """Bytes between two ends. `whole` is False where the start was not seen: the first after opening."""

    data: bytes
    whole: bool = True


class Skipped(Value, frozen=True):
    """Bytes that make no frame, and why as a fault's kind."""

    count: int
    kind: str = "unreadable bytes"


class Cutter(Protocol):
    """Bytes in, frames and skipped bytes out."""

    def cut(self, data: bytes) -> Iterable[Frame | Skipped]: ...


class Delimited:
    """Frames that end with one of `ends`; empty ones are nothing.

    Args:
        ends: the bytes that end a frame. longest: a longer one is no frame, bytes.
    """

    def __init__(self, ends: bytes, longest: int) -> None:
        self._longest = longest
        self._end = ends[:1]
        self._others = bytes.maketrans(ends, self._end * len(ends)) if len(ends) > 1 else None
        self._rest = b""
        self._overlong = 0
        self._whole = False

    def cut(self, data: bytes) -> Iterator[Frame | Skipped]:
        """The frames that `data` completes."""
        *pieces, rest = (data if self._others is None else data.translate(self._others)).split(self._end)
        for piece in pieces:
            frame, self._rest = self._rest + piece, b""
            if self._overlong or len(frame) > self._longest:
                yield Skipped(self._overlong + len(frame), "line too long")
                self._overlong = 0
            elif frame:
                yield Frame(frame, self._whole)
            self._whole = True
        self._rest += rest
        if len(self._rest) > self._longest:
            self._overlong += len(self._rest)
            self._rest = b""
        if self._overlong >= REPORT_BYTES:
            yield Skipped(self._overlong, "line too long")
            self._overlong = 1


class FixedLength:
    """Frames of one length that begin with a start byte and prove themselves (a checksum).

    Args:
        start: first byte. length: of a frame, bytes. proves: whether a candidate is a frame.
    """

    def __init__(self, start: int, length: int, proves: Callable[[bytes], bool]) -> None:
        self._start, self._length, self._proves = bytes([start]), length, proves
        self._buffer = b""
        self._skipped = 0
        self._kind = ""
        self._in_step = self._begun = False

    def cut(self, data: bytes) -> Iterator[Frame | Skipped]:
        """The frames that `data` completes."""
        buffer, at = self._buffer + data, 0
        while len(buffer) - at >= self._length:
            candidate = buffer[at : at + self._length]
            starts = candidate[:1] == self._start
            if starts and self._proves(candidate):
                yield from self._report()
                yield Frame(candidate)
                at += self._length
                self._in_step = self._begun = True
                continue
            if not self._skipped:
                # Straight after a good frame a start byte means a damaged frame, not noise.
                self._kind = "wrong checksum" if starts and self._in_step else "unreadable bytes"
            self._in_step = False
            following = buffer.find(self._start, at + 1)
            step = (following if following >= 0 else len(buffer)) - at
            self._skipped += step
            at += step
            if self._skipped >= REPORT_BYTES:
                self._begun = True
                yield from self._report()
        self._buffer = buffer[at:]

    def _report(self) -> Iterator[Skipped]:
        # Less than a frame before the first one is its own beginning, missed: no fault of the line.
        if self._skipped >= (1 if self._begun else self._length):
            yield Skipped(
                self._skipped, self._kind if self._skipped <= 2 * self._length else "unreadable bytes"
            )
        self._skipped = 0


class Decoder(ABC):
    """Bytes in, readings and counted faults out; never raises for what the bytes are.

    A driver makes a new one for each connection, so nothing of a torn-off frame outlives an unplug.

    Args:
        source: names the faults that belong to no sensor. cutter: how frames are found.
    """

    poll_s = 0.05
    asks: ClassVar[bool] = False
    """Whether it speaks to the device by `poll`, and so must hear each answer at once."""

    def __init_subclass__(cls) -> None:
        if cls.poll is not Decoder.poll and not cls.asks:
            raise TypeError(f"{cls.__name__} has a poll of its own and so needs asks = True")

    def __init__(self, source: str, cutter: Cutter) -> None:
        self.source = source
        self._cutter = cutter
        self._begun = False

    def feed(self, data: bytes, t: float) -> list[Item]:
        """What the bytes that were read at `t` (s, the run's clock) complete."""
        items: list[Item] = []
        for piece in self._cutter.cut(data):
            if isinstance(piece, Skipped):
                self.lost()
                found: Iterable[Item] = (Fault(t, self.source, piece.kind, f"{piece.count} bytes"),)
            else:
                found = self.frame(piece, t)
                if self._begun:
                    items += found
                    continue
            for item in found:
                # Whoever comes late hears half a frame first; that is no fault of the line.
                if not isinstance(item, Fault):
                    self._begun = True
                elif not self._begun and isinstance(piece, Frame) and not piece.whole:
                    continue
                items.append(item)
        return items

    def poll(self, t: float) -> tuple[bytes, list[Item]]:
        """Bytes to send now, and what has to be said because time passed; most devices speak unasked."""
        return b"", []

    @abstractmethod
    def frame(self, frame: Frame, t: float) -> Iterable[Item]:
        """Readings and faults of one frame whose last byte was read at `t`."""

    def lost(self) -> None:  # noqa: B027 (most decoders join nothing)
        """Called where bytes were lost, so that a decoder does not join what does not belong together."""
