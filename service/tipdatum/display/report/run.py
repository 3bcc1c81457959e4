"""What one replay of a session gave, as the report needs it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Run:
    """One session through one estimator.

    Attributes:
        name: how the report calls it. session, started, machine, estimator, comment: what it was.
        t: (M,) s, session time of each tip message. t_emit: (M,) s, newest reading it rests on.
        elevation, reach, sigma, deviation: (M,) m, NaN for null.
        target: (M,) m, the target's elevation under the tip, NaN without one.
        slew: (M,) degrees, NaN where it is not known.
        hang: (M,) how far the tip lies below its pin, in parts of their distance, NaN where not known.
        lean: (M, 2) degrees, pitch (nose up) and roll (right side down) of the upper, NaN where not known.
        corners: (M, 2) m, deviations of the left and the right end of the edge, NaN for null.
        across: (M, 4) m, of a ditch: offset from its middle to the left and height above its bottom, of the
            left and of the right end of the edge; NaN without one.
        falls: (M, 2) per cent, of the edge and of the target under it, NaN where not known.
        tilts: whether the bucket does.
        quality, datum: one word a message.
        operator, site: who dug and where, as far as somebody said.
        states, events, replies: messages in order, as dictionaries.
        health: sensor → its health messages in order.
        book: rows of the level book. closed: its last closing on a benchmark. points: as-dug points.
        error: (M,) m, elevation less the true one, NaN where either is not known; None without truth.
        score: rows of (key below report.score, value) when the session has truth.
        warnings: what was odd about the session file.
    """

    name: str
    session: str
    started: str
    machine: dict[str, Any]
    estimator: str
    comment: str
    t: Floats
    t_emit: Floats
    elevation: Floats
    reach: Floats
    sigma: Floats
    deviation: Floats
    target: Floats
    slew: Floats
    hang: Floats
    lean: Floats
    quality: tuple[str, ...]
    datum: tuple[str, ...]
    states: list[Row] = field(default_factory=list)
    events: list[Row] = field(default_factory=list)
    replies: list[Row] = field(default_factory=list)
    health: dict[str, list[Row]] = field(default_factory=dict)
    book: list[Row] = field(default_factory=list)
    closed: Row | None = None
    points: list[Row] = field(default_factory=list)
    error: Floats | None = None
    score: list[tuple[str, str]] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    corners: Floats | None = None
    across: Floats | None = None
    falls: Floats | None = None
    tilts: bool = False
    operator: str = ""
    site: str = ""

    @property
    def last_state(self) -> Row:
        """The state at the end, empty if none was published."""
        return self.states[-1] if self.states else {}

    @property
    def duration_s(self) -> float:
        """Session time that the messages cover, s."""
        return float(self.t[-1] - self.t[0]) if len(self.t) else 0.0
