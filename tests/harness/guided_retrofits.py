"""A person who does what the guide says, on a simulated machine with joints beside the arm plane.

The machine is that of `joint_retrofits`, which shares nothing with the service. Postures are taken as they
are asked for, a few degrees beside; a mark is touched where it is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from joint_retrofits import Case, Matrix, Person, Pose, ground_of
from scipy.optimize import least_squares

from tipdatum.calibration.candidates import Candidate
from tipdatum.calibration.foresight import FEWEST_BESIDE, Foreseen, Foresight, side_wanted
from tipdatum.calibration.joint_steps import SWING_MARK, side_steps
from tipdatum.calibration.unknowns import ANGLES

BESIDE_DEG = 3.0
"""By how much a person misses a posture that is described by its slopes."""


@dataclass
class Guided:
    """One calibration, led by the guide.

    Attributes:
        taken: joint → rests that the guide asked for. foreseen: after each of them.
    """

    kind: str
    seed: int
    encoder: bool = True
    taken: dict[str, int] = field(default_factory=dict)
    foreseen: list[Foreseen] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.person = Person(self.kind, self.seed, self.encoder)
        self._ground = ground_of(0.5, -0.8)
        self._mark: Matrix | None = None

    def run(self) -> Case:
        """Bench, motions, six measured postures, and what the guide asks for besides."""
        self.person.bench()
        self.person.motion()
        self.person.measured()
        case = self.person.done()
        foresight = Foresight(case.machine, [])
        for joint in FEWEST_BESIDE:
            most = len(side_steps(case.machine, joint))
            foreseen: Foreseen | None = None
            n = 0
            while n < (side_wanted(joint, most, n, 0, foreseen) if most else 0):
                best = None if foreseen is None or n < FEWEST_BESIDE[joint] else foreseen.best(joint)
                self._take(joint, n, best)
                n += 1
                if n >= FEWEST_BESIDE[joint]:
                    foreseen = foresight.after(self.person.done().book)
                    self.foreseen += [] if foreseen is None else [foreseen]
            if most:
                self.taken[joint] = n
        return self.person.done()

    def _take(self, joint: str, n: int, best: Candidate | None) -> None:
        """A rest that is asked for: one of the first few, or a posture that was worked out."""
        if joint == "tilt":
            pose = self.person.posture(0) | {"tilt": 0.35 if n % 2 == 0 else -0.35}
            self._tilted(f"tilt {n}", pose if best is None else self._near(best))
            return
        start = self.person.posture(3)
        swing = (0.0, 0.87, -0.87)[min(n, 2)]
        self._touched(f"swing {n}", start | {"swing": swing} if best is None else self._near(best))

    def _near(self, candidate: Candidate) -> Pose:
        told = dict(zip(ANGLES, candidate.angles, strict=True))
        named = [*self.person.truth.sections, "bucket", *({"swing", "tilt"} & {candidate.joint})]
        off = np.radians(self.person.rng.uniform(-BESIDE_DEG, BESIDE_DEG, len(named)))
        return {name: told[name] + float(by) for name, by in zip(named, off, strict=True)}

    def _tilted(self, rest: str, pose: Pose) -> None:
        frames = self.person.rest(rest, pose, self._ground)
        edge = frames["left"][:3, 3] - frames["right"][:3, 3]
        fall = math.degrees(math.asin(edge[2] / np.linalg.norm(edge)))
        self.person.note(rest, "S", "cross_slope", "edge", fall, 0.05, "deg")
        for point in ("stick_bucket", "left", "right"):
            self.person.height(rest, "S", point, frames)

    def _touched(self, rest: str, pose: Pose) -> None:
        """The tip on the mark: boom, stick and slew bring it there."""
        ground, truth = self._ground, self.person.truth
        if self._mark is None:
            self._mark = truth.frames(pose | {"slew": 0.2}, ground)["tip"][:3, 3]
        mark = self._mark

        def at(v: Matrix) -> Pose:
            return pose | {"slew": v[0], "boom": v[1], "stick": v[2]}

        def off(v: Matrix) -> Matrix:
            return np.asarray(truth.frames(at(v), ground)["tip"][:3, 3] - mark)

        swing = pose.get("swing", 0.0)
        v = least_squares(off, [0.2 - 0.7 * swing, pose["boom"], pose["stick"]], xtol=1e-13).x
        self.person.rest(rest, at(v), ground)
        self.person.told(rest, "S", swing, 0.3 if swing == 0.0 else 1.0)
        self.person.note(rest, "S", "slew", "upper", math.degrees(v[0]), 1.0, "deg")
        self.person.note(rest, "S", "tip_on_mark", SWING_MARK, 0.0, 0.003, "m")
