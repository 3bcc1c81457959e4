"""What interrupts a run: a suspended computer, a wall clock that is set, a description measured anew."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any, TypeVar

import pytest

from tipdatum.bus.messages import Happening, Message, Reply, State, Tip
from tipdatum.config import Settings
from tipdatum.core.messages_out import Outgoing
from tipdatum.core.pipeline import Pipeline
from tipdatum.grade.forms import WorkOptions
from tipdatum.machine.description import Machine, parse_machine
from tipdatum.walltime import WallTime
from tipdatum_drivers.reading import Command, Imu

M = TypeVar("M", bound=Message)
Readings = Callable[..., Iterator[Imu]]
STARTED = datetime(2026, 5, 4, 8, 0, 0, tzinfo=UTC)


class Run:
    """Six seconds of a still machine whose reference is set at 101.25, and everything published since."""

    def __init__(self, machine: Machine, readings: Readings) -> None:
        self.out: list[Outgoing] = []
        self.wall = WallTime(STARTED)
        self.pipeline = Pipeline(machine, Settings(), self.wall, self.out.append)
        self.go_on(readings(0.0, 6.0))
        self.pipeline.feed(Command(6.0, "datum/set", {"elevation_m": 101.25}))
        self.go_on(readings(6.0, 7.0))
        assert self.last(State).datum == "set"

    def last(self, kind: type[M]) -> M:
        return [o.message for o in self.out if isinstance(o.message, kind)][-1]

    def since(self, t: float, kind: type[M]) -> list[M]:
        return [o.message for o in self.out if isinstance(o.message, kind) and getattr(o.message, "t") >= t]  # noqa: B009

    def go_on(self, records: Iterator[Imu]) -> None:
        for record in records:
            self.pipeline.feed(record)


@pytest.fixture
def run(machine: Machine, readings: Readings) -> Run:
    return Run(machine, readings)


def described(machine: Machine, **changes: dict[str, Any]) -> Machine:
    description = copy.deepcopy(machine.model_dump(mode="json", exclude_defaults=True))
    for table, keys in changes.items():
        description[table] |= keys
    return parse_machine(description, "changed")


def test_after_a_sleep_the_reference_is_doubtful_and_says_why(run: Run, readings: Readings) -> None:
    run.pipeline.was_suspended(7.0, 600.0)
    assert run.last(State).datum == "doubtful"
    assert any("suspended" in reason for reason in run.last(State).reasons)
    run.go_on(readings(7.0, 12.0))
    tip = run.last(Tip)
    assert tip.datum == "doubtful"
    assert tip.elevation_m == pytest.approx(101.25, abs=0.01)  # stands, but is not held against a target
    assert tip.deviation_m is None


def test_a_sleep_is_told_with_its_length(run: Run) -> None:
    run.pipeline.was_suspended(7.0, 600.0)
    (told,) = [h for h in run.since(7.0, Happening) if h.kind == "suspended"]
    assert "600 s" in told.text


def test_after_a_sleep_the_filter_starts_anew(run: Run, readings: Readings) -> None:
    run.pipeline.was_suspended(7.0, 600.0)
    run.go_on(readings(7.0, 7.2))
    qualities = {tip.quality for tip in run.since(7.02, Tip)}
    assert "settling" in qualities
    assert qualities <= {"settling", "stale"}  # stale until every sensor has been heard anew


def test_after_a_sleep_an_operator_may_confirm(run: Run, readings: Readings) -> None:
    run.pipeline.was_suspended(7.0, 600.0)
    run.go_on(readings(7.0, 12.0))
    run.pipeline.feed(Command(12.0, "datum/confirm", {}))
    run.go_on(readings(12.0, 13.0))
    assert run.last(Reply).ok, run.last(Reply).text
    assert run.last(State).datum == "set"


def test_a_wall_clock_that_was_set_moves_the_times_and_nothing_else(run: Run, readings: Readings) -> None:
    before = run.last(Tip)
    run.wall.move(3600.0)
    run.go_on(readings(7.0, 8.0))
    after = run.since(7.02, Tip)[0]
    ahead = datetime.fromisoformat(after.time) - datetime.fromisoformat(before.time)
    assert ahead.total_seconds() == pytest.approx(3600.0 + after.t - before.t, abs=0.0011)
    assert after.quality == before.quality
    assert run.last(State).datum == "set"


def test_a_description_measured_anew_goes_on_with_the_reference(
    run: Run, machine: Machine, readings: Readings
) -> None:
    reach = run.last(Tip).reach_m
    assert reach is not None
    run.pipeline.reload(described(machine, stick={"length_m": 2.6}), Settings())
    run.go_on(readings(7.0, 12.0))
    # The stick points 60° down, so 0.2 m more of it reach 0.1 m farther.
    assert run.last(Tip).reach_m == pytest.approx(reach + 0.1, abs=0.005)
    assert run.last(Tip).datum != "none"


def test_options_of_the_work_change_without_a_restart(run: Run, machine: Machine, readings: Readings) -> None:
    run.pipeline.reload(machine, Settings(work=WorkOptions(wait_s=0.1, still_least_s=30.0)))
    run.pipeline.feed(Command(7.0, "datum/set", {"elevation_m": 99.0}))
    run.go_on(readings(7.0, 8.0))
    assert not run.last(Reply).ok
    assert run.last(Tip).elevation_m == pytest.approx(101.25, abs=0.01)


def test_a_bucket_that_is_no_longer_described_ends_nothing(
    run: Run, machine: Machine, readings: Readings
) -> None:
    description = machine.model_dump(mode="json", exclude_defaults=True)
    description["bucket"] = [{"name": "grading 1500", "tip_m": 1.1, "width_m": 1.5}]
    run.pipeline.reload(parse_machine(description, "changed"), Settings())
    run.go_on(readings(7.0, 12.0))
    assert run.last(Tip).quality == "good"
