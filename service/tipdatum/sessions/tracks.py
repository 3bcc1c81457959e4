"""What the scorer compares, read from files: the truth of a session and the messages of its replay."""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

import numpy as np
import orjson
from pydantic import BaseModel, Field, ValidationError

from tipdatum.errors import SessionError
from tipdatum.sessions.scorer import Floats, MessageTrack, TruthTrack
from tipdatum_drivers.reading import Command, Truth
from tipdatum_drivers.session_file import SessionFile

REPLAYED = "the output of tipdatum replay"


def read_truth(path: Path) -> TruthTrack:
    """The truth of a session.

    Raises:
        SessionError: the file cannot be read, or holds no truth.
    """
    truths: list[Truth] = []
    references: list[tuple[float, float]] = []
    session = SessionFile(path)
    for record in session:
        if isinstance(record, Truth):
            truths.append(record)
        elif isinstance(record, Command) and record.name == "datum/set":
            elevation = record.body.get("elevation_m")
            if isinstance(elevation, (int, float)) and not isinstance(elevation, bool):
                references.append((record.t, float(elevation)))
    if len(truths) < 2:
        expected = 'lines of kind "truth" (simulated or surveyed sessions), or a log with columns for it'
        raise SessionError(session.name, 0, "no truth", expected)
    grounds = [t.tip_ground_m for t in truths if t.tip_ground_m is not None]
    quiets = [t.quiet for t in truths if t.quiet is not None]
    return TruthTrack(
        t=np.array([t.t for t in truths]),
        tip=np.array([t.tip_m for t in truths]),
        ground=np.array(grounds) if len(grounds) == len(truths) else None,
        quiet=np.array(quiets) if len(quiets) == len(truths) else None,
        references=tuple(references),
        corners=_true_corners(truths),
    )


def _true_corners(truths: list[Truth]) -> dict[str, Floats]:
    found = {"left": [t.left_m for t in truths], "right": [t.right_m for t in truths]}
    whole = all(point is not None for points in found.values() for point in points)
    return {name: np.array(points) for name, points in found.items()} if whole else {}


class Origin(BaseModel):
    """Where a file of tip messages comes from: the member `origin` of its first line."""

    started: str = Field(description="of the session, wall clock at t = 0")
    digest: str = Field(description="of the session's content, see `SessionFile.digest`")
    machine: str
    estimator: str
    build: str


def read_origin(path: Path) -> Origin | None:
    """Where a file of tip messages comes from; None where it does not say.

    Raises:
        SessionError: the file cannot be read, or its first line is none of a replay.
    """
    try:
        row = orjson.loads(next(_lines(path), b""))
    except orjson.JSONDecodeError:
        raise SessionError(str(path), 1, "a line that is not JSON", REPLAYED) from None
    found = row.get("origin") if isinstance(row, dict) else None
    try:
        return None if found is None else Origin.model_validate(found)
    except ValidationError:
        raise SessionError(str(path), 1, "an origin that says less than it should", REPLAYED) from None


def read_messages(path: Path) -> MessageTrack:
    """The tip messages that `tipdatum replay` wrote.

    Raises:
        SessionError: the file cannot be read, or a line is no tip message with `t_emit`.
    """
    rows: list[tuple[float, ...]] = []
    qualities: list[str] = []
    for number, line in enumerate(_lines(path), 1):
        rows.append(_row(line, path, number))
        qualities.append(str(orjson.loads(line)["quality"]))
    if not rows:
        raise SessionError(str(path), 0, "an empty file", REPLAYED)
    t_emit, elevation, sigma, left, right, left_sigma, right_sigma = np.array(rows).T
    corners = {"left": np.stack([left, left_sigma], 1), "right": np.stack([right, right_sigma], 1)}
    return MessageTrack(t_emit, elevation, sigma, tuple(qualities), corners)


def _lines(path: Path) -> Iterator[bytes]:
    """The file's lines, packed or not, as its content says.

    Raises:
        SessionError: it cannot be read, or is packed and damaged.
    """
    try:
        with path.open("rb") as raw:
            packed = raw.peek(2).startswith(b"\x1f\x8b")
            yield from cast("Iterator[bytes]", gzip.GzipFile(fileobj=raw)) if packed else raw
    except (EOFError, zlib.error, gzip.BadGzipFile):
        raise SessionError(str(path), 0, "damaged gzip data", REPLAYED) from None
    except OSError as error:
        raise SessionError(str(path), 0, (error.strerror or str(error)).lower(), REPLAYED) from None


def _row(line: bytes, path: Path, number: int) -> tuple[float, ...]:
    expected = "a tip message with t_emit, elevation_m, sigma_m and quality"
    try:
        row: dict[str, Any] = orjson.loads(line)
        figures = [row[key] for key in ("t_emit", "elevation_m", "sigma_m")]
        if not isinstance(row["quality"], str):
            raise TypeError
        figures += [row.get(key) for key in ("left_m", "right_m", "left_sigma_m", "right_sigma_m")]
        known = tuple(float("nan") if f is None else float(f) for f in figures)
    except orjson.JSONDecodeError:
        raise SessionError(str(path), number, "a line that is not JSON", expected) from None
    except (TypeError, KeyError, ValueError):
        raise SessionError(str(path), number, "another kind of line", expected) from None
    return known
