"""What a changed machine or service file changes in a running service, key by key.

The keys come from the data models themselves, so that a key that is added later is tried here without anybody
thinking of it: it takes effect in the running pipeline, or it is refused by its name.
"""

from __future__ import annotations

import math
import types
import typing
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Annotated, Any

import pytest
from pydantic import BaseModel

from small_machine import MACHINE
from tipdatum.bus.messages import Health, Message, Tip
from tipdatum.config import Service, ServiceFile, Settings, load_service
from tipdatum.core import pipeline as pipeline_module
from tipdatum.core.messages_out import Outgoing
from tipdatum.core.pipeline import Pipeline, starts_anew
from tipdatum.errors import ConfigError, InputError
from tipdatum.grade.state import WorkState
from tipdatum.machine.description import Machine, parse_machine
from tipdatum.run.reload import WAITS, changed_keys, reloaded
from tipdatum.walltime import WallTime
from tipdatum_drivers.reading import Command, Identity, Imu, Record, Tilt

SERVICE = 'machine = "machine.toml"\n'
STARTED = datetime(2026, 5, 4, 8, 0, 0, tzinfo=UTC)


# -- changing one key of a model ----------------------------------------------------------------------------


def plain(model: BaseModel) -> Any:
    return model.model_dump(mode="json")


def with_sensor(machine: Machine, name: str, **keys: Any) -> Machine:
    sensor = machine.sensor[name].model_copy(update=keys)
    return machine.model_copy(update={"sensor": {**machine.sensor, name: sensor}})


def table_of(annotation: Any) -> type[BaseModel] | None:
    """The model that a field holds: itself, or one a name or one an entry."""
    for kind in kinds(annotation):
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            return kind
        arguments = typing.get_args(kind)
        if typing.get_origin(kind) in (tuple, dict) and arguments:
            inner = table_of(arguments[-1] if arguments[-1] is not Ellipsis else arguments[0])
            if inner is not None:
                return inner
    return None


def kinds(annotation: Any) -> list[Any]:
    if typing.get_origin(annotation) is Annotated:
        return kinds(typing.get_args(annotation)[0])
    if typing.get_origin(annotation) in (typing.Union, types.UnionType):
        return [kind for one in typing.get_args(annotation) for kind in kinds(one) if one is not type(None)]
    return [annotation]


FITTING: dict[str, Any] = {
    "machine": "other.toml", "driver": [{"kind": "packets"}], "estimator": "complementary", "body": "bucket",
    "options": {"epoch_s": 0.1}, "host": "192.168.1.10", "listen": "192.168.1.10",
    "outline_m": ((0.5, -0.3),), "calibration": {"by": "somebody"}, "serial": "A7",
    "bucket_ear_m": 0.39, "bucket_ear_angle_deg": 137.0, "tls": {"ca": "ca.pem"},
}  # fmt: skip
"""Values for keys whose kind alone says too little."""

WHOLE = {"calibrated": {"date": "2026-05-04T08:00:00Z", "verdict": "accepted", "tip_sigma_m": 0.004}}
"""Tables that have keys without a default."""


def changed(model: Any, key: tuple[str, ...]) -> Any:
    """The model with another value at that key, of the first table where there are several."""
    name, rest = key[0], key[1:]
    value, annotation = getattr(model, name), type(model).model_fields[name].annotation
    if not rest:
        return model.model_copy(update={name: another(name, value, annotation)})
    if isinstance(value, dict):
        first = "boom" if "boom" in value else next(iter(value))
        return model.model_copy(update={name: {**value, first: changed(value[first], rest)}})
    if isinstance(value, tuple):
        return model.model_copy(update={name: (changed(value[0], rest), *value[1:])})
    if value is None:
        table = table_of(annotation)
        assert table is not None
        value = table.model_construct(**WHOLE.get(name, {}))
    return model.model_copy(update={name: changed(value, rest)})


