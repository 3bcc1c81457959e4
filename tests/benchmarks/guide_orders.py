"""How many observations until the tip is known: the guide's order beside the file's and random ones.

    python tests/benchmarks/guide_orders.py [--machines N] [--brief] [--output FILE.json] …

Each simulated retrofit (sensor on the bucket and on the rocker in turn) begins with bench and motions; then
postures are taken one at a time: measured with level and staff, touches of marks from two standings, bucket
rests, a reversal. After each one everything is adjusted anew, and the tip is compared with the truth at exact
readings of many postures, so that what is left is what the calibration left. Printed are the readings after
which 95 % of the errors stay within the limit, and what the guide had predicted then.

Errors of one machine go together, so that ten machines are ten draws and not eight hundred: figures of all
of them come with their spread when machines are drawn anew from these (Efron, Tibshirani, *An Introduction to
the Bootstrap*, ch. 6). What each order leaves open is stated besides by the covariance: the tip's
worst sigma over the envelope, which hangs on no draw.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "harness"))

from retrofits import Maker

from tipdatum.calibration.adjustment import Solution, adjust
from tipdatum.calibration.budget import COVERAGE_95
from tipdatum.calibration.candidates import POSTURE_KINDS, recorded
from tipdatum.calibration.description import calibrated_machine
from tipdatum.calibration.observations import ObservationBook
from tipdatum.calibration.plan import rank
from tipdatum.calibration.recordings import gather
from tipdatum.calibration.tip_figures import TipFigures
from tipdatum.calibration.unknowns import make_setup
from tipdatum.calibration.verification import verify

LIMIT_M = 0.003
SHOWN = (7, 14, 21, 28, 35, 42)
DRAWS = 200
JUDGES = 80


class Trial:
    """One machine, and what is left of its tip after some postures."""

    def __init__(self, seed: int, rocker: bool, postures: int) -> None:
        maker = Maker(seed, rocker)
        made = maker.make(postures)
        self.name, self.machine, self.book = made.name, made.described, made.book
        maker.rests = []
        self.judges = maker.judges(JUDGES)
        self.judged = gather(ObservationBook(rest=tuple(maker.rests)), [], self.judges)
        self.everything = self.book.solving()
        self.evidence = gather(self.book, [], self.everything)
        self.places = list(dict.fromkeys(o.place for o in self.everything if o.kind in POSTURE_KINDS))

    def errors_m(self, machine: Any) -> list[float]:
        """Sizes of the tip's errors, m; infinite where the machine as calibrated does not take a posture."""
        try:
            found = np.abs(verify(machine, self.judges, self.judged).errors).tolist()
        except ValueError:
            found = []
        return found + [math.inf] * (JUDGES - len(found))

    def follow(self, order: list[Any] | None, most: int) -> list[dict[str, Any]]:
        """Readings taken step by step: how many so far, errors and prediction after each step.

        Args:
            order: places in the order in which they are measured whole; None: as the guide asks.
            most: readings to take at most.
        """
        posture_ids = {o.id for o in self.everything if o.place in self.places}
        ids: set[str] = set()
        steps: list[dict[str, Any]] = []
        while True:
            chosen = [o for o in self.everything if o.id in ids or o.id not in posture_ids]
            places = {o.place for o in chosen}
            evidence = replace(
                self.evidence, windows={p: w for p, w in self.evidence.windows.items() if p in places}
            )
            solution = adjust(make_setup(self.machine, chosen, evidence, self.book.assume))
            errors = self.errors_m(calibrated_machine(solution))
            step: dict[str, Any] = {
                "readings": len(ids), "errors": errors, "error": float(np.quantile(errors, 0.95)),
            }  # fmt: skip
            step["sigma"] = worst_sigma_m(solution)
            steps.append(step)
            if len(ids) >= most:
                return steps
            if order is not None:
                if len(steps) > len(order):
                    return steps
                place = order[len(steps) - 1]
                ids |= {o.id for o in self.everything if o.place == place}
                continue
            ranked = rank(solution, recorded(solution, self.book, self.evidence))
            if not ranked:
                return steps
            step["worst"] = ranked[0].before.worst_m
            ids |= {o.id for o in ranked[0].candidate.observations}


def worst_sigma_m(solution: Solution) -> float:
    """The tip's worst 1-sigma over the envelope by the covariance as stated, without the factor, m."""
    figures = TipFigures(calibrated_machine(solution))
    columns = [solution.place[name] for name in figures.names]
    covariance = solution.covariance[np.ix_(columns, columns)] / max(1.0, solution.factor) ** 2
    return math.sqrt(float(figures.variance(covariance).max()))


def until(steps: list[dict[str, Any]], limit: float) -> int | None:
    """Number of the step from which on the error stays within the limit."""
    outside = [i for i, s in enumerate(steps) if s["error"] > limit]
    first = outside[-1] + 1 if outside else 0
    return first if first < len(steps) else None


def together(runs: list[list[dict[str, Any]]], readings: int) -> float:
    """What 95 % of all machines' errors stay within after so many readings each, m."""
    there = [at(steps, readings) for steps in runs]
    return float(np.quantile(np.concatenate([s["errors"] for s in there]), 0.95))


