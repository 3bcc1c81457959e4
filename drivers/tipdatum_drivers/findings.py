"""Faults found in one sensor's readings: counted, and kept for as long as they last."""

from __future__ import annotations

import math

from tipdatum_drivers.reading import Fault


class Findings:
    """Counts what was found, and knows which conditions last.

    Args:
        source: the sensor's name.
    """

    def __init__(self, source: str) -> None:
        self.source = source
        self.faults: dict[str, int] = {}
        """Faults by kind since the start."""
        self.total = 0
        """Faults of all kinds."""
        self.last_fault: str | None = None
        self.last_t = -math.inf
        self.conditions: dict[str, str] = {}
        """Kind → text of what lasts."""
        self.fresh: list[Fault] = []
        """Faults since `take` was called."""

    def take(self) -> list[Fault]:
        """The faults since the last call."""
        fresh, self.fresh = self.fresh, []
        return fresh

    def count(self, fault: Fault) -> None:
        """Count a fault that somebody else found."""
        self.faults[fault.kind] = self.faults.get(fault.kind, 0) + 1
        self.total += 1
        self.last_fault = f"{fault.kind}: {fault.text}" if fault.text else fault.kind
        self.last_t = fault.t

    def found(self, t: float, kind: str, text: str) -> None:
        """A fault of a moment."""
        fault = Fault(t, self.source, kind, text)
        self.count(fault)
        self.fresh.append(fault)

    def begin(self, t: float, kind: str, text: str) -> None:
        """A condition holds; its onset is counted once."""
        if kind not in self.conditions:
            self.found(t, kind, text)
            self.conditions[kind] = f"{kind}: {text}"

    def forget(self) -> None:
        """Nothing lasts any more; what was counted stays."""
        self.conditions.clear()

    def end(self, kind: str) -> None:
        """A condition is over, if it ever began."""
        if self.conditions:
            self.conditions.pop(kind, None)
