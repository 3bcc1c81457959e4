"""What a sensor's monitor believes, what it counts, and how each fault ends by itself."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from tipdatum_drivers.part_limits import USUAL_LIMITS
from tipdatum_drivers.plausibility import PartLimits, SensorMonitor
from tipdatum_drivers.reading import Beam, Fault, Identity, Imu, Reading, Tilt
from tipdatum_drivers.session_file import SessionFile

G = 9.80665


@dataclass
class Described:
    serial: str | None = None
    stale_after_s: float | None = None
    type: str = "imu"
    body: str = ""
    limits: PartLimits = USUAL_LIMITS


def swinging(
    seconds: float, start: float = 0.0, gyro: Callable[[float], float] = lambda rate: rate
) -> Iterator[Imu]:
    """A link at 100 Hz that stands for 1.5 s, turns by 36° in 1 s, stands, turns back, with sensor noise.

    It gathers speed and loses it within a tenth of a second.
    """
    noise = random.Random(4)
    angle = 0.0
    for i in range(int(seconds * 100)):
        phase, full = i % 500, math.radians(40.0)
        rate = full * max(0.0, min(1.0, (phase - 150) / 10, (250 - phase) / 10))
        rate -= full * max(0.0, min(1.0, (phase - 400) / 10, (500 - phase) / 10))
        angle += rate * 0.01
        # The specific force of a body that pitches nose up by `angle` has +x towards up; its gyro then turns
        # about -y (x forward, y left, z up).
        accel = (
            G * math.sin(angle) + noise.gauss(0, 0.02),
            noise.gauss(0, 0.02),
            G * math.cos(angle) + noise.gauss(0, 0.02),
        )
        turn = (noise.gauss(0, 0.001), gyro(-rate) + noise.gauss(0, 0.001), noise.gauss(0, 0.001))
        yield Imu(start + 0.01 * (i + 1), "boom", accel, turn)


def kinds(monitor: SensorMonitor, readings: Iterator[Imu] | list[Reading]) -> list[str]:
    return [fault.kind for reading in readings for fault in monitor.check(reading)[1]]


def still(t: float, **other: float) -> Imu:
    wobble = 0.001 * math.sin(1e4 * t)
    return Imu(t, "boom", (wobble, 0.0, G), (0.0, wobble, 0.0), **other)


def test_good_readings_pass_unchanged_and_health_tells_their_pace() -> None:
    monitor = SensorMonitor("boom", Described())
    for reading in swinging(20.0):
        assert monitor.check(reading) == ((reading,), [])
    health = monitor.health(20.004)
    assert (health.state, health.text, health.faults, health.last_fault) == ("ok", "", {}, None)
    assert health.rate_hz == pytest.approx(100.0)
    assert health.jitter_s == pytest.approx(0.0, abs=1e-9)
    assert health.age_s == pytest.approx(0.004)


def test_waiting_then_stale_then_good_again() -> None:
    monitor = SensorMonitor("boom", Described())
    assert monitor.health(5.0).state == "waiting"
    for i in range(100):
        monitor.check(still(10.0 + 0.01 * i))
    assert monitor.health(11.0).state == "ok"
    silent = monitor.health(11.5)
    assert (silent.state, silent.rate_hz) == ("stale", 0.0)
    monitor.check(still(11.6))
    assert monitor.health(11.6).state == "ok"


def test_outage_is_no_part_of_the_rate_but_a_new_rate_is() -> None:
    monitor = SensorMonitor("boom", Described())
    times = [0.01 * i for i in range(100)] + [2.9 + 0.01 * i for i in range(20)]
    for t in times:
        monitor.check(still(t))
    assert monitor.health(times[-1]).rate_hz == pytest.approx(100.0)
    slower = [5.0 + 0.2 * i for i in range(200)]
    for t in slower:
        monitor.check(still(t))
    assert monitor.health(slower[-1]).rate_hz == pytest.approx(5.0, rel=0.05)


def test_silence_after_a_fault_of_the_line_names_it() -> None:
    monitor = SensorMonitor("boom", Described())
    monitor.count(Fault(0.5, "boom", "port", "/dev/x is not there"))
    assert monitor.health(0.6).text == "no reading yet (port: /dev/x is not there)"
    monitor.check(still(1.0))
    assert monitor.health(1.01).text == ""
    monitor.count(Fault(1.1, "boom", "unplugged", "/dev/x has gone"))
    assert monitor.health(1.4).text == "no reading for more than 0.25 s (unplugged: /dev/x has gone)"


def test_slow_sensor_is_not_stale_between_its_readings() -> None:
    monitor = SensorMonitor("boom", Described(type="tilt"))
    for i in range(20):
        monitor.check(Tilt(i / 3.0, "boom", angle_deg=0.1 * i))
    assert monitor.health(19 / 3.0 + 0.5).state == "ok"
    assert monitor.health(19 / 3.0 + 1.0).state == "stale"
    strict = SensorMonitor("boom", Described(stale_after_s=0.1, type="tilt"))
    strict.check(Tilt(0.0, "boom", angle_deg=0.0))
    assert strict.health(0.2).state == "stale"


@pytest.mark.parametrize("gyro", [lambda rate: 0.0, lambda rate: -rate], ids=["dead", "sign turned"])
def test_gyro_that_does_not_fit_the_tilt_is_found_and_forgiven(gyro: Callable[[float], float]) -> None:
    monitor = SensorMonitor("boom", Described())
    assert kinds(monitor, swinging(30.0, gyro=gyro)) == ["rate disagrees"]
    assert monitor.check(still(30.5))[0] == ()
    assert monitor.health(30.5).state == "fault"
    assert kinds(monitor, swinging(60.0, start=31.0)) == []
    assert monitor.health(91.0).state == "ok"


def test_gyro_in_degrees_is_dropped_wherever_it_turns_faster_than_an_excavator() -> None:
    monitor = SensorMonitor("boom", Described(), PartLimits())
    used = [monitor.check(r)[0] for r in swinging(3.0, gyro=math.degrees)]
    assert not any(used[155:245]), "20 to 40 rad/s"
    assert set(monitor.faults) <= {"out of range", "glitch", "rubbish"}
    assert monitor.health(2.49).state == "fault"


@pytest.mark.parametrize("rate", [0.6, 1.5, 3.0, 10.0, 30.0, -35.0])
@pytest.mark.parametrize("axis", [0, 1, 2])
def test_a_single_bad_rate_is_thrown_away_and_counted_and_nothing_else_is_lost(
    rate: float, axis: int
) -> None:
    readings = list(swinging(4.0))
    bad = 180
    x, y, z = readings[bad].gyro_radps or (0.0, 0.0, 0.0)
    words = (x + rate * (axis == 0), y + rate * (axis == 1), z + rate * (axis == 2))
    spoilt = [*readings[:bad], replace(readings[bad], gyro_radps=words), *readings[bad + 1 :]]
    monitor = SensorMonitor("boom", Described())
    used = [one for reading in spoilt for one in monitor.check(reading)[0]]
    assert used == [*readings[:bad], *readings[bad + 1 :]]
    assert monitor.fault_count == 1


def test_a_leap_of_the_rate_that_stays_is_used_late_and_whole() -> None:
    """A shock may do what a stroke of the arm cannot: nothing of it may be lost."""
    readings = [
        replace(r, gyro_radps=(0.0, 1.0 if i >= 50 else 0.0, 0.0)) for i, r in enumerate(swinging(1.0))
    ]
    monitor = SensorMonitor("boom", Described())
    used = [one for reading in readings for one in monitor.check(reading)[0] if isinstance(one, Imu)]
    assert [u.t if u.t_sample is None else u.t_sample for u in used] == [r.t for r in readings]
    assert [u.gyro_radps for u in used] == [r.gyro_radps for r in readings]
    assert [u.t for u in used] == sorted(u.t for u in used), "in order of arrival"
    assert max(u.t - u.t_sample for u in used if u.t_sample is not None) < 0.12
    assert monitor.faults == {}


def test_what_a_gyro_tells_while_a_blow_rings_is_its_body_turning() -> None:
    """The force of the same sensor leaps with it; thrown away, degrees would be lost."""
    ring = {50: 0.6, 51: -0.4, 53: 0.8, 55: -0.5, 58: 0.5}
    readings = list(swinging(1.0))
    for i, leap in ring.items():
        (x, y, z), (fx, fy, fz) = readings[i].gyro_radps, readings[i].accel_mps2
        readings[i] = replace(readings[i], gyro_radps=(x, y + leap, z), accel_mps2=(fx, fy, fz + 40.0 * leap))
    monitor = SensorMonitor("boom", Described())
    used = [one for reading in readings for one in monitor.check(reading)[0]]
    assert used == readings
    assert "glitch" not in monitor.faults


def test_a_bucket_that_chatters_in_hard_ground_loses_nothing_of_its_turning() -> None:
    """A part r beside the axis about which its body is shaken feels r·dω/dt: here 0.2 m, at 33 Hz."""
    readings, omega = list(swinging(1.5)), 2.0 * math.pi * 33.0
    for i in range(60, 120):
        r = readings[i]
        rate, force = 2.5 * math.cos(omega * r.t), -0.2 * 2.5 * omega * math.sin(omega * r.t)
        (x, y, z), (fx, fy, fz) = r.gyro_radps, r.accel_mps2
        readings[i] = replace(r, gyro_radps=(x, y + rate, z), accel_mps2=(fx, fy, fz + force))
    monitor = SensorMonitor("bucket", Described())
    used = [one for reading in readings for one in monitor.check(reading)[0] if isinstance(one, Imu)]
    chattered = [r.gyro_radps for r in readings[70:]]
    assert [u.gyro_radps for u in used][-len(chattered) :] == chattered
    assert len(readings) - len(used) <= 3, "before it shows that it goes on"


def test_a_blow_that_turns_a_body_for_some_readings_is_no_bad_rate() -> None:
    readings = list(swinging(1.0))
    for i, (leap, force) in enumerate([(2.0, 30.0), (1.7, 9.0), (1.5, 0.0)], 50):
        (x, y, z), (fx, fy, fz) = readings[i].gyro_radps, readings[i].accel_mps2
        readings[i] = replace(readings[i], gyro_radps=(x, y + leap, z), accel_mps2=(fx, fy, fz + force))
    monitor = SensorMonitor("boom", Described())
    used = [one for reading in readings for one in monitor.check(reading)[0] if isinstance(one, Imu)]
    assert [u.gyro_radps for u in used] == [r.gyro_radps for r in readings]


def test_garbage_in_rate_and_force_alike_is_no_blow() -> None:
    readings = list(swinging(1.0))
    readings[50] = replace(readings[50], gyro_radps=(0.3, 3.5, -2.0), accel_mps2=(-31.0, 17.0, 4.0))
    monitor = SensorMonitor("boom", Described())
    used = [one for reading in readings for one in monitor.check(reading)[0]]
    assert used == [*readings[:50], *readings[51:]]
    assert monitor.fault_count == 1


@pytest.mark.parametrize("words", [(-78.4, -34.9), (0.0, 0.0)], ids=["0x8000", "zeros"])
def test_words_that_are_all_alike_are_nothing_measured(words: tuple[float, float]) -> None:
    monitor = SensorMonitor("boom", Described())
    monitor.check(still(0.0))
    accepted, faults = monitor.check(Imu(0.01, "boom", (words[0],) * 3, (words[1],) * 3))
    assert (accepted, len(faults)) == ((), 1)
    assert faults[0].kind in ("constant words", "out of range")


def test_a_sensor_that_sends_much_rubbish_is_in_fault_and_forgiven() -> None:
    monitor, rng = SensorMonitor("boom", Described()), random.Random(3)
    for r in swinging(5.0):
        monitor.check(replace(r, gyro_radps=(rng.uniform(-35, 35),) * 3) if rng.random() < 0.3 else r)
    assert "rubbish" in monitor.health(5.0).text
    for r in swinging(5.0, start=5.0):
        monitor.check(r)
    assert monitor.health(10.0).state == "ok"


def test_gyro_and_tilt_are_not_compared_across_a_gap() -> None:
    """While nobody listened the arm went elsewhere, time and again: that says nothing against its gyro."""
    monitor = SensorMonitor("boom", Described())
    noise = random.Random(5)
    for k in range(20):
        angle = 0.4 * (k % 3)
        for i in range(200):
            force = (G * math.sin(angle) + noise.gauss(0, 0.02), noise.gauss(0, 0.02), G * math.cos(angle))
            turn = (noise.gauss(0, 0.001), noise.gauss(0, 0.001), noise.gauss(0, 0.001))
            monitor.check(Imu(5.0 * k + 0.01 * i, "boom", force, turn))
    assert monitor.faults == {}


def test_frozen_sensor_is_dropped_until_it_moves() -> None:
    monitor = SensorMonitor("boom", Described())
    frozen = [Imu(0.01 * i, "boom", (0.1, 0.2, G), (0.0, 0.0, 0.01)) for i in range(200)]
    accepted = [monitor.check(reading)[0] for reading in frozen]
    assert accepted[1:] == [()] * 199, "six words never repeat: nothing new is told"
    assert monitor.faults == {"frozen": 1}
    assert "frozen" in monitor.health(2.0).text
    assert monitor.check(still(2.0)) == ((still(2.0),), [])
    assert monitor.health(2.0).state == "ok"


def test_what_is_not_used_has_its_own_reason_from_the_start() -> None:
    """Not that of a fault that is long over, and no `None` where none has been found yet."""
    for begins in (0.0, 100.0):
        monitor = SensorMonitor("boom", Described())
        for i in range(100):
            monitor.check(still(begins + 0.01 * i))
        if begins:
            monitor.check(replace(still(begins + 1.0), accel_mps2=(500.0, 0.0, 0.0)))
        t = begins + 1.01
        for _ in range(40):
            monitor.check(replace(still(begins), t=t))
            t += 0.01
        why = "readings come, but none can be used: frozen: the same reading again"
        assert monitor.health(t).text == why
        assert monitor.presence.missing(t) == (
            "tells nothing that can be used: frozen: the same reading again"
        )


def test_coarse_inclinometer_at_rest_is_not_taken_for_frozen() -> None:
    coarse, fine = SensorMonitor("a", Described(type="tilt")), SensorMonitor("b", Described(type="tilt"))
    for i in range(1000):
        coarse.check(Tilt(0.1 * i, "a", angle_deg=12.3 + (0.1 if i == 5 else 0.0)))
        fine.check(Tilt(0.1 * i, "b", angle_deg=12.3 + (0.001 if i == 5 else 0.0)))
    assert coarse.faults == {}
    assert fine.faults == {"frozen": 1}


def test_readings_in_g_are_found_and_the_unit_is_named() -> None:
    monitor = SensorMonitor("boom", Described())
    for i in range(600):
        monitor.check(Imu(0.01 * i, "boom", (0.0, 0.001 * (i % 7), 1.0), (0.0, 0.0, 0.0)))
    assert "is it in g?" in monitor.health(6.0).text
    for i in range(60):
        monitor.check(still(6.0 + 0.01 * i))
    assert monitor.health(6.6).state == "ok"


def test_first_reading_after_an_outage_is_not_held_against_what_was_before() -> None:
    monitor = SensorMonitor("boom", Described())
    for i in range(50):
        monitor.check(still(0.01 * i))
    falling = Imu(20.0, "boom", (0.0, 0.0, 2.0), (0.0, 0.0, 0.0))
    assert monitor.check(falling) == ((falling,), []), "one reading far from 1 g is no long time far from it"
    again = Imu(40.0, "boom", (0.0, 0.0, 2.0), (0.0, 0.0, 0.0))
    assert monitor.check(again) == ((again,), []), "two equal readings are no frozen sensor"


def test_shocks_are_believed_but_not_what_no_part_can_measure() -> None:
    monitor = SensorMonitor("boom", Described())
    monitor.check(still(0.0))
    shock = Imu(0.01, "boom", (15 * G, -9 * G, 4 * G), (0.1, -0.2, 0.05))
    assert monitor.check(shock) == ((shock,), [])
    for beyond in ((40 * G, 0.0, 0.0), (math.nan, 0.0, G), (0.0, math.inf, G)):
        accepted, faults = monitor.check(Imu(0.02, "boom", beyond, (0.0, 0.0, 0.0)))
        assert accepted == ()
        assert [fault.kind for fault in faults] == ["out of range"]


def test_clipped_gyro_is_dropped_while_it_is_clipped() -> None:
    wide = PartLimits(rate_degps=300.0, rate_step_degps=100.0)
    monitor = SensorMonitor("boom", Described(), wide)
    top = math.radians(250.0)

    def turning(t: float, rate: float) -> Imu:
        return Imu(t, "boom", (0.3 * math.sin(90 * t), 0.0, G), (0.0, rate, 0.01 * math.sin(80 * t)))

    rates = [3.0, 4.0, top, top, top, top, 4.1, 3.0]
    accepted = [monitor.check(turning(0.01 * i, rate))[0] != () for i, rate in enumerate(rates)]
    assert accepted == [True, True, True, True, False, False, True, True]
    assert monitor.faults == {"gyro saturated": 1}


def test_time_going_back_is_dropped_and_a_step_of_the_clock_is_a_new_start() -> None:
    monitor = SensorMonitor("boom", Described())
    monitor.check(still(100.0))
    assert monitor.check(still(99.9))[0] == ()
    assert monitor.check(still(100.01))[0] != ()
    assert monitor.check(still(50.0))[0] != ()
    assert monitor.check(still(50.01))[0] != ()
    assert monitor.faults == {"time went back": 1}


def test_stamps_of_the_device_are_used_only_while_they_make_sense() -> None:
    monitor = SensorMonitor("boom", Described())
    assert monitor.check(still(1.0, t_sample=0.99))[0] == (still(1.0, t_sample=0.99),)
    assert monitor.check(still(1.01, t_sample=0.985))[0] == (still(1.01),), "stamp went back"
    assert monitor.check(still(1.02, t_sample=1.2))[0] == (still(1.02),), "stamp of the future"
    assert monitor.check(still(1.5, t_sample=1.03))[0] == (), "delivered late"
    assert monitor.check(still(1.51, t_sample=1.505))[0] != ()
    assert monitor.faults == {"sample time wrong": 2, "late": 1}


def test_temperature_is_a_fault_but_the_reading_is_used() -> None:
    monitor = SensorMonitor("boom", Described(), PartLimits(temp_max_c=70.0))
    monitor.check(still(0.0, temp_c=60.0))
    assert monitor.check(still(0.01, temp_c=80.0))[0] != ()
    assert "80 °C is outside -40 to 70 °C" in monitor.health(0.01).text
    monitor.check(still(0.02, temp_c=69.0))
    assert monitor.health(0.02).state == "ok"


def test_leaping_inclinometer_is_dropped_until_the_new_angle_stays() -> None:
    monitor = SensorMonitor("boom", Described(type="tilt"))
    angles = [170.0, 179.5, -179.0, 20.0, -178.0, 30.0, 30.1, 30.2, 30.3, 30.4]
    accepted = [
        monitor.check(Tilt(0.05 * i, "boom", angle_deg=angle))[0] != () for i, angle in enumerate(angles)
    ]
    assert accepted == [True, True, True, False, True, False, False, False, True, True]
    assert monitor.faults == {"jump": 4}


def test_swapped_device_is_not_used_until_the_description_names_it() -> None:
    monitor = SensorMonitor("boom", Described(serial="A1207"))
    assert monitor.check(Identity(0.0, "boom", "A1207")) == ((), [])
    assert monitor.check(still(0.01))[0] != ()
    _, faults = monitor.check(Identity(0.02, "boom", "B9"))
    assert faults == [Fault(0.02, "boom", "wrong serial", '"B9" answers, described is "A1207"; re-zero it')]
    assert monitor.check(still(0.03))[0] == ()
    assert monitor.check(Identity(0.04, "boom", "B9")) == ((), []), "told again, not counted again"
    monitor.describe(Described(serial="B9"), 0.045, G)
    assert monitor.check(still(0.05))[0] != ()
    assert monitor.health(0.05).state == "ok"


def test_right_device_coming_back_ends_the_fault() -> None:
    monitor = SensorMonitor("boom", Described(serial="A1207"))
    monitor.check(Identity(0.0, "boom", "B9"))
    monitor.check(Identity(1.0, "boom", "A1207"))
    assert monitor.check(still(1.01))[0] != ()


def test_device_swapped_while_running_is_found_without_a_described_serial() -> None:
    monitor = SensorMonitor("boom", Described())
    monitor.check(Identity(0.0, "boom", "first"))
    assert monitor.check(still(0.01))[0] != ()
    monitor.check(Identity(1.0, "boom", "second"))
    assert monitor.check(still(1.01))[0] == ()


@pytest.mark.parametrize(
    "name",
    ["jerky-crossfall-hobby", "jerky-crossfall-industrial", "trench-hobby-rocker", "static-industrial"],
)
def test_nothing_of_a_good_session_is_rejected(shared_data: Callable[..., Path], name: str) -> None:
    """Simulated digs with shocks, ringing and slewing (rigid-body engine, see the folder's README)."""
    monitors: dict[str, SensorMonitor] = {}
    for record in SessionFile(shared_data("physics_public", f"{name}.ndjson.gz")):
        if isinstance(record, Imu):
            monitor = monitors.setdefault(record.sensor, SensorMonitor(record.sensor, Described()))
            assert monitor.check(record) == ((record,), [])
    assert len(monitors) == 4


def test_a_laser_receiver_that_is_off_the_beam_is_not_stale() -> None:
    monitor = SensorMonitor("laser", Described(type="beam"))
    monitor.check(Beam(10.0, "laser"))
    assert monitor.health(500.0).state == "ok"
    assert monitor.is_ok(500.0)


def test_a_laser_receiver_is_well_once_its_contact_was_heard_of_however_seldom_it_changes() -> None:
    monitor = SensorMonitor("laser", Described(type="beam"))
    assert monitor.health(1.0).state == "waiting"
    for t in (2.0, 7.0, 12.0, 17.0, 22.0):
        monitor.contact(t)
        assert monitor.health(t + 1.0).state == "ok"
        assert monitor.is_ok(t + 1.0)
    assert monitor.fault_count == 0


def test_a_contact_says_nothing_of_a_sensor_that_measures() -> None:
    monitor = SensorMonitor("boom", Described(type="imu"))
    monitor.contact(2.0)
    assert monitor.health(2.0).state == "waiting"


@given(
    st.lists(
        st.tuples(
            st.floats(-0.8, 0.8),
            st.sampled_from(["good", "out of range", "repeated", "stranger", "known again"]),
        ),
        max_size=40,
    )
)
def test_is_ok_says_what_health_says(happenings: list[tuple[float, str]]) -> None:
    monitor, t = SensorMonitor("boom", Described()), 0.0
    for pause, kind in happenings:
        t += pause
        if kind == "stranger":
            monitor.check(Identity(t, "boom", "B"))
        elif kind == "known again":
            monitor.describe(Described(serial="B"), t, G)
        else:
            wobble = 0.0 if kind == "repeated" else 0.001 * math.sin(1e4 * t)
            size = 1e6 if kind == "out of range" else G
            monitor.check(Imu(t, "boom", (wobble, 0.0, size), (0.0, wobble, 0.0)))
        for later in (t, t + 0.2, t + 0.3, t + 2.0):
            assert monitor.is_ok(later) == (monitor.health(later).state == "ok")
        assert monitor.fault_count == sum(monitor.faults.values())


def test_a_sensor_whose_readings_are_dropped_is_missing_for_the_reason_why_they_are() -> None:
    monitor = SensorMonitor("boom", Described())
    still = Imu(0.0, "boom", (0.1, 0.0, 9.8), (0.001, 0.002, 0.003))
    for k in range(300):
        monitor.check(replace(still, t=0.01 * k))
    why = monitor.presence.missing(3.0)
    assert why is not None
    assert "frozen: the same reading" in why
    assert "silent" not in why
