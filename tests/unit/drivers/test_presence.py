"""One rule for silence: how long a sensor may be silent, what its period is, what a step of the clock is."""

from __future__ import annotations

import random
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum_drivers.presence import CLOCK_STEP_S, SLOWEST_S, STALE_S, Presence


def spoken(period_s: float, count: int = 60, start: float = 0.0) -> Presence:
    """A sensor that has spoken evenly; the last time at start + (count - 1) periods."""
    presence = Presence()
    speak(presence, period_s, count, start)
    return presence


def speak(presence: Presence, period_s: float, count: int, start: float) -> None:
    for k in range(count):
        presence.heard(start + k * period_s)
        presence.used(start + k * period_s)


@dataclass(frozen=True)
class Described:
    stale_after_s: float | None = None
    type: str = "imu"


@pytest.mark.parametrize(
    ("period_s", "patience_s"), [(0.005, 0.25), (0.1, 0.25), (0.2, 0.5), (0.5, 1.25), (1.0, 2.5), (2.0, 5.0)]
)
def test_patience_is_a_quarter_second_or_two_and_a_half_periods(period_s: float, patience_s: float) -> None:
    presence = spoken(period_s)
    last = presence.last or 0.0
    assert presence.stale_after_s == pytest.approx(patience_s)
    assert not presence.silent(last + 0.99 * patience_s)
    assert presence.silent(last + 1.01 * patience_s)


def test_a_sensor_that_becomes_slower_is_known_by_its_new_period_after_five_readings() -> None:
    presence = spoken(0.02)
    last = presence.last or 0.0
    speak(presence, 0.1, 5, last + 0.1)
    assert presence.period_s == pytest.approx(0.1)
    speak(presence, 0.1, 3, last + 0.6)
    assert presence.rate_hz == pytest.approx(10.0)


@pytest.mark.parametrize("seed", range(20))
def test_a_line_that_loses_half_its_readings_is_known_by_what_comes(seed: int) -> None:
    presence, chance = spoken(0.02), random.Random(seed)
    for k in range(60, 1000):
        if chance.random() < 0.5:
            presence.heard(0.02 * k)
    # The mean of a geometric distribution: 0.04 s; averaged over some fifty, ± 4 standard deviations.
    assert presence.period_s == pytest.approx(0.04, abs=0.012)


def test_what_the_description_says_stands_whatever_the_period() -> None:
    for stale_after_s in (0.1, 3.0):
        presence = Presence.of(Described(stale_after_s))
        speak(presence, 0.5, 20, 0.0)
        assert presence.stale_after_s == stale_after_s
    presence.describe(Described())
    assert presence.stale_after_s == pytest.approx(1.25)
    presence.describe(Described(0.7))
    assert presence.stale_after_s == 0.7


def test_a_laser_receiver_is_never_silent_once_it_was_heard() -> None:
    presence = Presence.of(Described(type="beam"))
    assert presence.silent(0.0)
    for k in range(9):
        presence.heard(6.0 * k)
    assert not presence.silent(1e6)
    assert not presence.too_slow


def test_one_long_silence_makes_no_patience_for_the_next() -> None:
    presence = spoken(0.01)
    speak(presence, 0.01, 1, 8.0)
    assert presence.stale_after_s == STALE_S


@pytest.mark.parametrize("apart_s", [0.0, 1e-9, 5e-5, 5e-4])
@pytest.mark.parametrize("held", [12, 40, 100])
def test_readings_that_a_busy_computer_hands_over_together_leave_the_period_as_it_is(
    apart_s: float, held: int
) -> None:
    """A hundred readings a second, so many of them at once: a mean interval of a hundredth of a second."""
    presence = spoken(0.01)
    periods = []
    for burst in range(1, 200):
        for k in range(held):
            presence.heard(0.6 + 0.01 * held * burst + k * apart_s)
            periods.append(presence.period_s or 0.0)
    # Of exponential weights, the mean over what is forgotten in between.
    late = periods[50 * held :]
    assert sum(late) / len(late) == pytest.approx(0.01, rel=0.15)
    assert min(late) > 0.001


def test_a_sensor_that_becomes_slow_is_known_as_slow_after_some_readings() -> None:
    presence = spoken(0.01)
    speak(presence, 1.0, 12, 2.0)
    assert not presence.silent((presence.last or 0.0) + 1.0)


def test_packets_of_several_readings_at_once_have_the_mean_period() -> None:
    presence = Presence()
    for k in range(40):
        for _ in range(4):
            presence.heard(1.0 * k)
    assert presence.period_s == pytest.approx(0.25, rel=0.1)


@given(period=st.floats(0.001, 20.0))
def test_slower_than_once_in_two_seconds_is_refused_in_words_and_nothing_faster(period: float) -> None:
    presence = spoken(period, 20)
    words = presence.missing(presence.last or 0.0)
    if period <= SLOWEST_S:
        assert words is None
    elif 1.2 * SLOWEST_S <= period <= 10.0:
        assert words is not None
        assert "at least every 2 s" in words
    # What speaks more seldom still is silent before it could be called slow.
    assert presence.silent((presence.last or 0.0) + 5.01)


@given(times=st.lists(st.tuples(st.floats(0.0, 3.0), st.booleans()), max_size=60), wait=st.floats(0.0, 8.0))
def test_fine_is_exactly_where_nothing_is_missing(times: list[tuple[float, bool]], wait: float) -> None:
    presence, t = Presence(), 0.0
    for step, good in times:
        t += step
        presence.heard(t)
        if good:
            presence.used(t)
    t += wait
    assert presence.fine(t) == (presence.missing(t) is None)
    if presence.silent(t):
        assert presence.unusable(t)


def test_a_clock_that_steps_back_is_told_from_a_reading_out_of_order() -> None:
    presence = spoken(0.01, start=10.0)
    last = presence.last or 0.0
    assert presence.order(last) == "next"
    assert presence.order(last - 0.5 * CLOCK_STEP_S) == "behind"
    assert presence.order(last - 2.0 * CLOCK_STEP_S) == "clock stepped"
    presence.clock_stepped()
    assert presence.missing(1.0) == "not heard yet"
    presence.heard(1.0)
    assert presence.period_s == pytest.approx(0.01)


def test_a_reading_is_late_before_silence_begins() -> None:
    presence = spoken(0.01)
    last = presence.last
    assert last is not None
    assert not presence.overdue(last + 0.02)
    assert presence.overdue(last + 0.1)
    assert presence.missing(last + 0.1) is None
    for k in range(20):
        presence.heard(last + 0.01 * (k + 1))
    assert presence.overdue(last + 0.2)


def test_one_long_interval_lends_no_patience_before_it_is_known_to_be_the_period() -> None:
    """A sensor of three seconds is refused from its fourth reading on; until then its figures go at once."""
    presence = Presence()
    for k in range(3):
        presence.heard(3.0 * k)
        presence.used(3.0 * k)
        assert presence.stale_after_s == STALE_S
        assert presence.silent(3.0 * k + 1.01 * STALE_S)
    presence.heard(9.0)
    assert presence.too_slow
    assert presence.missing(9.1) == presence.slowness
