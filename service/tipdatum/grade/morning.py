"""The morning's questions: bucket, target, reference, and the daily check on a mark."""

from __future__ import annotations

from typing import Literal, TypeAlias, get_args

from tipdatum.grade.state import WorkState
from tipdatum.grade.targets import Target

QuestionName: TypeAlias = Literal["bucket", "target", "reference", "check"]
ORDER: tuple[QuestionName, ...] = get_args(QuestionName)

_TO_DO: dict[str, str] = {
    "bucket": "Choose the bucket that is on with bucket/choose.",
    "target": "Enter the target (target/level, target/grade, …), or take it away with target/clear.",
    "reference": "Set the reference on a mark with datum/set or mark/return, or by laser with laser/set.",
    "check": "Stand the tip on a mark that is known and send mark/check with its name.",
}


def what_to_do(question: str) -> str:
    """How to put right what a question asks about."""
    return _TO_DO[question]


def questions(state: WorkState) -> list[str]:
    """What there is to ask about: only what was left from before."""
    asked: list[str] = ["bucket"]
    if state.target is not None:
        asked.append("target")
    if state.reference is not None:
        asked.append("reference")
    if any(mark.known for mark in state.marks.values()):
        asked.append("check")
    return asked


def described(target: Target) -> str:
    """A target in a few words, as an operator would know it again."""
    if target.kind == "level":
        return f"level at {target.elevation_m:.3f} m"
    if target.kind == "grade":
        way = "rising" if target.grade > 0.0 else "falling"
        slope = "level" if target.grade == 0.0 else f"{way} {abs(target.grade) * 100:.2f} %"
        return f"{slope} from {target.elevation_m:.3f} m"
    if target.kind == "profile":
        return f"profile of {len(target.points)} rows"
    return f"{target.depth_m:.3f} m below the laser's plane"


def wording(question: str, state: WorkState, bucket: str) -> str:
    """The question as the operator reads it."""
    if question == "bucket":
        return f"Is the bucket {bucket} on?"
    if question == "target":
        kind = described(state.target) if state.target else "none"
        layer = f", layer {state.layer}" if state.layer else ""
        return f"Is the target still the one that was set ({kind}{layer})?"
    if question == "reference":
        mark = state.reference.mark if state.reference else None
        return f"Has the machine stood untouched since the reference was set{' on ' + mark if mark else ''}?"
    names = ", ".join(sorted(name for name, mark in state.marks.items() if mark.known))
    return f"Do the daily check on a mark now ({names})?"
