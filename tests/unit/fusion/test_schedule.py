"""Which block comes next, and for whom it waits."""

from __future__ import annotations

from tipdatum.fusion.chain.samples import SampleBuffer
from tipdatum.fusion.chain.schedule import BlockSchedule
from tipdatum.fusion.sensors import Channel
from tipdatum.machine.parts import Sensor
from tipdatum_drivers.reading import Imu

EPOCH_S = 0.05


def test_a_sensor_found_to_speak_late_is_waited_for_and_not_taken_for_silent() -> None:
    channels = [Channel(body, Sensor(body=body), 9.80665) for body in ("boom", "stick")]
    samples = [SampleBuffer(0.3), SampleBuffer(0.3)]
    samples[1].delay = 0.08  # longer than a block waits for one that has nothing to tell
    schedule = BlockSchedule(channels, samples, EPOCH_S)
    missing = []
    for k in range(200):
        t = 1.0 + 0.01 * k
        for i, channel in enumerate(channels):
            sampled, force, rate = channel.raw(Imu(t, channel.name, (0.0, 0.0, 9.8), (0.0, 0.0, 0.0)))
            assert rate is not None
            samples[i].add(sampled, force, rate)
            while schedule.is_due(i, t) and (found := schedule.ready(EPOCH_S, t)) is not None:
                number, absent = found
                missing.append(absent)
                schedule.taken(number + 1, EPOCH_S)
    assert len(missing) > 30
    assert not any(missing)
