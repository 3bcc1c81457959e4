"""The reference: from a touch to the elevation of the slew centre, and what elevations then are worth.

A touch of a mark of known elevation E with the tip at height m above the slew centre gives the elevation of
the slew centre, E - m: the height of instrument, with the rod reading -m. From then on

    elevation = instrument + height + heave - drift

where `drift` is how far the estimator has since corrected its view of the height at the touch (the anchor):
what it learns of mounts and biases afterwards moves the touch and the present tip alike.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from operator import mul, sub

from tipdatum.fusion.pose import Pose
from tipdatum.grade.state import Reference
from tipdatum.grade.touch import Touch
from tipdatum.kinematics.chain import Chain, Located
from tipdatum.machine.description import Machine
from tipdatum_drivers.reading import Value


class Sigma(Value, frozen=True):
    """The terms of the elevation's standard deviation, each in m, 1-sigma. They are independent.

    Attributes:
        angles: the pose's own error between touch and now: sqrt(J P Jᵀ + var(anchor) - 2 J cov(anchor)),
            J = ∂height/∂q; without an anchor sqrt(J P Jᵀ + touch²).
        geometry: dimensions of the description, |(∂height/∂dimension now - at the touch) · σ|: what is
            wrong by the same amount at the touch and now cancels.
        touch: how well the tip stood on the mark: what differed from other touches, and what is alike in all
            that are made in the same way, as far as it has not cancelled.
        known: the mark's own elevation.
        heave: the slew centre's height, from the pose where it estimates that, else from the description's
            tolerance.
        play: worn pins, from the description.
        temperature: drift with temperature since calibration, from the description.
        moved: what the machine may have risen or sunk since, for all that is known while the reference is
            in doubt (`tipdatum.grade.doubt`).
    """

    angles: float
    geometry: float
    touch: float
    known: float
    heave: float
    play: float
    temperature: float
    moved: float = 0.0

    @property
    def total(self) -> float:
        """Root of the sum of squares, m."""
        return math.hypot(
            self.angles,
            self.geometry,
            self.touch,
            self.known,
            self.heave,
            self.play,
            self.temperature,
            self.moved,
        )


def geometry_sigmas(machine: Machine) -> list[float]:
    """3 + n figures, m: 1-sigma of foot x, y, z and of each length, in the order of the geometry Jacobian.

    A dimension without a stated uncertainty counts as exact.
    """
    foot = machine.boom.foot_sigma_m
    second = () if machine.second_boom is None else (machine.second_boom.length_sigma_m,)
    lengths = (machine.stick.length_sigma_m, machine.bucket[0].tip_sigma_m)
    return [sigma or 0.0 for sigma in (foot, foot, foot, machine.boom.length_sigma_m, *second, *lengths)]


def touch_noise(touch: Touch, standing_sigma_m: float) -> float:
    """1-sigma of a touch beyond the pose's own error, m.

    `standing_sigma_m` is how differently the tip stands on marks. The scatter is taken whole: what is
    averaged is shorter than a machine's rocking.
    """
    return math.hypot(standing_sigma_m, touch.scatter_m)


def tip_gain(chain: Chain, angles: Sequence[float]) -> float:
    """∂(tip height)/∂(tip length) of a posture: sin θ·cos φ where the bucket does not tilt, dimensionless.

    0 for a posture of an arm with other joints.
    """
    return chain.locate(angles).geometry_jacobian[-1] if len(angles) == chain.size else 0.0


class Tie:
    """The reference tied to the running estimator.

    It lives as long as the run: after a restart, or with an estimator that keeps no anchor, the record alone
    speaks and errors of touch and present are taken as independent.
    """

    def __init__(self, record: Reference, chain: Chain, machine: Machine) -> None:
        self.record = record
        self._base_m = record.instrument_m
        self._anchored_at_m: float | None = None
        posture = record.posture
        self._geometry = chain.locate(posture).geometry_jacobian if len(posture) == chain.size else None
        self._touched_with = geometry_sigmas(machine)
        self._mounted, self._sigmas = machine, self._touched_with

    def anchored(self, pose: Pose) -> None:
        """The estimator has just set its anchor; `pose` is the first one with it."""
        self._anchored_at_m = pose.anchor.height_m + pose.anchor.heave_m if pose.anchor else None

    def shift(self, by_m: float) -> None:
        """Move the height of instrument, for instance when a misclosure is distributed."""
        self._base_m += by_m
        self.record = self.record.model_copy(update={"instrument_m": self.record.instrument_m + by_m})

    def carry_over(self, before: Pose, after: Pose) -> None:
        """The estimator was given another bucket: whatever that does to the anchor moves no elevation."""
        if self._anchored_at_m is not None and before.anchor is not None and after.anchor is not None:
            self._anchored_at_m += after.anchor.height_m - before.anchor.height_m
            self._anchored_at_m += after.anchor.heave_m - before.anchor.heave_m

    def instrument_m(self, pose: Pose) -> float:
        """Elevation of the slew centre at rest as the estimator sees it now."""
        if self._anchored_at_m is None:
            return self._base_m
        if pose.anchor is None:
            # The estimator has let go of the anchor: what it had corrected so far stays.
            self._base_m, self._anchored_at_m = self.record.instrument_m, None
            return self._base_m
        drift = pose.anchor.height_m + pose.anchor.heave_m - self._anchored_at_m
        now = self._base_m - drift
        if abs(now - self.record.instrument_m) > 1e-4:
            self.record = self.record.model_copy(update={"instrument_m": now})
        return now

    def sigma(
        self,
        pose: Pose,
        located: Located,
        height_variance: float,
        machine: Machine,
        moved_m: float = 0.0,
    ) -> Sigma:
        """What an elevation of the tip is worth at `pose`, located by the chain; see `Sigma`.

        Args:
            height_variance: m², of the tip's height above the slew centre as the pose knows it.
            moved_m: see `Sigma.moved`.
        """
        record, tolerance = self.record, machine.tolerance
        return Sigma(
            angles=math.sqrt(self.angles_m2(pose, located.height_jacobian, height_variance)),
            geometry=self.geometry_m(located.geometry_jacobian, machine),
            touch=math.hypot(record.touch_noise_m, record.touch_common_m),
            known=record.known_sigma_m,
            heave=pose.heave_sigma_m or tolerance.heave_m,
            play=tolerance.pin_play_m,
            temperature=tolerance.temperature_m,
            moved=moved_m,
        )

    def angles_m2(self, pose: Pose, jacobian: Sequence[float], height_variance: float) -> float:
        """Square of `Sigma.angles`, m², for any point of the bucket.

        Args:
            jacobian: ∂(the point's height)/∂q, m/rad. height_variance: m², of that height in the pose.
        """
        if self._anchored_at_m is None or pose.anchor is None:
            return height_variance + self.record.touch_sigma_m**2
        anchor = pose.anchor
        common = float(sum(map(mul, jacobian, anchor.covariance)))
        return max(height_variance + anchor.variance_m2 - 2.0 * common, 0.0)

    def geometry_m(self, now: Sequence[float], machine: Machine) -> float:
        """`Sigma.geometry` for a point of the bucket, `now` its ∂height/∂(foot x, y, z, lengths)."""
        if machine is not self._mounted:
            self._mounted, self._sigmas = machine, geometry_sigmas(machine)
        sigmas, touched = self._sigmas, self._geometry
        if touched is None:
            return math.hypot(*map(mul, now[3:], sigmas[3:]))
        terms = list(map(mul, map(sub, now, touched), sigmas))
        if machine.bucket[0].name != self.record.bucket:
            # Two buckets' tip distances are measured one by one: their errors do not cancel.
            terms[-1:] = now[-1] * sigmas[-1], touched[-1] * self._touched_with[-1]
        return math.hypot(*terms)