def at(steps: list[dict[str, Any]], readings: int) -> dict[str, Any]:
    """The step that so many readings allow."""
    return next(s for s in reversed(steps) if s["readings"] <= readings)


def spread(runs: list[list[dict[str, Any]]], readings: int) -> float:
    """Standard error of `together`, machines drawn anew."""
    rng = np.random.default_rng(1)
    drawn = [
        together([runs[i] for i in rng.integers(len(runs), size=len(runs))], readings) for _ in range(DRAWS)
    ]
    return float(np.std([d for d in drawn if math.isfinite(d)]))


def readings_needed(runs: list[list[dict[str, Any]]], limit: float) -> int | None:
    """Readings from which on 95 % of all machines' errors stay within the limit."""
    most = min(steps[-1]["readings"] for steps in runs)
    outside = [r for r in range(most + 1) if together(runs, r) > limit]
    first = outside[-1] + 1 if outside else 0
    return first if first <= most else None


def told_apart(runs: dict[str, list[list[dict[str, Any]]]]) -> None:
    """Machine by machine: how often the guide's worst sigma is the smaller one, and by how much."""
    guide = runs["guide"]
    for label, others in runs.items():
        if label == "guide" or not guide or not others:
            continue
        each = len(others) // len(guide)
        pairs = [(guide[i // each], steps) for i, steps in enumerate(others)]
        ratios = {r: [at(g, r)["sigma"] / at(o, r)["sigma"] for g, o in pairs] for r in SHOWN}
        print(
            f"guide's worst sigma over that of the {label}, after 7, 14, 21, 28, 35, 42 readings: "
            + " ".join(f"{np.exp(np.mean(np.log(v))):.2f}" for v in ratios.values())
            + "; smaller in "
            + " ".join(f"{sum(x < 1.0 for x in v)}/{len(v)}" for v in ratios.values())
        )


def told(steps: list[dict[str, Any]]) -> str:
    """Error after each step, mm."""
    return " ".join(f"{1000 * s['error']:.1f} ({s['readings']})" for s in steps)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--machines", type=int, default=10)
    parser.add_argument("--random", type=int, default=3, help="random orders a machine")
    parser.add_argument("--readings", type=int, default=50, help="readings to take at most")
    parser.add_argument("--first", type=int, default=0, help="seed of the first machine")
    parser.add_argument("--gather", type=Path, nargs="*", default=[], help="outputs of earlier runs to add")
    parser.add_argument("--brief", action="store_true", help="only what all machines together come to")
    parser.add_argument("--output", type=Path)
    options = parser.parse_args()
    runs: dict[str, list[list[dict[str, Any]]]] = {"guide": [], "file order": [], "random order": []}
    for path in options.gather:
        for label, found in json.loads(path.read_text(encoding="utf-8")).items():
            runs[label] += found
    for seed in range(options.first, options.first + options.machines):
        trial = Trial(seed, seed % 2 == 1, 10)
        chance = random.Random(seed)
        orders: list[tuple[str, Any]] = [("guide", None), ("file order", trial.places)]
        for _ in range(options.random):
            orders.append(("random order", chance.sample(trial.places, len(trial.places))))
        if not options.brief:
            print(f"{trial.name}: 95 % of errors, mm, after each step (readings)")
        for label, choose in orders:
            runs[label].append(steps := trial.follow(choose, options.readings))
            if not options.brief:
                print(f"  {label:12} {told(steps)}", flush=True)
    for label, found in runs.items():
        if not found:
            continue
        alone = [until(steps, LIMIT_M) for steps in found]
        counts = [steps[at]["readings"] for steps, at in zip(found, alone, strict=True) if at is not None]
        needed = readings_needed(found, LIMIT_M)
        print(
            f"{label}: 95 % of {len(found)} machines' errors within {1000 * LIMIT_M:.0f} mm after "
            f"{needed if needed is not None else 'more than all'} readings; each machine alone, median "
            f"{np.median(counts) if counts else math.nan:.0f}, {len(found) - len(counts)} not at all; "
            "95 % after 7, 14, 21, 28, 35, 42 readings, mm: "
            + " ".join(f"{1000 * together(found, r):.1f} ± {1000 * spread(found, r):.1f}" for r in SHOWN)
            + "; worst sigma by the covariance, median of the machines, mm: "
            + " ".join(f"{1000 * np.median([at(s, r)['sigma'] for s in found]):.2f}" for r in SHOWN)
        )
    told_apart(runs)
    honest = [
        s["error"] / (COVERAGE_95 * s["worst"]) for steps in runs["guide"] for s in steps[2:] if "worst" in s
    ]
    if honest:
        print(
            f"95 % of errors over the predicted worst at 95 %, from the second posture on: median "
            f"{np.median(honest):.2f}, 95th percentile {np.quantile(honest, 0.95):.2f}"
        )
    if options.output is not None:
        options.output.write_text(json.dumps(runs), encoding="utf-8")


if __name__ == "__main__":
    main()
