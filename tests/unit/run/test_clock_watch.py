"""Which clock jumped: the wall clock was set, or the computer slept."""

from __future__ import annotations

import itertools
import time

import pytest

from tipdatum.run.clocks import JUMP_S, MOST_AHEAD_S, ClockWatch, RunClock, SystemClocks


class Computer:
    """Three clocks under the test's control."""

    def __init__(self) -> None:
        self.awake, self.wall, self.boot = 1000.0, 1.7e9, 5000.0
        self.clocks = SystemClocks(lambda: self.awake, lambda: self.wall, lambda: self.boot)

    def works(self, seconds: float) -> None:
        self.awake += seconds
        self.wall += seconds
        self.boot += seconds

    def sleeps(self, seconds: float) -> None:
        self.wall += seconds
        self.boot += seconds


@pytest.fixture
def computer() -> Computer:
    return Computer()


@pytest.fixture
def watch(computer: Computer) -> ClockWatch:
    return ClockWatch(computer.clocks)


def test_clocks_that_agree_are_no_jump(computer: Computer, watch: ClockWatch) -> None:
    for _ in range(5):
        computer.works(3600.0)
        assert watch.look() == (0.0, 0.0)


@pytest.mark.parametrize("seconds", [7200.0, -7200.0, 2.5])
def test_a_wall_clock_that_was_set_is_told_once_with_its_sign(
    computer: Computer, watch: ClockWatch, seconds: float
) -> None:
    computer.works(1.0)
    computer.wall += seconds
    assert watch.look() == pytest.approx((seconds, 0.0), abs=1e-6)
    computer.works(1.0)
    assert watch.look() == (0.0, 0.0)


def test_a_sleep_is_told_and_the_time_that_the_run_missed_with_it(
    computer: Computer, watch: ClockWatch
) -> None:
    computer.works(1.0)
    computer.sleeps(600.0)
    # The run's clock stood still meanwhile, so the wall time of its messages has to move by as much.
    assert watch.look() == pytest.approx((600.0, 600.0), abs=1e-6)
    assert watch.look() == (0.0, 0.0)


def test_a_sleep_and_a_clock_set_on_waking_are_told_apart(computer: Computer, watch: ClockWatch) -> None:
    computer.sleeps(600.0)
    computer.wall -= 3600.0
    assert watch.look() == pytest.approx((-3000.0, 600.0), abs=1e-6)


def test_small_corrections_are_drift_until_they_add_up(computer: Computer, watch: ClockWatch) -> None:
    computer.wall += 0.6 * JUMP_S
    assert watch.look() == (0.0, 0.0)
    computer.wall += 0.6 * JUMP_S
    assert watch.look() == pytest.approx((1.2 * JUMP_S, 0.0), abs=1e-6)


def test_the_computers_own_clocks_agree_while_it_is_awake() -> None:
    assert ClockWatch().look() == (0.0, 0.0)


def test_a_runs_clock_starts_at_nothing_and_is_as_fast_as_the_replay() -> None:
    began = time.monotonic()
    clock = RunClock(speed=100.0)
    time.sleep(0.01)
    t = clock()
    assert 1.0 <= t <= 100.0 * (time.monotonic() - began)
    assert clock.real_seconds(5.0) == pytest.approx(0.05)


def test_a_fast_clock_waits_for_ticks_that_cannot_follow_and_never_goes_back() -> None:
    now = [0.0]
    clock = RunClock(100.0, lambda: now[0])
    seen = [clock()]
    for took in (0.001, 3.0, 0.2, 30.0, 0.001):
        began = clock()
        now[0] += took
        seen.append(clock())
        # However long a tick took, the next has no more than this to do.
        assert seen[-1] - began <= MOST_AHEAD_S
        clock.ticked(began)
        seen.append(clock())
    assert all(later >= earlier - 1e-9 for earlier, later in itertools.pairwise(seen))
    now[0] += 0.01
    assert clock() == pytest.approx(seen[-1] + 1.0)


def test_a_clock_in_real_time_waits_for_nobody() -> None:
    now = [0.0]
    clock = RunClock(1.0, lambda: now[0])
    now[0] = 600.0
    assert clock() == 600.0


def test_a_clock_that_goes_with_the_computer_s_says_since_when() -> None:
    clock = RunClock()
    assert clock.zero_s is not None
    before = time.monotonic() - clock.zero_s
    assert before <= clock() <= time.monotonic() - clock.zero_s
    assert RunClock(2.0).zero_s is None
    assert RunClock(1.0, lambda: 0.0).zero_s is None
