"""The cutting edge, the swing and the ditch of the terminal view as lines of text."""

from __future__ import annotations

from typing import Any

from tipdatum.display.texts import Speech

SAME_PERCENT = 0.3
"""Falls closer than this are called the same, as on the page."""
LEVEL_PERCENT = 0.05
STRAIGHT_DEG = 0.5
"""A boom that is swung less is not told."""


def edge_lines(arm: dict[str, Any], state: dict[str, Any], say: Speech) -> list[str]:
    """What belongs to an edge that is to be laid over, most urgent first; empty where all is square.

    The tilt to set, how edge and target fall, which face of a ditch is nearest, how far the boom is swung.

    Args:
        arm: the arm message, empty when it is not current. state: the state message.
    """
    lines = []
    if _matters(arm, state):
        edge, target = (_number(arm.get(f"{what}_fall_percent")) for what in ("edge", "target"))
        turn = _number(arm.get("tilt_to_set_deg"))
        if edge is not None and target is not None and turn is not None:
            side = say("side.left" if target > edge else "side.right")
            to_set = say("edge.tilt", angle=say.number(abs(turn), 1), side=side)
            lines.append(say("edge.set") if abs(target - edge) < SAME_PERCENT else to_set)
        lines.append(say("edge.upright") if edge is None else say("edge.edge", fall=_fall(edge, say)))
        if target is not None:
            lines.append(say("edge.target", fall=_fall(target, say)))
    face = arm.get("target_face")
    if face in ("bottom", "left", "right"):
        lines.append(say("edge.face", face=say(f"edge.face.{face}")))
    swing = _number(arm.get("swing_deg"))
    if swing is not None and abs(swing) >= STRAIGHT_DEG:
        side = say("side.left" if swing > 0 else "side.right")
        lines.append(say("edge.swung", angle=say.number(abs(swing), 0), side=side))
    return lines


def _matters(arm: dict[str, Any], state: dict[str, Any]) -> bool:
    target = state.get("target")
    target = target if isinstance(target, dict) else {}
    across = target.get("kind") == "ditch" or bool(target.get("cross"))
    return bool(arm.get("corners")) and (_number(arm.get("tilt_deg")) is not None or across)


def _fall(percent: float, say: Speech) -> str:
    if abs(percent) < LEVEL_PERCENT:
        return say("edge.level")
    side = say("side.right" if percent > 0 else "side.left")
    return say("edge.fall", grade=f"{say.number(abs(percent), 1)} %", side=side)


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
