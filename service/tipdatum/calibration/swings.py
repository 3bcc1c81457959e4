"""What the filter starts from, out of single-joint motions: gyro scales, sensor positions, latencies.

While one joint turns, every body beyond it turns about a point that stays, so a sensor at ρ from that point
has the specific force g u + α × ρ + ω × (ω × ρ), as any text on mechanics has it of a rigid body, and carries
the vertical u along by its own gyro: ρ shows in the second and third term, the gyro's scale in how far u
goes against the accelerometer. All of it is linear in small corrections, adjusted once for each sensor,
on means over a fifth of a second that a running engine hardly shakes. Latencies show as shifts between the
rates of sensors that turn together. What all have in common does not show at all and stays as described, so
no sigma of a latency is stated: independent ones would make the common one too small.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from tipdatum.calibration.methods.motion import BEYOND, UNCLEAN
from tipdatum.calibration.observations import SensorRest
from tipdatum.calibration.recordings import Motion, RecordedEvidence, Swing
from tipdatum.calibration.rest_posture import posture_of
from tipdatum.kinematics.frames import Array, rotation_from_rpy_deg
from tipdatum.machine.description import Machine
from tipdatum.machine.parts import Sensor
from tipdatum.sentences import sentence

BOX_S = 0.2
"""Means over this time: the vibration of a running engine is gone, a joint's start and stop are not."""

SHIFT_BOX_S = 0.06
"""Means over this time for the shift between rates."""

REST_S = 1.0
"""Rest before a motion that shows the vertical it begins with."""

SCALE_SIGMA = 0.005
POSITION_SIGMA_M = 0.03
LATENCY_SIGMA_S = 0.004
"""1-sigma where the description does not say, as the estimator assumes them."""

LEVEL_SIGMA_RAD = 0.01
DRIFT_SIGMA_RADPS = 0.0005
FORCE_SIGMA_MPS2 = 0.03
"""1-sigma of the beginning's vertical, of a gyro's bias since the rest, of a constant left in the force."""

FORCE_FLOOR_MPS2 = 0.03
"""Least 1-sigma of a mean force while an arm moves: tracks rock and booms bend."""

UNFIT = 3.0
"""RMS misfit, in noise, from which a motion is not that of one joint; clean ones stay below one."""

FAR = 5.0
"""Correction of a position, in its 1-sigma, from which the description is wrong in another way."""

LEAST_SHIFT_SIGMA_S = 0.0003
"""Least 1-sigma of a shift between two sensors' rates: a filter inside a part is no pure delay."""


@dataclass(frozen=True, slots=True)
class Part:
    """One sensor as its motions show it.

    Attributes:
        gyro_scale, gyro_scale_sigma: (3,) in the sensor's axes, as in the description.
        position_m, position_sigma_m: (3,) in its body's frame.
        latency_s: against the others.
    """

    gyro_scale: Array
    gyro_scale_sigma: Array
    position_m: Array
    position_sigma_m: Array
    latency_s: float


@dataclass(slots=True)
class Found:
    """Parts by sensor, and sentences about motions and sensors of which nothing was taken."""

    parts: dict[str, Part] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def parts(machine: Machine, evidence: RecordedEvidence, joints: Mapping[str, str]) -> Found:
    """Every inertial sensor that turned in a clean motion which was recorded.

    Args:
        machine: as calibrated. joints: observation id → the joint that moved alone.
    """
    motions = [evidence.motions[name] for name in joints if name in evidence.motions]
    latencies = _latencies(machine, evidence, motions)
    found = Found()
    for name, sensor in machine.sensor.items():
        if sensor.type != "imu" or name not in latencies:
            continue
        stacked = [
            rows
            for motion in motions
            if (rows := _rows(machine, evidence, motion, joints[motion.id], name)) is not None
        ]
        fit = _fitting(sensor, stacked, name, found.notes)
        if fit is None:
            continue
        change, sigma = fit
        scale = np.array(sensor.gyro_scale)
        found.parts[name] = Part(
            scale * (1.0 - change[3:6]),
            sigma[3:6],
            np.array(sensor.position_m) + change[:3],
            sigma[:3],
            latencies[name],
        )
    return found