def another(name: str, value: Any, annotation: Any) -> Any:
    if name in FITTING:
        return FITTING[name]
    kind = kinds(annotation)[0]
    if typing.get_origin(kind) is typing.Literal:
        return next(one for one in typing.get_args(kind) if one != value)
    if isinstance(value, bool) or kind is bool:
        return not value
    if isinstance(value, int) or kind is int:
        return (value or 0) + 1
    if isinstance(value, float):
        return value + (2.0 if name.endswith("_deg") else 0.01)
    if isinstance(value, tuple) and value:
        return (another(name, value[0], type(value[0])), *value[1:])
    if kind is float:
        return 0.01
    if typing.get_origin(kind) is tuple:
        arguments = typing.get_args(kind)
        return tuple(another(name, None, one) for one in arguments if one is not Ellipsis)
    if isinstance(value, str) or kind in (str, Path):
        return f"{value or 'x'}1"
    return {"something": 1}


# -- the service's file ------------------------------------------------------------------------------------


@pytest.fixture
def running(tmp_path: Path) -> Service:
    (tmp_path / "machine.toml").write_text(MACHINE)
    return load(tmp_path, SERVICE)


def load(folder: Path, text: str) -> Service:
    (folder / "service.toml").write_text(text)
    return load_service(folder / "service.toml")


def test_an_unchanged_file_changes_nothing(running: Service, tmp_path: Path) -> None:
    change = reloaded(running, load(tmp_path, SERVICE))
    assert change.service == running
    assert (change.taken, change.waits) == ((), ())


def test_what_takes_effect_is_told_by_file_and_key(running: Service, tmp_path: Path) -> None:
    (tmp_path / "machine.toml").write_text(MACHINE.replace("4.7", "4.705"))
    change = reloaded(running, load(tmp_path, SERVICE + "[work]\nwait_s = 7\n"))
    assert change.taken == ("service.toml: work.wait_s", "machine.toml: boom.length_m")
    assert change.waits == ()
    assert change.service.machine.boom.length_m == 4.705
    assert change.service.settings.work.wait_s == 7.0


def test_what_waits_is_told_by_key_with_what_a_restart_does_and_holds_up_nothing_else(
    running: Service, tmp_path: Path
) -> None:
    text = SERVICE + "[fusion]\ntick_hz = 100\n[work]\nwait_s = 7\n[broker]\nhost = '192.168.1.10'\n"
    change = reloaded(running, load(tmp_path, text))
    assert change.waits == (
        "broker.host (a restart connects to the broker so)",
        "fusion.tick_hz (a restart ticks at the new rate)",
    )
    assert change.service.settings.work.wait_s == 7.0
    assert change.service.settings.period_s == running.settings.period_s
    # It waits still when the signal comes a second time.
    assert reloaded(change.service, load(tmp_path, text)).waits == change.waits


def test_other_sensors_are_refused_by_name_and_nothing_is_taken(running: Service, tmp_path: Path) -> None:
    other = MACHINE.replace("[sensor.boom]", "[sensor.B2]") + '[sensor.stick]\nbody = "stick"\n'
    (tmp_path / "machine.toml").write_text(other)
    with pytest.raises(InputError, match=r"sensor\.B2 is new, sensor\.stick is new, sensor\.boom is gone"):
        reloaded(running, load(tmp_path, SERVICE))


