"""The adjustment finds what was put in, names what does not fit and says how well it knows the rest."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tipdatum.calibration.adjustment import Solution, adjust
from tipdatum.calibration.observations import Observation, ObservationBook
from tipdatum.calibration.recordings import gather
from tipdatum.calibration.statistics import determined, propagated
from tipdatum.calibration.unknowns import make_setup
from tipdatum.machine.description import Machine, parse_machine


def solve(
    machine: Machine, book: ObservationBook, observations: tuple[Observation, ...] | None = None
) -> Solution:
    chosen = book.solving() if observations is None else observations
    return adjust(make_setup(machine, chosen, gather(book, [], chosen), book.assume))


@pytest.fixture(scope="module")
def solved(retrofit: Any) -> Solution:
    return solve(retrofit.machine, retrofit.book)


def changed(book: ObservationBook, name: str, by: float) -> tuple[Observation, ...]:
    return tuple(
        o.model_copy(update={"value": (o.value or 0.0) + by}) if o.id == name else o for o in book.solving()
    )


def test_lengths_are_found_within_three_of_their_sigmas(solved: Solution, retrofit: Any) -> None:
    for name, true in zip(("boom.length_m", "stick.length_m", "bucket.tip_m"), retrofit.lengths, strict=True):
        assert abs(solved.value(name) - true) < 3.0 * solved.sigma(name), name


def test_mounts_are_found_within_three_of_their_sigmas(solved: Solution, retrofit: Any) -> None:
    for i, name in enumerate(solved.setup.sensors):
        error = Rotation.from_matrix(solved.state.mount[i] @ retrofit.mounts[name].T).as_rotvec()
        sigma = [solved.sigma(f"sensor.{name}.mount.{a}") for a in ("roll", "pitch", "yaw")]
        assert np.all(np.abs(error) < 3.0 * np.array(sigma)), name


def test_biases_are_found_within_three_of_their_sigmas(solved: Solution, retrofit: Any) -> None:
    for i, name in enumerate(solved.setup.sensors):
        sigma = np.array([solved.sigma(f"sensor.{name}.accel_bias.{a}") for a in "xyz"])
        assert np.all(np.abs(solved.state.bias[i] - retrofit.bias[name]) < 3.0 * sigma), name


def test_good_observations_are_all_kept(solved: Solution) -> None:
    assert solved.rejected == []


@pytest.mark.parametrize(
    ("name", "by"),
    [("height 2 tip", 0.03), ("slope 0 stick", -0.8), ("height 4 boom_stick", 1.0)],
    ids=["three centimetres", "most of a degree", "a misread metre"],
)
def test_a_slip_is_named_and_harms_nothing(retrofit: Any, name: str, by: float) -> None:
    solution = solve(retrofit.machine, retrofit.book, changed(retrofit.book, name, by))
    assert solution.rejected == [name]
    assert abs(solution.value("bucket.tip_m") - retrofit.lengths[2]) < 3.0 * solution.sigma("bucket.tip_m")


def test_a_rocker_whose_described_linkage_cannot_close_is_solved(make_retrofit: Callable[..., Any]) -> None:
    case = make_retrofit(seed=3, rocker=True)
    # A link 40 mm short and a mount off by 8 degrees: over part of the stroke there is no triangle.
    data = case.machine.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
    data["linkage"]["link_m"] = 0.51
    data["sensor"]["rocker"]["mount_rpy_deg"] = [0.0, 8.0, 0.0]
    book = case.book.model_copy(
        update={
            "assume": case.book.assume.model_copy(update={"linkage_sigma_m": 0.03, "mount_sigma_deg": 12.0})
        }
    )
    machine = parse_machine(data, "invented")
    solution = solve(machine, book)
    assert solution.rejected == []
    assert abs(solution.value("linkage.link_m") - case.linkage["link_m"]) < 3.0 * solution.sigma(
        "linkage.link_m"
    )


def test_what_these_postures_cannot_tell_is_said(solved: Solution) -> None:
    unseen = {d.name for d in determined(solved) if not d.observed}
    assert {"boom.foot_m.x", "boom.foot_m.z", "sensor.upper.mount.yaw"} <= unseen
    assert "boom.length_m" not in unseen


def test_misfits_larger_than_stated_show_in_the_factor(make_retrofit: Callable[..., Any]) -> None:
    calm, rough = make_retrofit(seed=5, noise=0.5), make_retrofit(seed=5, noise=2.0)
    assert solve(rough.machine, rough.book).factor > 2.0 * solve(calm.machine, calm.book).factor


def test_without_a_rest_there_is_nothing_to_solve(retrofit: Any) -> None:
    with pytest.raises(ValueError, match="no still window"):
        solve(retrofit.machine, ObservationBook(), ())


def test_stated_sigmas_hold_over_many_retrofits(make_retrofit: Callable[..., Any]) -> None:
    """Errors of the lengths over ten invented retrofits, in their stated sigmas."""
    scaled = []
    for seed in range(10, 20):
        case = make_retrofit(seed=seed)
        solution = solve(case.machine, case.book)
        for name, true in zip(("boom.length_m", "stick.length_m", "bucket.tip_m"), case.lengths, strict=True):
            scaled.append((solution.value(name) - true) / solution.sigma(name))
    spread = float(np.sqrt(np.mean(np.square(scaled))))
    assert 0.3 < spread < 1.4


def test_propagation_is_the_quadratic_form() -> None:
    J, C = np.array([[1.0, 2.0]]), np.array([[4.0, 1.0], [1.0, 9.0]])
    assert propagated(J, C)[0] == pytest.approx(4.0 + 2 * 2.0 + 4 * 9.0)
