"""Writing a result where a person wants it: a file, a packed one, or standard output."""

from __future__ import annotations

import gzip
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO, cast

from tipdatum.errors import InputError

STANDARD = Path("-")
"""The name that stands for standard input where something is read, and for standard output here."""


@contextmanager
def result_file(target: Path) -> Iterator[BinaryIO]:
    """A place to write bytes to; an ordinary file appears only once all of it was written.

    `-` is standard output; a name that ends in .gz is packed. What is no ordinary file (a pipe, a device) is
    written to as it comes.

    Raises:
        InputError: it cannot be written.
    """
    try:
        if target == STANDARD:
            yield sys.stdout.buffer
            sys.stdout.flush()
        elif target.exists() and not target.is_file():
            with target.open("wb") as out:
                yield out
        else:
            with appearing_whole(target) as out:
                yield out
    except BrokenPipeError:
        raise
    except OSError as error:
        raise InputError(f"{target} cannot be written: {(error.strerror or str(error)).lower()}") from None


def write_text(target: Path, text: str) -> None:
    """Write `text`, replacing what is there; see `result_file`.

    Raises:
        InputError: it cannot be written.
    """
    with result_file(target) as out:
        out.write(text.encode())


@contextmanager
def appearing_whole(target: Path, *, mode: int | None = None, durable: bool = False) -> Iterator[BinaryIO]:
    """A file that appears, or takes an older one's place, once all of it was written; else nothing stays.

    Args:
        mode: permissions; None: those of any new file.
        durable: whether it is on the disk before it appears, so that a cut of the power leaves it or the old.

    Raises:
        OSError: it cannot be written; the older one stands.
    """
    part = target.with_name(f".{target.name}.part{os.getpid()}")
    try:
        with part.open("wb", buffering=1 << 20) as out:
            if target.suffix == ".gz":
                # Without name and time inside, so that the same result gives the same bytes.
                with gzip.GzipFile("", "wb", 6, out, mtime=0) as packed:
                    yield cast("BinaryIO", packed)
            else:
                yield out
            if durable:
                out.flush()
                os.fsync(out.fileno())
        if mode is not None:
            part.chmod(mode)
        part.replace(target)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
