"""A scenario: which machine stands on which ground, what it shall dig, and a script of movements.

One short TOML file; lengths in metres, angles in degrees, heights above the ground on which the slew centre
stood at the start, reach from the slew axis. Every key is shown in `config/scenarios/` and
`docs/practice.md`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from tipdatum.errors import ConfigError
from tipdatum.machine.description import Machine, load_machine
from tipdatum.simulator.plant import range_deg
from tipdatum.simulator.sensors import SensorsTable
from tipdatum.simulator.simulation import Setting, Truck
from tipdatum.validation import Misfit, load_toml, parse_model

FIRMNESS = {"soft": 0.5, "firm": 1.0, "hard": 2.2}
FAULTS: tuple[str, ...] = ("unplug", "freeze", "swap", "corrupt", "warm", "knock")
BEND_DEG = -40.0
"""How a second boom stands to the first where a scenario does not say."""
MOST_STEPS = 5000
"""Of a script, repetitions written out: some hours of work."""

Metres = Annotated[float, Field(ge=-30, le=30)]
Degrees = Annotated[float, Field(ge=-360, le=360)]


class _ScenarioTable(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class GroundTable(_ScenarioTable):
    """`[ground]`"""

    along: Annotated[float, Field(ge=-0.3, le=0.3)] = 0.0
    """Rise over run ahead of the machine."""
    across: Annotated[float, Field(ge=-0.3, le=0.3)] = 0.0
    """Rise over run to its left."""
    firmness: Literal["soft", "firm", "hard"] = "firm"


class StartTable(_ScenarioTable):
    """`[start]`: the posture; angles of the arm are relative to the section before."""

    boom_deg: Degrees = 28.0
    """Of a boom with a second section whose `second_boom_deg` is not named: of the line between its ends,
    from which `stick_deg` counts too, so that a scenario serves machines of either kind."""
    second_boom_deg: Degrees | None = None
    stick_deg: Degrees = -95.0
    bucket_deg: Degrees = -50.0
    slew_deg: Degrees = 0.0
    swing_deg: Degrees = 0.0
    tilt_deg: Degrees = 0.0

    def angles_deg(self, machine: Machine) -> dict[str, float]:
        """Angle of every joint of the arm of that machine, to the section before."""
        boom, stick, second = self.boom_deg, self.stick_deg, machine.second_boom
        found = {"boom": boom, "stick": stick, "bucket": self.bucket_deg}
        if second is not None and self.second_boom_deg is not None:
            found = {"boom": boom, "second_boom": self.second_boom_deg, **found}
        elif second is not None:
            bend = BEND_DEG if second.held_deg is None else second.held_deg
            a, b, c = machine.boom.length_m, second.length_m, math.radians(bend)
            lean = math.degrees(math.atan2(b * math.sin(c), a + b * math.cos(c)))
            found = {
                "boom": boom - lean,
                "second_boom": bend,
                "stick": stick + lean - bend,
                "bucket": self.bucket_deg,
            }
        if machine.boom_swing is not None:
            found["swing"] = machine.boom_swing.held_deg or self.swing_deg
        return found | ({"tilt": self.tilt_deg} if machine.bucket[0].tilt_axis_m is not None else {})


class TruckTable(_ScenarioTable):
    """`[truck]`: a body to load, its middle ahead and to the left of the slew centre."""

    ahead_m: Metres
    left_m: Metres
    length_m: Annotated[float, Field(gt=0, le=15)] = 5.0
    width_m: Annotated[float, Field(gt=0, le=5)] = 2.3
    rim_m: Annotated[float, Field(ge=0, le=5)] = 2.4
    capacity_m3: Annotated[float, Field(gt=0, le=40)] = 7.0


class LaserTable(_ScenarioTable):
    """`[laser]`: a rotating laser; its plane is level."""

    height_m: Metres


class TaskTable(_ScenarioTable):
    """`[task]`: the plane to be dug to, where, and how well."""

    text: Annotated[str, Field(min_length=1, max_length=400)]
    depth_m: Annotated[float, Field(gt=0, le=10)]
    """Below the ground, at the end of the area that is nearest to the machine."""
    grade: Annotated[float, Field(ge=-2, le=2)] = 0.0
    """Rise over run going away from the machine."""
    cross: Annotated[float, Field(ge=-1, le=1)] = 0.0
    """Rise over run to the left."""
    from_m: Annotated[float, Field(ge=0, le=30)]
    to_m: Annotated[float, Field(ge=0, le=30)]
    left_m: Metres = 0.0
    """How far the middle of the area lies to the left of the slew axis."""
    width_m: Annotated[float, Field(gt=0, le=10)]
    tolerance_m: Annotated[float, Field(gt=0, le=0.5)] = 0.03
    par_s: Annotated[float, Field(gt=0, le=36000)] = 300.0
    """Time in which a practised operator does it."""

    @model_validator(mode="after")
    def _near_before_far(self) -> TaskTable:
        if self.to_m <= self.from_m:
            raise Misfit("to_m", f"{self.to_m:g}", f"more than from_m, which is {self.from_m:g}")
        return self


class LoadTable(_ScenarioTable):
    """`[load]`: what the truck shall carry away."""

    text: Annotated[str, Field(min_length=1, max_length=400)]
    volume_m3: Annotated[float, Field(gt=0, le=40)]
    """In the bank: soil does not swell here."""
    par_s: Annotated[float, Field(gt=0, le=36000)] = 300.0
    """Time in which a practised operator does it."""


class Goal(_ScenarioTable):
    """Where a movement of the arm ends; what is not named stays as it is."""

    reach_m: Annotated[float, Field(ge=0.5, le=30)] | None = None
    height_m: Metres | None = None
    attitude_deg: Degrees | None = None
    """The bucket's line from pin to tip against the horizon: -90 hangs down, -180 points at the cab."""
    slew_deg: Degrees | None = None
    swing_deg: Degrees | None = None
    """Of a boom that swings; reach then counts along the arm's plane."""
    second_boom_deg: Degrees | None = None
    """Of a second boom, to the first."""
    cross: Annotated[float, Field(ge=-2, le=2)] | None = None
    """Rise of the edge over run, to the left, of a bucket that tilts."""
    speed_mps: Annotated[float, Field(gt=0.01, le=4)] = 1.0

    def coordinates(self) -> dict[str, float]:
        """What is named, by the name of the coordinate; m and rad."""
        told = {
            "reach": self.reach_m,
            "height": self.height_m,
            "cross": None if self.cross is None else math.atan(self.cross),
        }
        for name in ("attitude", "slew", "swing", "second_boom"):
            degrees = getattr(self, f"{name}_deg")
            told[name] = None if degrees is None else math.radians(degrees)
        return {name: value for name, value in told.items() if value is not None}

    def moved(self, by: Goal, times: int) -> Goal:
        """The same goal, each of its coordinates further by `times` those of `by`."""
        changes = {}
        for key in Each.model_fields:
            own, step = getattr(self, key), getattr(by, key)
            if own is not None and step is not None:
                changes[key] = own + times * step
        return self.model_copy(update=changes)


