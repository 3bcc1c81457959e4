"""The functional core: ticks, gaps, order of time, commands and health."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any, TypeVar

import numpy as np
import pytest
from msgspec.structs import replace

from tipdatum.bus.messages import Happening, Health, Message, Reply, State, Tip
from tipdatum.config import Settings
from tipdatum.core import pipeline as pipeline_module
from tipdatum.core.messages_out import Outgoing
from tipdatum.core.pipeline import Pipeline
from tipdatum.fusion.complementary import ComplementaryEstimator, ComplementaryOptions
from tipdatum.fusion.pose import Matrices, Pose
from tipdatum.machine.description import Machine
from tipdatum.walltime import WallTime
from tipdatum_drivers.reading import Command, Fault, Imu, Record, Truth

M = TypeVar("M", bound=Message)
Readings = Callable[..., Iterator[Imu]]
STARTED = datetime(2026, 5, 4, 8, 0, 0, tzinfo=UTC)


class Run:
    """A pipeline and everything it has published."""

    def __init__(self, machine: Machine) -> None:
        self.out: list[Outgoing] = []
        self.pipeline = Pipeline(machine, Settings(period_s=0.02), WallTime(STARTED), self.out.append)

    def feed(self, *records: Record | Fault) -> None:
        for record in records:
            self.pipeline.feed(record)

    @property
    def tips(self) -> list[Tip]:
        return [o.message for o in self.out if isinstance(o.message, Tip)]

    def last(self, kind: type[M]) -> M:
        return [o.message for o in self.out if isinstance(o.message, kind)][-1]


@pytest.fixture
def run(machine: Machine) -> Run:
    return Run(machine)


def test_ticks_are_whole_multiples_of_the_period_and_predict_to_the_newest_reading(
    run: Run, readings: Readings
) -> None:
    run.feed(*readings(0.0, 1.0))
    emitted = [o.t_emit for o in run.out if isinstance(o.message, Tip)]
    # The tick at 0.02 s takes in the upper's reading at 0.020 s, which is the newest with t <= 0.02.
    assert emitted[1] == pytest.approx(0.020)
    assert [tip.t for tip in run.tips] == pytest.approx(emitted)
    assert len(run.tips) == 50


def test_before_any_reading_there_is_nothing_to_say(run: Run) -> None:
    run.pipeline.advance(1.0)
    assert run.tips == []


def test_a_live_service_speaks_from_the_first_tick_and_says_what_is_missing(
    run: Run, readings: Readings
) -> None:
    run.pipeline.speak()
    run.feed(Fault(0.1, "boom", "port", "/dev/ttyUSB9 is not there: unplugged, or another name?"))
    run.pipeline.advance(1.5)
    assert [tip.t for tip in run.tips[:3]] == pytest.approx([0.0, 0.02, 0.04])
    assert all(tip.elevation_m is None and tip.reach_m is None for tip in run.tips)
    assert {tip.quality for tip in run.tips} == {"stale"}
    assert "boom" in " ".join(run.tips[-1].reasons)
    told = {m.message.sensor: m.message for m in run.out if isinstance(m.message, Health)}
    assert {name: health.state for name, health in told.items()} == dict.fromkeys(told, "waiting")
    assert "/dev/ttyUSB9 is not there: unplugged, or another name?" in told["boom"].text
    run.feed(*readings(1.5, 5.0))
    assert run.tips[-1].quality == "good"


def test_through_a_gap_the_ticks_go_on_and_the_figures_go(run: Run, readings: Readings) -> None:
    run.feed(*readings(0.0, 3.0))
    run.pipeline.advance(4.0)
    late = [tip for tip in run.tips if tip.t > 3.31]
    assert [tip.t for tip in late] == pytest.approx([3.32 + 0.02 * i for i in range(len(late))])
    assert late[-1].t == pytest.approx(3.98)
    assert {tip.quality for tip in late} == {"stale"}
    assert all(tip.reach_m is None and tip.sigma_m is None for tip in late)


def test_one_silent_sensor_makes_the_figures_go_and_says_which(run: Run, readings: Readings) -> None:
    run.feed(*readings(0.0, 3.0), *readings(3.0, 3.6, without=("stick",)))
    last = run.tips[-1]
    assert last.quality == "stale"
    assert last.elevation_m is None
    assert any("stick" in reason for reason in last.reasons)


def test_figures_come_back_by_themselves(run: Run, readings: Readings) -> None:
    run.feed(*readings(0.0, 3.0), *readings(3.0, 3.6, without=("stick",)), *readings(3.6, 9.0))
    assert run.tips[-1].quality == "good"


def test_reference_gives_the_elevation_that_was_set(run: Run, readings: Readings) -> None:
    run.feed(*readings(0.0, 6.0), Command(6.0, "datum/set", {"elevation_m": 101.25}), *readings(6.0, 7.0))
    assert run.last(Reply).ok
    assert run.last(State).datum == "set"
    # The machine stands still, so the tip stays where it was said to be; 5 mm is many times the noise here.
    assert run.tips[-1].elevation_m == pytest.approx(101.25, abs=0.005)


def test_without_a_reference_there_is_no_elevation(run: Run, readings: Readings) -> None:
    run.feed(*readings(0.0, 6.0))
    assert run.tips[-1].elevation_m is None
    assert run.tips[-1].datum == "none"
    assert run.tips[-1].reach_m is not None


@pytest.mark.parametrize(
    ("name", "body"),
    [
        ("datum/set", {}),
        ("datum/set", {"elevation_m": "high"}),
        ("datum/set", {"elevation_m": float("nan")}),
        ("datum/set", {"elevation_m": 1.0, "colour": "red"}),
        ("datum/explode", {}),
    ],
)
def test_a_wrong_command_is_refused_in_words_and_changes_nothing(
    run: Run, readings: Readings, name: str, body: dict[str, object]
) -> None:
    run.feed(*readings(0.0, 6.0))
    run.pipeline.command(name, body, 6.0, by="panel")
    reply = run.last(Reply)
    assert not reply.ok
    assert len(reply.text) > 10
    assert run.pipeline.work.datum == "none"


def test_a_reading_out_of_order_is_counted_and_dropped(run: Run, readings: Readings) -> None:
    run.feed(*readings(0.0, 2.0))
    count = len(run.tips)
    run.feed(Imu(1.9, "boom", (0.0, 0.0, 9.8), (0.0, 0.0, 0.0)))
    run.feed(*readings(2.0, 13.0))
    assert run.last(Health).faults is not None
    faults = {o.part: o.message.faults for o in run.out if isinstance(o.message, Health)}
    assert faults["boom"] == {"out of order": 1}
    assert len(run.tips) > count


def test_a_step_of_the_clock_resets_the_filter_and_says_so(run: Run, readings: Readings) -> None:
    run.feed(*readings(10.0, 13.0), *readings(2.0, 3.0))
    told = [o.message for o in run.out if isinstance(o.message, Happening)]
    assert [event.kind for event in told if event.kind == "clock step"] == ["clock step"]
    assert run.tips[-1].t == pytest.approx(2.98, abs=0.03)


def test_a_sensor_that_nobody_described_is_a_counted_fault(run: Run, readings: Readings) -> None:
    run.feed(*readings(0.0, 1.0), Imu(1.0, "spare wheel", (0.0, 0.0, 9.8)), *readings(1.01, 2.0))
    assert next(
        o.message.faults for o in run.out if o.part == "spare-wheel" and isinstance(o.message, Health)
    ) == {"unknown sensor": 1}


def test_truth_is_never_looked_at(machine: Machine, readings: Readings) -> None:
    plain, told = Run(machine), Run(machine)
    plain.feed(*readings(0.0, 2.0))
    for reading in readings(0.0, 2.0):
        told.feed(Truth(reading.t, (1.0, 2.0, 3.0)), reading)
    assert plain.out == told.out


def test_the_same_input_gives_the_same_messages_however_often_time_is_told(
    machine: Machine, readings: Readings
) -> None:
    """A replay knows time from its records alone; the live shell also advances it between them."""
    replayed, live = Run(machine), Run(machine)
    replayed.feed(*readings(0.0, 3.0))
    for reading in readings(0.0, 3.0):
        live.pipeline.advance(reading.t - 0.0005)
        live.feed(reading)
    assert replayed.out == live.out


class Broken(ComplementaryEstimator):
    """An estimator with a defect: after a second one part of its poses is no number."""

    field = "angles"

    def pose(self, t: float) -> Pose:
        pose = super().pose(t)
        if t <= 1.0:
            return pose
        parts: dict[str, Any] = {
            "angles": pose.angles,
            "total": pose.covariance,
            "predicted": pose.spread.prediction(),
        }
        parts[self.field] = np.multiply(parts[self.field], np.nan)
        spread = Matrices(parts["total"], parts["predicted"])
        return replace(pose, angles=tuple(parts["angles"]), spread=spread)


@pytest.mark.parametrize("field", ["angles", "total", "predicted"])
def test_what_is_no_number_is_never_a_figure(
    machine: Machine, readings: Readings, monkeypatch: pytest.MonkeyPatch, field: str
) -> None:
    def broken(_: str, machine: Machine, period_s: float, *__: object) -> Broken:
        estimator = Broken(machine, period_s, ComplementaryOptions())
        estimator.field = field
        return estimator

    monkeypatch.setattr(pipeline_module, "make_estimator", broken)
    run = Run(machine)
    run.feed(*readings(0.0, 1.5))
    before = [tip for tip in run.tips if 0.5 < tip.t <= 1.0]
    after = [tip for tip in run.tips if tip.t > 1.0]
    assert all(tip.reach_m is not None and tip.sigma_m is not None for tip in before)
    assert all(tip.reach_m is None and tip.sigma_m is None for tip in after)
    assert {tip.quality for tip in after} <= {"invalid", "stale"}
    assert "no number" in run.last(Happening).text
