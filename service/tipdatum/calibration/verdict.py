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
from tipdatum.sentences import sentence

TOO_MANY = 0.06
"""Share of tested observations that may be slips; more means something else is wrong."""

CONTRADICTS = 1.8
"""Factor from which the readings contradict each other whatever is set aside."""

POOR_M = 0.020
"""1-sigma of the tip, RMS over the envelope, beyond which a calibration is of no use for a footing."""


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
            sentence(
                "cal-told-otherwise",
                what=explanation.words,
                factor=round(e.factor, 2),
                aside=len(e.rejected),
                factor_before=round(s.factor, 2),
                aside_before=len(s.rejected),
            ),
            sentence("cal-look-whether", what=explanation.mend),
        )
    elif len(s.rejected) > max(FEW, TOO_MANY * tested):
        verdict.refuse(
            sentence("cal-too-many", n=len(s.rejected), tested=tested),
            sentence("cal-look-at-first"),
        )
    elif s.factor > CONTRADICTS:
        verdict.refuse(
            sentence("cal-contradict", times=round(s.factor, 1)),
            sentence("cal-look-for-unit"),
        )
    elif troubled(s) and s.factor > LOUD:
        verdict.doubt(
            sentence("cal-loud", times=round(s.factor, 1)),
            sentence("cal-one-more-posture"),
        )
    for j in s.judged:
        if not j.row.tested and not j.rejected and abs(j.standardised) > STRANGE and explanation is None:
            verdict.doubt(
                sentence("cal-strange", id=j.row.id, part=j.row.part, sigmas=round(abs(j.standardised), 1)),
                sentence("cal-look-fixed"),
            )
            break
    if wrong_assembly(s) and explanation is None:
        verdict.refuse(
            sentence("cal-only-other-side"),
            f"[linkage] assembly = {-(s.setup.machine.linkage.assembly if s.setup.machine.linkage else 1)}",
        )
    # What shares an offset in a case that is told wrongly is no finding.
    for offset in s.offsets if explanation is None else ():
        value, sigma = s.value(f"offset.{offset.name}"), s.sigma(f"offset.{offset.name}")
        verdict.doubt(
            sentence("cal-shared-length", what=offset.words, by_signed_m=value, sigma_tenths_m=sigma)
            if offset.unit == "m"
            else sentence(
                "cal-shared-angle",
                what=offset.words,
                by=round(math.degrees(value), 2),
                sigma=round(math.degrees(sigma), 2),
            ),
            sentence("cal-mend-those"),
        )
    _unchecked(verdict, checked)
    if not any(o.kind in ("slope", "height", "tip_on_mark", "plumb") for o in s.setup.observations):
        verdict.refuse(sentence("cal-no-posture"), sentence("cal-measure-six"))
    if tip_rms_m > POOR_M:
        verdict.doubt(sentence("cal-poor", sigma_fine_m=tip_rms_m), sentence("cal-measure-listed"))
    for name in turned_motions(s):
        verdict.notes.append(sentence("cal-other-way-first", id=name))
    return verdict


def _unchecked(verdict: Verdict, checked: list[Reliability]) -> None:
    for r in checked:
        if r.matters:
            verdict.doubt(
                sentence(
                    "cal-unseen" if r.checked else "cal-unchecked",
                    id=r.id,
                    amount=amount(r.unseen, r.unit),
                    moved_fine_m=r.effect_m,
                ),
                check_for(r),
            )


def check_for(r: Reliability) -> str:
    """The one measurement that would check an observation; it is entered with `repeated = true`."""
    if r.id == "described boom.foot_m.x":
        what = sentence("cal-check-foot-x")
    elif r.id == "described boom.foot_m.z":
        what = sentence("cal-check-foot-z")
    else:
        what = sentence(
            {
                "height_difference": "cal-check-difference",
                "distance": "cal-check-distance",
                "slope": "cal-check-slope",
                "height": "cal-check-height",
                "tip_on_mark": "cal-check-touch",
                "plumb": "cal-check-plumb",
                "length": "cal-check-length",
                "slew": "cal-check-slew",
                "specific_force": "cal-check-bench",
                "single_joint": "cal-check-motion",
                "described": "cal-check-described",
            }[r.kind],
            of=r.of,
            body=r.of,
        )
    return sentence("cal-to-check", id=r.id, what=what)


def amount(value: float, unit: str) -> str:
    """A size in the unit a person reads."""
    if unit == "rad":
        return sentence("cal-amount-angle", size=round(math.degrees(value), 2))
    if unit == "m":
        return sentence("cal-amount-length", size_fine_m=value)
    return sentence("cal-amount-other", size=round(value, 3), unit=unit)


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
