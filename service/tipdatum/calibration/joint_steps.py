"""What a guide asks for by the joints that a machine has: motions, rests with boom swung or bucket tilted.

One mark, touched straight ahead and with the boom swung and the upper slewed back, shows the swing's axis; a
level on the cutting edge of a tilted bucket shows the tilt axis.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TypeAlias

from tipdatum.calibration.guide import MEASURED_IS_SAFE, Question, Step, watched
from tipdatum.calibration.observations import Kind
from tipdatum.machine.description import Machine

Fixed: TypeAlias = tuple[Kind, str, float, str, float]
"""As `Step.fixed`."""

SWING_MARK = "SW"
"""Name of the mark that is touched with the boom swung."""

SWUNG = (
    "with the boom straight ahead, by a straightedge at its foot",
    "with the boom swung some 50° to the left and the upper slewed back",
    "with the boom swung some 50° to the right and the upper slewed back",
    "with the boom swung some 30° to the left and the bucket curled further",
    "with the boom swung some 30° to the right and the bucket opened further",
)
TILTED = (
    ("left side some 20° up", "bucket cutting"),
    ("right side some 20° up", "bucket cutting"),
    ("left side some 20° up", "bucket curled a little"),
    ("right side some 20° up", "bucket curled a little"),
    ("left side some 20° up", "bucket opened a little"),
    ("right side some 20° up", "bucket opened a little"),
)

SLEW_READ = Question("slew", "upper", "deg", 1.0, "slew by the chalk marks, degrees, positive to the left")
SWING_READ = Question("swing", "boom", "deg", 1.0, "swing by the chalk marks, degrees, positive to the left")
EDGE = (
    Question(
        "cross_slope", "edge", "deg", 0.05, "slope of the cutting edge, degrees, positive: left end higher"
    ),
    Question("height", "stick_bucket", "m", 0.002, "height of the stick–bucket pin, m"),
    Question("height", "left", "m", 0.002, "height of the edge's left corner, m"),
    Question("height", "right", "m", 0.002, "height of the edge's right corner, m"),
)


def motion_steps(machine: Machine) -> list[Step]:
    """One swing of each joint there and back."""
    sensors, joints = watched(machine), moving_joints(machine)
    how = {
        "slew": "slew left by a quarter turn, then back",
        "boom_swing": "swing the boom left by some 40°, then back to straight ahead",
        "boom": "raise the boom by some 20°, then lower it back",
        "second_boom": "fold the second boom in by some 20°, then put it back",
        "stick": "push the stick out by some 30°, then pull it back",
        "bucket": "open the bucket (tip rising) by some 60°, then curl it back",
        "tilt": "tilt the bucket by some 20°, then back to level",
    }
    return [
        Step(f"motion-{joint}", "motions", f"Move one joint alone, slowly: {words}.", sensors, swing=joint)
        for joint, words in how.items()
        if joint in joints
    ]


def moving_joints(machine: Machine) -> tuple[str, ...]:
    """Joints that move alone, as observations name them."""
    swing = () if machine.boom_swing is None else ("boom_swing",)
    tilt = () if machine.bucket[0].tilt_axis_m is None else ("tilt",)
    return ("slew", *swing, *machine.sections, *tilt)


def swing_steps(machine: Machine) -> list[Step]:
    """Touches of one mark; none where the boom does not swing."""
    if machine.boom_swing is None:
        return []
    told: tuple[Question, ...] = ()
    if machine.swing_sensor is not None:
        words = "what the boom's encoder tells, degrees, if you can see it"
        told = (Question("encoder", machine.swing_sensor, "deg", 0.2, words),)
    found = []
    touch: Fixed = ("tip_on_mark", SWING_MARK, 0.0, "m", 0.003)
    ahead: Fixed = ("swing", "boom", 0.0, "deg", 0.3)
    for i, how in enumerate(SWUNG, 1):
        found.append(
            Step(
                f"swing-{i}",
                "swing",
                f"Put the middle of the teeth on mark {SWING_MARK}, {how}. Keep people away while it swings.",
                watched(machine),
                ((SLEW_READ, *told) if i == 1 else (SWING_READ, SLEW_READ, *told)),
                (touch, ahead) if i == 1 else (touch,),
            )
        )
    return found


def tilt_steps(machine: Machine) -> list[Step]:
    """Rests with the bucket tilted; none where it does not tilt."""
    if machine.bucket[0].tilt_axis_m is None:
        return []
    axis = "with the tilt axis within 45° of level"
    return [
        Step(
            f"tilt-{i}",
            "tilt",
            f"Tilt the bucket, {side}, {curl}, {axis}. {MEASURED_IS_SAFE}",
            watched(machine),
            EDGE,
        )
        for i, (side, curl) in enumerate(TILTED, 1)
    ]


def side_steps(machine: Machine, joint: str) -> list[Step]:
    """Steps beside the arm plane: of "tilt" or "swing"."""
    return tilt_steps(machine) if joint == "tilt" else swing_steps(machine)


def proposed(step: Step, words: str, mark: str) -> Step:
    """A step beside the arm plane, in a posture that was worked out.

    Args:
        words: of the posture. mark: the one that is touched; empty for none.
    """
    fixed = tuple(
        (kind, mark if kind == "tip_on_mark" else of, value, unit, sigma)
        for kind, of, value, unit, sigma in step.fixed
    )
    safe = f" {MEASURED_IS_SAFE}" if not mark else " Keep people away while it swings."
    return replace(step, words=f"Bring the arm to: {words}, or near it.{safe}", fixed=fixed)


def usual_steps(machine: Machine) -> list[str]:
    """Names of the steps of a whole capture, in order."""
    swing = ["swing"] if machine.boom_swing is not None else []
    tilt = ["tilt"] if machine.bucket[0].tilt_axis_m is not None else []
    return ["motions", "measured", *tilt, *swing, "reversal"]
