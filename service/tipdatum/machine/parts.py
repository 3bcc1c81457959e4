"""The tables of a machine's description: boom, stick, buckets, linkage, sensors, what a calibration said.

Every key of the conventions, and optional ones with defaults, so that a description with only the required
keys works. Lengths are metres, angles degrees, in the frames that the key's text names.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, PrivateAttr, model_validator

from tipdatum_drivers.options import Misfit, Table
from tipdatum_drivers.part_limits import PartLimits

Body = Literal["upper", "boom", "second_boom", "stick", "bucket", "rocker", "boom_swing", "coupler"]
"""What a sensor may sit on; `boom_swing` is the joint whose angle a `slew` sensor tells."""
SensorType = Literal["imu", "tilt", "slew", "beam"]
Triple = tuple[float, float, float]


def _within(limit: float, low: float | None = None) -> Any:
    return Field(ge=-limit if low is None else low, le=limit)


Position = tuple[
    Annotated[float, _within(12.0)], Annotated[float, _within(12.0)], Annotated[float, _within(12.0)]
]
"""[x, y, z] in a body's frame, m; no body of a machine reaches further."""
MountAngles = tuple[
    Annotated[float, _within(360.0)], Annotated[float, _within(360.0)], Annotated[float, _within(360.0)]
]
"""[roll, pitch, yaw], degrees."""

ARM: tuple[str, ...] = ("boom", "stick", "bucket")
"""Sections of an arm in order, from the machine outwards; one with a second boom has it after the boom."""


def _length(low: float, high: float) -> Any:
    return Field(gt=low, le=high)


Share = Annotated[float, Field(ge=0, le=0.1)]

LengthSigma = Annotated[float | None, Field(ge=0, le=0.5)]
"""1-sigma of a dimension, m. Where the description does not state it, sigma takes the dimension as exact, and
`tipdatum check` says so; `tipdatum new` writes a tape's, a calibration its own."""


class Boom(Table):
    """`[boom]`: foot pin in the upper frame and length to the boom–stick pin."""

    foot_m: tuple[
        Annotated[float, _within(3.0)],
        Annotated[float, _within(2.0)],
        Annotated[float, _within(6.0, low=0.0)],
    ]
    length_m: Annotated[float, _length(0.3, 30.0)]
    length_sigma_m: LengthSigma = None
    foot_sigma_m: LengthSigma = None
    held_deg: Annotated[float, _within(360.0)] | None = None
    """Angle relative to the upper's x, for a joint that is held fixed and has no sensor."""


class SecondBoom(Table):
    """`[second_boom]`: from the pin at the boom's end to the boom–stick pin.

    Its frame is like the boom's: origin at its lower pin, x to the boom–stick pin, y left.
    """

    length_m: Annotated[float, _length(0.2, 30.0)]
    length_sigma_m: LengthSigma = None
    held_deg: Annotated[float, _within(360.0)] | None = None
    """Angle relative to the boom's x, for a section that is rarely moved and has no sensor."""


class BoomSwing(Table):
    """`[boom_swing]`: a boom that swings sideways at its foot, about an axis parallel to the upper's z.

    `boom.foot_m` is where the foot pin is with the boom straight ahead; at the swing s, positive to the left,
    it is at pivot + Rz(s) (foot - pivot).
    """

    pivot_m: tuple[
        Annotated[float, _within(4.0)],
        Annotated[float, _within(2.0)],
        Annotated[float, _within(6.0)],
    ]
    """A point of the swing axis, upper axes."""
    held_deg: Annotated[float, _within(120.0)] | None = None
    """The swing, for a boom that is held fixed and whose swing no sensor tells."""
    held_sigma_deg: Annotated[float, Field(gt=0, le=45)] = 2.0
    """1-sigma of `held_deg`."""


class Stick(Table):
    """`[stick]`: boom–stick pin to stick–bucket pin."""

    length_m: Annotated[float, _length(0.2, 30.0)]
    length_sigma_m: LengthSigma = None
    held_deg: Annotated[float, _within(360.0)] | None = None
    """Angle relative to the x of the section before, for a joint that is held fixed and has no sensor."""