def _fitting(sensor: Sensor, stacked: list[_Rows], name: str, notes: list[str]) -> tuple[Array, Array] | None:
    """Corrections and 1-sigma from the motions that fit; None where none does or they ask for too much."""
    while stacked:
        change, sigma, misfits = _adjusted(sensor, stacked)
        worst = int(np.argmax(misfits))
        if misfits[worst] < UNFIT:
            break
        notes.append(
            sentence("cal-not-alone", motion=stacked[worst].id, body=name, times=round(float(misfits[worst])))
        )
        stacked = [rows for i, rows in enumerate(stacked) if i != worst]
    if not stacked:
        return None
    known = POSITION_SIGMA_M if sensor.position_sigma_m is None else sensor.position_sigma_m
    far = float(np.abs(change[:3]).max())
    if far > FAR * max(known, POSITION_SIGMA_M):
        notes.append(sentence("cal-far-position", body=name, far_coarse_m=far))
        return None
    return change, sigma


@dataclass(frozen=True, slots=True)
class _Rows:
    """Means of one motion: misfit (N, 3) m/s², by position and scale (N, 3, 6), by its own (N, 3, K)."""

    id: str
    misfit: Array
    shared: Array
    own: Array
    own_sigma: Array
    sigma: float


def _rows(
    machine: Machine, evidence: RecordedEvidence, motion: Motion, joint: str, name: str
) -> _Rows | None:
    sensor, swing = machine.sensor[name], evidence.swings.get(motion.id, {}).get(name)
    samples = motion.samples.get(name)
    turning = BEYOND.get(joint, tuple(machine_bodies(machine)) if joint == "slew" else ())
    if samples is None or samples.gyro is None or swing is None or swing.linearity > UNCLEAN:
        return None
    bias = evidence.gyro_bias.get((motion.file, name))
    start = motion.window[0]
    still = samples.between(start - REST_S, start)
    if sensor.body not in turning or bias is None or still.stop - still.start < 16:
        return None
    lever = _lever(machine, motion, joint, sensor)
    if lever is None:
        return None
    R = rotation_from_rpy_deg(sensor.mount_rpy_deg)
    gain = np.eye(3) if sensor.accel_scale is None else np.array(sensor.accel_scale)
    force = (samples.accel - np.array(sensor.accel_offset_mps2)) @ gain.T @ R.T
    raw = (samples.gyro - bias) * np.array(sensor.gyro_scale)
    rate = raw @ R.T
    t = samples.t
    up0 = force[still].mean(axis=0)
    g = float(np.linalg.norm(up0))
    turned = _attitudes(rate, t)
    up = np.einsum("nji,j->ni", turned, up0 / g)
    slope = np.gradient(rate, t, axis=0)
    by_lever = _cross(slope) + np.einsum("nij,njk->nik", _cross(rate), _cross(rate))
    misfit = force - g * up - by_lever @ lever
    # A turn ψ of the attitude in the axes of the beginning changes the vertical there by u₀ × ψ.
    level = np.einsum("nji,jk->nik", turned, g * _cross((up0 / g)[None])[0])
    steps = np.gradient(t)
    by_scale = -np.einsum("nij,jk,nk->nik", turned, R, raw)
    scale = np.einsum("nij,njk->nik", level, np.cumsum(by_scale * steps[:, None, None], axis=0))
    drift = np.einsum("nij,njk->nik", level, np.cumsum(-turned * steps[:, None, None], axis=0))
    constant = np.broadcast_to(np.eye(3), (len(t), 3, 3))
    shared = np.concatenate([by_lever, scale], axis=2)
    own = np.concatenate([level, drift, constant], axis=2)
    own_sigma = np.repeat([LEVEL_SIGMA_RAD, DRIFT_SIGMA_RADPS, FORCE_SIGMA_MPS2], 3)
    which = samples.between(start - REST_S, motion.window[1])
    period = float(np.median(np.diff(t)))
    size = max(1, round(BOX_S / period))
    # At rest a gyro's noise moves the far end of a long lever too.
    rest = _means(misfit[still], size)
    noise = float(rest.std(axis=0).max()) if len(rest) > 2 else 0.0
    return _Rows(
        motion.id,
        _means(misfit[which], size),
        _means(shared[which], size),
        _means(own[which], size),
        own_sigma,
        max(noise, FORCE_FLOOR_MPS2),
    )


