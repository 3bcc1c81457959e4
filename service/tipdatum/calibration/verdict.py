"""Accepted, doubtful or refused: what a solution is good for, with the reasons and what would settle them.

An accepted calibration is a promise, so everything that could make it wrong without showing is a reason
against it: readings that contradict each other, an observation that nothing checks and that moves the tip,
another way of telling the case that fits better.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from tipdatum.calibration.adjustment import Solution
from tipdatum.calibration.explanations import (
    FEW,
    LOUD,
    STRANGE,
    Explanation,
    troubled,
    turned_motions,
    wrong_assembly,
)
from tipdatum.calibration.reliability import Reliability
from tipdatum.calibration.slips import meant
from tipdatum.machine.parts import VerdictWord

TOO_MANY = 0.06
"""Share of tested observations that may be slips; more means something else is wrong."""

CONTRADICTS = 1.8
"""Factor from which the readings contradict each other whatever is set aside."""

POOR_M = 0.020
"""1-sigma of the tip, RMS over the envelope, beyond which a calibration is of no use for a footing."""

CHECK = {
    "height_difference": "level {of} a second time with the instrument set up anew",
    "distance": "tape {of} a second time from the other end",
    "slope": "read that slope a second time with the level turned end for end",
    "height": "read that height a second time with the staff and instrument set up anew",
    "tip_on_mark": "touch mark {of} once more in another posture",
    "plumb": "drop the plumb line a second time",
    "length": "tape the {of} a second time from the other pin",
    "slew": "read that slew a second time",
    "specific_force": "lay that sensor down once more, on another face",
    "single_joint": "move that joint alone once more",
    "described": "tape it (kind length), or measure one more posture with a level and a staff",
}
"""The one measurement that checks an observation, by kind; entered with `repeated = true`."""

DIMENSION_WORDS = {
    "described boom.foot_m.x": "level the boom foot in a reversal",
    "described boom.foot_m.z": "measure the boom foot pin's height over the tracks' underside a second time",
}


@dataclass(slots=True)
class Verdict:
    """What a solution is good for.

    Attributes:
        word: accepted, doubtful or refused. reasons: why not accepted. settle: what would settle them.
        notes: what is worth knowing besides.
    """

    word: VerdictWord = "accepted"
    reasons: list[str] = field(default_factory=list)
    settle: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def doubt(self, reason: str, settle: str = "") -> None:
        """A reason to doubt."""
        self.word = "refused" if self.word == "refused" else "doubtful"
        self._add(reason, settle)

    def refuse(self, reason: str, settle: str = "") -> None:
        """A reason to refuse."""
        self.word = "refused"
        self._add(reason, settle)

    def _add(self, reason: str, settle: str) -> None:
        self.reasons.append(reason)
        if settle and settle not in self.settle:
            self.settle.append(settle)


def judge(
    solution: Solution, checked: list[Reliability], tip_rms_m: float, explanation: Explanation | None
) -> Verdict:
    """The verdict.

    Args:
        checked: reliability of every observation. tip_rms_m: 1-sigma of the tip over the envelope.
        explanation: what fits better, if anything was found.
    """
    s, verdict = solution, Verdict()
    tested = len({j.row.id for j in s.judged if j.row.tested})
    if explanation is not None:
        e = explanation.solution
        verdict.refuse(
            f"{explanation.words}: the same observations then fit with factor {e.factor:.2f} and "
            f"{len(e.rejected)} "
            f"set aside, instead of {s.factor:.2f} and {len(s.rejected)}",
            f"look whether it is so; then change {explanation.mend} and solve again",
        )
    elif len(s.rejected) > max(FEW, TOO_MANY * tested):
        verdict.refuse(
            f"{len(s.rejected)} of {tested} observations do not fit the others, and nothing was found that "
            "explains them together",
            "look at the first that was set aside, mend or measure it again, and solve again",
        )
    elif s.factor > CONTRADICTS:
        verdict.refuse(
            f"the readings contradict each other: misfits are {s.factor:.1f} times what was stated",
            "look for a standing, a sigma or a unit that is not what it says",
        )
    elif troubled(s) and s.factor > LOUD:
        verdict.doubt(
            f"misfits are {s.factor:.1f} times what was stated",
            "measure one more posture, or state the sigmas that the readings have",
        )
    for j in s.judged:
        if not j.row.tested and not j.rejected and abs(j.standardised) > STRANGE and explanation is None:
            verdict.doubt(
                f"{j.row.id} {j.row.part} does not fit: {abs(j.standardised):.1f} sigma",
                "look whether that sensor is fixed, and whether the machine stood still",
            )
            break
    if wrong_assembly(s) and explanation is None:
        verdict.refuse(
            "the linkage is assembled the other way round than described: the observations only fit so",
            f"[linkage] assembly = {-(s.setup.machine.linkage.assembly if s.setup.machine.linkage else 1)}",
        )
    # What shares an offset in a case that is told wrongly is no finding.
    for offset in s.offsets if explanation is None else ():
        value, sigma = s.value(f"offset.{offset.name}"), s.sigma(f"offset.{offset.name}")
        k, unit = (1000.0, "mm") if offset.unit == "m" else (math.degrees(1.0), "°")
        verdict.doubt(
            f"{offset.words}: {k * value:+.2f} ± {k * sigma:.2f} {unit}",
            "mend those readings and solve again",
        )
    _unchecked(verdict, checked)
    if not any(o.kind in ("slope", "height", "tip_on_mark", "plumb") for o in s.setup.observations):
        verdict.refuse("no posture was measured: nothing ties the sensors to the arm", "measure six postures")
    if tip_rms_m > POOR_M:
        verdict.doubt(
            f"the tip is known to {1000 * tip_rms_m:.0f} mm only", "measure the postures listed below"
        )
    for name in turned_motions(s):
        verdict.notes.append(f"{name}: the joint moved the other way first than noted; nothing hangs on it")
    return verdict


def _unchecked(verdict: Verdict, checked: list[Reliability]) -> None:
    for r in checked:
        if r.matters:
            how = "nothing checks it, and " if not r.checked else ""
            verdict.doubt(
                f"{r.id}: {how}a slip of {amount(r.unseen, r.unit)} would pass unseen and move the tip by "
                f"{1000 * r.effect_m:.0f} mm",
                check_for(r),
            )


def check_for(r: Reliability) -> str:
    """The one measurement that would check an observation."""
    words = DIMENSION_WORDS.get(r.id) or CHECK[r.kind].format(of=r.of)
    return f"to check {r.id}: {words}"


def amount(value: float, unit: str) -> str:
    """A size in the unit a person reads."""
    if unit == "rad":
        return f"{math.degrees(value):.2f}°"
    if unit == "m":
        return f"{1000.0 * value:.0f} mm"
    return f"{value:.3f} {unit}"


def slip_words(solution: Solution, name: str) -> str:
    """What a rejected observation may have been meant to say, empty where nothing fits."""
    rows = [j for j in solution.judged if j.row.id == name]
    judged = max(rows, key=lambda j: abs(j.standardised))
    k = math.degrees(1.0) if judged.row.unit == "rad" else 1.0
    o = next((o for o in solution.setup.observations if o.id == name), None)
    if o is not None and o.kind in (
        "slope",
        "height",
        "height_difference",
        "distance",
        "length",
        "slew",
        "plumb",
    ):
        value = o.value or 0.0
    elif judged.row.kind == "described":
        value = next(u.prior for u in solution.unknowns if name.endswith(" " + u.name)) * k
    else:
        return ""
    # Unit of the file: degrees for angles.
    sigma = abs(judged.misfit / judged.standardised) * k if judged.standardised else 0.0
    unit = "deg" if judged.row.unit == "rad" else judged.row.unit
    return meant(value, value - judged.misfit * k, sigma, unit)
