"""Deviations for the description, which has no place for correlations.

An adjustment knows sums better than their parts: a mount's pitch and a bias, or a rocker's mount and its
linkage, trade against each other and the tip does not notice. Whoever adds the parts' deviations as if
they were independent (fusion, the budget) would find the tip far worse than it is. So the deviations that
are written are chosen to give, added independently, what the adjustment says of the tip over the working
envelope: the linkage's share goes to its sensor's mount, and one common factor brings the sum down. The
parts' own deviations stand beside them in the provenance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tipdatum.calibration.adjustment import Solution
from tipdatum.calibration.envelope import envelope
from tipdatum.calibration.sensitivity import GEOMETRY, TipSensitivity
from tipdatum.calibration.statistics import propagated
from tipdatum.kinematics.frames import Array
from tipdatum.machine.description import Machine

LINKAGE_LEFT_M = 0.0001
"""What is left for linkage lengths once the sensor's mount carries their joint effect."""


@dataclass(frozen=True, slots=True)
class Written:
    """1-sigma by sensor (mount rad, bias m/s² without the next power-up) and by length, m."""

    mount: dict[str, float]
    bias: dict[str, float]
    length: dict[str, float]
    tip_rms_m: float


def for_description(solution: Solution, machine: Machine) -> Written:
    """Deviations to write.

    Args:
        machine: as calibrated.
    """
    sensitivity = TipSensitivity(machine)
    names = sensitivity.names
    J = sensitivity.jacobian(envelope(machine, 0.6))
    J = J - J.mean(axis=0)
    C = solution.covariance[np.ix_(*2 * [[solution.place[n] for n in names]])]
    mount, bias = {}, {}
    for sensor in sensitivity.sensors:
        mount[sensor] = solution.sigma(f"sensor.{sensor}.mount.pitch")
        axes = [solution.sigma(f"sensor.{sensor}.accel_bias.{a}") for a in "xyz"]
        bias[sensor] = float(np.sqrt(np.mean(np.square(axes))))
    length = {n: solution.sigma(n) for n in GEOMETRY}
    on_rocker = machine.sensor_on("rocker")
    if on_rocker is not None:
        pitch = f"sensor.{on_rocker[0]}.mount.pitch"
        joint = [i for i, n in enumerate(names) if n.startswith("linkage.") or n == pitch]
        effect = float(np.mean(J[:, names.index(pitch)] ** 2))
        mount[on_rocker[0]] = math.sqrt(_mean_variance(J[:, joint], C[np.ix_(joint, joint)]) / effect)
    whole = _mean_variance(J, C)
    apart = 0.0
    for i, name in enumerate(names):
        sigma = length.get(name, 0.0)
        for sensor in sensitivity.sensors:
            if name == f"sensor.{sensor}.mount.pitch":
                sigma = mount[sensor]
            elif name.startswith(f"sensor.{sensor}.accel_bias."):
                sigma = bias[sensor]
        apart += sigma**2 * float(np.mean(J[:, i] ** 2))
    factor = min(1.0, math.sqrt(whole / apart)) if apart > 0 else 1.0
    return Written(
        {k: v * factor for k, v in mount.items()},
        {k: v * factor for k, v in bias.items()},
        {k: v * (1.0 if "foot" in k else factor) for k, v in length.items()},
        math.sqrt(whole),
    )


def _mean_variance(J: Array, C: Array) -> float:
    return float(np.mean(propagated(J, C)))