class Each(_ScenarioTable):
    """What a repetition adds to the goals of the one before."""

    reach_m: Metres | None = None
    height_m: Metres | None = None
    attitude_deg: Degrees | None = None
    slew_deg: Degrees | None = None
    swing_deg: Degrees | None = None
    second_boom_deg: Degrees | None = None
    cross: Annotated[float, Field(ge=-2, le=2)] | None = None


class FaultStep(_ScenarioTable):
    """Something that happens to a sensor."""

    kind: Literal["unplug", "freeze", "swap", "corrupt", "warm", "knock"]
    sensor: str
    other: str | None = None
    """The one it changes plugs with."""
    over: bool = False
    """It ends, instead of beginning."""


class ScriptStep(_ScenarioTable):
    """One line of the script: exactly one of these."""

    go: Goal | None = None
    """Move the arm there freely."""
    draw: Goal | None = None
    """Draw the edge there in a straight line at an even speed."""
    wait_s: Annotated[float, Field(gt=0, le=36000)] | None = None
    order: str | None = None
    """A command to the service, such as datum/set."""
    body: dict[str, Any] = {}
    travel_m: Annotated[float, Field(ge=-100, le=100)] | None = None
    turn_deg: Degrees | None = None
    """Turn the tracks by so much, positive to the left."""
    fault: FaultStep | None = None
    repeat: Annotated[int, Field(ge=1, le=1000)] | None = None
    step: list[ScriptStep] = []
    """What is repeated."""
    each: Each = Each()

    @model_validator(mode="after")
    def _exactly_one(self) -> ScriptStep:
        kinds = ("go", "draw", "wait_s", "order", "travel_m", "turn_deg", "fault", "repeat")
        named = [kind for kind in kinds if getattr(self, kind) is not None]
        if len(named) != 1:
            raise Misfit(
                "", " and ".join(named) or "a step without one", "exactly one of " + ", ".join(kinds)
            )
        if bool(self.step) != (self.repeat is not None):
            found = "steps without it" if self.step else "nothing to repeat"
            raise Misfit("repeat", found, "a number, and [[step.step]] tables that it repeats")
        return self