class Bucket(Table):
    """`[[bucket]]`: a table for each bucket there is, the mounted one first."""

    name: Annotated[str, Field(min_length=1, max_length=60)]
    tip_m: Annotated[float, _length(0.1, 6.0)]
    width_m: Annotated[float, _length(0.05, 6.0)]
    tip_sigma_m: LengthSigma = None
    bucket_ear_m: Annotated[float, _length(0.02, 3.0)] | None = None
    bucket_ear_angle_deg: Annotated[float, Field(ge=-360, le=360)] | None = None
    mount_rpy_deg: MountAngles | None = None
    """Overrides the bucket sensor's mount while this bucket is on."""
    position_m: Position | None = None
    """Overrides the bucket sensor's position while this bucket is on."""
    outline_m: tuple[tuple[Annotated[float, _within(6.0)], Annotated[float, _within(6.0)]], ...] = ()
    """Points [x, z] of heel and back in the bucket frame: what is lowest when curled."""
    floor_angle_deg: Annotated[float, Field(ge=-180, le=180)] | None = None
    """The bucket floor's angle from the bucket's x axis, positive from x towards z."""
    held_deg: Annotated[float, _within(360.0)] | None = None
    """Angle relative to the stick's x, for a bucket that is held fixed and has no sensor."""
    pin_m: tuple[Annotated[float, _within(6.0)], Annotated[float, _within(6.0)]] | None = None
    """[x, z] of the bucket's own pin from the stick's, in the bucket's axes: written where a `[coupler]` was
    folded in. All else in this table is then from the stick's pin, but for `tip_m`, which is from here."""
    tilt_axis_m: tuple[Annotated[float, _within(6.0)], Annotated[float, _within(6.0)]] | None = None
    """[x, z] of a point of the axis about which the bucket tilts sideways, in the frame of the untilted
    bucket; the axis lies in its x-z plane."""
    tilt_axis_deg: Annotated[float, _within(360.0)] | None = None
    """The axis's direction, from x towards z; tilt is right-handed about it."""

    @model_validator(mode="after")
    def _axis_is_whole(self) -> Bucket:
        pair = (("tilt_axis_m", self.tilt_axis_m), ("tilt_axis_deg", self.tilt_axis_deg))
        for (key, value), (other, beside) in (pair, pair[::-1]):
            if value is None and beside is not None:
                raise Misfit(key, "nothing", f"the tilt axis's other half beside {other}")
        if self.tilt_axis_m is not None and self.tilt_axis_deg is not None:
            (x, z), a = self.tilt_axis_m, math.radians(self.tilt_axis_deg)
            px, pz = self.pin_m or (0.0, 0.0)
            far = abs((px + self.tip_m / 2.0 - x) * math.sin(a) - (pz - z) * math.cos(a))
            most = self.tip_m + math.hypot(px, pz)
            if far > most:
                found = f"an axis {far:.2f} m from the middle of the line from pin to tip"
                raise Misfit("tilt_axis_m", found, f"one that goes through the bucket: {most:.2f} m at most")
        return self


class Linkage(Table):
    """`[linkage]`: the four-bar from rocker to bucket; needed only with a sensor on the rocker."""

    rocker_pivot_m: tuple[Annotated[float, _within(12.0)], Annotated[float, _within(3.0)]]
    rocker_m: Annotated[float, _length(0.02, 3.0)]
    link_m: Annotated[float, _length(0.02, 3.0)]
    bucket_ear_m: Annotated[float, _length(0.02, 3.0)]
    bucket_ear_angle_deg: Annotated[float, Field(ge=-360, le=360)]
    assembly: Literal[1, -1]
    length_sigma_m: LengthSigma = None


