"""The attitude part alone, on recordings of a hand-held sensor with camera truth, beside `vqf`:

    python tests/benchmarks/attitude_broad.py

The recordings are two trials of the BROAD benchmark (Laidig, Caruso, Cereatti & Seel 2021, *Data* 6(7):72,
CC BY 4.0), which a developer's checkout has beside it. The filter is the chain filter's idea for one body
that hangs on no arm: gyro and accelerometer are integrated to attitude, velocity and place; what is known of
the motion corrects them (on an arm the lever arms say the velocity; in a hand the place stays within reach).
The update and the cross products are those of `tipdatum.fusion`.

The score is BROAD's: angle between the estimated and the true `up`, RMS over the samples that the cameras
saw, apart for motion and rest. Both filters get the same samples; `vqf` has its defaults, ours the figures
below: the sensor's are read off the recordings' rests without the cameras, `GYRO_NOISE` and `PLACE_NOISE`
were chosen on the simulated hands of `hand_held.py`, which are scored here too, for the filter's sigma to be
right; the others with the recordings in view.

At rest nobody can be exact: on these recordings the accelerometer's own mean is 0.20° and 0.18° (RMS) off the
cameras' up, its bias and the alignment of the cameras together. That is where a filter ends which believes
gravity alone; what lies below it is the share that attitude brought along from the motion keeps, as long as
it weighs no less than the accelerometer's doubtful bias.
"""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))

from fusion_methods import _up_from_earth_to_sensor as up_of_quaternions
from hand_held import Recording, simulated

from tipdatum.fusion.chain.measurement import update
from tipdatum.fusion.chain.model import crossing

Array = NDArray[np.float64]
TRIALS = ("05_undisturbed_slow_rotation_with_breaks_B", "26_disturbed_phone_vibration_A")
GRAVITY = 9.81
SIMULATED = 6

VELOCITY_NOISE = 0.3
"""What ties the velocity to nought, m/s·√s."""
PLACE_NOISE = 0.1
"""What ties the place to where it began, m·√s: a decimetre for half a second at a time."""
STILL_NOISE = 0.003
"""The same for the velocity while the sensor lies still, m/s·√s."""
STILL_S, STILL_RADPS, STILL_MPS2 = 1.0, 0.02, 0.3
"""It lies still where both have stayed within this of their running mean for a while, and the rate within
it of the bias: a steady turn is no rest."""

GYRO_NOISE, GYRO_STILL = 0.002, 1e-4
"""rad/s/√Hz in motion: scale and cross-axis errors of some 0.2 % at 100 °/s, to and fro; and of the gyro that
lies still: Allan deviation of the recordings' rests."""
ACCEL_NOISE, ACCEL_STILL = 0.02, 0.004
"""m/s²/√Hz likewise; in motion with what shaking leaves."""
GYRO_WALK = 4e-5
"""rad/s/√s: before and after half a minute of motion a gyro that lies still shows up to 0.013 °/s more or
less."""
SCALE = 0.005
"""1-sigma of the gyro's scale error, 1."""
ACCEL_BIAS = 0.03
"""1-sigma of the accelerometer's bias, m/s²: in the first rest |f| is 0.008 and 0.044 away from g."""
ACCEL_BIAS_S = 10.0
"""Correlation time of that bias while the sensor moves, s: scale and cross-axis errors of 0.3 % make up most
of it, and the attitude that they depend on is another one every few seconds. While it lies still the bias
stays as it is and does not average out."""


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


class _Rest:
    """Whether the sensor lies still."""

    def __init__(self, period: float, first: Array) -> None:
        self._period, self._mean, self._for = period, first, 0.0
        self._band = np.repeat([STILL_RADPS, STILL_MPS2], 3)

    def is_still(self, sample: Array, gyro_bias: Array) -> bool:
        """Take the next sample, (6,) rates and forces; `gyro_bias` as the filter knows it."""
        off = sample - self._mean
        self._mean += min(1.0, self._period / STILL_S) * off
        quiet = (np.abs(off) < self._band).all() and (np.abs(sample[:3] - gyro_bias) < STILL_RADPS).all()
        self._for = self._for + self._period if quiet else 0.0
        return self._for > STILL_S


def _levelled(force: Array) -> Array:
    """Rotation from the sensor's axes to level ones, (3, 3), that takes `force` for `up`; heading free."""
    z = force / np.linalg.norm(force)
    x = np.cross(np.eye(3)[int(np.argmin(np.abs(z)))], z)
    x = x / np.linalg.norm(x)
    return np.array([x, np.cross(z, x), z])


