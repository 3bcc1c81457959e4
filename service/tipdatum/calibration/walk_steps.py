"""What a screen's guide asks for: which steps there are, in which order, and when there are enough.

The first postures are unlike each other; from the third on each is the one that helps most, a touch of a mark
where that is worth more, until the tip is known well enough.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tipdatum.calibration import guide
from tipdatum.calibration.candidates import Candidate
from tipdatum.calibration.foresight import (
    FEWEST_BESIDE,
    MOST_MEASURED,
    Foreseen,
    measured_wanted,
    side_wanted,
)
from tipdatum.calibration.guide import Step
from tipdatum.calibration.joint_steps import motion_steps, proposed, side_steps
from tipdatum.calibration.observations import ObservationBook
from tipdatum.calibration.unknowns import ANGLES, plane_angles
from tipdatum.machine.description import Machine


@dataclass(frozen=True, slots=True)
class Asked:
    """One step as it is shown: `key` and `values` for the screen's language, the posture to take."""

    step: Step
    chapter: str
    key: str
    values: dict[str, Any] = field(default_factory=dict)
    angles: tuple[float, ...] | None = None


@dataclass
class WalkSteps:
    """The steps of one person's calibration.

    Attributes:
        marks: names of the marks that are touched. skipped: steps that the person left out.
        foreseen: how well the tip is known and what would help; None before two postures.
        bench: whether somebody has the sensors on a bench; steps that are in the book are shown anyway.
    """

    machine: Machine
    marks: list[str] = field(default_factory=list)
    skipped: set[str] = field(default_factory=set)
    foreseen: Foreseen | None = None
    bench: bool = False
    _frozen: dict[str, Asked] = field(default_factory=dict)

    def of(self, book: ObservationBook, asked_for: str, goal_m: float) -> list[Asked]:
        """Every step, in the order in which they are asked for; those in the book too.

        Args:
            asked_for: id of the step that is being asked for. goal_m: worst 1-sigma of the tip to reach.
        """
        m = self.machine
        found = self._on_bench(book)
        found += [Asked(s, "motions", f"guide.motion.{s.swing}") for s in motion_steps(m)]
        there = sum(guide.is_done(book, guide.measured_step(n, "", m)) for n in range(1, MOST_MEASURED + 1))
        skipped = sum(name.startswith("measured-") for name in self.skipped)
        wanted = measured_wanted(there, skipped, self.foreseen, goal_m)
        found += [self._measured(n, asked_for) for n in range(1, wanted + 1)]
        for joint in FEWEST_BESIDE:
            found += self._beside(joint, book, asked_for, goal_m)
        for mark in self.marks:
            found += [
                Asked(
                    guide.touch_step(n, mark, m), "marks", "guide.touch", {"mark": mark, "n": n},
                    self._touching(mark),
                )
                for n in range(1, guide.TOUCHES + 1)
            ]  # fmt: skip
        found += [
            Asked(s, "reversal", "guide.reversal", {"slew": int(s.id.rsplit("-", 1)[1])})
            for s in guide.reversal_steps(m)
        ]
        return found

    def _on_bench(self, book: ObservationBook) -> list[Asked]:
        """Rests of the loose sensors, one sensor after the other."""
        if not self.bench and not any(o.kind == "specific_force" for o in book.solving()):
            return []
        return [
            Asked(step, "bench", f"guide.bench.{face}", {"sensor": sensor})
            for sensor in guide.watched(self.machine)
            for face, step in enumerate(guide.bench_steps(sensor, self.machine.gravity_mps2), 1)
        ]

    def forget(self, name: str) -> None:
        """A step that was taken back is asked for as new."""
        self._frozen.pop(name, None)

    def better_touch(self, book: ObservationBook, standing: str) -> str:
        """Id of the touch of a mark that would help more than any posture; empty where none would."""
        best = self.foreseen.candidates[0] if self.foreseen and self.foreseen.candidates else None
        if best is None or not best.mark or best.joint or best.standing != standing:
            return ""
        for n in range(1, guide.TOUCHES + 1):
            step = guide.touch_step(n, best.mark, self.machine)
            if step.id not in self.skipped and not guide.is_done(book, step):
                return step.id
        return ""

    def _measured(self, n: int, asked_for: str) -> Asked:
        name = f"measured-{n}"
        if name in self._frozen:
            return self._frozen[name]
        best = None if self.foreseen is None else self.foreseen.best()
        if n > 2 and best is not None:
            step = guide.measured_step(n, best.words + ", or near it", self.machine)
            values = {**self._spoken(best.angles), "read": sorted({o.kind for o in best.observations})}
            asked = Asked(step, "postures", "guide.slopes", values, best.angles)
        else:
            first = (n - 1) % len(guide.FIRST_POSTURES)
            step = guide.measured_step(n, guide.FIRST_POSTURES[first], self.machine)
            values = {} if self.machine.second_boom is None else {"second": SECOND[first % 2]}
            asked = Asked(
                step, "postures", f"guide.posture.{first + 1}", values, first_angles(self.machine, first)
            )
        if name == asked_for:
            # A posture that is asked for stays, whatever is learnt while somebody goes there.
            self._frozen[name] = asked
        return asked

    def _beside(self, joint: str, book: ObservationBook, asked_for: str, goal_m: float) -> list[Asked]:
        """Rests with the bucket tilted or the boom swung: the first few to either side, then what helps."""
        steps = side_steps(self.machine, joint)
        there = sum(guide.is_done(book, s) for s in steps)
        skipped = sum(name.startswith(f"{joint}-") for name in self.skipped)
        wanted = side_wanted(joint, len(steps), there, skipped, self.foreseen, goal_m)
        found = []
        for n, step in enumerate(steps, 1):
            if n > wanted and step.id != asked_for and not guide.is_done(book, step):
                continue
            asked = self._frozen.get(step.id) or self._proposed(joint, n, step)
            if step.id == asked_for:
                self._frozen[step.id] = asked
            found.append(asked)
        return found

    def _proposed(self, joint: str, n: int, step: Step) -> Asked:
        best = None if self.foreseen is None else self.foreseen.best(joint)
        if n <= FEWEST_BESIDE[joint] or best is None:
            return Asked(step, "joints", f"guide.{joint}.{n}")
        values = {**self._spoken(best.angles), "mark": best.mark, "by": best.turned_deg}
        key = f"guide.{joint}.towards-{best.side}"
        return Asked(proposed(step, best.words, best.mark), "joints", key, values, best.angles)

    def _touching(self, mark: str) -> tuple[float, ...] | None:
        """The posture in which a touch of that mark would help most."""
        return next((c.angles for c in self._candidates() if c.mark == mark and not c.joint), None)

    def _candidates(self) -> tuple[Candidate, ...]:
        return self.foreseen.candidates if self.foreseen is not None else ()

    def _spoken(self, angles: tuple[float, ...]) -> dict[str, Any]:
        q = np.array(angles)[plane_angles(self.machine)]
        tip = self.machine.straight_chain().tip(q)
        slope = [round(math.degrees(math.asin(math.sin(a)))) for a in q[2:]]
        return {
            **dict(zip(self.machine.sections, slope, strict=True)),
            "curled": abs(math.degrees(float(q[-1]))) > 90.0,
            "reach_m": round(float(tip[0]), 1), "height_m": round(float(tip[2]), 1),
        }  # fmt: skip


