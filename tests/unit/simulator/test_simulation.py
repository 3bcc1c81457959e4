"""The simulated machine at the levers."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tipdatum.machine.description import Machine, load_machine, parse_machine
from tipdatum.shipped import shipped
from tipdatum.simulator.scenario import load_scenario
from tipdatum.simulator.sensors import SensorsTable
from tipdatum.simulator.simulation import STEP_S, Setting, Simulation
from tipdatum.simulator.soil import CELL_M
from tipdatum_drivers.reading import Imu, Record, Slew, Tilt, Truth

POSTURE = tuple(math.radians(a) for a in (30.0, -95.0, -45.0))


@pytest.fixture(scope="module")
def demo() -> Machine:
    return load_machine(Path(shipped("config", "machines", "demo.toml")))


def make(machine: Machine, **setting: object) -> Simulation:
    return Simulation(machine, Setting(posture=POSTURE, **setting))  # type: ignore[arg-type]


def drive(simulation: Simulation, seconds: float, **levers: float) -> list[Record]:
    out: list[Record] = []
    for _ in range(round(seconds / STEP_S)):
        out += simulation.advance(levers)
    return out


def test_the_same_levers_from_the_same_seed_give_the_same_records(demo: Machine) -> None:
    runs = []
    for _ in range(2):
        simulation = make(demo, seed=7)
        runs.append(drive(simulation, 1.0, boom=0.6, slew=-0.4) + drive(simulation, 0.5, stick=0.5))
    assert runs[0] == runs[1]
    assert drive(make(demo, seed=8), 1.0, boom=0.6, slew=-0.4) != runs[0][: len(runs[0])]


def test_records_come_in_order_of_time(demo: Machine) -> None:
    times = [record.t for record in drive(make(demo), 1.0, boom=0.5)]
    assert times == sorted(times)


def test_at_rest_nothing_moves(demo: Machine) -> None:
    simulation = make(demo)
    before = simulation.tip()
    drive(simulation, 3.0)
    assert np.linalg.norm(simulation.tip() - before) < 0.5e-3


@pytest.mark.parametrize(
    ("function", "joint", "sign"),
    [
        ("boom", "boom", 1),
        ("stick", "stick", 1),
        ("bucket", "bucket", 1),
        ("slew", "slew", 1),
        ("boom", "boom", -1),
    ],
)
def test_a_lever_moves_its_joint_its_way(demo: Machine, function: str, joint: str, sign: int) -> None:
    simulation = make(demo)
    before = simulation.joint_angles()
    drive(simulation, 0.6, **{function: 0.7 * sign})
    assert sign * (simulation.joint_angles()[joint] - before[joint]) > 0.03


def test_an_arm_needs_a_moment_to_start_and_to_stop(demo: Machine) -> None:
    simulation = make(demo)
    drive(simulation, 0.05, boom=1.0)
    early = simulation.rates[simulation.chain.index["boom"]]
    drive(simulation, 0.6, boom=1.0)
    full = simulation.rates[simulation.chain.index["boom"]]
    drive(simulation, 0.05)
    assert early < 0.4 * full
    assert simulation.rates[simulation.chain.index["boom"]] > 0.3 * full


def test_functions_share_the_pumps_flow(demo: Machine) -> None:
    alone, together = make(demo), make(demo)
    before = alone.joint_angles()["boom"]
    drive(alone, 0.8, boom=1.0)
    drive(together, 0.8, boom=1.0, stick=1.0, bucket=1.0)
    way = [s.joint_angles()["boom"] - before for s in (alone, together)]
    assert 0.3 * way[0] < way[1] < 0.8 * way[0]
    assert together.hydraulics.demand > 1.0


def test_a_cylinder_stops_at_its_end(demo: Machine) -> None:
    simulation = make(demo)
    drive(simulation, 6.0, boom=1.0)
    boom = simulation.plant.arm[0]
    assert simulation.joint_angles()["boom"] == pytest.approx(boom.high, abs=math.radians(1.0))
    assert simulation.hydraulics.drives["boom"].at_end == 1
    assert abs(simulation.rates[simulation.chain.index["boom"]]) < 0.01


def test_the_machine_rocks_on_its_tracks_when_the_boom_is_stopped(demo: Machine) -> None:
    simulation = make(demo)
    drive(simulation, 0.8, boom=1.0)
    pitch = []
    for _ in range(120):
        simulation.advance({})
        pitch.append(math.degrees(simulation.positions[simulation.chain.index["pitch"]]))
    assert np.ptp(pitch) > 0.05
    drive(simulation, 4.0)
    assert abs(simulation.rates[simulation.chain.index["pitch"]]) < 1e-3


def test_pressing_on_hard_ground_lifts_the_front_of_the_machine(demo: Machine) -> None:
    simulation = Simulation(demo, Setting(posture=POSTURE, strength=6.0))
    drive(simulation, 2.5, boom=-0.6)
    assert math.degrees(simulation.positions[simulation.chain.index["pitch"]]) > 0.05


def test_tracks_carry_the_machine_away_and_truth_tells_both(demo: Machine) -> None:
    simulation = make(demo)
    before = simulation.truth()
    drive(simulation, 3.0, left_track=1.0, right_track=1.0)
    drive(simulation, 1.0)
    after = simulation.truth()
    assert before.tip_ground_m is not None
    assert after.tip_ground_m is not None
    assert after.tip_ground_m[0] - before.tip_ground_m[0] > 1.5
    assert abs(after.tip_m[0] - before.tip_m[0]) < 0.05


def test_a_track_alone_turns_the_machine(demo: Machine) -> None:
    simulation = make(demo)
    drive(simulation, 2.0, left_track=-0.8, right_track=0.8)
    assert simulation.positions[simulation.chain.index["heading"]] > 0.3


def test_a_full_bucket_weighs_on_the_arm(demo: Machine) -> None:
    empty, full = make(demo), make(demo)
    full._set_load(full.plant.bucket_capacity_m3)
    drive(empty, 0.5)
    drive(full, 0.02)
    sag = empty.tip()[2] - full.tip()[2]
    assert full.chain.bodies[-1].mass > empty.chain.bodies[-1].mass + 400.0
    assert sag > 0.0


def test_ground_that_drags_at_the_bucket_does_not_throw_it_to_and_fro(demo: Machine) -> None:
    """Friction stops what slides; from one step to the next it turns nothing round."""
    simulation = make(demo)
    bucket = simulation.chain.index["bucket"]
    drive(simulation, 3.0, boom=-1.0)
    rates = []
    for k in range(600):
        simulation.advance({"stick": -0.6, "boom": -0.3 if k % 200 < 100 else 0.4, "bucket": -0.5})
        rates.append(float(simulation.rates[bucket]))
    change = np.diff(rates)
    turned_round = (change[1:] * change[:-1] < 0.0) & (np.minimum(abs(change[1:]), abs(change[:-1])) > 0.1)
    assert simulation.load_m3 > 0.0
    # Where the edge meets the ground anew it may be turned back once, and once more.
    assert turned_round.mean() < 0.02, f"{turned_round.sum()} of {len(turned_round)} steps"


def test_digging_fills_the_bucket_and_dumping_empties_it(demo: Machine) -> None:
    simulation = make(demo)
    drive(simulation, 1.6, boom=-0.6)
    drive(simulation, 2.0, stick=-0.8, bucket=-0.3)
    carried = simulation.load_m3
    assert carried > 0.03
    assert carried - simulation.dumped_m3 == pytest.approx(-simulation.soil.volume_m3, abs=1e-6)
    drive(simulation, 1.5, bucket=-1.0, boom=1.0)
    drive(simulation, 3.0, bucket=1.0)
    assert simulation.load_m3 == 0.0
    assert simulation.soil.volume_m3 + simulation.dumped_m3 == pytest.approx(0.0, abs=1e-6)


def test_every_kind_of_sensor_speaks() -> None:
    example = load_machine(Path(shipped("config", "machines", "example.toml")))
    records = drive(make(example), 1.0)
    kinds = {(type(r), r.sensor) for r in records if isinstance(r, (Imu, Tilt, Slew))}
    assert kinds == {(Imu, "upper"), (Imu, "boom"), (Tilt, "stick"), (Imu, "rocker"), (Slew, "house")}
    assert sum(isinstance(r, Truth) for r in records) == 50


def test_a_rockers_gyro_turns_as_its_linkage_says() -> None:
    example = load_machine(Path(shipped("config", "machines", "example.toml")))
    simulation = make(example, sensors=SensorsTable(perfect=True))
    rocker, angles, turned = simulation.plant.rocker, [], 0.0
    assert rocker is not None
    last = None
    for _ in range(330):
        for r in simulation.advance({"bucket": 0.5}):
            if isinstance(r, Imu) and r.sensor == "rocker" and r.gyro_radps is not None:
                stick = simulation.elevation_angles()[1]
                angles.append(stick + (rocker.angle(simulation.joint_angles()["bucket"]) or 0.0))
                if last is not None:
                    turned -= 0.5 * (r.gyro_radps[1] + last[1]) * (r.t - last[0])
                last = (r.t, r.gyro_radps[1])
    assert abs(angles[-1] - angles[0]) > 0.5
    # The reading is some milliseconds older than the angle that it is held against.
    assert turned == pytest.approx(angles[-1] - angles[0], abs=0.03)


def test_a_small_and_a_large_machine_stand_and_move() -> None:
    for size in (0.4, 1.6):
        machine = parse_machine(
            {
                "name": "scaled",
                "boom": {"foot_m": [0.35 * size, 0.0, 1.75 * size], "length_m": 4.6 * size},
                "stick": {"length_m": 2.5 * size},
                "bucket": [{"name": "b", "tip_m": 1.3 * size, "width_m": 0.6 * size}],
                "sensor": {"boom": {"body": "boom"}},
            },
            "test",
        )
        simulation = make(machine)
        drive(simulation, 1.0)
        assert abs(simulation.slew_centre[2]) < 0.02
        drive(simulation, 0.5, boom=0.8)
        assert simulation.rates[simulation.chain.index["boom"]] > 0.1


def of_kind(name: str, **setting: object) -> Simulation:
    scenario = load_scenario(
        Path(shipped("config", "scenarios", "trench.toml")),
        Path(shipped("config", "machines", f"{name}.toml")),
    )
    return Simulation(scenario.machine, replace(scenario.setting(), **setting))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("machine", "function", "joint", "sign"),
    [
        ("two-piece", "second_boom", "second_boom", 1),
        ("two-piece", "second_boom", "second_boom", -1),
        ("swing-boom", "swing", "swing", 1),
        ("swing-boom", "swing", "swing", -1),
        ("tilting-bucket", "tilt", "tilt", 1),
        ("tilting-bucket", "tilt", "tilt", -1),
    ],
)
def test_a_joint_more_has_a_lever_of_its_own(machine: str, function: str, joint: str, sign: int) -> None:
    simulation = of_kind(machine)
    before = simulation.joint_angles()
    drive(simulation, 0.9, **{function: 0.8 * sign})
    after = simulation.joint_angles()
    assert sign * (after[joint] - before[joint]) > 0.05
    others = [abs(after[n] - before[n]) for n in after if n != joint]
    assert max(others) < 0.03


def test_the_tilt_lever_lifts_the_left_side_whichever_way_the_axis_is_described() -> None:
    lifted = []
    for turn in (0.0, 180.0):
        scenario = load_scenario(
            Path(shipped("config", "scenarios", "trench.toml")),
            Path(shipped("config", "machines", "tilting-bucket.toml")),
        )
        axis = (scenario.machine.bucket[0].tilt_axis_deg or 0.0) + turn
        bucket = scenario.machine.bucket[0].model_copy(update={"tilt_axis_deg": axis})
        machine = scenario.machine.model_copy(update={"bucket": (bucket,)})
        simulation = Simulation(machine, scenario.setting())
        drive(simulation, 1.0, tilt=0.8)
        left, right = simulation.corners()
        lifted.append((left[2] - right[2], simulation.joint_angles()["tilt"]))
    assert lifted[0][0] > 0.1
    assert lifted[1] == pytest.approx((lifted[0][0], -lifted[0][1]), abs=0.02)


def test_a_swing_carries_the_foot_about_its_pivot_and_the_arm_with_it() -> None:
    simulation = of_kind("swing-boom", slope=(0.0, 0.0))
    drive(simulation, 3.0, swing=0.8)
    drive(simulation, 2.0)
    swing = simulation.joint_angles()["swing"]
    assert swing > math.radians(20.0)
    x, y = simulation.ahead()
    assert math.atan2(y, x) == pytest.approx(swing, abs=0.01)
    foot = simulation.pins()[0] - simulation.slew_centre
    # Pivot [0.61, 0.05], foot [0.81, 0.05] in the machine's file: 0.20 m ahead of it, turned by the swing.
    assert foot[:2] == pytest.approx((0.61 + 0.20 * math.cos(swing), 0.05 + 0.20 * math.sin(swing)), abs=0.01)


def test_truth_tells_what_turns_out_of_the_arms_plane() -> None:
    plain, swung, tilted = (of_kind(n).truth() for n in ("two-piece", "swing-boom", "tilting-bucket"))
    assert (plain.swing_deg, plain.tilt_deg, plain.left_m) == (None, None, None)
    assert swung.swing_deg == pytest.approx(0.0, abs=0.1)
    assert swung.left_m is None
    assert tilted.tilt_deg == pytest.approx(0.0, abs=0.5)
    assert tilted.left_m is not None
    assert tilted.right_m is not None
    assert math.dist(tilted.left_m, tilted.right_m) == pytest.approx(1.53, abs=1e-4)
    middle = np.add(tilted.left_m, tilted.right_m) / 2.0
    assert middle == pytest.approx(np.array(tilted.tip_m), abs=2e-5)


def test_the_encoder_of_a_swing_tells_it_with_a_zero_of_its_own() -> None:
    simulation = of_kind("swing-boom")
    told = [r for r in drive(simulation, 2.5, swing=0.7) if isinstance(r, Slew)]
    assert {r.sensor for r in told} == {"swing"}
    true = math.degrees(simulation.joint_angles()["swing"])
    assert told[-1].angle_deg == pytest.approx(true, abs=3.0)
    exact = of_kind("swing-boom", sensors=SensorsTable(perfect=True))
    told = [r for r in drive(exact, 1.0) if isinstance(r, Slew)]
    assert told[-1].angle_deg == pytest.approx(0.0, abs=0.06)


def test_a_stone_under_one_corner_turns_bucket_and_machine() -> None:
    simulation = of_kind("tilting-bucket", slope=(0.0, 0.0), strength=3.0)
    before, roll = simulation.joint_angles()["tilt"], simulation.positions[simulation.chain.index["roll"]]
    x, y, z = simulation.corners()[0].tolist()
    soil = simulation.soil
    i, j = round((x + soil.half) / CELL_M), round((y + soil.half) / CELL_M)
    soil.heights[i - 12 : i + 12, j - 4 : j + 2] = z - 0.05
    soil.put(x + 3.0, y + 3.0, 0.3, 0.5)  # it knows how high it has become
    drive(simulation, 1.5, boom=-0.35)
    assert simulation.joint_angles()["tilt"] - before > math.radians(0.1)
    assert simulation.positions[simulation.chain.index["roll"]] > roll


def test_perfect_sensors_draw_no_chance(demo: Machine) -> None:
    table = SensorsTable(perfect=True, clocks="shared")
    runs = [drive(make(demo, sensors=table, seed=seed), 0.3) for seed in (1, 2)]
    said = [[r.accel_mps2 for r in run if isinstance(r, Imu) and r.sensor == "boom"] for run in runs]
    assert said[0] == said[1]