class ScenarioFile(_ScenarioTable):
    """A scenario's file as it stands."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    about: str = ""
    machine: Annotated[str, Field(min_length=1)]
    """Path of the machine's description, relative to this file."""
    mass_kg: Annotated[float, Field(ge=300, le=200_000)] | None = None
    seed: Annotated[int, Field(ge=0, le=2**31)] = 1
    ground: GroundTable = GroundTable()
    start: StartTable = StartTable()
    sensors: SensorsTable = SensorsTable()
    truck: TruckTable | None = None
    laser: LaserTable | None = None
    task: TaskTable | None = None
    load: LoadTable | None = None
    step: list[ScriptStep] = []

    @model_validator(mode="after")
    def _one_task(self) -> ScenarioFile:
        if self.load is not None and self.task is not None:
            raise Misfit("load", "a [load] beside a [task]", "one of the two: what is scored at the end")
        if self.load is not None and (self.truck is None or self.truck.capacity_m3 < self.load.volume_m3):
            room = "no [truck]" if self.truck is None else f"a truck of {self.truck.capacity_m3:g} m³"
            raise Misfit("load.volume_m3", f"{self.load.volume_m3:g} with {room}", "a truck that holds it")
        return self


@dataclass(frozen=True, slots=True)
class Scenario:
    """A scenario with its machine; `steps` is the script with all repetitions written out."""

    path: Path
    file: ScenarioFile
    machine: Machine
    steps: tuple[ScriptStep, ...]

    def setting(self, seed: int | None = None, **sensors: Any) -> Setting:
        """What a simulation starts from; `sensors` replaces keys of `[sensors]`."""
        f = self.file
        start = {name: math.radians(a) for name, a in f.start.angles_deg(self.machine).items()}
        truck = None
        if f.truck is not None:
            t = f.truck
            truck = Truck(t.ahead_m, t.left_m, t.length_m / 2.0, t.width_m / 2.0, t.rim_m, t.capacity_m3)
        return Setting(
            posture=tuple(start[name] for name in self.machine.sections),
            slew=math.radians(f.start.slew_deg),
            swing=start.get("swing", 0.0),
            tilt=start.get("tilt", 0.0),
            slope=(f.ground.along, f.ground.across),
            strength=FIRMNESS[f.ground.firmness],
            mass_kg=f.mass_kg,
            sensors=f.sensors.model_copy(update=sensors),
            truck=truck,
            laser_m=f.laser.height_m if f.laser is not None else None,
            seed=f.seed if seed is None else seed,
        )