SECOND = ("folded", "stretched")
"""How the second boom of a two-piece boom stands in the first postures, in turn."""

FOLDED_DEG = {"folded": (15.0, -35.0), "stretched": (5.0, -8.0)}
"""By how much its sections are then above and below a boom of one piece, about."""


def first_angles(machine: Machine, first: int) -> tuple[float, ...]:
    """Angles of one of the first postures, rad, in the order of `unknowns.ANGLES`, for a drawing of it."""
    boom, stick, bucket = guide.FIRST_ANGLES_DEG[first]
    up, down = (0.0, 0.0) if machine.second_boom is None else FOLDED_DEG[SECOND[first % 2]]
    told = {"boom": boom + up, "second_boom": boom + down, "stick": stick, "bucket": bucket}
    return tuple(math.radians(told.get(name, 0.0)) for name in ANGLES)


def taken_back(book: ObservationBook, step: Step) -> ObservationBook:
    """The book with a step's entries under another id, not used."""
    known = {o.id for o in book.observation} | {r.id for r in book.rest} | {s.id for s in book.swing}
    n = next(i for i in range(1, 1000) if not any(name.endswith(f"(taken back {i})") for name in known))
    mark = f" (taken back {n})"

    def of_step(name: str) -> bool:
        return name == step.id or name.startswith(step.id + " ")

    rest = f"rest {step.id}"
    observations = tuple(
        o.model_copy(
            update={"id": o.id + mark, "use": False, "rest": o.rest + mark if o.rest == rest else o.rest}
        )
        if of_step(o.id) and not o.id.endswith(")")
        else o
        for o in book.observation
    )
    rests = tuple(r.model_copy(update={"id": r.id + mark}) if r.id == rest else r for r in book.rest)
    swings = tuple(s.model_copy(update={"id": s.id + mark}) if s.id == step.id else s for s in book.swing)
    return book.model_copy(update={"observation": observations, "rest": rests, "swing": swings})
