"""What changed in which version of the message contract.

Whoever changes a message, a command, a topic's delivery or a plain topic raises `CONTRACT_VERSION` in
`messages.py` (major for what breaks a reader, minor for what is added) and adds a line here; a test holds the
fingerprint of `contract.fingerprint()` against it.
"""

from __future__ import annotations

from typing import NamedTuple


class Version(NamedTuple):
    """A version of the contract: its fingerprint, and what is new for who reads or sends messages."""

    fingerprint: str
    note: str


VERSIONS: dict[str, Version] = {
    "1.0": Version("0d65e339dcad74ad", "First version."),
    "1.1": Version(
        "ac459b3842705eb2",
        "arm tells pitch_deg and roll_deg; change/undo; tip/why; mark/return takes if_doubtful; book/new and "
        "point/clear take sure; a depth below 0 is refused. Events carry a running number, and event/again "
        "sends missing ones once more; an empty message is no command. "
        "A reply says whether what is set is on the disk (saved), and its text in parts (said). "
        "Health tells test_ratio, vibration_mps2 and clipped_share.",
    ),
    "1.2": Version(
        "f54d8f049ac61a05",
        "Whatever is said comes as parts too, code and values each: said of events, health, limits, changes, "
        "questions and cautions, reasons_said of tip and state; a value may hold "
        "sentences itself. tip tells whether the edge cuts (cutting).",
    ),
    "2.0": Version(
        "f04dbe447151db3b",
        "A plain value/… that is not known is empty instead of the word null; value/online is 1 with every "
        "round of figures and 0 at the service's leave. Optional discovery messages for home automation.",
    ),
    "2.1": Version(
        "d5d70313bbefec43",
        "target/ditch; arm tells which face of it is nearest (target_face), and the target square to the "
        "boom plane (target_across).",
    ),
    "2.2": Version(
        "b3b8d612c2521ded",
        "guide and guide/do, between `tipdatum guide` and its page, are described.",
    ),
    "2.3": Version(
        "025cb9b412ca94e2",
        "arm has the second boom's pin, tells swing_deg, tilt_deg and bucket_deg, both corners, how edge and "
        "target fall to the left, and tilt_to_set_deg.",
    ),
    "2.4": Version(
        "1800e95fa7a0014f",
        "guide tells how a loose sensor lies on the bench (lies), and guide/do takes bench.",
    ),
    "2.5": Version(
        "00582488fceffbf0",
        "tip tells the corners' own sigma (left_sigma_m, right_sigma_m), and sigma and judgement of the "
        "governing point (governing_sigma_m, governing_judgement); arm the fall's (edge_fall_sigma_percent). "
        "Plain topics text/left, text/right, value/left_deviation_m, right_deviation_m, "
        "governing_deviation_m.",
    ),
    "2.6": Version(
        "1fd472b512e9ba2f",
        "angle/… tells half-second means of sensors that tell one angle, for a calibration; raw/… comes from "
        "inclinometers too.",
    ),
}