def our_up(r: Recording) -> Array:
    """`up` in the sensor's axes, causal.

    States: tilt, gyro bias, velocity, place, accelerometer bias, gyro scale error; three each.
    """
    up, _ = our_up_and_sigma(r)
    return up


def our_up_and_sigma(r: Recording) -> tuple[Array, Array]:
    """`up` as above and the 1-sigma of its tilt about the two level axes, rad, (N, 2)."""
    dt, cross = r.period, crossing()
    C = _levelled(r.accel[:10].mean(axis=0))
    start = [0.02, 0.01, 0.1, 0.1, ACCEL_BIAS, SCALE]
    state, P = np.zeros(18), np.diag(np.repeat(start, 3) ** 2)
    tilt, bias, velocity, place, offset, scale = (slice(k, k + 3) for k in range(0, 18, 3))
    F, H_motion, H_rate = np.eye(18), np.eye(18)[6:12], np.eye(18)[3:6]
    F[place, velocity] = np.eye(3) * dt
    kept = math.exp(-dt / ACCEL_BIAS_S)
    renewed = ACCEL_BIAS * math.sqrt((1.0 - kept**2) / dt)
    Q_moving, Q_still = (
        np.diag(np.repeat(noise, 3) ** 2) * dt
        for noise in (
            [GYRO_NOISE, GYRO_WALK, ACCEL_NOISE, 0.0, renewed, 0.0],
            [GYRO_STILL, GYRO_WALK, ACCEL_STILL, 0.0, 0.0, 0.0],
        )
    )
    R_moving, R_still = (
        np.diag(np.repeat([noise, PLACE_NOISE], 3) ** 2) / dt for noise in (VELOCITY_NOISE, STILL_NOISE)
    )
    R_rate = np.eye(3) * GYRO_STILL**2 / dt
    rest, still = _Rest(dt, np.concatenate([r.gyro[0], r.accel[0]])), False
    up, sigma = np.empty_like(r.accel), np.empty((len(r.accel), 2))
    for k, (rate, force) in enumerate(zip(r.gyro, r.accel, strict=True)):
        F[tilt, bias] = -dt * C
        F[tilt, scale] = -dt * C * rate
        C = C @ turned_by((rate * (1.0 - state[scale]) - state[bias]) * dt)
        felt = C @ (force - state[offset])
        F[velocity, offset] = -dt * C
        F[velocity, tilt] = -dt * felt.dot(cross).reshape(3, 3)
        F[offset, offset] = np.eye(3) * (1.0 if still else kept)
        gained = (felt - [0.0, 0.0, GRAVITY]) * dt
        state[place] += (state[velocity] + 0.5 * gained) * dt
        state[velocity] += gained
        state[offset] *= 1.0 if still else kept
        P = F @ P @ F.T + (Q_still if still else Q_moving)
        P = 0.5 * (P + P.T)
        still = rest.is_still(np.concatenate([rate, force]), state[bias])
        update(state, P, H_motion, -state[6:12], R_still if still else R_moving)
        if still:
            update(state, P, H_rate, rate - state[bias], R_rate)
        C = turned_by(state[tilt]) @ C
        state[tilt] = 0.0
        up[k], sigma[k] = C[2], np.sqrt(P[[0, 1], [0, 1]])
    return up, sigma


def _show(name: str, scores: dict[str, tuple[float, float]]) -> None:
    for method, (moving, rest) in scores.items():
        print(f"{name}: {method} {moving:.3f}° moving, {rest:.3f}° at rest")


def main() -> None:
    """Score both filters on the recordings and on simulated hands; print, write `attitude_broad.json`."""
    here = Path(__file__).resolve()
    folder = here.parents[3] / "shared" / "reference" / "broad"
    result = {}
    for name in TRIALS:
        r = read(folder / f"{name}.npz")
        result[name] = {"ours": errors_deg(our_up(r), r), "vqf": errors_deg(vqf_up(r), r)}
        _show(name, result[name])
    hands = [simulated(seed) for seed in range(SIMULATED)]
    result["simulated"] = {
        method: _rms([errors_deg(up_of(r), r) for r in hands])
        for method, up_of in (("ours", our_up), ("vqf", vqf_up))
    }
    _show("simulated", result["simulated"])
    results = here.parents[2] / "results"
    results.mkdir(exist_ok=True)
    (results / "attitude_broad.json").write_text(json.dumps(result, indent=1))


def _rms(scores: list[tuple[float, float]]) -> tuple[float, float]:
    moving, rest = np.sqrt(np.mean(np.square(scores), axis=0))
    return float(moving), float(rest)


if __name__ == "__main__":
    main()
