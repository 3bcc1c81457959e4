"""What `tipdatum new` asks of machines with more joints, and the tables that it writes of the answers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from tipdatum.cli.questions import Questions, between, lengths, number, one_of
from tipdatum.errors import InputError

T = TypeVar("T")

JOINTS = ("second_boom", "boom_swing", "tilt", "coupler")
NONE = "none"
KEYS = (
    "joints", "second_boom", "boom_swing", "swing_told", "coupler", "coupler_deg", "pins_deg", "tilts",
    "tilt_axis", "tilt_deg", "slew_sensor",
)  # fmt: skip
"""Keys of an answers file that belong here."""

SECOND_BOOM = """
[second_boom]
length_m = {length:g}  # pin at the boom's end to boom–stick pin
length_sigma_m = 0.005
"""

BOOM_SWING = """
[boom_swing]  # foot_m above is where the foot pin is with the boom straight ahead
pivot_m = [{x:g}, {y:g}, 0]  # a point of the swing's axis: forward of the slew axis, left
{held}"""

HELD = """\
held_deg = 0.0  # straight ahead, and nothing tells whether it stays there: positive to the left
"""

SWING = """
[sensor.swing]
body = "boom_swing"
type = "slew"  # an angle, positive to the left, 0 straight ahead
latency_s = 0.010  # how old a reading is when it has come in
"""

SLEW = """
[sensor.slew]
body = "upper"
type = "slew"  # how far the upper is slewed, positive to the left: for targets that fall across, slew limits
latency_s = 0.010  # how old a reading is when it has come in
"""

TILT = """\
tilt_axis_m = [{x:g}, {z:g}]  # a point of the axis: {along}, and off that line
tilt_axis_deg = {angle:g}  # its direction, from that line towards the back; check says which side rises
"""

PINS = """\
bucket_ear_angle_deg = {angle:g}  # from the line pin–tip to its second pin, which the coupler holds
"""

COUPLER = """
[coupler]  # between stick and bucket; the bucket is described from its own pin
length_m = {length:g}  # pin of the stick to the pin of the bucket
offset_deg = {angle:g}  # from there to the bucket's second pin, against the line from the stick's pin
"""


@dataclass(frozen=True, slots=True)
class Joints:
    """What was answered.

    Attributes:
        of_bucket: keys to be added to the bucket's table. tables: to stand after it.
        angles: tables of the sensors that tell one angle, of swing and slew, or nothing.
        carries: where the sensor may sit that tells the bucket's angle, the usual place first.
    """

    of_bucket: str
    tables: str
    second_boom: bool
    angles: str
    carries: tuple[str, ...]


def ask_joints(questions: Questions, given: str | None) -> Joints:
    """The joints that the machine has besides boom, stick and bucket, and their measures.

    Args:
        given: what the command line said of which there are.
    """

    def ask(key: str, question: str, parse: Callable[[str], T], default: str | None = None) -> T:
        return questions.ask(key, None, question, parse, default, f"{key} of an answers file")

    there = questions.ask(
        "joints", given, f"More joints? Of {', '.join(JOINTS)}, with commas between", joints, NONE
    )
    of_bucket, tables, angles, tilts = [], [], [], ""
    if "second_boom" in there:
        length = ask("second_boom", "Second boom: pin at the boom's end to boom–stick pin", between(0.2, 30))
        tables.append(SECOND_BOOM.format(length=length))
    if "boom_swing" in there:
        x, y = ask("boom_swing", "Swing's axis: forward of the slew axis, left", lengths(2))
        question = "What tells the swing: encoder, gyros (of upper and boom), or is the boom held straight?"
        told = ask("swing_told", question, one_of("encoder", "gyros", "held"), "encoder")
        tables.append(BOOM_SWING.format(x=x, y=y, held=HELD if told == "held" else ""))
        angles.append(SWING if told == "encoder" else "")
    if "coupler" in there:
        length = ask("coupler", "Coupler: pin of the stick to pin of the bucket", between(0.02, 2))
        question = "Degrees from that line to the bucket's second pin"
        angle = ask("coupler_deg", question, number)
        question = "Bucket: degrees from the line pin–tip to its second pin"
        of_bucket.append(PINS.format(angle=ask("pins_deg", question, number)))
        tables.append(COUPLER.format(length=length, angle=angle))
    if "tilt" in there:
        tilts = "bucket"
        if "coupler" in there:
            tilts = ask("tilts", "What tilts, the bucket or the coupler?", one_of(*TILTED), tilts)
        along, line = TILTED[tilts]
        x, z = ask("tilt_axis", f"Tilt axis, a point: {along}, off that line", lengths(2))
        axis = TILT.format(x=x, z=z, along=along, angle=ask("tilt_deg", f"Degrees from {line} to it", number))
        (of_bucket if tilts == "bucket" else tables).append(axis)
    question = "Does a sensor tell how far the upper is slewed, yes or no?"
    if ask("slew_sensor", question, one_of("yes", "no"), "no") == "yes":
        angles.append(SLEW)
    # Curl and tilt together are told by a sensor on the part that tilts.
    carries = ["coupler"] if "coupler" in there and tilts != "bucket" else []
    carries += ["bucket"] if tilts else ["bucket", "rocker"]
    return Joints(
        "".join(of_bucket), "".join(tables), "second_boom" in there, "".join(angles), tuple(carries)
    )


TILTED = {
    "bucket": ("from the bucket's pin towards the tip", "the line pin–tip"),
    "coupler": ("from the stick's pin towards the bucket's", "the line between those pins"),
}
"""What tilts → along what a point of its axis is measured, and from what line the axis's angle."""


def joints(text: str) -> tuple[str, ...]:
    """Parser for names of `JOINTS` with commas between, or the word none."""
    found = [word.strip().lower().replace(" ", "_") for word in text.split(",")]
    if found == [NONE]:
        return ()
    strange = next((word for word in found if word not in JOINTS), None)
    if strange is not None:
        raise InputError(f'"{strange}" is none of {", ".join(JOINTS)}, and not {NONE}')
    return tuple(found)
