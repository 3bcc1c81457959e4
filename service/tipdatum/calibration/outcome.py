"""A solution with everything that is concluded from it: the machine, what is known of its tip, the
verdict."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from tipdatum.calibration import joints
from tipdatum.calibration.adjustment import Solution, Tell
from tipdatum.calibration.budget import Budget, make_budget
from tipdatum.calibration.description import calibrated_machine, changes, merged, plain_machine, provenance
from tipdatum.calibration.explanations import Explanation, explain, troubled
from tipdatum.calibration.reliability import Reliability, reliability
from tipdatum.calibration.statistics import determined
from tipdatum.calibration.swings import Part, parts
from tipdatum.calibration.tip_figures import TipFigures
from tipdatum.calibration.verdict import Verdict, judge
from tipdatum.errors import ConfigError
from tipdatum.machine.description import Machine, parse_machine, values_digest
from tipdatum.sentences import sentence


@dataclass(slots=True)
class CalibrationOutcome:
    """What a calibration comes to.

    Attributes:
        machine: as it would be written. values, origin: keys to change, and the `[calibration]` table.
        budget: what is known of the tip, the next power-up and noise included.
        checked: reliability of every observation, the most dangerous first.
        possible: whether the case as told gives a machine at all; if not, the figures are those of the
            explanation, and nothing can be written.
        parts: what motions show of the sensors.
    """

    solution: Solution
    machine: Machine
    values: dict[str, Any]
    origin: dict[str, Any]
    budget: Budget
    checked: list[Reliability]
    explanation: Explanation | None
    verdict: Verdict
    possible: bool = True
    parts: dict[str, Part] = field(default_factory=dict)

    @property
    def unchecked(self) -> list[Reliability]:
        """Observations that nothing checks."""
        return [r for r in self.checked if not r.checked]

    @property
    def said(self) -> dict[str, Any]:
        """The `[calibrated]` table, without the digest of the values."""
        return {
            "date": self.origin["date"],
            "verdict": self.verdict.word,
            "tip_sigma_m": float(f"{self.budget.rms_m:.2g}"),
        }


def conclude(solution: Solution, digest: str, date: str, tell: Tell = lambda _: None) -> CalibrationOutcome:
    """Everything that follows from a solution.

    Args:
        digest: of the observations file. date: RFC 3339. tell: is told what is being done.

    Raises:
        ValueError: no machine fits the observations, however they are told.
    """
    tell("judging the solution")
    explanation = explain(solution, tell) if troubled(solution) else None
    told = solution
    try:
        made = _made(solution, digest, date)
    except ConfigError as error:
        if explanation is None:
            raise ValueError(_no_machine(solution, error)) from None
        told = explanation.solution
        try:
            made = _made(told, digest, date)
        except ConfigError:
            words = f"{_no_machine(solution, error)}; they fit better if {explanation.words}"
            raise ValueError(words) from None
    budget = make_budget(made.machine)
    checked = reliability(told, made.figures, budget.rms_m)
    verdict = judge(solution, checked, budget.rms_m, explanation)
    verdict.notes += [*made.notes, *_beside_the_plane(told)]
    return CalibrationOutcome(
        solution,
        made.machine,
        made.values,
        made.origin,
        budget,
        checked,
        explanation,
        verdict,
        told is solution,
        made.parts,
    )


@dataclass(frozen=True, slots=True)
class _Made:
    """A machine as a solution has it: with figures, keys to change, where from, what motions show."""

    machine: Machine
    figures: TipFigures
    values: dict[str, Any]
    origin: dict[str, Any]
    parts: dict[str, Part]
    notes: list[str]


def _made(told: Solution, digest: str, date: str) -> _Made:
    """The calibrated machine.

    Raises:
        ConfigError: a value or a deviation is none that a machine can have.
    """
    found = calibrated_machine(told)
    figures = TipFigures(found)
    joints = {o.id: o.of for o in told.setup.observations if o.kind == "single_joint"}
    moved = parts(found, told.setup.evidence, joints)
    values = changes(told, figures, moved.parts)
    origin = provenance(told, figures, digest, date)
    data = merged(merged(plain_machine(told), values), {"calibration": origin})
    machine = parse_machine(data, "calibrated description")
    written = values_digest(machine.model_dump(mode="json"))
    data["calibrated"] = {"date": date, "verdict": "doubtful", "tip_sigma_m": 0.0, "values": written}
    return _Made(
        parse_machine(data, "calibrated description"), figures, values, origin, moved.parts, moved.notes
    )


def _no_machine(solution: Solution, error: ConfigError) -> str:
    """Why no machine comes of a solution, and where to look first."""
    first = (
        f"; {len(solution.rejected)} do not fit, first {solution.rejected[0]}" if solution.rejected else ""
    )
    return f"no machine fits these observations ({error}){first}"


def _beside_the_plane(solution: Solution) -> list[str]:
    """What of joints beside the arm plane, and of a coupler, nothing showed."""
    seen = {d.name: d.observed for d in determined(solution)}
    found: list[str] = []
    if not seen.get(joints.PIVOT_X, True):
        found.append(sentence("cal-swing-straight"))
    if not seen.get(joints.ZERO, True):
        found.append(sentence("cal-encoder-zero"))
    if not seen.get(joints.AXIS, True):
        found.append(sentence("cal-tilt-straight"))
    if not seen.get(joints.COUPLER, True):
        found.append(sentence("cal-coupler"))
    return found
