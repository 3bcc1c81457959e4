"""Scenario files: the shipped ones load, wrong ones say what is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from tipdatum.errors import ConfigError
from tipdatum.shipped import shipped
from tipdatum.simulator.scenario import load_scenario

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
    ("machine", "key"),
    [
        ("two-piece", "second_boom"),
        ("swing-boom", "boom_swing"),
        ("coupler", "coupler"),
        ("tilting-bucket", "bucket[0].tilt_axis_m"),
    ],
)
def test_a_machine_with_joints_that_are_not_simulated_is_refused_by_file_and_key(
    machine: str, key: str
) -> None:
    file = Path(shipped("config", "machines", f"{machine}.toml"))
    with pytest.raises(ConfigError) as caught:
        load_scenario(Path(shipped("config", "scenarios", "trench.toml")), file)
    assert f"{machine}.toml: {key}: found a joint more" in str(caught.value)
