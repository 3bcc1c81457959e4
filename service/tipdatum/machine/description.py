"""What the machine is: the description in TOML or in a session's header, checked and explained."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import Field, model_validator

from tipdatum.errors import ConfigError
from tipdatum.kinematics.chain import Chain, TiltAxis
from tipdatum.kinematics.linkage import FourBar
from tipdatum.machine.bucket_files import with_buckets
from tipdatum.machine.coupler import (
    BODY,
    Coupler,
    check_coupled,
    coupled_bucket,
    coupled_sensor,
)
from tipdatum.machine.parts import (
    ARM,
    Boom,
    BoomSwing,
    Bucket,
    Calibrated,
    Linkage,
    SecondBoom,
    Sensor,
    Stick,
    Tolerances,
    Undercarriage,
)
from tipdatum.machine.refused import refuse
from tipdatum.validation import Misfit, load_toml, parse_model, shown
from tipdatum_drivers.options import Table

SENSOR_NAME = re.compile(r"[A-Za-z0-9_-]{1,40}")


class Machine(Table):
    """A whole machine description."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    boom: Boom
    second_boom: SecondBoom | None = None
    boom_swing: BoomSwing | None = None
    stick: Stick
    coupler: Coupler | None = None
    bucket: Annotated[tuple[Bucket, ...], Field(min_length=1)]
    linkage: Linkage | None = None
    sensor: dict[str, Sensor] = Field(default_factory=dict)
    undercarriage: Undercarriage | None = None
    tolerance: Tolerances = Tolerances()
    gravity_mps2: Annotated[float, Field(ge=9.7, le=9.9)] = 9.80665
    calibrated: Calibrated | None = None
    """What the calibration said of them; None if none was made."""
    calibration: dict[str, Any] = Field(default_factory=dict)
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
            if sensor.body == "boom_swing":
                self._swings_on(name, sensor, taken)
            if sensor.body == "second_boom" and self.second_boom is None:
                raise Misfit(f"sensor.{name}.body", shown(sensor.body), "a [second_boom] table beside it")
            if sensor.body == BODY and self.coupler is None:
                raise Misfit(f"sensor.{name}.body", shown(sensor.body), "a [coupler] table beside it")
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
        names = [bucket.name for bucket in self.bucket]
        for i, called in enumerate(names):
            if called in names[:i]:
                raise Misfit(f"bucket[{i}].name", shown(called), "a name that no other of the buckets has")
        if self.coupler is not None and not self.folded:
            check_coupled(self.coupler, self.bucket, self.sensor)
        if self.linkage is not None:
            for i in range(len(self.bucket)):
                if not self.four_bar(i).closing_range(360):
                    raise Misfit(
                        "linkage",
                        self._linkage_lengths(i),
                        "rocker, link and ear that together reach from the rocker pivot to the bucket pin",
                    )
        return self

    def _swings_on(self, name: str, sensor: Sensor, taken: dict[str, str]) -> None:
        """Take note of a sensor on the boom's swing."""
        wanted = 'type = "slew", or another body: an inertial or tilt sensor sits on upper or boom'
        if sensor.type != "slew":
            raise Misfit(f"sensor.{name}.type", shown(sensor.type), wanted)
        if any(sensor.mount_rpy_deg[:2]):
            found = str(list(sensor.mount_rpy_deg))
            raise Misfit(f"sensor.{name}.mount_rpy_deg", found, "[0, 0, yaw]: yaw is added to what it tells")
        if self.boom_swing is None:
            raise Misfit(f"sensor.{name}.body", shown(sensor.body), "a [boom_swing] table beside it")
        if sensor.body in taken:
            raise Misfit(
                f"sensor.{name}.body",
                f'{shown(sensor.body)}, which sensor "{taken[sensor.body]}" tells already',
                "one sensor of the boom's swing",
            )
        taken[sensor.body] = name

    def _linkage_lengths(self, bucket: int) -> str:
        f = self.four_bar(bucket)
        ground = math.hypot(f.stick - f.pivot_x, f.pivot_z)
        return (
            f"rocker {f.rocker:.3f} m, link {f.link:.3f} m, ear {f.ear:.3f} m over "
            f"{ground:.3f} m from pivot to bucket pin, which cannot close"
        )

    def chain(self, bucket: int = 0) -> Chain:
        """Geometry of the arm with the bucket of that index."""
        b, second, swing, axis = self.bucket[bucket], self.second_boom, self.boom_swing, None
        if b.tilt_axis_m is not None and b.tilt_axis_deg is not None:
            axis = TiltAxis(*b.tilt_axis_m, math.radians(b.tilt_axis_deg))
        out, aside = b.pin_m or (0.0, 0.0)
        between = [] if second is None else [second.length_m]
        return Chain(
            foot=np.array(self.boom.foot_m, dtype=float),
            lengths=np.array([self.boom.length_m, *between, self.stick.length_m, out + b.tip_m], dtype=float),
            names=self.sections,
            half_width=b.width_m / 2.0,
            swing_pivot=None if swing is None else swing.pivot_m,
            tilt_axis=axis,
            tip_z=aside,
        )

    def straight_chain(self) -> Chain:
        """The arm in its plane: the boom straight ahead and the bucket not tilted, the mounted bucket on."""
        return replace(self.chain(), swing_pivot=None, tilt_axis=None)

    @property
    def pins(self) -> tuple[str, ...]:
        """Names of the pins from the boom foot to the tip, as observations and messages call them."""
        between = () if self.second_boom is None else ("boom_second",)
        return ("boom_foot", *between, "boom_stick", "stick_bucket", "tip")

    @property
    def folded(self) -> bool:
        """Whether the coupler is part of the buckets, see `tipdatum.machine.coupler`."""
        return all(b.pin_m is not None for b in self.bucket)

    @property
    def sections(self) -> tuple[str, ...]:
        """Sections of the arm in order, from the machine outwards."""
        return ARM if self.second_boom is None else (ARM[0], "second_boom", *ARM[1:])

    @property
    def swing_sensor(self) -> str | None:
        """Name of the sensor that tells the boom's swing."""
        return next((name for name, one in self.sensor.items() if one.body == "boom_swing"), None)

    def four_bar(self, bucket: int = 0) -> FourBar:
        """The linkage with the bucket of that index.

        Raises:
            ValueError: the description has no `[linkage]`.
        """
        if self.linkage is None:
            raise ValueError("the machine description has no [linkage]")
        k, b = self.linkage, self.bucket[bucket]
        # Until a coupler is folded in, a bucket's own pins say where they are held, not what the link turns.
        own = self.coupler is None or self.folded
        return FourBar(
            pivot_x=k.rocker_pivot_m[0],
            pivot_z=k.rocker_pivot_m[1],
            rocker=k.rocker_m,
            link=k.link_m,
            ear=b.bucket_ear_m if own and b.bucket_ear_m is not None else k.bucket_ear_m,
            ear_angle=math.radians(
                b.bucket_ear_angle_deg
                if own and b.bucket_ear_angle_deg is not None
                else k.bucket_ear_angle_deg
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
            *(() if self.second_boom is None else (self.second_boom.length_sigma_m,)),
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


def values_digest(machine: Mapping[str, Any]) -> str:
    """Digest of what a calibration solves for, from a description as plain data with defaults filled in."""
    boom, bucket = machine["boom"], machine["bucket"][0]
    sensors = {
        name: [s["body"], s["type"], s["mount_rpy_deg"], s["accel_offset_mps2"], s["accel_scale"]]
        for name, s in sorted(machine["sensor"].items())
    }
    ear = [bucket["bucket_ear_m"], bucket["bucket_ear_angle_deg"], bucket["mount_rpy_deg"]]
    linkage = {k: v for k, v in (machine["linkage"] or {}).items() if not k.endswith("sigma_m")}
    stick = machine["stick"]
    solved = [boom["foot_m"], boom["length_m"], stick["length_m"], bucket["tip_m"], ear, linkage, sensors]
    for joint in ("second_boom", "boom_swing"):
        if machine.get(joint) is not None:
            solved.append({key: value for key, value in machine[joint].items() if "held" not in key})
    if bucket.get("tilt_axis_m") is not None:
        solved.append([bucket["tilt_axis_m"], bucket["tilt_axis_deg"]])
    if bucket.get("pin_m") is not None:
        solved.append(bucket["pin_m"])
    text = json.dumps(solved, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def folded(machine: Machine) -> Machine:
    """A description as it was written with its coupler, if it has one, folded into the buckets.

    What sits on coupler or bucket becomes part of each bucket in turn, as that needs it.
    """
    coupler, linkage = machine.coupler, machine.linkage
    if coupler is None or machine.folded:
        return machine
    ear = None if linkage is None else (linkage.bucket_ear_m, linkage.bucket_ear_angle_deg)
    on_it = next(
        (
            (name, s)
            for name, s in machine.sensor.items()
            if s.body in (BODY, "bucket") and s.type in ("imu", "tilt")
        ),
        None,
    )
    buckets = []
    for bucket in machine.bucket:
        update = coupled_bucket(coupler, bucket, ear)
        if on_it is not None:
            update = {**coupled_sensor(coupler, bucket, on_it[1]), **update}
        buckets.append(bucket.model_copy(update=update))
    sensors = dict(machine.sensor)
    for name, sensor in machine.sensor.items():
        if sensor.body in (BODY, "bucket"):
            place = coupled_sensor(coupler, machine.bucket[0], sensor)
            sensors[name] = sensor.folded_in(place, on_coupler=sensor.body == BODY)
    return machine.model_copy(update={"bucket": tuple(buckets), "sensor": sensors})


def parse_machine(data: Mapping[str, Any], file: str) -> Machine:
    """A machine from plain data (a TOML document or a session's header).

    Raises:
        ConfigError: names `file`, the key, what was found and what is expected.
    """
    refuse(data, file)
    return folded(parse_model(Machine, data, file))


def load_machine(path: Path) -> Machine:
    """A machine from a TOML file.

    Raises:
        ConfigError: the file cannot be read, is not TOML, or describes no possible machine.
    """
    data = load_toml(path)
    if isinstance(data.get("machine"), str) and "boom" not in data:
        raise ConfigError(str(path), "", "a service's file", "a machine's description, which it names")
    return parse_machine_file(data, path)


def parse_machine_file(data: Mapping[str, Any], path: Path) -> Machine:
    """A machine from what stands in the TOML file at `path`, with the buckets' files that it names.

    Raises:
        ConfigError: as `parse_machine`, and what is wrong with a bucket's file.
    """
    return parse_machine(with_buckets(data, path), str(path))


class Mounted:
    """A description with one of its buckets on.

    Args:
        description: the machine.
        bucket: its name; the first of the description where it has none such.
        wear_m: bucket → how much shorter its tip has become, m.
    """

    def __init__(self, description: Machine, bucket: str | None, wear_m: Mapping[str, float]) -> None:
        names = [b.name for b in description.bucket]
        worn = tuple(
            b.model_copy(update={"tip_m": b.tip_m - wear_m.get(b.name, 0.0)}) for b in description.bucket
        )
        index = names.index(bucket) if bucket in names else 0
        self.description = description
        self.machine = description.model_copy(update={"bucket": worn}).with_bucket(index)
        self.chain: Chain = self.machine.chain()

    @property
    def bucket(self) -> str:
        """Name of the bucket that is on."""
        return self.machine.bucket[0].name

    @property
    def has_slew_sensor(self) -> bool:
        """Whether the description names a sensor of the upper's slew."""
        return any(s.type == "slew" and s.body != "boom_swing" for s in self.description.sensor.values())
