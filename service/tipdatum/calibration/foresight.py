"""What a guide knows after every reading: how well the tip is known, what would help most, what is enough.

One rule for terminal and tablet. Every solution is held against the one before, so that a figure that was
predicted too boldly is widened before anybody stops on it (`following.boldness`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from tipdatum.calibration.adjustment import Solution, adjust
from tipdatum.calibration.candidates import Candidate, suggestions
from tipdatum.calibration.following import FEWEST, GOAL_M, LITTLE, TipMove, boldness, move_between
from tipdatum.calibration.observations import ObservationBook
from tipdatum.calibration.plan import Known, rank
from tipdatum.calibration.recordings import gather
from tipdatum.calibration.side_candidates import side_suggestions
from tipdatum.calibration.unknowns import make_setup
from tipdatum.errors import InputError
from tipdatum.machine.description import Machine

MOST_MEASURED = 12
"""Measured postures that are asked for at most: after as many more of the same kind say little."""


@dataclass(frozen=True, slots=True)
class Foreseen:
    """How things stand with a book.

    Attributes:
        known: as this solution has it. candidates: what would help, best first.
        bold: what predictions so far must be multiplied by.
        gain: share of the worst sigma that the best next posture takes away. side_gain: "tilt" and "swing" →
            the same of the best with the bucket tilted, or the boom swung.
    """

    known: Known
    candidates: tuple[Candidate, ...]
    bold: float = 1.0
    gain: float = 1.0
    side_gain: Mapping[str, float] = field(default_factory=dict)

    @property
    def worst_m(self) -> float:
        """1-sigma of the tip at worst, widened by what predictions were too bold."""
        return self.bold * self.known.worst_m

    def enough(self, goal_m: float = GOAL_M) -> bool:
        """Whether the goal is reached, or another posture would hardly bring it nearer."""
        return self.worst_m <= goal_m or self.gain < LITTLE

    def best(self, joint: str = "") -> Candidate | None:
        """The best posture of its kind: measured straight ahead, "tilt" or "swing"."""
        return next((c for c in self.candidates if c.joint == joint and (joint or not c.mark)), None)

    def enough_of(self, joint: str, goal_m: float = GOAL_M) -> bool:
        """The same of postures beside the arm plane."""
        return self.worst_m <= goal_m or self.side_gain.get(joint, 0.0) < LITTLE


def measured_wanted(there: int, skipped: int, foreseen: Foreseen | None, goal_m: float = GOAL_M) -> int:
    """How many measured postures a guide asks for: those that are there and one more, until it is enough.

    Args:
        there: postures that are in the book. skipped: that the person left out.
    """
    enough = foreseen is not None and foreseen.enough(goal_m)
    return min(MOST_MEASURED, max(FEWEST, there + skipped + (0 if enough else 1)))


def side_wanted(
    joint: str, most: int, there: int, skipped: int, foreseen: Foreseen | None, goal_m: float = GOAL_M
) -> int:
    """How many rests beside the arm plane a guide asks for: the first few in any case, then one more at a
    time until it is enough, `most` at most. Without a solution it is all of them.

    Args:
        there: those that are in the book. skipped: that the person left out.
    """
    if foreseen is None or joint not in foreseen.side_gain:
        return most
    further = 0 if foreseen.enough_of(joint, goal_m) else 1
    return min(most, max(FEWEST_BESIDE[joint], there + skipped + further))


FEWEST_BESIDE = {"tilt": 2, "swing": 3}
"""To either side once, and the boom straight ahead before that."""


class Foresight:
    """Solves one book after the other of one person's calibration.

    Args:
        folders: where recordings lie that the book names.
    """

    def __init__(self, machine: Machine, folders: list[Path]) -> None:
        self._machine, self._folders = machine, folders
        self._before: tuple[Solution, Known] | None = None
        self._moves: list[TipMove] = []

    def after(self, book: ObservationBook) -> Foreseen | None:
        """What to take next; None while these observations cannot be solved."""
        chosen = book.solving()
        try:
            evidence = gather(book, self._folders, chosen)
            solution = adjust(make_setup(self._machine, chosen, evidence, book.assume))
            # The sensors stay switched on from one posture to the next, and their biases with them.
            power_up = solution.setup.windows[-1].file if solution.setup.windows else "next"
            ranked = rank(solution, [*suggestions(solution, power_up), *side_suggestions(solution, power_up)])
        except (ValueError, InputError):
            return None
        if not ranked:
            return None
        known = ranked[0].before
        self._watch(solution, known)
        gains = {
            joint: max(1.0 - r.after.worst_m / r.before.worst_m for r in ranked if r.candidate.joint == joint)
            for joint in {r.candidate.joint for r in ranked}
        }
        candidates, gain = tuple(r.candidate for r in ranked), gains.pop("", 0.0)
        return Foreseen(known, candidates, boldness(self._moves), gain, gains)

    def _watch(self, solution: Solution, known: Known) -> None:
        """Hold what was known against what it has become; a reading that was taken back begins anew."""
        if self._before is not None:
            before, then = self._before
            held = {o.id for o in before.setup.observations}
            if held < {o.id for o in solution.setup.observations}:
                self._moves.append(move_between(before, solution, then, known))
            elif not held <= {o.id for o in solution.setup.observations}:
                self._moves.clear()
        self._before = solution, known
