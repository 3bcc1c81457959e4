"""What the machine is: the description in TOML or in a session's header, checked and explained.

Every key of the conventions, and optional ones with defaults, so that a description with only the
required keys works. Lengths are metres, angles degrees, in the frames that the key's text names.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from tipdatum.errors import ConfigError
from tipdatum.kinematics.chain import Chain
from tipdatum.kinematics.linkage import FourBar
from tipdatum.machine.calibrated import Calibrated, values_digest
from tipdatum.validation import Misfit, parse_model, shown
from tipdatum_drivers.part_checks import Limits

Body = Literal["upper", "boom", "stick", "bucket", "rocker"]
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
"""Sections of the arm in order, from the machine outwards."""

NOT_YET: dict[str, str] = {
    "boom2": "a second boom section",
    "second_boom": "a second boom section",
    "swing_post": "a swing post (offset boom)",
    "swing_boom": "a swing post (offset boom)",
    "offset_boom": "a swing post (offset boom)",
    "coupler": "a coupler as a section of its own",
    "quick_coupler": "a coupler as a section of its own",
    "tilting_coupler": "a tilting coupler",
    "tilt_bucket": "a tilting bucket",
    "tilting_bucket": "a tilting bucket",
}
"""Sections that real machines have and the chain does not yet; refused by name."""


MOST_BYTES = 4 << 20
"""Of a file that people write; it keeps a device or a recording given by mistake out of the memory."""
SENSOR_NAME = re.compile(r"[A-Za-z0-9_-]{1,40}")


class Table(BaseModel):
    """Base of every table of the description: unknown keys are refused, values are not converted."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=False, allow_inf_nan=False)


def _length(low: float, high: float) -> Any:
    return Field(gt=low, le=high)


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


class Stick(Table):
    """`[stick]`: boom–stick pin to stick–bucket pin."""

    length_m: Annotated[float, _length(0.2, 30.0)]
    length_sigma_m: LengthSigma = None
    held_deg: Annotated[float, _within(360.0)] | None = None
    """Angle relative to the boom's x, for a joint that is held fixed and has no sensor."""


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
    noise: Noise = Noise()
    limits: Limits = Limits()
    """What readings are believed; the defaults depend on the body."""


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


