"""How right the tip's elevation is against the ground, with the tracks described and without.

    python tests/benchmarks/heave_accuracy.py [--sessions FOLDER] [--tracks LENGTH GAUGE] [--only NAME ...]

A machine that rocks lifts its slew centre. Without `[undercarriage]` elevations are relative to the slew
centre and all of its heave is error against the ground; with it the heave is estimated. Sessions do not
describe their tracks, so those of the options are taken: by default what a fourteen-tonne machine commonly
has (common practice, no source). Readings, ticks, emit times and the two kinds of moments are those of
`fusion_accuracy.py`; the figures measure the filter alone.

Writes `heave_accuracy.json` and `.md` to the results folder.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))
from fusion_accuracy import geometric, ours, read

from tipdatum.machine.description import Machine
from tipdatum.machine.parts import Undercarriage
from tipdatum_drivers.reading import Command, Record, Truth

Array = NDArray[np.float64]
TRACKS_M = (3.2, 2.2)
KINDS = ("moving", "slow")


@dataclass
class Score:
    """One session, one kind of moment; RMS in mm, shares 0 to 1.

    Attributes:
        heave_mm: what the slew centre truly rises and falls by since the reference.
        slew_centre_mm: error of the elevation relative to the slew centre, that of the filter without heave.
        without_mm, with_mm: error against the ground without and with described tracks.
        within_1, within_2: share of truths against the ground within one and two sigma, with tracks.
        bare_within_1, bare_within_2: the same without.
    """

    session: str
    kind: str
    heave_mm: float
    slew_centre_mm: float
    without_mm: float
    with_mm: float
    within_1: float
    within_2: float
    bare_within_1: float
    bare_within_2: float


def score(name: str, machine: Machine, records: list[Record], tracks: Undercarriage) -> list[Score]:
    """Both kinds of moments of one session."""
    truth = np.array(
        [
            (r.t, r.tip_m[2], r.tip_ground_m[2], bool(r.quiet))
            for r in records
            if isinstance(r, Truth) and r.tip_ground_m is not None
        ]
    )
    reference = next(r.t for r in records if isinstance(r, Command) and r.name == "datum/set")
    bare_t, bare_z, bare_sigma, _ = ours(machine.model_copy(update={"undercarriage": None}), records)
    t, z, sigma, _ = ours(machine.model_copy(update={"undercarriage": tracks}), records)

    def rise(column: int, at: Array) -> Array:
        return np.asarray(
            np.interp(at, truth[:, 0], truth[:, column]) - np.interp(reference, truth[:, 0], truth[:, column])
        )

    quiet, bare_quiet = (np.interp(at, truth[:, 0], truth[:, 3]) > 0.5 for at in (t, bare_t))
    found = []
    for kind in KINDS:
        on, bare = (q if kind == "slow" else ~q for q in (quiet, bare_quiet))
        error, bare_error = (z - rise(2, t))[on], (bare_z - rise(2, bare_t))[bare]
        shares = [float((np.abs(error) < k * sigma[on]).mean()) for k in (1, 2)]
        shares += [float((np.abs(bare_error) < k * bare_sigma[bare]).mean()) for k in (1, 2)]
        heave, centre = (rise(2, t) - rise(1, t))[on], (bare_z - rise(1, bare_t))[bare]
        sizes = [1000 * float(np.sqrt(np.mean(v * v))) for v in (heave, centre, bare_error, error)]
        found.append(Score(name, kind, *sizes, *shares))
    return found


def markdown(scores: list[Score]) -> str:
    """The results as a page."""
    lines = [
        "# Tip elevation error against the ground, filter only",
        "",
        "RMS in mm at the emit time. Heave is what the slew centre truly rises and falls by.",
        "",
    ]
    for kind in KINDS:
        rows = [s for s in scores if s.kind == kind]
        lines += [
            f"## {kind}",
            "",
            "| session | heave | against the slew centre | ground, tracks not described | 1σ, 2σ "
            "| ground, tracks described | 1σ, 2σ |",
            "| --- | --- | --- | --- | --- | --- | --- |",
        ]
        lines += [
            f"| {s.session} | {s.heave_mm:.1f} | {s.slew_centre_mm:.1f} | {s.without_mm:.1f} "
            f"| {s.bare_within_1:.0%}, {s.bare_within_2:.0%} | {s.with_mm:.1f} "
            f"| {s.within_1:.0%}, {s.within_2:.0%} |"
            for s in rows
        ]
        sizes = [
            geometric([getattr(s, key) for s in rows])
            for key in ("heave_mm", "slew_centre_mm", "without_mm", "with_mm")
        ]
        shares = [
            float(np.mean([getattr(s, key) for s in rows]))
            for key in ("bare_within_1", "bare_within_2", "within_1", "within_2")
        ]
        lines += [
            f"| **all** (geometric mean; mean share) | {sizes[0]:.1f} | {sizes[1]:.1f} | {sizes[2]:.1f} "
            f"| {shares[0]:.0%}, {shares[1]:.0%} | {sizes[3]:.1f} | {shares[2]:.0%}, {shares[3]:.0%} |",
            "",
        ]
    return "\n".join(lines)


def main() -> None:
    """Run the comparison."""
    here = Path(__file__).resolve()
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sessions", type=Path, default=here.parents[3] / "shared" / "physics_public")
    parser.add_argument("--results", type=Path, default=here.parents[2] / "results")
    parser.add_argument("--tracks", type=float, nargs=2, default=TRACKS_M, metavar=("LENGTH_M", "GAUGE_M"))
    parser.add_argument("--only", nargs="*", default=None, help="session names")
    args = parser.parse_args()
    tracks = Undercarriage(contact_length_m=args.tracks[0], gauge_m=args.tracks[1])
    scores: list[Score] = []
    for path in sorted(args.sessions.glob("*.ndjson.gz")):
        name = path.name.removesuffix(".ndjson.gz")
        if args.only and name not in args.only:
            continue
        machine, records = read(path)
        if not any(isinstance(r, Truth) and r.tip_ground_m is not None for r in records):
            print(f"{name}: its truth does not know the ground")
            continue
        scores += score(name, machine, records, tracks)
        print(", ".join(f"{s.kind} {s.without_mm:.1f} → {s.with_mm:.1f} mm" for s in scores[-2:]), name)
    if not scores:
        parser.error(f"no sessions with truth against the ground in {args.sessions}")
    args.results.mkdir(parents=True, exist_ok=True)
    (args.results / "heave_accuracy.json").write_text(json.dumps([asdict(s) for s in scores], indent=1))
    text = markdown(scores)
    (args.results / "heave_accuracy.md").write_text(text)
    print(text)


if __name__ == "__main__":
    main()
