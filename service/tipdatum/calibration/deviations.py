"""Deviations for the description, whose keys have no place for correlations.

An adjustment knows sums better than their parts: a mount's pitch and a bias, or a rocker's mount and its
linkage, trade against each other and the tip does not notice. Lengths are written as they are known. Fusion
adds every key as if it were independent, so mounts and biases are written such that this sum gives what the
adjustment says of the tip over the working envelope, and the description says so. What each is known to by
itself stands under `[calibration.sigma]`; how they go together, for figures of the tip, in
`[calibration.spread]`: independent errors of size one, times these numbers, added up.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tipdatum.calibration.adjustment import Solution
from tipdatum.calibration.joints import COUPLER, COUPLER_OFFSET
from tipdatum.calibration.sensitivity import geometry_names, told_by_linkage
from tipdatum.calibration.statistics import propagated
from tipdatum.calibration.tip_figures import TipFigures
from tipdatum.kinematics.frames import Array

LINKAGE_LEFT_M = 0.0001
"""What is left for linkage lengths once the sensor's mount carries their joint effect."""

TIP = "bucket.tip_m"

LEAST_FACTOR = 0.2
"""Smallest factor that a mount's deviation is written with, so that no sum of errors is written as
nothing."""

SPREAD_LEFT = 1e-4
"""Share of the tip's variance that the columns of `[calibration.spread]` may leave out."""


@dataclass(frozen=True, slots=True)
class Written:
    """1-sigma by sensor (mount rad, bias m/s² without the next power-up) and by length, m.

    `factor` is what mounts and biases were multiplied by.
    """

    mount: dict[str, float]
    bias: dict[str, float]
    length: dict[str, float]
    factor: float


def for_description(solution: Solution, figures: TipFigures) -> Written:
    """Deviations to write; `figures` of the machine as calibrated."""
    names, J = figures.names, figures.J
    C = solution.covariance[np.ix_(*2 * [[solution.place[n] for n in names]])]
    machine, sensors = figures.machine, figures.sensitivity.sensors
    mount, bias = {}, {}
    for sensor in sensors:
        mount[sensor] = solution.sigma(f"sensor.{sensor}.mount.pitch")
        axes = [solution.sigma(f"sensor.{sensor}.accel_bias.{a}") for a in "xyz"]
        bias[sensor] = float(np.sqrt(np.mean(np.square(axes))))
    length = {n: solution.sigma(n) for n in geometry_names(machine)}
    if COUPLER in length:
        # Coupler and tip are written as one: what is known of their sum.
        joint = [names.index(n) for n in (COUPLER, COUPLER_OFFSET, TIP)]
        together = propagated(J[:, joint], C[np.ix_(joint, joint)])
        effect = float(figures.weight @ J[:, names.index(TIP)] ** 2)
        length[TIP] = math.sqrt(max(float(figures.weight @ together), 0.0) / effect)
        del length[COUPLER], length[COUPLER_OFFSET]
    on_rocker = machine.sensor_on("rocker") if told_by_linkage(machine) else None
    if on_rocker is not None:
        pitch = f"sensor.{on_rocker[0]}.mount.pitch"
        joint = [i for i, n in enumerate(names) if n.startswith("linkage.") or n == pitch]
        effect = float(figures.weight @ J[:, names.index(pitch)] ** 2)
        together = propagated(J[:, joint], C[np.ix_(joint, joint)])
        mount[on_rocker[0]] = math.sqrt(max(float(figures.weight @ together), 0.0) / effect)
    whole = figures.rms(figures.variance(C)) ** 2
    of_lengths = of_mounts = 0.0
    for i, name in enumerate(names):
        share = float(figures.weight @ J[:, i] ** 2)
        of_lengths += length.get(name, 0.0) ** 2 * share
        for sensor in sensors:
            if name == f"sensor.{sensor}.mount.pitch":
                of_mounts += mount[sensor] ** 2 * share
            elif name.startswith(f"sensor.{sensor}.accel_bias."):
                of_mounts += bias[sensor] ** 2 * share
    left = max(whole - of_lengths, 0.0)
    factor = min(1.0, max(math.sqrt(left / of_mounts), LEAST_FACTOR)) if of_mounts > 0 else 1.0
    return Written(
        {k: v * factor for k, v in mount.items()}, {k: v * factor for k, v in bias.items()}, length, factor
    )


def spread(solution: Solution, figures: TipFigures) -> dict[str, list[float]]:
    """Name of an unknown → its share of a few independent errors of size one.

    C ≈ L Lᵀ with as many columns as the tip's variance over the envelope needs: the leading right singular
    vectors V of J C^½, turned back, L = C^½ V.
    """
    C = solution.covariance[np.ix_(*2 * [[solution.place[n] for n in figures.names]])]
    values, vectors = np.linalg.eigh(C)
    half = vectors * np.sqrt(np.maximum(values, 0.0)) @ vectors.T
    seen = np.sqrt(figures.weight)[:, None] * figures.J @ half
    strength, directions = np.linalg.eigh(seen.T @ seen)
    strength, directions = np.maximum(strength[::-1], 0.0), directions[:, ::-1]
    share = np.cumsum(strength) / np.sum(strength)
    columns = int(np.searchsorted(share, 1.0 - SPREAD_LEFT)) + 1
    L = half @ directions[:, :columns]
    return {n: [float(f"{v:.4g}") for v in L[i]] for i, n in enumerate(figures.names)}


def spread_matrix(names: list[str], written: Mapping[str, list[float]]) -> Array | None:
    """L (n, k) in the order of `names`, nothing for a name that the description's table has not; None where
    that is no table, or one of other unknowns.
    """
    if not written or not set(written) <= set(names) or len({len(v) for v in written.values()}) != 1:
        return None
    columns = len(next(iter(written.values())))
    return np.array([written.get(n, [0.0] * columns) for n in names], dtype=float)
