"""The budget is the law of propagation: a Monte Carlo of whole descriptions gives the same."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from tipdatum.calibration.budget import DataSheet, better_sensor, make_budget, with_figures
from tipdatum.calibration.budget_map import draw
from tipdatum.calibration.envelope import ATTITUDES_DEG, envelope
from tipdatum.calibration.sensitivity import TipSensitivity
from tipdatum.machine.description import Machine, parse_machine

LINKAGE = {
    "rocker_pivot_m": [2.15, 0.02],
    "rocker_m": 0.60,
    "link_m": 0.55,
    "bucket_ear_m": 0.39,
    "bucket_ear_angle_deg": 136.0,
    "assembly": 1,
}


def described(rocker: bool = False) -> Machine:
    sensors: dict[str, Any] = {body: {"body": body} for body in ("upper", "boom", "stick")}
    if rocker:
        sensors["rocker"] = {"body": "rocker", "mount_rpy_deg": [10.0, 80.0, 5.0]}
    else:
        sensors["bucket"] = {"body": "bucket", "mount_rpy_deg": [90.0, 0.0, 180.0]}
    data = {
        "name": "invented",
        "boom": {"foot_m": [0.35, 0.0, 1.75], "length_m": 4.6},
        "stick": {"length_m": 2.5},
        "bucket": [{"name": "b", "tip_m": 1.3, "width_m": 0.6}],
        "sensor": sensors,
        **({"linkage": LINKAGE} if rocker else {}),
    }
    return parse_machine(data, "invented")


@pytest.mark.parametrize("rocker", [False, True], ids=["bucket sensor", "rocker sensor"])
def test_propagation_agrees_with_monte_carlo(rocker: bool) -> None:
    machine = described(rocker)
    sensitivity = TipSensitivity(machine)
    postures = envelope(machine, 1.5)
    rng = np.random.default_rng(4)
    # Small enough for a linkage near the end of its stroke to be straight over the errors.
    scale = {"mount": math.radians(0.05), "accel_bias": 0.005, "accel_scale": 0.0003}
    sigma = np.array(
        [next((v for k, v in scale.items() if f".{k}." in n), 0.0004) for n in sensitivity.names]
    )
    draws = np.array([sensitivity.heights(postures, rng.normal(0.0, sigma)) for _ in range(1500)])
    linear = np.sqrt(np.sum((sensitivity.jacobian(postures) * sigma) ** 2, axis=1))
    np.testing.assert_allclose(draws.std(axis=0), linear, rtol=0.12)


def test_a_boom_error_alone_is_reach_times_angle() -> None:
    """Law of the lever: a boom sensor off by δ moves the tip by boom · cos θ · δ and nothing else moves."""
    machine = described()
    sensitivity = TipSensitivity(machine)
    postures = envelope(machine, 1.5)
    column = sensitivity.jacobian(postures)[:, sensitivity.names.index("sensor.boom.mount.pitch")]
    np.testing.assert_allclose(np.abs(column), 4.6 * np.cos(postures.q[:, 2]), atol=2e-4)


def test_sources_add_in_squares_to_the_whole() -> None:
    budget = make_budget(described(), step_m=0.8)
    assert sum(share for _, _, share in budget.shares()) == pytest.approx(1.0)


def test_data_sheet_figures_replace_the_descriptions() -> None:
    machine = described()
    calm = make_budget(with_figures(machine, DataSheet(accel_bias_mps2=0.005, mount_deg=0.03)), step_m=0.8)
    assert calm.rms_m < 0.2 * make_budget(machine, step_m=0.8).rms_m


def test_temperature_is_a_source_where_a_sensor_states_a_drift() -> None:
    machine = with_figures(described(), DataSheet(accel_per_kelvin_mps2=0.001), ("boom",))
    warm = make_budget(machine, step_m=0.8, temperature_k=20.0)
    assert set(warm.variance) - set(make_budget(machine, step_m=0.8).variance) == {"boom: temperature"}


def test_the_worst_sensor_is_worth_buying_first() -> None:
    machine = with_figures(described(), DataSheet(accel_bias_mps2=0.3), ("stick",))
    machine = with_figures(machine, DataSheet(mount_deg=0.02))
    assert better_sensor(machine, step_m=0.8)[0][0] == "stick"


def test_a_wide_tolerance_holds_everywhere_and_a_hair_nowhere() -> None:
    budget = make_budget(described(), step_m=0.8)
    assert (budget.within(1.0), budget.within(1e-6)) == (1.0, 0.0)


def test_a_reference_out_of_reach_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match="cannot put the tip 40 m out"):
        make_budget(described(), reference=(40.0, 0.0))


def test_every_posture_of_the_envelope_has_its_tip_where_it_says() -> None:
    machine = described()
    postures = envelope(machine, 1.0)
    tip = machine.chain().tip(postures.q)
    np.testing.assert_allclose(tip[:, 0], postures.reach, atol=1e-9)
    np.testing.assert_allclose(tip[:, 2], postures.height, atol=1e-9)
    assert set(np.round(np.degrees(postures.q[:, 4]))) == set(ATTITUDES_DEG)


def test_the_map_is_one_picture_with_the_machines_name() -> None:
    picture = draw(described(), make_budget(described(), step_m=0.8), 0.8, 0.05)
    assert picture.startswith("<svg")
    assert "invented" in picture