def machine_bodies(machine: Machine) -> list[str]:
    """Bodies that carry a sensor."""
    return [s.body for s in machine.sensor.values()]


def _adjusted(sensor: Sensor, stacked: Sequence[_Rows]) -> tuple[Array, Array, Array]:
    """Corrections of position and scale (6,), their 1-sigma, and each motion's RMS misfit in noise.

    Weighted least squares with what was known beforehand.
    """
    own = [rows.own.shape[2] for rows in stacked]
    n = 6 + sum(own)
    position = POSITION_SIGMA_M if sensor.position_sigma_m is None else sensor.position_sigma_m
    known = sensor.gyro_scale_sigma
    scale = np.full(3, SCALE_SIGMA) if known is None else np.maximum(np.array(known), 1e-5)
    prior = np.concatenate([np.full(3, max(position, 1e-4)), scale, *(rows.own_sigma for rows in stacked)])
    J, r, at = [], [], 6
    for rows, k in zip(stacked, own, strict=True):
        block = np.zeros((3 * len(rows.misfit), n))
        block[:, :6] = rows.shared.reshape(-1, 6) / rows.sigma
        block[:, at : at + k] = rows.own.reshape(-1, k) / rows.sigma
        J.append(block)
        r.append(rows.misfit.ravel() / rows.sigma)
        at += k
    A, b = np.concatenate(J), np.concatenate(r)
    normal = A.T @ A + np.diag(prior**-2.0)
    C = np.linalg.inv(normal)
    x = C @ (A.T @ b)
    left = b - A @ x
    ends = np.cumsum([0, *(3 * len(rows.misfit) for rows in stacked)])
    misfits = [float(np.sqrt(np.mean(left[i:j] ** 2))) for i, j in pairwise(ends)]
    # Means one after the other are not independent where the arm bends and rocks: each counts for so much
    # less (first-order autocorrelation; Box and Jenkins, *Time Series Analysis*, 2.1).
    less = [_dependence(left[i:j].reshape(-1, 3)) for i, j in pairwise(ends)]
    factor = max(1.0, float(left @ left) / max(1, len(b) - n))
    weight = np.concatenate(
        [np.full(j - i, 1.0 / (factor * k)) for (i, j), k in zip(pairwise(ends), less, strict=True)]
    )
    normal = A.T @ (weight[:, None] * A) + np.diag(prior**-2.0)
    x = np.linalg.solve(normal, A.T @ (weight * b))
    sigma = np.sqrt(np.diag(np.linalg.inv(normal)))
    return x[:6], sigma[:6], np.array(misfits)


def _dependence(left: Array) -> float:
    """By how much fewer independent values there are than misfits (N, 3): (1 + ρ) / (1 - ρ)."""
    if len(left) < 8:
        return 1.0
    centred = left - left.mean(axis=0)
    rho = float((centred[1:] * centred[:-1]).sum() / max(float((centred**2).sum()), 1e-12))
    rho = min(max(rho, 0.0), 0.85)
    return (1.0 + rho) / (1.0 - rho)


def _lever(machine: Machine, motion: Motion, joint: str, sensor: Sensor) -> Array | None:
    """(3,) m, from the point that stays to the sensor as described, in its body's axes."""
    rests = {}
    for name, samples in motion.samples.items():
        still = samples.between(motion.window[0] - REST_S, motion.window[0])
        if still.stop - still.start >= 16:
            mean = samples.accel[still].mean(axis=0)
            rests[name] = SensorRest(
                accel_mps2=(float(mean[0]), float(mean[1]), float(mean[2])),
                sigma_mps2=(1.0, 1.0, 1.0),
                samples=still.stop - still.start,
            )
    try:
        posture = posture_of(machine, rests)
    except ValueError:
        return None
    q = posture.q
    pins = machine.straight_chain().pins(q)[:, [0, 2]]
    sections = machine.sections
    angles = {"upper": q[0], **dict(zip(sections, q[2:], strict=True)), "rocker": posture.rocker}
    angle = angles[sensor.body]
    ends = {"upper": np.zeros(2), **dict(zip(sections, pins, strict=False))}
    if machine.linkage is not None:
        px, pz = machine.linkage.rocker_pivot_m
        ends["rocker"] = pins[-3] + _turned(np.array([px, pz]), float(q[-2]))
    stays = {"slew": np.zeros(2), **{body: ends[body] for body in sections[:-1]}}.get(
        joint, ends[sensor.body]
    )
    along = _turned(ends[sensor.body] - stays, -float(angle))
    foot = machine.boom.foot_m[1] if sensor.body != "upper" else 0.0
    lever: Array = np.array([along[0], foot, along[1]]) + np.array(sensor.position_m)
    return lever