def load_scenario(path: Path, machine: Path | None = None) -> Scenario:
    """A scenario from its file; `machine` is a description to use instead of the one that it names.

    Raises:
        ConfigError: the file or the machine's cannot be used, by file, key, found and expected.
    """
    data = load_toml(path)
    if "boom" in data:
        raise ConfigError(str(path), "", "a machine's description", "a scenario, which names it")
    file = parse_model(ScenarioFile, data, str(path))
    place = machine if machine is not None else path.parent / file.machine
    if machine is None and not place.exists():
        raise ConfigError(
            str(path), "machine", f'"{file.machine}", which does not exist', "a machine file's path"
        )
    described = load_machine(place)
    steps = _written_out(file.step, str(path))
    _check_sensors(steps, described, str(path))
    _check_joints(steps, file.start, described, str(path))
    _check_start(file, described, str(path))
    return Scenario(path, file, described, steps)


def _written_out(steps: list[ScriptStep], file: str) -> tuple[ScriptStep, ...]:
    found: list[ScriptStep] = []
    for step in steps:
        times = step.repeat or 1
        inner = (step,) if step.repeat is None else _written_out(step.step, file)
        # Counted before it is done: repetitions within repetitions multiply.
        if len(found) + times * len(inner) > MOST_STEPS:
            raise ConfigError(
                file, "step", f"more than {MOST_STEPS} steps with repetitions", f"at most {MOST_STEPS}"
            )
        by = Goal.model_construct(**step.each.model_dump())
        found += [_moved(one, by, k) if times > 1 else one for k in range(times) for one in inner]
    return tuple(found)


def _moved(step: ScriptStep, by: Goal, times: int) -> ScriptStep:
    changes = {k: goal.moved(by, times) for k in ("go", "draw") if (goal := getattr(step, k)) is not None}
    return step.model_copy(update=changes) if changes else step


def _check_sensors(steps: tuple[ScriptStep, ...], machine: Machine, file: str) -> None:
    names = ", ".join(machine.sensor) or "none"
    for step in steps:
        if step.fault is None:
            continue
        wanted = [("sensor", step.fault.sensor)]
        if step.fault.kind == "swap":
            wanted.append(("other", step.fault.other or ""))
        for key, name in wanted:
            if name not in machine.sensor:
                found = f'"{name}"' if name else "nothing"
                raise ConfigError(file, f"step.fault.{key}", found, f"a sensor of the machine: {names}")


def _check_joints(steps: tuple[ScriptStep, ...], start: StartTable, machine: Machine, file: str) -> None:
    """Raises ConfigError where the scenario moves a joint that the machine does not have."""
    needs = {
        "swing_deg": ("a machine with [boom_swing]", machine.boom_swing is not None),
        "second_boom_deg": ("a machine with [second_boom]", machine.second_boom is not None),
        "cross": ("a machine with a bucket or coupler that tilts", machine.bucket[0].tilt_axis_m is not None),
        "tilt_deg": (
            "a machine with a bucket or coupler that tilts",
            machine.bucket[0].tilt_axis_m is not None,
        ),
    }
    told = [(f"start.{key}", key, getattr(start, key, None)) for key in needs if getattr(start, key, None)]
    for step in steps:
        for kind in ("go", "draw"):
            goal = getattr(step, kind)
            if goal is not None:
                told += [
                    (f"step.{kind}.{k}", k, v) for k in needs if (v := getattr(goal, k, None)) is not None
                ]
    for place, key, value in told:
        wanted, there = needs[key]
        if not there:
            raise ConfigError(file, place, f'{value:g} for "{machine.name}"', wanted)


def _check_start(file: ScenarioFile, machine: Machine, path: str) -> None:
    for name, angle in file.start.angles_deg(machine).items():
        low, high = range_deg(machine, name)
        if not low <= angle <= high and not _held(machine, name):
            raise ConfigError(
                path, f"start.{name}_deg", f"{angle:g}", f"from {low:g} to {high:g}, where its cylinder ends"
            )


def _held(machine: Machine, name: str) -> bool:
    """Whether a joint is described as held: it stands where the description says."""
    parts = {
        "boom": machine.boom,
        "second_boom": machine.second_boom,
        "stick": machine.stick,
        "bucket": machine.bucket[0],
        "swing": machine.boom_swing,
    }
    return getattr(parts.get(name), "held_deg", None) is not None
