"""Whoever is silent, the tip and the sensor's health say so at the same moment."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from datetime import UTC, datetime

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from tipdatum.bus.messages import Tip
from tipdatum.config import Settings
from tipdatum.core.messages_out import Outgoing
from tipdatum.core.pipeline import Pipeline
from tipdatum.machine.description import Machine
from tipdatum.walltime import WallTime
from tipdatum_drivers.presence import SLOWEST_S, TREMBLE
from tipdatum_drivers.reading import Imu

ABSENT = ("silent", "not heard yet", "tells nothing that can be used", "speaks only every")
"""How a reason begins, after the sensor's name, that says it is not there."""
LASTS_S = 8.0
TICKS = Settings(period_s=0.1)
"""Seldom enough that many mixes of sensors can be tried, and finer than any silence."""
periods = st.sampled_from([0.04, 0.1, 0.35, 0.5, 1.0, SLOWEST_S, 3.0])
pauses = st.lists(st.tuples(st.floats(2.0, 5.0), st.floats(0.1, 4.0)), max_size=2)
late = st.sampled_from([0.0, 0.0, 0.3])
"""Readings of so many seconds come in one burst."""
streams = st.tuples(periods, pauses, late)


def arrivals(stream: tuple[float, list[tuple[float, float]], float], at_rest: Imu) -> list[Imu]:
    period, pauses, burst = stream
    found = []
    for k in range(int(LASTS_S / period)):
        t = 0.3 + k * period
        if any(start <= t < start + length for start, length in pauses):
            continue
        t = t if not burst else burst * (1.0 + t // burst)
        # Readings of a live part never repeat to the last bit.
        x, y, z = at_rest.accel_mps2
        wobble = 0.003 * math.sin(1.7 * k)
        gyro = (0.01 * wobble, 0.02 * wobble, -0.01 * wobble)
        found.append(replace(at_rest, t=t, accel_mps2=(x + wobble, y, z - wobble), gyro_radps=gyro))
    return found


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(of=st.tuples(streams, streams, streams, streams))
def test_tip_and_health_never_disagree_about_who_is_silent(
    of: tuple[tuple[float, list[tuple[float, float]], float], ...],
    machine: Machine,
    readings: Callable[..., Iterator[Imu]],
) -> None:
    at_rest = {r.sensor: r for r in readings(0.0, 0.1)}
    out: list[Outgoing] = []
    pipeline = Pipeline(machine, TICKS, WallTime(datetime(2026, 3, 2, tzinfo=UTC)), out.append)
    lines = zip(at_rest, of, strict=True)
    together = [one for sensor, stream in lines for one in arrivals(stream, at_rest[sensor])]
    spoken = 0
    for reading in sorted(together, key=lambda r: r.t):
        pipeline.advance(reading.t)
        for tip in [one.message for one in out if isinstance(one.message, Tip)]:
            reasons = [reason.partition(" sensor ") for reason in tip.reasons]
            told = {name for name, _, why in reasons if why.startswith(ABSENT)}
            monitors = pipeline._board.monitors
            assert told == {name for name in at_rest if monitors[name].health(tip.t).state != "ok"}
            spoken += tip.quality not in ("stale", "invalid")
        out.clear()
        pipeline.feed(reading)
    slow = any(period > TREMBLE * SLOWEST_S for period, _, _ in of)
    assert spoken or slow or any(pauses for _, pauses, _ in of)
