"""Stamps of a device on the service's clock: what the transport adds must not become tilt error."""

from __future__ import annotations

import random
import statistics
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum_drivers.clock_map import ClockMap, EvenSamples

WIRE_S = 0.002


def stamped(
    drift: float, seconds: float, *, batch: float = 0.0, start_count: int = 0
) -> list[tuple[float, float, float]]:
    """True time, arrival and mapped stamp of samples at 100 Hz through a transport with jitter."""
    rng = random.Random(11)
    clock = ClockMap()
    rows = []
    for i in range(int(seconds * 100)):
        true = 5.0 + 0.01 * i + rng.uniform(0.0, 0.0005)
        count = (start_count + round((true - 5.0) * (1.0 + drift) * 1e6)) % 2**32
        arrival = true + WIRE_S + rng.expovariate(1 / 0.003)
        if batch:
            arrival = (arrival // batch + 1.0) * batch
        rows.append((true, arrival, clock.map(count, arrival)))
    return rows


@pytest.mark.parametrize("drift", [0.0, 80e-6, -200e-6])
def test_jitter_of_milliseconds_and_drift_leave_microseconds(drift: float) -> None:
    late = [row for row in stamped(drift, 60.0) if row[0] > 25.0]
    errors = [stamp - true - WIRE_S for true, _, stamp in late]
    jitter = [arrival - true - WIRE_S for true, arrival, _ in late]
    assert statistics.pstdev(jitter) > 2e-3
    assert max(map(abs, errors)) < 1e-4


def test_bytes_delivered_in_bunches_of_16_ms_leave_an_even_time() -> None:
    errors = [stamp - true for true, _, stamp in stamped(50e-6, 60.0, batch=0.016) if true > 25.0]
    assert statistics.pstdev(errors) < 3e-4


def test_counter_that_wraps_goes_on() -> None:
    rows = stamped(0.0, 20.0, start_count=2**32 - 8_000_000)
    assert max(abs(stamp - true - WIRE_S) for true, _, stamp in rows[200:]) < 1e-3


def test_device_that_restarts_is_mapped_anew() -> None:
    clock = ClockMap()
    for i in range(1000):
        clock.map(3_000_000_000 + 10_000 * i, 100.0 + 0.01 * i)
    assert clock.map(5_000, 120.0) == pytest.approx(120.0)
    assert clock.map(15_000, 120.013) == pytest.approx(120.01)


@given(st.lists(st.tuples(st.integers(0, 2**32 - 1), st.floats(0, 0.05)), min_size=2, max_size=80))
def test_stamps_never_lie_in_the_future_and_rise(pairs: list[tuple[int, float]]) -> None:
    clock = ClockMap()
    now, before = 0.0, float("-inf")
    for count, wait in pairs:
        now += wait + 1e-5
        stamp = clock.map(count, now)
        assert stamp <= now
        assert stamp >= before or now - stamp < 1.5
        before = stamp


def test_samples_that_come_together_keep_their_order() -> None:
    clock = ClockMap()
    stamps = [clock.map(10_000 * i, 7.0) for i in range(30)]
    assert all(b > a for a, b in pairwise(stamps))
    assert max(stamps) - 7.0 < 1e-4


@pytest.mark.parametrize("off", [0.0, 0.01, -0.02])
@pytest.mark.parametrize("batch", [0.0, 0.016])
def test_even_samples_are_spaced_evenly_however_they_arrive(off: float, batch: float) -> None:
    """A module that says 100 Hz and is some percent off, behind an adapter that holds bytes for 16 ms."""
    rng = random.Random(2)
    even = EvenSamples(100.0)
    errors, jitter = [], []
    for i in range(2000):
        true = 50.0 + 0.01 * (1.0 + off) * i
        arrival = true + 0.004 + rng.expovariate(1 / 0.0005)
        if batch:
            arrival = (arrival // batch + 1.0) * batch
        stamp = even.stamp(arrival)
        if i > 600:
            errors.append(stamp - true)
            jitter.append(arrival - true)
    assert statistics.pstdev(errors) < 0.6e-3
    if batch:
        assert statistics.pstdev(jitter) > 4e-3
        assert max(errors) - min(errors) < 4e-3


def test_even_samples_start_anew_after_a_gap() -> None:
    even = EvenSamples(100.0)
    for i in range(300):
        even.stamp(10.0 + 0.01 * i)
    assert even.stamp(14.0) == 14.0
    assert even.stamp(14.01) == pytest.approx(14.01)
