"""A solution with everything that is concluded from it: the machine, what is known of its tip, the
verdict."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from tipdatum.calibration.adjustment import Solution, Tell
from tipdatum.calibration.budget import Budget, make_budget
from tipdatum.calibration.description import calibrated_machine, changes, merged, plain_machine, provenance
from tipdatum.calibration.explanations import Explanation, explain, troubled
from tipdatum.calibration.reliability import Reliability, reliability
from tipdatum.calibration.swings import Part, parts
from tipdatum.calibration.tip_figures import TipFigures
from tipdatum.calibration.verdict import Verdict, judge
from tipdatum.errors import ConfigError
from tipdatum.machine.description import Machine, parse_machine, values_digest


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
        found = calibrated_machine(solution)
    except ConfigError as error:
        if explanation is None:
            raise ValueError(f"no machine fits these observations: {error}") from None
        told = explanation.solution
        try:
            found = calibrated_machine(told)
        except ConfigError:
            raise ValueError(
                f"no machine fits these observations, though they fit better if {explanation.words}: {error}"
            ) from None
    figures = TipFigures(found)
    joints = {o.id: o.of for o in told.setup.observations if o.kind == "single_joint"}
    moved = parts(found, told.setup.evidence, joints)
    values = changes(told, figures, moved.parts)
    origin = provenance(told, figures, digest, date)
    data = merged(merged(plain_machine(told), values), {"calibration": origin})
    machine = parse_machine(data, "calibrated description")
    written = values_digest(machine.model_dump(mode="json"))
    data["calibrated"] = {"date": date, "verdict": "doubtful", "tip_sigma_m": 0.0, "values": written}
    machine = parse_machine(data, "calibrated description")
    budget = make_budget(machine)
    checked = reliability(told, figures, budget.rms_m)
    verdict = judge(solution, checked, budget.rms_m, explanation)
    verdict.notes += moved.notes
    return CalibrationOutcome(
        solution,
        machine,
        values,
        origin,
        budget,
        checked,
        explanation,
        verdict,
        told is solution,
        moved.parts,
    )
