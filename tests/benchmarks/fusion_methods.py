"""The filters that the accuracy benchmark compares, all with the same mounts and the same kinematics.

Each sensor's readings are turned into its body's axes and the gyro's mean over the first 4.5 s of rest is
taken off, for every method alike but our own (which finds its biases itself). A method turns one sensor's
samples into `up` vectors; the arm's angles follow from them as in `tipdatum.kinematics`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tipdatum.kinematics.frames import elevation_angle, roll_angle, rotation_from_rpy_deg
from tipdatum.machine.description import Machine
from tipdatum_drivers.reading import Imu, Record

Array = NDArray[np.float64]
REST_S = 4.5
"""Every public session starts with 5 s of rest."""


@dataclass(frozen=True)
class Stream:
    """One sensor's samples in its body's axes: s, m/s², rad/s; `latency` s."""

    t: Array
    force: Array
    rate: Array
    latency: float

    @property
    def period(self) -> float:
        """Mean sample period, s."""
        return float((self.t[-1] - self.t[0]) / (len(self.t) - 1))


UpFilter = Callable[[Stream], Array]
"""Samples → `up` vectors (N, 3) in the body's axes, causal."""


def streams(machine: Machine, records: list[Record]) -> dict[str, Stream]:
    """Body → samples of its sensor."""
    found: dict[str, Stream] = {}
    for name, sensor in machine.sensor.items():
        rows = [r for r in records if isinstance(r, Imu) and r.sensor == name]
        if not rows:
            continue
        R = rotation_from_rpy_deg(sensor.mount_rpy_deg)
        t = np.array([r.t for r in rows])
        force = np.array([r.accel_mps2 for r in rows]) @ R.T
        rate = np.array([r.gyro_radps for r in rows]) @ R.T
        found[sensor.body] = Stream(t, force, rate - rate[t < REST_S].mean(axis=0), sensor.latency_s)
    return found


def raw(s: Stream) -> Array:
    """The accelerometer's direction as it is."""
    return s.force


def butterworth(s: Stream) -> Array:
    """Second-order 2 Hz low-pass of the accelerometer (scipy)."""
    from scipy.signal import butter, sosfilt, sosfilt_zi

    sos = butter(2, 2.0, fs=1.0 / s.period, output="sos")
    start = sosfilt_zi(sos)[:, :, None] * s.force[0]
    return np.asarray(sosfilt(sos, s.force, axis=0, zi=start)[0], dtype=float)


def complementary(s: Stream) -> Array:
    """Textbook complementary filter of the `up` vector with a time constant of 1 s."""
    gain = s.period / (1.0 + s.period)
    up = s.force[0] / np.linalg.norm(s.force[0])
    out = np.empty_like(s.force)
    for i, (f, w) in enumerate(zip(s.force, s.rate, strict=True)):
        up = up + np.cross(up, w) * s.period
        up = up + gain * (f / np.linalg.norm(f) - up)
        up = up / np.linalg.norm(up)
        out[i] = up
    return out


def _up_from_earth_to_sensor(q: Array) -> Array:
    """Third row of the rotation sensor → earth of quaternions (w, x, y, z)."""
    w, x, y, z = q.T
    return np.stack([2 * (x * z - w * y), 2 * (y * z + w * x), w * w - x * x - y * y + z * z], axis=1)


def _start_quaternion(f: Array) -> Array:
    from scipy.spatial.transform import Rotation

    q = Rotation.align_vectors([[0.0, 0.0, 1.0]], [f])[0].as_quat()
    return np.array([q[3], q[0], q[1], q[2]])


def madgwick(s: Stream) -> Array:
    """`ahrs` Madgwick with its default gain."""
    from ahrs.filters import Madgwick

    return _up_from_earth_to_sensor(
        Madgwick(gyr=s.rate, acc=s.force, Dt=s.period, q0=_start_quaternion(s.force[0])).Q
    )


def mahony(s: Stream) -> Array:
    """`ahrs` Mahony with its default gains."""
    from ahrs.filters import Mahony

    return _up_from_earth_to_sensor(
        Mahony(gyr=s.rate, acc=s.force, Dt=s.period, q0=_start_quaternion(s.force[0])).Q
    )


def ahrs_ekf(s: Stream) -> Array:
    """`ahrs` EKF with its default noises; at rest its "NED" expects the force along +z, as ours is."""
    from ahrs.filters import EKF

    q0 = _start_quaternion(s.force[0])
    return _up_from_earth_to_sensor(EKF(gyr=s.rate, acc=s.force, Dt=s.period, q0=q0, frame="NED").Q)


def _vqf(s: Stream, **parameters: float | bool) -> Array:
    from vqf import VQF

    out = VQF(s.period, **parameters).updateBatch(np.ascontiguousarray(s.rate), np.ascontiguousarray(s.force))
    return _up_from_earth_to_sensor(out["quat6D"])


def vqf(s: Stream) -> Array:
    """`vqf` with its defaults."""
    return _vqf(s)


def vqf_tuned(s: Stream) -> Array:
    """`vqf`, accelerometer time constant 12 s, rest detection off; extrapolated by the latency."""
    return _vqf(s, tauAcc=12.0, restBiasEstEnabled=False)


METHODS: dict[str, tuple[UpFilter, bool]] = {
    "raw accelerometer": (raw, False),
    "Butterworth 2 Hz": (butterworth, False),
    "complementary 1 s": (complementary, False),
    "Mahony (ahrs)": (mahony, False),
    "EKF (ahrs)": (ahrs_ekf, False),
    "Madgwick (ahrs)": (madgwick, False),
    "vqf": (vqf, False),
    "vqf tuned": (vqf_tuned, True),
}
"""Name → filter, and whether its angles are extrapolated with the gyro to the emit time."""


def heights(
    machine: Machine, found: dict[str, Stream], method: UpFilter, extrapolate: bool, at: Array
) -> Array:
    """Tip height above the slew centre at the emit times `at`, m."""
    angles: dict[str, tuple[Array, Array]] = {}
    for body, s in found.items():
        up = method(s)
        up = up / np.linalg.norm(up, axis=1, keepdims=True)
        theta, roll = np.unwrap(elevation_angle(up)), roll_angle(up)
        i = np.searchsorted(s.t, at + 1e-12, side="right") - 1
        th, ro = theta[i], roll[i]
        if extrapolate:
            x, y, z = s.rate[i].T
            ahead = at - s.t[i] + s.latency
            plane = z * np.cos(th) + x * np.sin(th)
            ro_rate = x * np.cos(th) - z * np.sin(th)
            th = th + (-y + np.tan(ro) * plane) * ahead
            ro = ro + ro_rate * ahead
        angles[body] = th, ro
    if "bucket" not in angles:
        stick = angles["stick"][0]
        bucket = machine.four_bar().bucket_from_rocker(angles["rocker"][0] - stick).bucket
        angles["bucket"] = stick + bucket, angles["stick"][1]
    q = np.stack(
        [angles["upper"][0], angles["upper"][1], *(angles[b][0] for b in ("boom", "stick", "bucket"))], axis=1
    )
    return np.asarray(machine.chain().tip(q)[:, 2], dtype=float)
