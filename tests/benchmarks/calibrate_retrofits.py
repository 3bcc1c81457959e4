"""How good is a calibration: tip error before and after, postures needed, slips named, time taken.

    python tests/benchmarks/calibrate_retrofits.py [FOLDER] [--slips N]

FOLDER holds a simulated retrofit as the developers' shared data has it (sessions, observations.json,
truth.json and, for the rocker variant, rocker/). With --slips every run spoils another reading by 8 to 25
of its sigmas and turns every described mount by up to another 5 degrees an axis. Time is given as a ratio
to one singular value decomposition of the same size, measured in the same run.
"""

from __future__ import annotations

import argparse
import json
import random
import time
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation
from threadpoolctl import threadpool_limits

from tipdatum.calibration.adjustment import Solution, adjust
from tipdatum.calibration.description import calibrated_machine
from tipdatum.calibration.following import follow
from tipdatum.calibration.observations import ACCEPTANCE, ObservationBook
from tipdatum.calibration.observations_file import load_observations
from tipdatum.calibration.recordings import RecordedEvidence, gather, read_recording
from tipdatum.calibration.unknowns import make_setup
from tipdatum.calibration.verification import of_method, verify
from tipdatum.kinematics.frames import rotation_from_rpy_deg, rpy_deg_from_rotation
from tipdatum.machine.description import Machine, parse_machine

DEFAULT = Path(__file__).resolve().parents[2].parent / "shared" / "physics_public" / "retrofit"
SPOILT = ("slope", "height", "tip_on_mark", "height_difference")


class Retrofit:
    """One simulated retrofit, one variant of the fourth sensor."""

    def __init__(self, root: Path, rocker: bool) -> None:
        self.folders = [root / "rocker", root] if rocker else [root]
        self.book: ObservationBook = load_observations(root / "observations.json")
        self.truth = json.loads((root / "truth.json").read_text(encoding="utf-8"))
        self.machine: Machine = parse_machine(
            dict(read_recording(self.folders[0] / "slopes.ndjson.gz").machine), "header"
        )
        self.evidence: RecordedEvidence = gather(self.book, self.folders, self.book.solving())
        self._judges = [
            o.model_copy(update={"value": self.truth["true_values"][o.id]})
            for o in of_method(self.book, ACCEPTANCE)
        ]
        self._judged = gather(self.book, self.folders, self._judges)

    def error_mm(self, machine: Machine) -> str:
        """RMS against the true heights, or why there is none."""
        try:
            return f"{1000 * verify(machine, self._judges, self._judged).rms_m:.2f}"
        except ValueError as error:
            return str(error)

    def slips(self) -> set[str]:
        """Readings that are more than six of their sigmas (sag of a few mm allowed) from the truth."""
        true = self.truth["true_values"]
        return {
            o.id
            for o in self.book.solving()
            if o.kind in SPOILT
            and o.id in true
            and abs((o.value or 0.0) - (true[o.id] if o.kind != "tip_on_mark" else -true[o.id]))
            > 6.0 * (o.sigma or 0.0)
        }


def yardstick(solution: Solution) -> float:
    """Seconds of one singular value decomposition of the adjustment's matrix."""
    with threadpool_limits(limits=1, user_api="blas"):
        start = time.perf_counter()
        np.linalg.svd(solution.jacobian, full_matrices=False)
        return time.perf_counter() - start


def report(case: Retrofit, label: str) -> None:
    start = time.perf_counter()
    solution = adjust(make_setup(case.machine, case.book.solving(), case.evidence, case.book.assume))
    taken = time.perf_counter() - start
    result = follow(case.machine, case.book, case.evidence)
    named = [*result.solution.rejected, *result.misfits]
    print(f"{label}: before {case.error_mm(case.machine)} mm RMS")
    whole, few = (case.error_mm(calibrated_machine(found)) for found in (solution, result.solution))
    decompositions = taken / yardstick(solution)
    print(f"  all {result.available} postures: {whole} mm, rejected {solution.rejected}")
    print(f"  guide's {len(result.order)} postures: {few} mm, named {named}")
    print(f"  true slips {sorted(case.slips())}; one solution takes {decompositions:.0f} decompositions")


def spoil(case: Retrofit, runs: int, seed: int) -> None:
    chance, rng = random.Random(seed), np.random.default_rng(seed)
    clean = [o for o in case.book.solving() if o.id not in case.slips()]
    right = 0
    for _ in range(runs):
        victim = chance.choice([o for o in clean if o.kind in SPOILT])
        size = chance.choice([-1, 1]) * chance.uniform(8, 25) * (victim.sigma or 0.0)
        spoilt = [
            o.model_copy(update={"value": (o.value or 0.0) + size}) if o.id == victim.id else o for o in clean
        ]
        sensors = {}
        for name, s in case.machine.sensor.items():
            turn = Rotation.from_rotvec(rng.uniform(-5, 5, 3), degrees=True).as_matrix()
            mount = rpy_deg_from_rotation(rotation_from_rpy_deg(s.mount_rpy_deg) @ turn)
            sensors[name] = s.model_copy(update={"mount_rpy_deg": mount})
        machine = case.machine.model_copy(update={"sensor": sensors})
        solution = adjust(make_setup(machine, spoilt, case.evidence, case.book.assume))
        right += solution.rejected == [victim.id]
        error = case.error_mm(calibrated_machine(solution))
        print(f"  {victim.id} spoilt: rejected {solution.rejected}, {error} mm")
    print(f"  {right} of {runs} slips named, and nothing else")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("folder", nargs="?", type=Path, default=DEFAULT)
    parser.add_argument("--slips", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    if not options.folder.exists():
        raise SystemExit(f"{options.folder} is not here; name a folder with a simulated retrofit")
    for rocker in (False, True):
        if rocker and not (options.folder / "rocker").exists():
            continue
        case = Retrofit(options.folder, rocker)
        report(case, "sensor on the rocker" if rocker else "sensor on the bucket")
        if options.slips:
            spoil(case, options.slips, options.seed)


if __name__ == "__main__":
    main()