PARTS: dict[str, dict[str, float]] = {
    "hobby": {},
    "installed": {
        "accel_mps2_rthz": 0.001, "gyro_radps_rthz": 0.0001, "accel_bias_mps2": 0.03,
        "gyro_bias_radps": 0.005, "accel_per_kelvin_mps2": 0.0015, "gyro_per_kelvin_radps": 0.00025,
        "accel_cross_axis": 0.003, "gyro_cross_axis": 0.003,
    },
    "industrial": {
        "accel_mps2_rthz": 0.00025, "gyro_radps_rthz": 0.00005, "accel_bias_mps2": 0.01,
        "gyro_bias_radps": 0.002, "accel_per_kelvin_mps2": 0.0006, "gyro_per_kelvin_radps": 0.00005,
        "accel_cross_axis": 0.001, "gyro_cross_axis": 0.001,
    },
}  # fmt: skip
"""Figures by class of part, from data sheets, from memory: bare low-cost boards, housed modules that their
maker has calibrated, parts calibrated over temperature. What a table gives itself goes before them."""


class Noise(Table):
    """`[sensor.X.noise]`: data-sheet or measured figures; defaults are those of hobby-grade parts."""

    part: Literal["hobby", "installed", "industrial"] | None = None
    """Class of the part, whose figures stand for those that are not given."""
    accel_mps2_rthz: Annotated[float, Field(gt=0, le=1)] = 0.003
    """Accelerometer white noise, m/s²/√Hz (0.003 is about 300 µg/√Hz)."""
    gyro_radps_rthz: Annotated[float, Field(gt=0, le=0.1)] = 0.000175
    """Gyro white noise, rad/s/√Hz (0.000175 is 0.01 °/s/√Hz)."""
    accel_bias_mps2: Annotated[float, Field(ge=0, le=5)] = 0.05
    """1-sigma of the accelerometer's bias left after calibration, m/s²."""
    accel_per_kelvin_mps2: Annotated[float, Field(ge=0, le=0.5)] = 0.003
    """1-sigma of the accelerometer bias's drift with temperature, m/s² per K (0.003 is 0.3 mg)."""
    gyro_bias_radps: Annotated[float, Field(ge=0, le=1)] = 0.01
    """1-sigma of the gyro's bias at switch-on, rad/s."""
    gyro_per_kelvin_radps: Annotated[float, Field(ge=0, le=0.1)] = 0.0005
    """1-sigma of the gyro bias's drift with temperature, rad/s per K (0.0005 is 0.03 °/s)."""
    accel_cross_axis: Annotated[float, Field(ge=0, le=0.1)] = 0.005
    """1-sigma of what an accelerometer's axis shows of another, 1 (0.005: up to 1 % in low-cost parts)."""
    gyro_cross_axis: Annotated[float, Field(ge=0, le=0.1)] = 0.006
    """1-sigma of what a gyro's axis shows of another, 1, its turn against the accelerometer included."""
    tilt_deg: Annotated[float, Field(gt=0, le=10)] = 0.05
    """1-sigma of one reading of an inclinometer that gives angles, degrees."""

    @model_validator(mode="before")
    @classmethod
    def _figures_of_the_class(cls, given: Any) -> Any:
        part = given.get("part") if isinstance(given, Mapping) else None
        return {**PARTS[part], **given} if isinstance(part, str) and part in PARTS else given