def _turned(v: Array, angle: float) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([c * v[0] - s * v[1], s * v[0] + c * v[1]])


def _attitudes(rate: Array, t: Array) -> Array:
    """(N, 3, 3), the body's axes against those it began with, from its rate (N, 3) rad/s."""
    found = np.empty((len(t), 3, 3))
    found[0] = np.eye(3)
    for i in range(1, len(t)):
        v = 0.5 * (rate[i] + rate[i - 1]) * (t[i] - t[i - 1])
        K = np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])
        # To second order: a step is a hundredth of a radian at most.
        found[i] = found[i - 1] @ (np.eye(3) + K + 0.5 * K @ K)
    return found


def _cross(v: Array) -> Array:
    """(N, 3, 3), v × as a matrix."""
    zero = np.zeros(len(v))
    x, y, z = v.T
    return np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=-1).reshape(-1, 3, 3)


def _means(values: Array, size: int) -> Array:
    count = len(values) // size
    means: Array = values[: count * size].reshape(count, size, *values.shape[1:]).mean(axis=1)
    return means


def _latencies(machine: Machine, evidence: RecordedEvidence, motions: Sequence[Motion]) -> dict[str, float]:
    """Latency of every inertial sensor, s: as described, but for what their rates say of each other."""
    names = [n for n, s in machine.sensor.items() if s.type == "imu"]
    place = {n: i for i, n in enumerate(names)}
    described = np.array([machine.sensor[n].latency_s for n in names])
    stated = [machine.sensor[n].latency_sigma_s for n in names]
    prior = np.array([LATENCY_SIGMA_S if s is None else max(s, 1e-5) for s in stated])
    normal, pull = np.diag(prior**-2.0), np.zeros(len(names))
    for motion in motions:
        swings = {n: s for n, s in evidence.swings.get(motion.id, {}).items() if s.linearity < UNCLEAN}
        turning = [n for n in names if n in swings and n in motion.samples]
        for name in turning[1:]:
            shift = _shift(evidence, motion, swings, turning[0], name)
            if shift is None:
                continue
            value, sigma = shift
            value -= described[place[name]] - described[place[turning[0]]]
            row = np.zeros(len(names))
            row[place[name]], row[place[turning[0]]] = 1.0, -1.0
            normal += np.outer(row, row) / sigma**2
            pull += row * value / sigma**2
    change = np.linalg.solve(normal, pull)
    return {n: max(0.0, float(described[i] + change[i])) for n, i in place.items()}


def _shift(
    evidence: RecordedEvidence, motion: Motion, swings: Mapping[str, Swing], first: str, other: str
) -> tuple[float, float] | None:
    """By how much the other's samples are older than the first's, and 1-sigma, s."""
    rates = []
    for name in (first, other):
        samples, bias = motion.samples[name], evidence.gyro_bias.get((motion.file, name))
        if samples.gyro is None or bias is None:
            return None
        rates.append((samples.t, (samples.gyro - bias) @ swings[name].axis))
    (t, a), (tb, b) = rates
    period = float(np.median(np.diff(t)))
    inside = (t > max(motion.window[0] - 0.5, tb[0])) & (t < min(motion.window[1] + 0.5, tb[-1]))
    both = np.interp(t, tb, b)
    size = max(1, round(SHIFT_BOX_S / period))
    kernel = np.ones(size) / size
    a, both = (np.convolve(v, kernel, mode="same") for v in (a, both))
    slope = np.gradient(a, t)
    A = np.stack([a, slope, np.ones_like(a)], axis=-1)[inside]
    if len(A) < 50:
        return None
    x, *_ = np.linalg.lstsq(A, both[inside], rcond=None)
    left = both[inside] - A @ x
    variance = float(left @ left) / (len(A) - 3) * size
    sigma = float(np.sqrt(variance * np.linalg.inv(A.T @ A)[1, 1]))
    return -float(x[1]), max(sigma, LEAST_SHIFT_SIGMA_S)
