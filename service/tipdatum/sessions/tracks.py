"""What the scorer compares, read from files: the truth of a session and the messages of its replay."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import orjson

from tipdatum.errors import SessionError
from tipdatum.sessions.scorer import MessageTrack, TruthTrack
from tipdatum_drivers.reading import Command, Truth
from tipdatum_drivers.session_file import SessionFile


def read_truth(path: Path) -> TruthTrack:
    """The truth of a session.

    Raises:
        SessionError: the file cannot be read, or holds no truth.
    """
    truths: list[Truth] = []
    references: list[tuple[float, float]] = []
    for record in SessionFile(path):
        if isinstance(record, Truth):
            truths.append(record)
        elif isinstance(record, Command) and record.name == "datum/set":
            elevation = record.body.get("elevation_m")
            if isinstance(elevation, (int, float)) and not isinstance(elevation, bool):
                references.append((record.t, float(elevation)))
    if len(truths) < 2:
        raise SessionError(str(path), 0, "no truth", 'lines of kind "truth" (simulated or surveyed sessions)')
    grounds = [t.tip_ground_m for t in truths if t.tip_ground_m is not None]
    quiets = [t.quiet for t in truths if t.quiet is not None]
    return TruthTrack(
        t=np.array([t.t for t in truths]),
        tip=np.array([t.tip_m for t in truths]),
        ground=np.array(grounds) if len(grounds) == len(truths) else None,
        quiet=np.array(quiets) if len(quiets) == len(truths) else None,
        references=tuple(references),
    )


def read_messages(path: Path) -> MessageTrack:
    """The tip messages that `tipdatum replay` wrote.

    Raises:
        SessionError: the file cannot be read, or a line is no tip message with `t_emit`.
    """
    rows: list[tuple[float, float, float]] = []
    qualities: list[str] = []
    try:
        with path.open("rb") as lines:
            for number, line in enumerate(lines, 1):
                rows.append(_row(line, path, number))
                qualities.append(str(orjson.loads(line)["quality"]))
    except OSError as error:
        raise SessionError(
            str(path), 0, (error.strerror or str(error)).lower(), "the output of tipdatum replay"
        ) from None
    if not rows:
        raise SessionError(str(path), 0, "an empty file", "the output of tipdatum replay")
    t_emit, elevation, sigma = np.array(rows).T
    return MessageTrack(t_emit, elevation, sigma, tuple(qualities))


def _row(line: bytes, path: Path, number: int) -> tuple[float, float, float]:
    expected = "a tip message with t_emit, elevation_m, sigma_m and quality"
    try:
        row: dict[str, Any] = orjson.loads(line)
        figures = [row[key] for key in ("t_emit", "elevation_m", "sigma_m")]
        if not isinstance(row["quality"], str):
            raise TypeError
        t_emit, elevation, sigma = (float("nan") if f is None else float(f) for f in figures)
    except orjson.JSONDecodeError:
        raise SessionError(str(path), number, "a line that is not JSON", expected) from None
    except (TypeError, KeyError, ValueError):
        raise SessionError(str(path), number, "another kind of line", expected) from None
    return t_emit, elevation, sigma
