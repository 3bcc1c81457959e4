"""The observations file: what a person measured, by hand and with which recording beside it.

TOML of our own, or JSON. A JSON file may be the list alone; every entry then stands as in `[[observation]]`:

```toml
format = "tipdatum-observations"
version = 1

[assume]                     # what is known beforehand; every key has a default (see `Assumptions`)
tip_sigma_m = 0.015

[[observation]]
id = "slope-1-boom"          # any short name, each once
method = "slopes"            # for the report; "acceptance" and "daily" keep it out of the solution
kind = "slope"
of = "boom"
value = 25.6                 # SI and degrees
unit = "deg"
sigma = 0.05                 # 1-sigma of this reading alone
standing = "S"               # one place and heading of the tracks
file = "slopes.ndjson.gz"    # the recording, and the seconds in it during which the machine stood still
window = [2.3, 6.3]
use = true                   # false leaves it out of the solution
```

A rest that was captured live carries its averages in the file, as `[[rest]]`, and needs no recording.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field, model_validator

from tipdatum.validation import Misfit, shown
from tipdatum_drivers.options import Table

FORMAT = "tipdatum-observations"
VERSION = 1
ACCEPTANCE, DAILY = "acceptance", "daily"
"""Methods of observations that judge a calibration and therefore never enter one."""

Kind = Literal[
    "specific_force",
    "slope",
    "height",
    "tip_on_mark",
    "height_difference",
    "distance",
    "length",
    "plumb",
    "slew",
    "swing",
    "encoder",
    "tilt",
    "cross_slope",
    "single_joint",
    "still",
]

UNITS: dict[str, tuple[str | None, ...]] = {
    "specific_force": ("m/s2", "m/s²"),
    "slope": ("deg",),
    "height": ("m",),
    "tip_on_mark": ("m",),
    "height_difference": ("m",),
    "distance": ("m",),
    "length": ("m",),
    "plumb": ("m",),
    "slew": ("deg",),
    "swing": ("deg",),
    "encoder": ("deg",),
    "tilt": ("deg",),
    "cross_slope": ("deg",),
    "single_joint": ("sign", None),
    "still": (None,),
}
"""Unit that an observation's value is given in, by kind; None where it needs none."""

OF: dict[str, tuple[str, ...]] = {
    "slope": ("boom", "second_boom", "stick", "coupler", "bucket"),
    "height": (
        "boom_foot", "boom_second", "boom_stick", "stick_bucket", "coupler_bucket", "tip", "left", "right",
    ),
    "length": ("boom", "second_boom", "stick", "coupler", "bucket", "rocker", "link", "bucket_ear"),
    "plumb": ("boom", "second_boom", "stick", "bucket"),
    "slew": ("upper",),
    "swing": ("boom",),
    "tilt": ("bucket",),
    "cross_slope": ("edge",),
    "single_joint": ("slew", "boom_swing", "boom", "second_boom", "stick", "bucket", "tilt"),
}  # fmt: skip
"""What `of` may name, by kind; kinds that are not here name a sensor, a mark or two marks."""

NEEDS_WINDOW = frozenset(
    {
        "specific_force", "slope", "height", "tip_on_mark", "plumb", "slew", "still", "swing", "encoder",
        "tilt", "cross_slope",
    }
)  # fmt: skip


