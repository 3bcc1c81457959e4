"""The budget is the law of propagation: a Monte Carlo of whole descriptions gives the same."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from matrix_machine import moved, turned

from tipdatum.calibration.budget import (
    CALIBRATED,
    DataSheet,
    better_sensor,
    make_budget,
    map_of,
    with_figures,
)
from tipdatum.calibration.budget_map import draw
from tipdatum.calibration.envelope import MAP_ATTITUDES_DEG, tip_grid
from tipdatum.calibration.sensitivity import TipSensitivity
from tipdatum.machine.description import Machine, parse_machine, values_digest
from tipdatum.machine.parts import Calibrated

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


def printed(metres: float) -> str:
    return f"{1000 * metres:.1f}"


@pytest.mark.parametrize("rocker", [False, True], ids=["bucket sensor", "rocker sensor"])
def test_twice_as_many_postures_change_no_printed_figure(rocker: bool) -> None:
    machine = with_figures(described(rocker), DataSheet(accel_bias_mps2=0.01, mount_deg=0.05))
    once = make_budget(machine)
    twice = make_budget(machine, nodes=(33, 33, 17))
    assert (printed(once.rms_m), printed(once.worst_m)) == (printed(twice.rms_m), printed(twice.worst_m))


@pytest.mark.parametrize("rocker", [False, True], ids=["bucket sensor", "rocker sensor"])
def test_the_worst_posture_is_no_better_than_any_that_the_machine_takes(rocker: bool) -> None:
    """Random postures of the envelope, the tip's derivatives by a machine of 4×4 matrices."""
    machine = described(rocker)
    budget = make_budget(machine)
    rng = np.random.default_rng(3)
    figures = budget.figures
    around = figures.postures.take(rng.choice(len(figures.postures), 400))
    there = figures.at(around)
    lever = there.J_here[:, figures.names.index("sensor.boom.mount.pitch")]
    step = math.radians(0.01)
    arm = MatrixMachine(machine)
    turned = np.array([arm.height(q, boom_off=step) - arm.height(q, boom_off=-step) for q in around.q])
    np.testing.assert_allclose(np.abs(lever), np.abs(turned) / (2 * step), atol=2e-3)
    sigma = np.sqrt([v.max() for v in budget.variance.values()])
    assert budget.worst_m >= float(budget.sigma.max()) >= float(sigma.max())


class MatrixMachine:
    """The arm as homogeneous transforms, sensors that tell absolute angles: height of the tip for
    given angles."""

    def __init__(self, machine: Machine) -> None:
        self.foot = machine.boom.foot_m
        self.lengths = (machine.boom.length_m, machine.stick.length_m, machine.bucket[0].tip_m)

    def height(self, q: Any, boom_off: float) -> float:
        place = np.eye(4)
        place = place @ moved(*self.foot)
        angles = (float(q[2]) + boom_off, float(q[3]), float(q[4]))
        before = 0.0
        for angle, length in zip(angles, self.lengths, strict=True):
            place = place @ turned("y", -(angle - before)) @ moved(length, 0.0, 0.0)
            before = angle
        return float(place[2, 3])


@pytest.mark.parametrize("rocker", [False, True], ids=["bucket sensor", "rocker sensor"])
def test_propagation_agrees_with_monte_carlo(rocker: bool) -> None:
    machine = described(rocker)
    sensitivity = TipSensitivity(machine)
    postures = tip_grid(machine, 1.5)
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
    postures = tip_grid(machine, 1.5)
    column = sensitivity.jacobian(postures)[:, sensitivity.names.index("sensor.boom.mount.pitch")]
    np.testing.assert_allclose(np.abs(column), 4.6 * np.cos(postures.q[:, 2]), atol=2e-4)


def test_sources_add_in_squares_to_the_whole() -> None:
    budget = make_budget(described())
    assert sum(share for _, _, share in budget.shares()) == pytest.approx(1.0)


def test_data_sheet_figures_replace_the_descriptions() -> None:
    machine = described()
    calm = make_budget(with_figures(machine, DataSheet(accel_bias_mps2=0.005, mount_deg=0.03)))
    assert calm.rms_m < 0.2 * make_budget(machine).rms_m


