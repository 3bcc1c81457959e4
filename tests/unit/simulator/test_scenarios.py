"""Scenario files: the shipped ones load, wrong ones say what is wrong."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from tipdatum.errors import ConfigError
from tipdatum.shipped import shipped
from tipdatum.simulator.play import Play
from tipdatum.simulator.scenario import load_scenario
from tipdatum.simulator.simulation import Simulation
from tipdatum_drivers.reading import Imu
from tipdatum_drivers.session_file import SessionFile

REPLAY_DATA = Path(__file__).parents[3] / "replay_data"
SCENARIOS = sorted(Path(shipped("config", "scenarios")).glob("*.toml"))
GOOD = """
name = "test"
machine = "{machine}"
[[step]]
repeat = 3
each = {{ height_m = -0.1 }}
[[step.step]]
draw = {{ reach_m = 4.0, height_m = -0.2 }}
[[step.step]]
wait_s = 1.0
"""


@pytest.fixture
def written(tmp_path: Path):  # type: ignore[no-untyped-def]
    machine = shipped("config", "machines", "demo.toml")

    def write(change: str = "", by: str = "") -> Path:
        text = GOOD.format(machine=machine)
        assert change in text
        path = tmp_path / "scenario.toml"
        path.write_text(text.replace(change, by) if change else text + by)
        return path

    return write


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_every_shipped_scenario_loads_and_has_a_script(path: Path) -> None:
    scenario = load_scenario(path)
    assert scenario.steps
    assert any(step.order == "datum/set" for step in scenario.steps)


def test_repetitions_are_written_out_each_further_than_the_one_before(written) -> None:  # type: ignore[no-untyped-def]
    steps = load_scenario(written()).steps
    assert len(steps) == 6
    heights = [step.draw.height_m for step in steps if step.draw is not None]
    assert heights == pytest.approx([-0.2, -0.3, -0.4])


@pytest.mark.parametrize(
    ("change", "by", "key", "found", "expected"),
    [
        ("name =", "nome =", "nome", "unknown key", "name"),
        ("repeat = 3", "repeat = 0", "step[0].repeat", "0", "1"),
        ("reach_m = 4.0", 'reach_m = "far"', "step[0].step[0].draw.reach_m", '"far"', "number"),
        (
            "wait_s = 1.0",
            "wait_s = 1.0\ntravel_m = 2.0",
            "step[0].step[1]",
            "wait_s and travel_m",
            "exactly one",
        ),
        ("", "[ground]\nalong = 2.0\n", "ground.along", "2.0", "-0.3 to 0.3"),
        ("", '[ground]\nfirmness = "rock"\n', "ground.firmness", '"rock"', "soft"),
        ("", "[start]\nstick_deg = 20.0\n", "start.stick_deg", "20", "cylinder"),
        ("", "[sensors]\nrate_hz = 0\n", "sensors.rate_hz", "0", "5"),
        (
            "",
            '[[step]]\nfault = { kind = "unplug", sensor = "mast" }\n',
            "step.fault.sensor",
            '"mast"',
            "boom",
        ),
        (
            "",
            '[task]\ntext = "x"\ndepth_m = 1\nfrom_m = 5\nto_m = 4\nwidth_m = 1\n',
            "task.to_m",
            "4",
            "more than from_m",
        ),
    ],
)
def test_a_wrong_file_says_file_key_found_and_expected(  # type: ignore[no-untyped-def]
    written, change: str, by: str, key: str, found: str, expected: str
) -> None:
    path = written(change, by)
    with pytest.raises(ConfigError) as caught:
        load_scenario(path)
    text = str(caught.value)
    assert str(path) in text
    assert key in text
    assert found in text
    assert expected in text


def test_repetitions_within_repetitions_are_counted_before_they_are_written_out(written) -> None:  # type: ignore[no-untyped-def]
    more = "[[step]]\nrepeat = 1000\n[[step.step]]\nrepeat = 1000\n[[step.step.step]]\nwait_s = 1.0\n"
    with pytest.raises(ConfigError, match="more than 5000 steps"):
        load_scenario(written(by=more))


def test_a_machine_that_is_not_there_is_named(written) -> None:  # type: ignore[no-untyped-def]
    machine = str(shipped("config", "machines", "demo.toml"))
    with pytest.raises(ConfigError, match=r"machine.*does not exist"):
        load_scenario(written(machine, "nowhere.toml"))


def test_a_machines_file_is_no_scenario() -> None:
    with pytest.raises(ConfigError, match="a scenario, which names it"):
        load_scenario(Path(shipped("config", "machines", "demo.toml")))


@pytest.mark.parametrize(
    "path", sorted(Path(shipped("config", "machines")).glob("*.toml")), ids=lambda p: p.stem
)
def test_every_machine_that_can_be_described_stands_in_a_scenario(path: Path) -> None:
    scenario = load_scenario(Path(shipped("config", "scenarios", "trench.toml")), path)
    simulation = Simulation(scenario.machine, scenario.setting())
    assert simulation.tip()[2] - simulation.ground_start > -0.1
    assert abs(simulation.slew_centre[2] - simulation.ground_start) < 1e-9


@pytest.mark.parametrize(
    ("step", "key", "expected"),
    [
        ("go = { swing_deg = 20.0 }", "step.go.swing_deg", "[boom_swing]"),
        ("draw = { second_boom_deg = -40.0 }", "step.draw.second_boom_deg", "[second_boom]"),
        ("go = { cross = 0.1 }", "step.go.cross", "tilts"),
    ],
)
def test_a_joint_that_the_machine_does_not_have_is_named(written, step: str, key: str, expected: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ConfigError) as caught:
        load_scenario(written("", f"[[step]]\n{step}\n"))
    assert key in str(caught.value)
    assert expected in str(caught.value)


def test_a_load_wants_a_truck_that_holds_it(written) -> None:  # type: ignore[no-untyped-def]
    load = '[load]\ntext = "x"\nvolume_m3 = 9.0\n'
    with pytest.raises(ConfigError, match=r"load.volume_m3.*no \[truck\].*a truck that holds it"):
        load_scenario(written("", load))


def test_a_scenario_serves_a_boom_in_two_pieces_by_the_line_between_its_ends() -> None:
    """The law of cosines by hand: the chord of 2.34 m and 2.60 m bent by 40 degrees."""
    machines = Path(shipped("config", "machines"))
    scenario = load_scenario(Path(shipped("config", "scenarios", "trench.toml")), machines / "two-piece.toml")
    simulation = Simulation(scenario.machine, scenario.setting(installation="exact"))
    foot, _, elbow, wrist, _ = simulation.pins()
    chord = math.sqrt(2.34**2 + 2.60**2 + 2.0 * 2.34 * 2.60 * math.cos(math.radians(40.0)))
    assert math.dist(foot, elbow) == pytest.approx(chord, abs=1e-3)  # it hangs on its oil
    rise = math.degrees(math.asin((elbow[2] - foot[2]) / chord))
    assert rise == pytest.approx(scenario.file.start.boom_deg, abs=1.0)
    assert wrist[2] < elbow[2]


def test_the_shipped_dig_with_a_tilted_edge_is_what_its_scenario_gives() -> None:
    """Its first seconds; last digits may differ where another processor rounds otherwise."""
    recorded = iter(SessionFile(REPLAY_DATA / "tilted.ndjson.gz"))
    play = Play(load_scenario(Path(shipped("config", "scenarios", "tilted-ditch.toml"))))
    compared = 0
    for ours, kept in zip(play.records(), recorded, strict=False):
        if ours.t > 1.0:
            break
        assert type(ours) is type(kept)
        assert ours.t == pytest.approx(kept.t, abs=1e-6)
        if isinstance(ours, Imu) and isinstance(kept, Imu):
            assert ours.accel_mps2 == pytest.approx(kept.accel_mps2, abs=0.01)
            compared += 1
    assert compared > 150