class Assumptions(Table):
    """`[assume]`: what is known before anything is measured, 1-sigma. A wide one costs little."""

    length_sigma_m: Annotated[float, Field(gt=0, le=1)] = 0.005
    """Boom and stick by tape, pin to pin (common practice, no source)."""
    tip_sigma_m: Annotated[float, Field(gt=0, le=1)] = 0.015
    """Bucket pin to tip: teeth wear by centimetres (common practice, no source)."""
    foot_sigma_m: Annotated[float, Field(gt=0, le=1)] = 0.010
    linkage_sigma_m: Annotated[float, Field(gt=0, le=0.2)] = 0.003
    ear_angle_sigma_deg: Annotated[float, Field(gt=0, le=90)] = 0.5
    swing_zero_sigma_deg: Annotated[float, Field(gt=0, le=180)] = 3.0
    """What a boom's encoder tells with the boom straight ahead."""
    encoder_sigma_deg: Annotated[float, Field(gt=0, le=5)] = 0.2
    """One rest's reading of it: resolution, and the play of its coupling."""
    tilt_axis_sigma_deg: Annotated[float, Field(gt=0, le=90)] = 2.0
    tilt_axis_sigma_m: Annotated[float, Field(gt=0, le=0.5)] = 0.015
    """Where a tilt axis stands and how far it is from the edge, by tape along a casting (common practice, no
    source)."""
    mount_sigma_deg: Annotated[float, Field(gt=0, le=180)] = 6.0
    """How far a sensor may be turned from what the description says, about each axis."""
    accel_bias_mps2: Annotated[float, Field(gt=0, le=5)] = 0.15
    accel_scale: Annotated[float, Field(gt=0, le=0.2)] = 0.01
    cross_axis: Annotated[float, Field(gt=0, le=0.2)] = 0.02
    """Only used for a sensor with at least ten rests on the bench; otherwise taken as none."""
    turn_on_mps2: Annotated[float, Field(gt=0, le=1)] = 0.003
    """How much an accelerometer's bias changes from one power-up to the next (0.3 mg)."""
    settling_m: Annotated[float, Field(ge=0, le=0.1)] = 0.0006
    """Hydraulic sag between the moment a height was read and the middle of its window."""
    settling_deg: Annotated[float, Field(ge=0, le=5)] = 0.01
    load_tilt_deg: Annotated[float, Field(gt=0, le=5)] = 0.1
    """How far the load moment tilts the machine on its tracks."""
    axis_sigma_deg: Annotated[float, Field(gt=0, le=10)] = 0.1
    """How well one swing of a joint shows its axis to a gyro."""
    accel_floor_mps2: Annotated[float, Field(gt=0, le=1)] = 0.001
    """Least 1-sigma of an averaged accelerometer reading (resolution, vibration)."""


class SensorRest(Table):
    """Averages of one sensor over one rest, in the sensor's own axes."""

    accel_mps2: tuple[float, float, float]
    sigma_mps2: tuple[float, float, float]
    gyro_radps: tuple[float, float, float] | None = None
    samples: int
    drift_deg: float = 0.0
    """Turn of the measured vertical from the first to the last third of the window."""
    temp_c: float | None = None


class RestEntry(Table):
    """`[[rest]]`: one still window that was captured live."""

    id: Annotated[str, Field(min_length=1, max_length=160)]
    power_up: str = ""
    """Rests between two power-ups share this name: the sensors' biases stayed."""
    taken: str = ""
    sensor: dict[str, SensorRest]
    told_deg: dict[str, float] = Field(default_factory=dict)
    """Sensor of one angle → what it told on average, degrees."""


class SensorSwing(Table):
    """One gyro during one joint's swing: unit axis in the sensor's axes, turning, and how unclean it was."""

    axis: tuple[float, float, float]
    turned_rad: float
    linearity: Annotated[float, Field(ge=0)]


class SwingEntry(Table):
    """`[[swing]]`: one swing of a single joint that was captured live; `id` is its observation's."""

    id: Annotated[str, Field(min_length=1, max_length=160)]
    sensor: dict[str, SensorSwing]