class Sensor(Table):
    """`[sensor.X]`: which body carries it, where it sits and which way it looks."""

    body: Body
    type: SensorType = "imu"
    serial: str | None = None
    position_m: Position = (0.0, 0.0, 0.0)
    mount_rpy_deg: MountAngles = (0.0, 0.0, 0.0)
    latency_s: Annotated[float, Field(ge=0, le=1.0)] = 0.0
    stale_after_s: Annotated[float, Field(gt=0, le=10.0)] | None = None
    """Silence after which the figures go; default 0.25 s, or 2.5 of the sensor's periods if longer."""
    time_constant_s: Annotated[float, Field(ge=0, le=5.0)] = 0.0
    """First-order lag inside an inclinometer, s."""
    _on_coupler: bool = PrivateAttr(default=False)
    mount_sigma_deg: Annotated[float, Field(ge=0, le=20)] | None = None
    """1-sigma of the mount angles, degrees an axis; None: unknown, the estimator assumes its default."""
    position_sigma_m: Annotated[float, Field(ge=0, le=0.5)] | None = None
    latency_sigma_s: Annotated[float, Field(ge=0, le=0.2)] | None = None
    accel_offset_mps2: Triple = (0.0, 0.0, 0.0)
    """Calibrated bias in the sensor's own axes, taken off before anything else."""
    accel_scale: tuple[Triple, Triple, Triple] | None = None
    """Calibrated 3x3 matrix that turns (reading - offset) into specific force."""
    gyro_offset_radps: Triple = (0.0, 0.0, 0.0)
    gyro_scale: Triple = (1.0, 1.0, 1.0)
    gyro_scale_sigma: tuple[Share, Share, Share] | None = None
    """1-sigma of `gyro_scale`, 1, in the sensor's own axes; None: the estimator assumes its default."""
    noise: Noise = Noise()
    limits: PartLimits = PartLimits()
    """What readings are believed; the defaults depend on the body."""
    unmeasured: tuple[Literal["position_m", "mount_rpy_deg"], ...] = ()
    """Keys that hold a usual value which nobody measured here; nothing is computed from this list."""

    def folded_in(self, place: dict[str, Any], *, on_coupler: bool) -> Sensor:
        """As one of the bucket's, at `place` of that; it remembers whether it is described on the coupler."""
        found = self.model_copy(update={**place, "body": "bucket"})
        found._on_coupler = on_coupler
        return found

    def __eq__(self, other: object) -> bool:
        """Alike in what the machine's figures are made of; a recording's header tells no more."""
        return isinstance(other, Sensor) and self.__dict__ == other.__dict__

    @property
    def on_coupler(self) -> bool:
        """Whether it is one of the bucket's only because the coupler was folded into that."""
        return self._on_coupler


class Undercarriage(Table):
    """`[undercarriage]`: the tracks' contact area, for the heave of a rocking machine.

    Needs a gyro on the upper. Without this table elevations are relative to the slew centre.
    """

    contact_length_m: Annotated[float, _length(0.5, 12.0)]
    gauge_m: Annotated[float, _length(0.3, 8.0)]
    heading_deg: Annotated[float, Field(ge=-360, le=360)] = 0.0
    """Direction of the tracks relative to the boom plane when the service starts, positive left."""


class Tolerances(Table):
    """`[tolerance]`: what a real machine adds to the sensors' share of sigma."""

    pin_play_m: Annotated[float, Field(ge=0, le=0.05)] = 0.0
    """1-sigma at the tip from worn pins and bushings, m."""
    heave_m: Annotated[float, Field(ge=0, le=0.1)] = 0.0
    """1-sigma of the slew centre's height while working, m, where it is not estimated."""
    temperature_m: Annotated[float, Field(ge=0, le=0.05)] = 0.0
    """1-sigma at the tip from what temperature does to arm and pins, m: steel grows by 12 ppm per kelvin,
    8 m of arm by 2 mm in 20 K. What it does to the sensors is in their own sigma."""


VerdictWord = Literal["accepted", "doubtful", "refused"]


class Calibrated(Table):
    """`[calibrated]`: what a calibration said of the machine, written by `tipdatum calibrate`.

    The verdict belongs to the values that were calibrated. Their digest stands beside it, so that a length or
    a mount that was changed afterwards does not go on under a verdict that was made without it.
    """

    date: Annotated[str, Field(max_length=40)]
    """RFC 3339."""
    verdict: VerdictWord
    """Doubtful and refused ones are only written when a person insists."""
    tip_sigma_m: Annotated[float, Field(ge=0, le=10)]
    """1-sigma of the tip at rest against the reference, RMS over the working envelope, m."""
    values: Annotated[str, Field(max_length=64)] = ""
    """Digest of the calibrated values (`values_digest`)."""
