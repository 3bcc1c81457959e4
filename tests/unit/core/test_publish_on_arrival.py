"""Figures that wait for no tick: one for every round of the sensors, and ticks where sensors are missing."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime

from tipdatum.bus.messages import Tip
from tipdatum.config import Settings
from tipdatum.core.messages_out import Outgoing
from tipdatum.core.pipeline import Pipeline
from tipdatum.core.rounds import Rounds
from tipdatum.machine.description import Machine
from tipdatum.walltime import WallTime
from tipdatum_drivers.presence import STALE_S, Presence
from tipdatum_drivers.reading import Imu

Readings = Callable[..., Iterator[Imu]]


def tips(machine: Machine, records: Iterator[Imu], *, on_arrival: bool, until: float) -> list[Outgoing]:
    """What is published for these readings."""
    out: list[Outgoing] = []
    settings = Settings(on_arrival=on_arrival)
    pipeline = Pipeline(machine, settings, WallTime(datetime(2026, 3, 2, tzinfo=UTC)), out.append)
    for record in records:
        pipeline.feed(record)
    pipeline.advance(until)
    return [one for one in out if isinstance(one.message, Tip)]


class Hearing:
    """Rounds, and the presences that whoever judges readings keeps."""

    def __init__(self, sensors: str) -> None:
        self.presences = {sensor: Presence() for sensor in sensors}
        self.rounds = Rounds(self.presences)

    def heard(self, sensor: str, t: float) -> bool:
        self.presences[sensor].heard(t)
        self.presences[sensor].used(t)
        return self.rounds.heard(sensor, t)


def test_a_round_is_complete_when_every_sensor_has_spoken_anew() -> None:
    hearing = Hearing("abc")
    found = [hearing.heard(s, 0.01 * k) for k, s in enumerate(["a", "b", "c", "a", "a", "b", "c", "c"])]
    # Nobody knows of b and c before they speak.
    assert found == [True, False, False, True, False, False, True, False]


def test_with_sensors_that_speak_in_bursts_a_round_ends_with_the_burst_wherever_it_began() -> None:
    readings = [(0.01 * burst + 0.0005 * place, s) for burst in range(20) for place, s in enumerate("abcd")]
    for skipped in range(4):
        hearing = Hearing("abcd")
        ended_by = [s for t, s in readings[skipped:] if hearing.heard(s, t)]
        assert ended_by[-15:] == ["d"] * 15


def test_a_sensor_that_fell_silent_is_not_waited_for() -> None:
    hearing = Hearing("ab")
    hearing.heard("a", 0.0)
    hearing.heard("b", 0.0)
    assert not hearing.heard("b", 0.5 * STALE_S)
    assert hearing.heard("b", 2.0 * STALE_S)


def test_a_figure_is_for_the_reading_that_completes_the_round(machine: Machine, readings: Readings) -> None:
    # The readings come at 100 Hz, 2 ms apart and then a pause; the bucket's are last, 6 ms into each round.
    found = tips(machine, readings(0.0, 3.0), on_arrival=True, until=3.0)
    late = [one for one in found if one.t_emit is not None and 1.0 <= one.t_emit < 2.9]
    assert len(late) == 190
    assert {round(one.t_emit * 1000) % 10 for one in late if one.t_emit is not None} == {6}
    assert all(
        abs(one.message.t - (one.t_emit or 0.0)) < 1e-6 for one in late if isinstance(one.message, Tip)
    )


def test_where_sensors_are_missing_ticks_go_on_and_say_so(machine: Machine, readings: Readings) -> None:
    found = tips(machine, readings(0.0, 2.0), on_arrival=True, until=4.01)
    after = [one.message for one in found if isinstance(one.message, Tip) and one.message.t > 3.0]
    # 25 ticks a second by default.
    assert len(after) == 25
    assert {message.quality for message in after} == {"stale"}


def test_the_figures_are_the_same_work_whichever_way_they_are_published(
    machine: Machine, readings: Readings
) -> None:
    ticked = tips(machine, readings(0.0, 3.0), on_arrival=False, until=3.0)
    arrived = tips(machine, readings(0.0, 3.0), on_arrival=True, until=3.0)
    one, other = ticked[-2].message, arrived[-2].message
    assert isinstance(one, Tip)
    assert isinstance(other, Tip)
    assert one.reach_m is not None
    assert other.reach_m is not None
    assert other.sigma_m is not None
    assert abs(one.reach_m - other.reach_m) < other.sigma_m