class Observation(Table):
    """One thing that a person measured or saw; see the module's text."""

    id: Annotated[str, Field(min_length=1, max_length=160)]
    method: str = ""
    kind: Kind
    of: str
    value: float | None = None
    unit: str | None = None
    sigma: Annotated[float, Field(gt=0)] | None = None
    standing: str | None = None
    file: str | None = None
    window: tuple[float, float] | None = None
    rest: str | None = None
    use: bool = True
    repeated: bool = False
    """Measured anew, though it says the same as another figure for figure."""
    note: str = ""

    @model_validator(mode="after")
    def _complete(self) -> Observation:
        if self.unit not in UNITS[self.kind] and not (self.unit is None and self.value is not None):
            expected = " or ".join(u or "none" for u in UNITS[self.kind])
            raise Misfit("unit", shown(self.unit), f"{expected} for kind {self.kind}")
        if self.kind in OF and self.of not in OF[self.kind]:
            raise Misfit("of", shown(self.of), f"one of {', '.join(OF[self.kind])} for kind {self.kind}")
        if self.kind in ("height_difference", "distance") and len(self.of.split("-")) != 2:
            raise Misfit("of", shown(self.of), 'two marks such as "B-A"')
        if self.kind not in ("still", "single_joint"):
            if self.value is None:
                raise Misfit("value", "nothing", f"a number in {UNITS[self.kind][0]}")
            if self.sigma is None:
                raise Misfit("sigma", "nothing", f"1-sigma of the reading in {UNITS[self.kind][0]}")
        if self.window is not None:
            if not self.window[1] > self.window[0]:
                raise Misfit("window", str(list(self.window)), "[start, end] in seconds, end after start")
            if self.file is None:
                raise Misfit("file", "nothing", "the recording that the window is in")
        if self.kind in NEEDS_WINDOW and self.window is None and self.rest is None:
            raise Misfit("window", "nothing", "file and window, or the rest it belongs to")
        return self

    @property
    def place(self) -> tuple[str, float, float] | None:
        """Identity of the still window: file (or "rest:<id>"), start, end; None without one."""
        if self.rest is not None:
            return f"rest:{self.rest}", 0.0, 0.0
        if self.window is not None and self.file is not None:
            return self.file, *self.window
        return None


class ObservationBook(Table):
    """A whole observations file."""

    format: Literal["tipdatum-observations"] = "tipdatum-observations"
    version: Literal[1] = 1
    machine: str = ""
    note: str = ""
    assume: Assumptions = Assumptions()
    rest: tuple[RestEntry, ...] = ()
    swing: tuple[SwingEntry, ...] = ()
    observation: tuple[Observation, ...] = ()

    @model_validator(mode="after")
    def _ids_are_unique(self) -> ObservationBook:
        for name, ids in (
            ("rest", [r.id for r in self.rest]),
            ("swing", [s.id for s in self.swing]),
            ("observation", [o.id for o in self.observation]),
        ):
            for i, known in enumerate(ids):
                if known in ids[:i]:
                    raise Misfit(f"{name}[{i}].id", f"{shown(known)} a second time", "each id once")
        rests, swings = {r.id for r in self.rest}, {s.id for s in self.swing}
        for i, entry in enumerate(self.observation):
            if entry.kind == "single_joint" and entry.window is None and entry.id not in swings:
                raise Misfit(
                    f"observation[{i}].window", "nothing", "file and window, or a [[swing]] of the same id"
                )
            if entry.rest is not None and entry.rest not in rests:
                known_rests = f": {', '.join(sorted(rests)[:8])}" if rests else ""
                raise Misfit(
                    f"observation[{i}].rest", shown(entry.rest), f"a [[rest]] of this file{known_rests}"
                )
        return self

    def solving(self, methods: Sequence[str] = (), leave_out: Sequence[str] = ()) -> tuple[Observation, ...]:
        """Observations that enter a solution.

        Args:
            methods: only these; empty for all. leave_out: ids to leave out besides those with `use = false`.
        """
        return tuple(
            o
            for o in self.observation
            if o.use
            and o.method not in (ACCEPTANCE, DAILY)
            and o.id not in leave_out
            and (not methods or o.method in methods or o.kind == "still")
        )

    def digest(self) -> str:
        """SHA-256 of the content, the same for TOML and JSON and for any order of keys."""
        text = json.dumps(self.model_dump(mode="json"), sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()


def without_doubles(
    observations: Sequence[Observation],
) -> tuple[tuple[Observation, ...], list[tuple[str, str]]]:
    """Observations that are no copy of an earlier one, and for each copy its id and the earlier one's."""
    kept: dict[tuple[object, ...], Observation] = {}
    found: list[Observation] = []
    doubles = []
    for o in observations:
        key = (o.kind, o.of, o.value, o.standing, o.place)
        if o.kind not in ("single_joint", "still") and not o.repeated and key in kept:
            doubles.append((o.id, kept[key].id))
            continue
        kept.setdefault(key, o)
        found.append(o)
    return tuple(found), doubles