def test_temperature_is_a_source_where_a_sensor_states_a_drift() -> None:
    steady = with_figures(described(), DataSheet(accel_per_kelvin_mps2=0.0))
    machine = with_figures(steady, DataSheet(accel_per_kelvin_mps2=0.001), ("boom",))
    warm = make_budget(machine, temperature_k=20.0)
    assert set(warm.variance) - set(make_budget(machine).variance) == {"boom: temperature"}


def test_the_worst_sensor_is_worth_buying_first() -> None:
    machine = with_figures(described(), DataSheet(accel_bias_mps2=0.3), ("stick",))
    machine = with_figures(machine, DataSheet(mount_deg=0.02))
    assert better_sensor(make_budget(machine))[0][0] == "stick"


def test_a_wide_tolerance_holds_everywhere_and_a_hair_nowhere() -> None:
    budget = make_budget(described())
    assert (budget.within(1.0), budget.within(1e-6)) == pytest.approx((1.0, 0.0))


def test_a_reference_out_of_reach_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"40\.00 m reach, .* is out of reach"):
        make_budget(described(), reference=(40.0, 0.0))


def test_every_posture_of_the_envelope_has_its_tip_where_it_says() -> None:
    machine = described()
    postures = tip_grid(machine, 1.0)
    tip = machine.chain().tip(postures.q)
    np.testing.assert_allclose(tip[:, 0], postures.reach, atol=1e-9)
    np.testing.assert_allclose(tip[:, 2], postures.height, atol=1e-9)
    assert set(np.round(np.degrees(postures.q[:, 4]))) == set(MAP_ATTITUDES_DEG)


def test_the_map_is_one_picture_with_the_machines_name() -> None:
    budget = make_budget(described())
    picture = draw(described(), budget, map_of(budget, 0.8), 0.8, 0.05)
    assert picture.startswith("<svg")
    assert "invented" in picture


BESIDE = {
    "boom_swing": {"pivot_m": [0.2, 0.0, 0.0]},
    "bucket": [
        {"name": "b", "tip_m": 1.34, "width_m": 1.5, "tilt_axis_m": [0.15, 0.1], "tilt_axis_deg": 128.0}
    ],
}
OF_JOINTS = ("boom_swing.", "bucket.tilt_axis")


def calibrated(leave_out: tuple[str, ...] = ()) -> Machine:
    """A machine that swings and tilts, with a calibration that knows all else to a tenth of a millimetre."""
    data = described().model_dump(mode="json", exclude_none=True, exclude_defaults=True)
    data["sensor"]["swing"] = {"body": "boom_swing", "type": "slew"}
    machine = parse_machine({**data, **BESIDE}, "test")
    names = [n for n in TipSensitivity(machine).names if not n.startswith(leave_out or ("none",))]
    digest = values_digest(machine.model_dump(mode="json"))
    said = Calibrated(date="2026-05-01", verdict="accepted", tip_sigma_m=0.001, values=digest)
    spread = {name: [1e-4 if name.endswith("_m") else 1e-5] for name in names}
    return machine.model_copy(update={"calibrated": said, "calibration": {"spread": spread}})


def test_what_an_earlier_calibration_could_not_say_counts_as_described_and_is_named() -> None:
    nodes = (4, 4, 3)
    whole, earlier = (make_budget(calibrated(out), nodes=nodes) for out in ((), OF_JOINTS))
    plain = make_budget(calibrated().model_copy(update={"calibrated": None}), nodes=nodes)
    assert whole.described == ()
    assert "before" not in whole.standing_words
    assert earlier.described == ("swing's axis", "swing: zero", "tilt axis")
    left_out = "of swing's axis, swing: zero, tilt axis: that counts as the description states it"
    assert left_out in earlier.standing_words
    # What it does know counts as it knows it, and the rest as in a description without a calibration.
    assert earlier.beside["sideways"].variance["swing: zero"] == pytest.approx(
        plain.beside["sideways"].variance["swing: zero"]
    )
    assert CALIBRATED in earlier.variance
    assert not {"boom: mount", "stick length"} & set(earlier.variance)
    sideways = [one.beside["sideways"].rms_m for one in (whole, earlier, plain)]
    assert sideways[0] < 0.5 * sideways[1]
    assert sideways[1] <= sideways[2]


def test_a_calibration_without_its_joint_figures_is_named_as_that() -> None:
    machine = calibrated().model_copy(update={"calibration": {}})
    told = make_budget(machine, nodes=(4, 4, 3)).standing_words
    assert "how its figures go together is not in the file" in told
