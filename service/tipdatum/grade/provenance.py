"""What a record of points says about itself: whose figures, who calibrated, who checked."""

from __future__ import annotations

from tipdatum.grade.points import NO_SURVEY
from tipdatum.grade.state import WorkState
from tipdatum.grade.units import signed_mm
from tipdatum.machine.description import Machine


def provenance(machine: Machine, state: WorkState) -> list[str]:
    """Lines for the head of an export."""
    calibration = machine.calibration
    by, when = calibration.get("by"), calibration.get("date") or calibration.get("time")
    lines = [
        f"{machine.name}. {NO_SURVEY}",
        f"Calibrated by {by or 'nobody named'}{f', {when}' if when else ''}.",
    ]
    if state.checked is None:
        lines.append("Not checked on a mark.")
    else:
        c = state.checked
        who = f" by {c.by}" if c.by else ""
        lines.append(
            f"Checked on {c.mark}{who}{f', {c.time}' if c.time else ''}: off by {signed_mm(c.off_m)} mm"
            f"{'' if c.passed is None else ', passed' if c.passed else ', NOT PASSED'}."
        )
    return lines