def service_keys(model: type[BaseModel], at: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for name, info in model.model_fields.items():
        if (table := table_of(info.annotation)) is not None:
            yield from service_keys(table, (*at, name))
        else:
            yield (*at, name)


@pytest.mark.parametrize("key", list(service_keys(ServiceFile)), ids=".".join)
def test_every_key_of_the_service_file_takes_effect_or_is_refused_by_name(
    running: Service, tmp_path: Path, key: tuple[str, ...]
) -> None:
    tables = changed(running.tables, key)
    if key == ("machine",):
        (tmp_path / "other.toml").write_text(MACHINE)
        tables = tables.model_copy(update={"machine": "other.toml"})
    fresh = replace(running, tables=tables, machine_path=tmp_path / tables.machine)
    change = reloaded(running, fresh)
    dotted = ".".join(key)
    taken = any(one.partition(": ")[2].startswith(dotted) for one in change.taken)
    refused = any(one.startswith(dotted) for one in change.waits)
    assert taken != refused
    kept = plain(change.service.tables)
    if taken:
        assert not list(changed_keys(kept, plain(tables)))
    else:
        assert not list(changed_keys(kept, plain(running.tables)))
        assert any(dotted.startswith(table) for table in WAITS), "nobody has said what a restart does with it"


# -- the machine's ---------------------------------------------------------------------------------------

IMU_MACHINE: dict[str, Any] = {
    "name": "invented",
    "boom": {"foot_m": [0.3, 0.0, 1.8], "length_m": 4.7, "length_sigma_m": 0.002, "foot_sigma_m": 0.002},
    "stick": {"length_m": 2.4, "length_sigma_m": 0.002},
    "bucket": [{"name": "trenching 600", "tip_m": 1.3, "width_m": 0.6, "tip_sigma_m": 0.002}],
    "linkage": {
        "rocker_pivot_m": [2.07, 0.004], "rocker_m": 0.60, "link_m": 0.55, "bucket_ear_m": 0.38,
        "bucket_ear_angle_deg": 136.0, "assembly": 1, "length_sigma_m": 0.001,
    },
    "sensor": {body: {"body": body} for body in ("upper", "boom", "stick", "rocker")},
}  # fmt: skip
WITH_TRACKS = {**IMU_MACHINE, "undercarriage": {"contact_length_m": 3.0, "gauge_m": 2.0}}
WITH_JOINTS: dict[str, dict[str, Any]] = {
    "undercarriage": WITH_TRACKS,
    "second_boom": {**IMU_MACHINE, "second_boom": {"length_m": 2.0, "held_deg": -30.0}},
    "boom_swing": {**IMU_MACHINE, "boom_swing": {"pivot_m": [0.1, 0.0, 0.0], "held_deg": 10.0}},
    "coupler": {
        **IMU_MACHINE,
        "coupler": {"length_m": 0.3, "offset_deg": 120.0},
        "bucket": [{**IMU_MACHINE["bucket"][0], "bucket_ear_angle_deg": 136.0}],
    },
}
"""Table → a machine that has it."""
HELD_MACHINE: dict[str, Any] = {
    "name": "invented",
    "boom": {"foot_m": [0.3, 0.0, 1.8], "length_m": 4.7, "held_deg": 20.0},
    "stick": {"length_m": 2.4, "held_deg": -80.0},
    "bucket": [{"name": "trenching 600", "tip_m": 1.3, "width_m": 0.6, "held_deg": -40.0}],
    "sensor": {"upper": {"body": "upper", "type": "tilt"}},
}
ANGLES_DEG = {
    "upper": (2.0, 0.0),
    "boom": (20.0, 15.0),
    "stick": (-60.0, 10.0),
    "bucket": (-100.0, 0.0),
    "rocker": (45.0, 25.0),
}
"""By how much each body is raised at first, and by how much more it is at the end."""
ROLL = math.radians(3.0)
SET_T, MOVES_T, MOVES_S, END_T = 3.5, 3.8, 1.5, 6.0
HZ = 40


def readings(machine: Machine, start: float, stop: float) -> Iterator[Record]:
    """Still, then one smooth lift, then still again."""
    for step in range(round(start * HZ), round(stop * HZ)):
        for place, (name, sensor) in enumerate(machine.sensor.items()):
            t = step / HZ + 0.001 * place
            first, more = map(math.radians, ANGLES_DEG[sensor.body])
            part = min(1.0, max(0.0, (t - MOVES_T) / MOVES_S))
            theta = first + more * 0.5 * (1.0 - math.cos(math.pi * part))
            rate = more * 0.5 * math.pi / MOVES_S * math.sin(math.pi * part)
            wobble = 0.003 * math.sin(step * 1.7 + place)
            x, y, z = math.cos(ROLL) * math.sin(theta), math.sin(ROLL), math.cos(ROLL) * math.cos(theta)
            if sensor.type == "tilt":
                pitch, roll = math.degrees(math.asin(x)), math.degrees(math.asin(y))
                yield Tilt(t, name, pitch_deg=pitch + wobble, roll_deg=roll + wobble)
            else:
                accel = (9.80665 * x + wobble, 9.80665 * y + wobble, 9.80665 * z - wobble)
                yield Imu(t, name, accel, (wobble * 0.01, -rate - wobble * 0.01, wobble * 0.01))


class Run:
    def __init__(self, machine: Machine, state: WorkState | None = None) -> None:
        self.out: list[Message] = []
        self.pipeline = Pipeline(machine, Settings(), WallTime(STARTED), self._take, state=state)

    def _take(self, out: Outgoing) -> None:
        self.out.append(out.message)

    def feed(self, records: Iterator[Record]) -> None:
        for record in records:
            self.pipeline.feed(record)

    @property
    def tip(self) -> Tip:
        return [message for message in self.out if isinstance(message, Tip)][-1]

    def health(self, sensor: str) -> Health:
        return [m for m in self.out if isinstance(m, Health) and m.sensor == sensor][-1]


def figures(run: Run) -> list[float]:
    tip = run.tip
    assert tip.elevation_m is not None, tip.reasons
    values = [tip.reach_m, tip.lateral_m, tip.left_m, tip.right_m, tip.elevation_m, tip.sigma_m]
    return [math.nan if value is None else value for value in values]


NO_FIGURE_HANGS_ON = {
    "name": "a word for people",
    "calibration": "read by nobody but people",
    "calibrated.date": "told to people",
    "calibrated.verdict": "told to people",
    "calibrated.tip_sigma_m": "told to people; figures have their sigma from the description's own",
    "calibrated.values": "what the verdict stands for; a digest",
    "bucket.name": "a word; the work goes on with the first bucket of the file",
    "boom.foot_sigma_m": "cancels where the upper keeps its pitch",
    "bucket.outline_m": "heel and back count against a target, and there is none here",
    "bucket.floor_angle_deg": "the floor counts against a target, and there is none here",
    "bucket.mount_rpy_deg": "of the bucket's sensor, and here it sits on the rocker",
    "bucket.position_m": "of the bucket's sensor, and here it sits on the rocker",
}
"""Keys that are taken in without an effect on these figures, and why."""


def machine_keys(model: type[BaseModel], at: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for name, info in model.model_fields.items():
        if (table := table_of(info.annotation)) is not None:
            yield from machine_keys(table, (*at, name))
        else:
            yield (*at, name)


@pytest.mark.parametrize("key", list(machine_keys(Machine)), ids=".".join)
def test_every_key_of_the_machine_file_takes_effect(
    key: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    described = WITH_JOINTS.get(key[0], HELD_MACHINE if "held_deg" in key else IMU_MACHINE)
    before = parse_machine(described, "before")
    after = changed(before, key)
    dotted = ".".join(key)
    assert list(changed_keys(plain(before), plain(after)))

    built: list[Machine] = []
    make = pipeline_module.make_estimator

    def spy(name: str, machine: Machine, *more: Any) -> Any:
        built.append(machine)
        return make(name, machine, *more)

    monkeypatch.setattr(pipeline_module, "make_estimator", spy)
    run = Run(before)
    run.feed(readings(before, 0.0, 1.5))
    built.clear()
    run.pipeline.reload(after, Settings())
    assert run.pipeline.machine == after
    if starts_anew(before, after):
        # Nothing that was built upon the old description is left in it.
        assert built == [after]
        return
    if key[0] == "sensor" and key[1] in ("serial", "stale_after_s"):
        return  # judged by the sensor's monitor; see below

    told, fresh = finished(run, before), finished(Run(after), before)
    kept, old = unchanged_figures("held_deg" in key)
    effect = [a - b for a, b in zip(fresh, old, strict=True)]
    # Of two filters that differ in their past, what the key changes is the same.
    for mine, without, whole in zip(told, kept, effect, strict=True):
        assert mine - without == pytest.approx(whole, rel=0.25, abs=0.0005)
    assert any(effect) != (dotted in NO_FIGURE_HANGS_ON), "nobody has said why"


def finished(run: Run, machine: Machine) -> list[float]:
    """The figures at the end of the readings, relative to a reference set on the way."""
    run.feed(readings(machine, 1.5, SET_T))
    run.pipeline.feed(Command(SET_T, "datum/set", {"elevation_m": 100.0}))
    run.feed(readings(machine, SET_T, END_T))
    return figures(run)


@cache
def unchanged_figures(held: bool) -> tuple[list[float], list[float]]:
    """Of a run that was reloaded with the same machine, and of one that began there."""
    machine = parse_machine(HELD_MACHINE if held else IMU_MACHINE, "unchanged")
    run = Run(machine)
    run.feed(readings(machine, 0.0, 1.5))
    run.pipeline.reload(machine, Settings())
    return finished(run, machine), finished(Run(machine), machine)


def test_keys_of_every_joint_are_among_those_that_are_tried() -> None:
    tried = {".".join(key) for key in machine_keys(Machine)}
    assert tried >= {
        "second_boom.length_m", "second_boom.held_deg", "boom_swing.pivot_m", "boom_swing.held_deg",
        "coupler.length_m", "coupler.offset_deg", "coupler.tilt_axis_m", "coupler.tilt_axis_deg",
        "bucket.tilt_axis_m", "bucket.tilt_axis_deg",
    }  # fmt: skip


def test_what_a_buckets_own_file_changes_takes_effect(running: Service, tmp_path: Path) -> None:
    head, _, rest = MACHINE.partition("[[bucket]]")
    (tmp_path / "machine.toml").write_text(f'bucket = "own.toml"\n{head}{rest[rest.index("[", 1) :]}')
    own = 'name = "own"\nwidth_m = 0.6\n'
    (tmp_path / "own.toml").write_text(own + "tip_m = 1.3\n")
    before = load(tmp_path, SERVICE)
    (tmp_path / "own.toml").write_text(own + "tip_m = 1.25\n")
    change = reloaded(before, load(tmp_path, SERVICE))
    assert change.taken == ("machine.toml: bucket[0].tip_m",)
    assert change.service.machine.bucket[0].tip_m == 1.25
    (tmp_path / "own.toml").write_text(own + "tip_m = 1300\n")
    with pytest.raises(ConfigError, match=r"own\.toml.*tip_m"):
        load(tmp_path, SERVICE)


def test_a_serial_number_described_anew_ends_a_swap_and_begins_one() -> None:
    machine = parse_machine(IMU_MACHINE, "test")
    run = Run(machine)
    run.pipeline.feed(Identity(0.0, "boom", "A1"))
    run.feed(readings(machine, 0.0, 1.0))
    assert run.health("boom").state == "ok"
    for number, (serial, state) in enumerate([("A2", "fault"), ("A1", "ok"), (None, "ok")]):
        run.pipeline.reload(with_sensor(machine, "boom", serial=serial), Settings())
        run.feed(readings(machine, 1.0 + number, 2.0 + number))
        assert run.health("boom").state == state, serial


def test_a_stale_limit_described_anew_is_the_one_that_counts() -> None:
    machine = parse_machine(IMU_MACHINE, "test")
    run = Run(machine)
    run.feed(readings(machine, 0.0, 1.0))
    run.pipeline.reload(with_sensor(machine, "boom", stale_after_s=3.0), Settings())
    run.pipeline.advance(3.5)
    states = {name: run.health(name).state for name in machine.sensor}
    assert states == {"upper": "stale", "boom": "ok", "stick": "stale", "rocker": "stale"}


def test_an_inclinometer_in_place_of_an_inertial_sensor_is_not_read_as_one() -> None:
    machine = parse_machine(IMU_MACHINE, "test")
    run = Run(machine)
    run.feed(readings(machine, 0.0, 1.0))
    tilting = with_sensor(machine, "boom", type="tilt")
    run.pipeline.reload(tilting, Settings())
    run.feed(readings(machine, 1.0, 2.0))
    assert run.health("boom").text == "wrong kind: an inertial sensor comes, described is an inclinometer"
    assert run.tip.reach_m is None
    run.feed(readings(tilting, 2.0, 4.0))
    assert run.health("boom").state == "ok"
    assert run.tip.quality != "invalid"
    assert run.tip.reach_m is not None


def test_options_of_the_estimator_start_it_anew_and_the_tick_stays() -> None:
    machine = parse_machine(IMU_MACHINE, "test")
    run = Run(machine)
    run.feed(readings(machine, 0.0, 1.0))
    before = run.pipeline.work
    run.pipeline.reload(machine, Settings(estimator="complementary", period_s=0.5, raw=True))
    run.feed(readings(machine, 1.0, 2.0))
    tips = [message.t for message in run.out if isinstance(message, Tip) and message.t > 1.1]
    assert len(tips) > 20  # 25 a second, not 2
    assert any(type(message).__name__ == "Raw" for message in run.out)
    assert run.pipeline.work is before


def test_a_machine_that_cannot_be_is_refused(running: Service, tmp_path: Path) -> None:
    (tmp_path / "machine.toml").write_text(MACHINE.replace("4.7", "4700"))
    with pytest.raises(ConfigError, match="looks like millimetres"):
        load(tmp_path, SERVICE)
