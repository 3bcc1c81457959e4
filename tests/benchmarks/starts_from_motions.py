"""How much better the first five minutes become when the filter starts from what motions show.

    python tests/benchmarks/starts_from_motions.py [--sessions FOLDER] [--draws N] [--only NAME ...]

Sessions that exist twice, once described exactly and once as a real installation is (positions off by
centimetres, one latency for all), are played with three descriptions: as installed; with positions and
latencies as single-joint motions give them; and exact in these. What motions give is the exact description
with errors of the size that `tipdatum.calibration.swings` states for the simulated retrofit, whose errors
against the truth are printed beside; what all latencies have in common stays as installed. Gyro scales are in
neither description. Printed: RMS of the tip, moving and slow, up to five minutes after the start, and ratios.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from calibrate_retrofits import DEFAULT, Retrofit
from fusion_accuracy import Array, geometric, ours, read, score

from tipdatum.calibration.adjustment import adjust
from tipdatum.calibration.description import calibrated_machine
from tipdatum.calibration.swings import Part, parts
from tipdatum.calibration.unknowns import make_setup
from tipdatum.machine.description import Machine

FIRST_S = 300.0


def on_the_retrofit(root: Path) -> tuple[dict[str, Part], Array]:
    """What motions give there, and the errors of its latencies against each other, s."""
    case = Retrofit(root, rocker=False)
    solution = adjust(make_setup(case.machine, case.book.solving(), case.evidence, case.book.assume))
    joints = {o.id: o.of for o in case.book.solving() if o.kind == "single_joint"}
    found = parts(calibrated_machine(solution), case.evidence, joints).parts
    true = case.truth["machine"]["sensor"]
    late = np.array([p.latency_s - true[n]["latency_s"] for n, p in found.items()])
    described = np.array([case.machine.sensor[n].latency_s - true[n]["latency_s"] for n in found])
    print("position errors on the retrofit, mm: described, found, stated")
    for name, part in found.items():
        at = np.array(true[name]["position_m"])
        before = 1000 * (np.array(case.machine.sensor[name].position_m) - at)
        print(f"  {name:7} {np.round(before)} {np.round(1000 * (part.position_m - at))} "
              f"{np.round(1000 * part.position_sigma_m)}")  # fmt: skip
    print(f"latencies against their mean, ms: as told {np.round(1000 * (described - described.mean()), 2)}, "
          f"found {np.round(1000 * (late - late.mean()), 2)}")  # fmt: skip
    return found, late - late.mean()


def as_found(
    installed: Machine, exact: Machine, found: dict[str, Part], relative: Array, rng: np.random.Generator
) -> Machine:
    """The installed description with positions and latencies as motions give them."""
    common = np.mean([installed.sensor[n].latency_s - exact.sensor[n].latency_s for n in installed.sensor])
    spread = float(np.sqrt(np.mean(relative**2)))
    sensors: dict[str, Any] = {}
    for name, sensor in installed.sensor.items():
        sigma = found[name].position_sigma_m
        position = np.array(exact.sensor[name].position_m) + rng.normal(0.0, sigma)
        latency = exact.sensor[name].latency_s + common + rng.normal(0.0, spread)
        sensors[name] = sensor.model_copy(
            update={
                "position_m": tuple(position.tolist()),
                "position_sigma_m": float(np.sqrt(np.mean(sigma**2))),
                "latency_s": max(0.0, float(latency)),
            }
        )
    return installed.model_copy(update={"sensor": sensors})


def exact_in_these(installed: Machine, exact: Machine) -> Machine:
    """The installed description with the exact positions and latencies."""
    sensors = {
        name: sensor.model_copy(
            update={
                "position_m": exact.sensor[name].position_m,
                "position_sigma_m": 0.002,
                "latency_s": exact.sensor[name].latency_s,
            }
        )
        for name, sensor in installed.sensor.items()
    }
    return installed.model_copy(update={"sensor": sensors})


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sessions", type=Path, default=DEFAULT.parent)
    parser.add_argument("--retrofit", type=Path, default=DEFAULT)
    parser.add_argument("--draws", type=int, default=2)
    parser.add_argument("--only", nargs="*", default=None, help="names of sessions")
    options = parser.parse_args()
    if not options.retrofit.exists():
        raise SystemExit(f"{options.retrofit} is not here; name a folder with a simulated retrofit")
    found, relative = on_the_retrofit(options.retrofit)
    rng = np.random.default_rng(5)
    ratios: dict[str, list[float]] = {}
    print("| session | description | moving mm | slow mm | within 1 and 2 sigma, moving |")
    print("| --- | --- | --- | --- | --- |")
    for path in sorted(options.sessions.glob("*-installed.ndjson.gz")):
        name = path.name.removesuffix("-installed.ndjson.gz")
        twin = path.with_name(f"{name}.ndjson.gz")
        if not twin.exists() or (options.only and name not in options.only):
            continue
        installed, records = read(path)
        exact, _ = read(twin)
        records = [r for r in records if r.t <= FIRST_S]
        cases = [("as installed", installed)]
        cases += [
            ("from motions", as_found(installed, exact, found, relative, rng)) for _ in range(options.draws)
        ]
        cases.append(("exact", exact_in_these(installed, exact)))
        first: float | None = None
        for label, machine in cases:
            t, z, sigma, _ = ours(machine, records)
            s = score(name, label, t, z, records, sigma)
            print(
                f"| {name} | {label} | {s.moving_mm:.2f} | {s.slow_mm:.2f} "
                f"| {s.within_1_moving:.0%} {s.within_2_moving:.0%} |",
                flush=True,
            )
            if first is None:
                first = s.moving_mm
            ratios.setdefault(label, []).append(s.moving_mm / first)
    for label, values in ratios.items():
        print(f"{label}: moving error {geometric(values):.2f} of that as installed (geometric mean)")


if __name__ == "__main__":
    main()