class Machine(Table):
    """A whole machine description."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    boom: Boom
    stick: Stick
    bucket: Annotated[tuple[Bucket, ...], Field(min_length=1)]
    linkage: Linkage | None = None
    sensor: dict[str, Sensor] = {}
    undercarriage: Undercarriage | None = None
    tolerance: Tolerances = Tolerances()
    gravity_mps2: Annotated[float, Field(ge=9.7, le=9.9)] = 9.80665
    calibrated: Calibrated | None = None
    """What the calibration said of them; None if none was made."""
    calibration: dict[str, Any] = {}
    """Where the figures come from: written by the calibration, read by the budget and by people."""

    @model_validator(mode="after")
    def _sensors_fit_the_arm(self) -> Machine:
        taken: dict[str, str] = {}
        for name, sensor in self.sensor.items():
            if not SENSOR_NAME.fullmatch(name):
                raise Misfit(
                    "sensor",
                    shown(name),
                    "a sensor's name of letters, digits, - and _ (it becomes part of a topic)",
                )
            if sensor.type in ("slew", "beam"):
                continue
            if sensor.body == "rocker" and self.linkage is None:
                raise Misfit(
                    f"sensor.{name}.body",
                    shown(sensor.body),
                    "a [linkage] table beside it, which a rocker needs",
                )
            if sensor.body in taken:
                raise Misfit(
                    f"sensor.{name}.body",
                    f'{shown(sensor.body)}, where sensor "{taken[sensor.body]}" sits already',
                    "one tilt sensor a body",
                )
            taken[sensor.body] = name
        if self.linkage is not None:
            for i in range(len(self.bucket)):
                if not self.four_bar(i).closing_range(360):
                    raise Misfit(
                        "linkage",
                        self._linkage_lengths(i),
                        "rocker, link and ear that together reach from the rocker pivot to the bucket pin",
                    )
        return self

    def _linkage_lengths(self, bucket: int) -> str:
        f = self.four_bar(bucket)
        ground = math.hypot(f.stick - f.pivot_x, f.pivot_z)
        return (
            f"rocker {f.rocker:.3f} m, link {f.link:.3f} m, ear {f.ear:.3f} m over "
            f"{ground:.3f} m from pivot to bucket pin, which cannot close"
        )

    def chain(self, bucket: int = 0) -> Chain:
        """Geometry of the arm with the bucket of that index."""
        b = self.bucket[bucket]
        return Chain(
            foot=np.array(self.boom.foot_m, dtype=float),
            lengths=np.array([self.boom.length_m, self.stick.length_m, b.tip_m], dtype=float),
            names=ARM,
            half_width=b.width_m / 2.0,
        )

    def four_bar(self, bucket: int = 0) -> FourBar:
        """The linkage with the bucket of that index.

        Raises:
            ValueError: the description has no `[linkage]`.
        """
        if self.linkage is None:
            raise ValueError("the machine description has no [linkage]")
        k, b = self.linkage, self.bucket[bucket]
        return FourBar(
            pivot_x=k.rocker_pivot_m[0],
            pivot_z=k.rocker_pivot_m[1],
            rocker=k.rocker_m,
            link=k.link_m,
            ear=b.bucket_ear_m if b.bucket_ear_m is not None else k.bucket_ear_m,
            ear_angle=math.radians(
                b.bucket_ear_angle_deg if b.bucket_ear_angle_deg is not None else k.bucket_ear_angle_deg
            ),
            stick=self.stick.length_m,
            assembly=k.assembly,
        )

    @property
    def calibration_holds(self) -> bool:
        """Whether the description still has the values that its calibration was made with."""
        said = self.calibrated
        return said is not None and said.values == values_digest(self.model_dump(mode="json"))

    @property
    def dimensions_taken_as_exact(self) -> bool:
        """Whether a length of the arm has no stated uncertainty, so that sigma does not contain it."""
        stated = (
            self.boom.length_sigma_m,
            self.boom.foot_sigma_m,
            self.stick.length_sigma_m,
            self.bucket[0].tip_sigma_m,
        )
        return any(sigma is None for sigma in stated)

    def sensor_on(self, body: str) -> tuple[str, Sensor] | None:
        """Name and description of the tilt sensor on `body`, None if there is none."""
        for name, sensor in self.sensor.items():
            if sensor.body == body and sensor.type in ("imu", "tilt"):
                return name, sensor
        return None

    def with_bucket(self, index: int) -> Machine:
        """The same machine with the bucket of that index mounted, its overrides applied to the sensor."""
        if index == 0 and self.bucket[0].mount_rpy_deg is None and self.bucket[0].position_m is None:
            return self
        chosen = self.bucket[index]
        order = (chosen, *(b for i, b in enumerate(self.bucket) if i != index))
        sensors = dict(self.sensor)
        on_bucket = self.sensor_on("bucket")
        if on_bucket is not None:
            name, sensor = on_bucket
            update: dict[str, Any] = {}
            if chosen.mount_rpy_deg is not None:
                update["mount_rpy_deg"] = chosen.mount_rpy_deg
            if chosen.position_m is not None:
                update["position_m"] = chosen.position_m
            sensors[name] = sensor.model_copy(update=update)
        return self.model_copy(update={"bucket": order, "sensor": sensors})


def parse_machine(data: Mapping[str, Any], file: str) -> Machine:
    """A machine from plain data (a TOML document or a session's header).

    Raises:
        ConfigError: names `file`, the key, what was found and what is expected.
    """
    for key in data:
        if key in NOT_YET:
            raise ConfigError(
                file,
                key,
                f"a description of {NOT_YET[key]}",
                "a boom, a stick and a bucket; others come later",
            )
    return parse_model(Machine, data, file)


def load_machine(path: Path) -> Machine:
    """A machine from a TOML file.

    Raises:
        ConfigError: the file cannot be read, is not TOML, or describes no possible machine.
    """
    data = load_toml(path)
    if isinstance(data.get("machine"), str) and "boom" not in data:
        raise ConfigError(str(path), "", "a service's file", "a machine's description, which it names")
    return parse_machine(data, str(path))


def _utf8(raw: bytes, file: str) -> str:
    if raw.startswith((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")):
        found = "UTF-8 with a byte order mark" if raw[0] == 0xEF else "UTF-16"
        raise ConfigError(
            file, "", f"{found} at the beginning", 'text saved as "UTF-8", without a mark (BOM)'
        )
    try:
        return raw.decode()
    except UnicodeDecodeError as error:
        line, bad = raw.count(b"\n", 0, error.start) + 1, raw[error.start : error.start + 1]
        letter = bad.decode("latin-1")
        found = f"a byte 0x{bad.hex().upper()} in line {line}"
        if letter.isprintable():
            found += f', which is "{letter}" in Latin-1'
        raise ConfigError(file, "", found, 'text saved as "UTF-8"') from None


def load_toml(path: Path) -> dict[str, Any]:
    """A TOML document.

    Raises:
        ConfigError: the file is missing, a directory, not readable or not TOML.
    """
    try:
        with path.open("rb") as handle:
            raw = handle.read(MOST_BYTES + 1)
        if len(raw) > MOST_BYTES:
            raise ConfigError(str(path), "", f"more than {MOST_BYTES >> 20} MB", "a TOML file")
        return tomllib.loads(_utf8(raw, str(path)))
    except FileNotFoundError:
        raise ConfigError(str(path), "", "no such file", "a TOML file") from None
    except IsADirectoryError:
        raise ConfigError(str(path), "", "a directory", "a TOML file") from None
    except RecursionError:
        raise ConfigError(str(path), "", "brackets in brackets without end", "a TOML file") from None
    except ValueError as error:
        # Beside what TOML refuses: a whole number of thousands of digits, a date that does not exist.
        raise ConfigError(str(path), "", f"broken TOML ({error})", "a TOML file") from None
    except OSError as error:
        raise ConfigError(str(path), "", error.strerror or str(error), "a readable TOML file") from None
