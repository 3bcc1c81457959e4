"""Records of several drivers come together in one order of time, and none is overtaken by a tick."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum.run.intake import Intake
from tipdatum_drivers.options import Options
from tipdatum_drivers.reading import Fault, Imu, Record, Slew, Truth
from tipdatum_drivers.source import Clock, Driver, Emit

FLAT = (0.0, 0.0, 9.81)


class Port(Driver):
    """A driver that keeps what it reads."""

    Options = Options
    keeps = True

    def __init__(self, options: Options | None = None) -> None:
        self.kept: list[Record | Fault] = []

    async def run(self, emit: Emit, clock: Clock) -> None: ...

    def collect(self) -> list[Any]:
        kept, self.kept = self.kept, []
        return kept


class Paced(Driver):
    """A driver that hands over by itself what is stamped already, and may be late with it."""

    Options = Options
    lateness_s = 0.2

    def __init__(self, options: Options | None = None) -> None: ...

    async def run(self, emit: Emit, clock: Clock) -> None: ...


class Run:
    """Two ports at a clock that is set by hand."""

    def __init__(self) -> None:
        self.t = 0.0
        self.ports = [Port(), Port()]
        self.got: list[Record | Fault] = []
        self.intake = Intake(self.ports, lambda: self.t, self.got.append)


@pytest.fixture
def run() -> Run:
    return Run()


def test_readings_of_two_ports_come_in_their_order_of_time_with_their_own_stamps(run: Run) -> None:
    run.ports[0].kept = [Imu(0.001, "boom", FLAT), Imu(0.011, "boom", FLAT)]
    run.ports[1].kept = [Imu(0.003, "stick", FLAT), Imu(0.013, "stick", FLAT)]
    run.t = 0.02
    assert run.intake.now() == 0.02
    assert [(item.t, getattr(item, "sensor", "")) for item in run.got] == [
        (0.001, "boom"),
        (0.003, "stick"),
        (0.011, "boom"),
        (0.013, "stick"),
    ]
    assert all(isinstance(item, Imu) and item.t_sample is None for item in run.got)


def test_reading_that_was_stamped_before_the_last_tick_takes_its_place_behind_it(run: Run) -> None:
    run.t = 0.02
    run.intake.now()
    run.ports[0].kept = [Imu(0.019, "boom", FLAT)]
    run.t = 0.04
    run.intake.now()
    assert run.got == [Imu(0.02, "boom", FLAT, t_sample=0.019)]


def test_reading_of_another_clock_keeps_its_time(run: Run) -> None:
    run.t = 10.0
    run.intake.now()
    run.intake.take(Slew(2.0, "slew", 5.0))
    assert run.got == [Slew(2.0, "slew", 5.0)]


def test_where_figures_follow_from_each_reading_a_port_says_when_it_has_one() -> None:
    ports, got = [Port(), Port()], list[Record | Fault]()
    intake = Intake(ports, lambda: 1.0, got.append, lambda: intake.fetch())
    ports[1].kept = [Slew(0.5, "slew", 1.0)]
    assert ports[1].on_read is not None
    ports[1].on_read()
    assert got == [Slew(0.5, "slew", 1.0)]


def test_where_a_tick_takes_them_in_no_port_waits_for_a_call_to_end(run: Run) -> None:
    run.ports[0].kept = [Slew(0.0, "slew", 1.0)]
    assert run.ports[0].on_read is not None
    run.ports[0].on_read()
    assert run.got == []


def test_time_waits_for_a_recording_that_may_be_late() -> None:
    now = 1.0
    intake = Intake([Port(), Paced()], lambda: now, lambda _: None)  # type: ignore[list-item]
    assert intake.now() == pytest.approx(0.8)


def test_truth_goes_nowhere_and_a_fault_s_time_orders_nothing(run: Run) -> None:
    run.intake.take(Truth(5.0, FLAT))
    run.intake.take(Fault(4.0, "boom", "silent"))
    run.t = 1.0
    assert run.intake.now() == 1.0
    assert run.got == [Fault(4.0, "boom", "silent")]


def test_a_record_that_nobody_can_take_keeps_none_of_the_others() -> None:
    got: list[Record | Fault] = []

    def hand_on(record: Record | Fault) -> None:
        if len(got) == 0:
            got.append(record)
            raise TypeError("a defect")
        got.append(record)

    port = Port()
    intake = Intake([port], lambda: 1.0, hand_on)  # type: ignore[list-item]
    port.kept = [Slew(0.1 * i, "slew", float(i)) for i in range(3)]
    with pytest.raises(TypeError, match="a defect"):
        intake.fetch()
    intake.fetch()
    assert len(got) == 3


@given(
    st.lists(
        st.tuples(st.floats(0.0, 0.03), st.sampled_from(["first", "second", "tick"]), st.floats(0.0, 0.2)),
        max_size=60,
    )
)
def test_order_of_time_is_kept_and_nothing_lost(steps: list[tuple[float, str, float]]) -> None:
    """Ports hand over in their own order, each reading up to 0.2 s after its stamp."""
    run = Run()
    stamps = {"first": 0.0, "second": 0.0}
    put = 0
    for passed, what, age in steps:
        run.t += passed
        if what == "tick":
            run.intake.now()
            continue
        stamps[what] = max(stamps[what], run.t - age)
        run.ports[what == "second"].kept.append(Slew(stamps[what], what, 0.0))
        put += 1
    run.intake.now()
    times = [item.t for item in run.got]
    assert times == sorted(times)
    assert len(times) == put
