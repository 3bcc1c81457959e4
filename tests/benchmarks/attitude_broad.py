"""The attitude part alone, on recordings of a hand-held sensor with camera truth, beside `vqf`:

    python tests/benchmarks/attitude_broad.py

The recordings are two trials of the BROAD benchmark (Laidig, Caruso, Cereatti & Seel 2021, *Data* 6(7):72,
CC BY 4.0), which a developer's checkout has beside it. The filter is the chain filter's idea for one body
that hangs on no arm: gyro and accelerometer are integrated to attitude, velocity and place; what is known of
the motion corrects them (on an arm the lever arms say the velocity; in a hand the place stays within reach).
The update and the cross products are those of `tipdatum.fusion`.

The score is BROAD's: angle between the estimated and the true `up`, RMS over the samples that the cameras
saw, apart for motion and rest. Both filters get the same samples; the figures of ours below were chosen on
these two recordings together, `vqf` has its defaults: an equal score is no more than that.
"""

from __future__ import annotations

import json
import math
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))

from fusion_methods import _up_from_earth_to_sensor as up_of_quaternions

from tipdatum.fusion.kalman import update
from tipdatum.fusion.parts import crossing

Array = NDArray[np.float64]
TRIALS = ("05_undisturbed_slow_rotation_with_breaks_B", "26_disturbed_phone_vibration_A")
GRAVITY = 9.81
VELOCITY_NOISE = 0.3
"""What ties the velocity to nought, m/s·√s."""
PLACE_NOISE = 0.03
"""What ties the place to where it began, m·√s: an arm's reach in a hundredth of a second."""
STILL_NOISE = 0.003
"""The same for the velocity while the sensor lies still, m/s·√s."""
STILL_S, STILL_RADPS, STILL_MPS2 = 1.0, 0.02, 0.3
"""It lies still where both have stayed within this of their running mean for a while."""
GYRO_NOISE = 0.001
"""rad/s/√Hz: white noise and what shaking leaves."""
GYRO_WALK = 1e-5
"""rad/s/√s."""
ACCEL_BIAS = 0.002
"""1-sigma of the accelerometer's bias, m/s²."""
SCALE = 0.005
"""1-sigma of the gyro's scale error, 1."""
ACCEL_NOISE = 0.02
"""m/s²/√Hz."""


@dataclass(frozen=True)
class Recording:
    """One trial: s, rad/s, m/s², true `up` in the sensor's axes (NaN where unseen), whether it moved."""

    period: float
    gyro: Array
    accel: Array
    up: Array
    moving: NDArray[np.bool_]


def read(path: Path) -> Recording:
    """A trial as it lies beside the checkout."""
    with np.load(path) as d:
        up = up_of_quaternions(d["quat_wxyz"].astype(float))
        return Recording(
            1.0 / float(d["rate_hz"]), d["gyro_radps"].astype(float), d["accel_mps2"].astype(float), up,
            d["moving"].astype(bool),
        )  # fmt: skip


def errors_deg(up: Array, r: Recording) -> tuple[float, float]:
    """RMS angle between `up` (N, 3) and the truth, degrees: in motion and at rest."""
    off = np.degrees(np.arctan2(np.linalg.norm(np.cross(up, r.up), axis=1), (up * r.up).sum(axis=1)))
    seen = np.isfinite(off)
    moving, rest = (math.sqrt(float(np.mean(off[seen & m] ** 2))) for m in (r.moving, ~r.moving))
    return moving, rest


def vqf_up(r: Recording) -> Array:
    """`vqf` with its defaults."""
    from vqf import VQF

    out = VQF(r.period).updateBatch(np.ascontiguousarray(r.gyro), np.ascontiguousarray(r.accel))
    return np.asarray(up_of_quaternions(out["quat6D"]), dtype=float)


def turned_by(v: Array) -> Array:
    """Rotation matrix of the rotation vector `v`, rad: Rodrigues' formula."""
    angle = float(np.linalg.norm(v))
    K = v.dot(crossing()).reshape(3, 3)
    if angle < 1e-9:
        return np.asarray(np.eye(3) + K)
    return np.asarray(np.eye(3) + math.sin(angle) / angle * K + (1.0 - math.cos(angle)) / angle**2 * (K @ K))


def our_up(r: Recording) -> Array:
    """`up` in the sensor's axes, causal.

    States: tilt, gyro bias, velocity, place, accelerometer bias, gyro scale error; three each.
    """
    dt, cross = r.period, crossing()
    z = r.accel[:10].mean(axis=0)
    z = z / np.linalg.norm(z)
    x = np.cross(np.eye(3)[int(np.argmin(np.abs(z)))], z)
    x = x / np.linalg.norm(x)
    C = np.array([x, np.cross(z, x), z])
    start = [0.02, 0.01, 0.1, 0.1, ACCEL_BIAS, SCALE]
    state, P = np.zeros(18), np.diag(np.repeat(start, 3) ** 2)
    tilt, bias, velocity, place, offset, scale = (slice(k, k + 3) for k in range(0, 18, 3))
    F, H = np.eye(18), np.eye(18)[6:12]
    F[place, velocity] = np.eye(3) * dt
    Q = np.diag(np.repeat([GYRO_NOISE, GYRO_WALK, ACCEL_NOISE, 0.0, 0.0, 0.0], 3) ** 2) * dt
    R, R_still = (
        np.diag(np.repeat([noise, PLACE_NOISE], 3) ** 2) / dt for noise in (VELOCITY_NOISE, STILL_NOISE)
    )
    mean, still_for = np.concatenate([r.gyro[0], r.accel[0]]), 0.0
    band = np.repeat([STILL_RADPS, STILL_MPS2], 3)
    up = np.empty_like(r.accel)
    for k, (rate, force) in enumerate(zip(r.gyro, r.accel, strict=True)):
        F[tilt, bias] = -dt * C
        F[tilt, scale] = -dt * C * rate
        C = C @ turned_by((rate * (1.0 - state[scale]) - state[bias]) * dt)
        felt = C @ (force - state[offset])
        F[velocity, offset] = -dt * C
        F[velocity, tilt] = -dt * felt.dot(cross).reshape(3, 3)
        gained = (felt - [0.0, 0.0, GRAVITY]) * dt
        state[place] += (state[velocity] + 0.5 * gained) * dt
        state[velocity] += gained
        P = F @ P @ F.T + Q
        P = 0.5 * (P + P.T)
        off = np.concatenate([rate, force]) - mean
        mean += min(1.0, dt / STILL_S) * off
        still_for = still_for + dt if (np.abs(off) < band).all() else 0.0
        update(state, P, H, -state[6:12], R_still if still_for > STILL_S else R)
        C = turned_by(state[tilt]) @ C
        state[tilt] = 0.0
        up[k] = C[2]
    return up


def main() -> None:
    """Score both filters on both recordings; print and write `attitude_broad.json`."""
    here = Path(__file__).resolve()
    folder = here.parents[3] / "shared" / "reference" / "broad"
    result = {}
    for name in TRIALS:
        r = read(folder / f"{name}.npz")
        result[name] = {"ours": errors_deg(our_up(r), r), "vqf": errors_deg(vqf_up(r), r)}
        for method, (moving, rest) in result[name].items():
            print(f"{name}: {method} {moving:.3f}° moving, {rest:.3f}° at rest")
    results = here.parents[2] / "results"
    results.mkdir(exist_ok=True)
    (results / "attitude_broad.json").write_text(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
