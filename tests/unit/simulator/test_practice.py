"""Somebody at the page: levers by pattern, faults, reference, target, task and score."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from tipdatum.shipped import shipped
from tipdatum.simulator.faulty import Meddler
from tipdatum.simulator.patterns import functions, read_levers
from tipdatum.simulator.practice import Practice
from tipdatum.simulator.scenario import TaskTable, load_scenario
from tipdatum.simulator.simulation import Setting, Simulation
from tipdatum.simulator.soil import Soil
from tipdatum.simulator.task import Task
from tipdatum_drivers.reading import Imu

NEUTRAL = (0.0, 0.0)
PUSHED, PULLED, LEFT, RIGHT = (0.0, 1.0), (0.0, -1.0), (-1.0, 0.0), (1.0, 0.0)


def moved(pattern: str, left: tuple[float, float], right: tuple[float, float]) -> dict[str, float]:
    return {name: way for name, way in functions(pattern, left, right, NEUTRAL).items() if way}


@pytest.mark.parametrize(
    ("left", "right", "what"),
    [
        (PUSHED, NEUTRAL, {"stick": 1.0}),
        (PULLED, NEUTRAL, {"stick": -1.0}),
        (LEFT, NEUTRAL, {"slew": 1.0}),
        (RIGHT, NEUTRAL, {"slew": -1.0}),
        (NEUTRAL, PUSHED, {"boom": -1.0}),
        (NEUTRAL, PULLED, {"boom": 1.0}),
        (NEUTRAL, LEFT, {"bucket": -1.0}),
        (NEUTRAL, RIGHT, {"bucket": 1.0}),
    ],
)
def test_levers_of_iso_10968(
    left: tuple[float, float], right: tuple[float, float], what: dict[str, float]
) -> None:
    """ISO 10968, the pattern of two cross levers (from memory)."""
    assert moved("iso", left, right) == what


def test_the_backhoe_pattern_changes_boom_and_stick() -> None:
    """Common practice, no source."""
    assert moved("backhoe", PULLED, NEUTRAL) == {"boom": 1.0}
    assert moved("backhoe", NEUTRAL, PUSHED) == {"stick": 1.0}
    assert moved("backhoe", LEFT, RIGHT) == {"slew": 1.0, "bucket": 1.0}


@pytest.mark.parametrize(
    "message",
    [{"more": {"tilt": "up"}}, {"left": "up"}, {"pattern": "own"}, {"left": [1.0]}, {"right": [None, 0]}],
)
def test_a_message_that_is_none_moves_nothing(message: dict[str, object]) -> None:
    assert read_levers(message) is None


def test_a_joint_more_has_a_lever_of_its_own_beside_either_pattern() -> None:
    """Common practice, no source."""
    for pattern in ("iso", "backhoe"):
        levers = read_levers({"pattern": pattern, "more": {"tilt": 0.5, "swing": -7.0, "crane": 1.0}})
        assert levers is not None
        assert {name: way for name, way in levers.items() if way} == {"tilt": 0.5, "swing": -1.0}


@pytest.fixture
def practice() -> Practice:
    return Practice(load_scenario(Path(shipped("config", "scenarios", "trench.toml"))))


def drive(practice: Practice, until: float, **hands: tuple[float, float]) -> list[bytes]:
    out, now = [], practice.simulation.t
    while now < until:
        now += 0.02
        if hands:
            practice.hold({"pattern": "iso", **{name: list(at) for name, at in hands.items()}}, now)
        out += practice.advance_to(now)
    return out


def test_levers_go_to_neutral_when_the_page_is_gone(practice: Practice) -> None:
    drive(practice, 1.0, right=PULLED)
    drive(practice, 3.0)
    assert practice.simulation.hydraulics.drives["boom"].lever == 0.0
    assert abs(practice.simulation.rates[-3]) < 0.01


def test_a_computer_that_falls_behind_loses_time_instead_of_racing(practice: Practice) -> None:
    practice.advance_to(0.1)
    practice.advance_to(60.0)
    assert practice.simulation.t < 2.5
    before = practice.simulation.t
    practice.advance_to(60.1)
    assert practice.simulation.t - before == pytest.approx(0.1, abs=0.011)


def test_a_computer_that_stalls_does_not_swing_the_machine_about_and_says_so(practice: Practice) -> None:
    drive(practice, 1.0, left=LEFT)
    slew = practice.simulation.chain.index["slew"]
    before, rate = practice.simulation.positions[slew], practice.simulation.rates[slew]
    assert rate > 0.1
    assert practice.view()["behind_s"] == 0.0
    stalled = practice.simulation.t + 3.0
    practice.hold({"pattern": "iso", "left": list(LEFT)}, stalled)
    practice.advance_to(stalled)
    assert practice.view()["behind_s"] == pytest.approx(3.0, abs=0.05)
    stalled += 0.6
    practice.advance_to(stalled)
    assert practice.view()["behind_s"] == pytest.approx(3.0, abs=0.05)
    # Two seconds at full lever would be more than a radian; it stopped, and began anew where a hand was seen.
    assert (
        practice.simulation.positions[slew] - before
        < 0.7 * 2.0 * practice.simulation.hydraulics.drives["slew"].top
    )
    for _ in range(60):
        stalled += 0.1
        practice.advance_to(stalled)
    assert practice.view()["behind_s"] == 0.0


def test_the_reference_wants_the_tip_on_the_ground(practice: Practice) -> None:
    practice.advance_to(0.1)
    practice.wish({"do": "reference"})
    assert practice.message is not None
    assert practice.message["code"] == "put-it-down"
    assert practice.orders == []


def test_reference_and_target_are_given_to_the_service_at_their_true_heights(practice: Practice) -> None:
    drive(practice, 2.0, right=(0.0, 0.55))
    drive(practice, 2.6)
    practice.wish({"do": "reference"})
    practice.wish({"do": "target"})
    names = [order.name for order in practice.orders]
    assert names == ["datum/set", "target/level", "target/tolerance"]
    true = practice.simulation.tip()[2] - practice.simulation.ground_start
    assert practice.orders[0].body["elevation_m"] == pytest.approx(true, abs=0.001)
    assert isinstance(practice.task, Task)
    near = practice.task.near_m - practice.simulation.ground_start
    assert practice.orders[1].body["elevation_m"] == pytest.approx(near, abs=1e-4)


SCRIPT = """
name = "A reference"
about = "The tip stands where it stands; the reference is set, and a target."
machine = "{machine}"
[[step]]
wait_s = 0.1
[[step]]
order = "datum/set"
body = {{ elevation_m = 0.0 }}
[[step]]
order = "target/level"
body = {{ elevation_m = -0.5 }}
"""


@pytest.fixture
def scripted(tmp_path: Path) -> Practice:
    file = tmp_path / "reference.toml"
    file.write_text(SCRIPT.format(machine=(shipped("config") / "machines" / "demo.toml").as_posix()))
    return Practice(load_scenario(file), script=True)


def given(practice: Practice, until: float) -> list[str]:
    """Names of the orders given up to that time."""
    practice.orders.clear()
    while practice.simulation.t < until:
        practice.advance_to(practice.simulation.t + 0.1)
    return [order.name for order in practice.orders]


def test_a_script_gives_an_order_again_that_was_refused_and_goes_on_when_it_was_taken(
    scripted: Practice,
) -> None:
    assert given(scripted, 1.0) == ["datum/set"]
    scripted.answered({"command": "datum/set", "ok": False, "text": "The arm's position is not known."})
    assert scripted.message is not None
    assert scripted.message["text"] == "The arm's position is not known."
    assert given(scripted, 4.0) == ["datum/set"]
    scripted.answered({"command": "datum/set", "ok": True, "text": ""})
    assert given(scripted, 4.5) == ["target/level"]


def test_a_script_goes_on_where_nobody_answers(scripted: Practice) -> None:
    assert given(scripted, 7.0) == ["datum/set", "target/level"]


def test_faults_begin_and_end_at_a_wish(practice: Practice) -> None:
    wish = {"do": "fault", "kind": "unplug", "sensor": "boom"}
    practice.wish(wish)
    assert practice.view()["faults"] == {"boom": ["unplug"]}
    practice.advance_to(0.1)
    assert {r.sensor for r in practice.records if isinstance(r, Imu)} == {"upper", "stick", "bucket"}
    practice.wish({**wish, "over": True})
    assert practice.view()["faults"] == {}


@pytest.mark.parametrize(
    "wish",
    [
        {"kind": "unplug", "sensor": "mast"},
        {"kind": "melt", "sensor": "boom"},
        {"kind": "swap", "sensor": "boom"},
    ],
)
def test_a_wish_that_makes_no_sense_is_refused(practice: Practice, wish: dict[str, str]) -> None:
    practice.wish({"do": "fault", **wish})
    assert practice.message
    assert practice.view()["faults"] == {}


def readings(simulation: Simulation, steps: int = 60) -> dict[str, list[Imu]]:
    found: dict[str, list[Imu]] = {}
    for _ in range(steps):
        for record in simulation.advance({}):
            if isinstance(record, Imu):
                found.setdefault(record.sensor, []).append(record)
    return found


def test_each_fault_does_to_the_readings_what_its_name_says() -> None:
    scenario = load_scenario(Path(shipped("config", "scenarios", "trench.toml")))
    simulation = Simulation(scenario.machine, Setting(posture=tuple(map(math.radians, (30.0, -95.0, -45.0)))))
    meddler, before = Meddler(simulation), readings(simulation)
    means = {name: np.mean([r.accel_mps2 for r in rs], axis=0) for name, rs in before.items()}
    meddler.do("freeze", "boom")
    meddler.do("swap", "stick", "bucket")
    meddler.do("knock", "upper")
    after = readings(simulation)
    assert len({r.accel_mps2 for r in after["boom"][1:]}) == 1
    assert np.mean([r.accel_mps2 for r in after["stick"]], axis=0) == pytest.approx(means["bucket"], abs=0.4)
    turned = np.mean([r.accel_mps2 for r in after["upper"]], axis=0)
    angle = math.degrees(
        math.acos(turned @ means["upper"] / np.linalg.norm(turned) / np.linalg.norm(means["upper"]))
    )
    assert angle == pytest.approx(3.1, abs=0.7)
    for kind, name in (("freeze", "boom"), ("swap", "stick"), ("knock", "upper")):
        meddler.do(kind, name, over=True)
    again = readings(simulation)
    for name, mean in means.items():
        assert np.mean([r.accel_mps2 for r in again[name]], axis=0) == pytest.approx(mean, abs=0.4)


def task(**changes: float) -> tuple[Task, Soil]:
    soil = Soil(8.0)
    told = {
        "text": "x",
        "depth_m": 0.5,
        "from_m": 3.0,
        "to_m": 5.0,
        "width_m": 0.6,
        "tolerance_m": 0.03,
        **changes,
    }
    return Task(TaskTable.model_validate(told), soil), soil


def test_untouched_ground_scores_nothing() -> None:
    asked, _ = task()
    figures = asked.figures()
    assert asked.planned_m3 == pytest.approx(2.0 * 0.6 * 0.5, rel=0.06)
    assert figures.done == 0.0
    assert figures.points(10.0, asked.planned_m3, 300.0) == 0


def test_ground_dug_to_the_plane_in_time_scores_all() -> None:
    asked, soil = task(grade=0.02)
    soil.heights[asked._x, asked._y] = asked._plane
    figures = asked.figures()
    assert (figures.within, figures.done, figures.over_m3) == (1.0, 1.0, 0.0)
    assert figures.points(299.0, asked.planned_m3, 300.0) == 100
    assert figures.points(600.0, asked.planned_m3, 300.0) == 95


def test_digging_too_deep_costs_points_and_is_told_in_volume() -> None:
    asked, soil = task()
    soil.heights[asked._x, asked._y] = asked._plane - 0.13
    figures = asked.figures()
    area = 2.0 * 0.6
    assert figures.within == 0.0
    assert figures.over_m3 == pytest.approx(area * 0.10, rel=0.06)
    assert figures.deepest_m == pytest.approx(0.13)
    assert figures.points(10.0, asked.planned_m3, 300.0) == 10


def test_a_truck_is_scored_by_what_is_in_it_and_what_lies_beside_it() -> None:
    practice = Practice(load_scenario(Path(shipped("config", "scenarios", "loading.toml"))))
    practice.advance_to(0.1)
    practice.wish({"do": "begin"})
    assert practice.view()["score"]["points"] == 0
    simulation = practice.simulation
    simulation.truck_m3 = 0.6
    assert practice.view()["score"]["points"] == 50
    truck = simulation.setting.truck
    assert truck is not None
    simulation.soil.put(truck.x, truck.y + truck.half_y + 0.5, 0.4, 0.06)
    score = practice.view()["score"]
    assert (score["kind"], score["done"], score["over_m3"]) == ("load", 0.5, 0.06)
    assert score["points"] == 45


@pytest.mark.parametrize(
    ("scenario", "more", "pins"),
    [("close-in", ["second_boom"], 5), ("beside-wall", ["swing"], 4), ("tilted-ditch", ["tilt"], 4)],
)
def test_a_page_is_told_of_the_joints_more_and_draws_them(scenario: str, more: list[str], pins: int) -> None:
    practice = Practice(load_scenario(Path(shipped("config", "scenarios", f"{scenario}.toml"))))
    practice.advance_to(0.1)
    assert practice.scene()["more"] == more
    view = practice.view()
    assert len(view["pins"]) == pins
    assert (view["across"] is not None) == ("tilt" in more)


def test_a_format_without_encoders_leaves_them_out_of_the_description() -> None:
    scenario = load_scenario(Path(shipped("config", "scenarios", "beside-wall.toml")))
    assert "swing" in Practice(scenario, "packets").machine.sensor
    assert set(Practice(scenario, "imu-55").machine.sensor) == {"upper", "boom", "stick", "bucket"}


def test_a_cross_fall_is_given_to_a_service_that_knows_the_slew() -> None:
    practice = Practice(load_scenario(Path(shipped("config", "scenarios", "tilted-ditch.toml"))))
    drive(practice, 6.0, right=(0.1, 0.45))
    drive(practice, 6.6)
    practice.wish({"do": "reference"})
    practice.wish({"do": "target"})
    orders = {order.name: order.body for order in practice.orders}
    assert practice.message is None
    assert orders["target/grade"]["cross"] == "10.0000%"
    assert orders["target/grade"]["cross_falls"] == "right"


def test_the_view_names_what_a_page_draws(practice: Practice) -> None:
    practice.advance_to(0.1)
    scene, view = practice.scene(), practice.view()
    assert [part["name"] for part in scene["arm"]] == ["boom", "stick", "bucket"]
    assert len(view["pins"]) == 4
    reach, height = view["pins"][-1]
    assert height == pytest.approx(view["tip"][2], abs=1e-3)
    assert reach == pytest.approx(math.hypot(view["tip"][0], view["tip"][1]), abs=0.02)
    assert view["score"]["state"] == "waiting"
