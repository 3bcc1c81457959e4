"""The ground as dug against the true tip of simulated digs.

Source: the developers' simulated sessions (a general physics engine, not this project's kinematics); skipped
where they are absent. Their README says what was done: finishing passes along a 1:2 slope, and dig cycles
that are dragged in on a grade and swung out 60 to 90 degrees.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeAlias

import numpy as np
import pytest
from numpy.typing import NDArray

from tipdatum.cli.gather import gather
from tipdatum.cli.inputs import settings_from
from tipdatum.display.report.ground import cutting, profiles
from tipdatum.display.report.run import Run
from tipdatum.sessions.tracks import read_truth

pytestmark = pytest.mark.slow


Tips: TypeAlias = NDArray[np.float64]


@pytest.fixture(scope="module", params=["trench-hobby", "slope-hobby"])
def dig(request: pytest.FixtureRequest, shared_data: Callable[..., Path]) -> tuple[str, Run, Tips, Tips]:
    """Name, replay at the service's own rate, and the true tip at every message and at every moment that the
    simulator wrote down: forward, left, elevation in the replay's system."""
    path = shared_data("physics_public", f"{request.param}.ndjson.gz")
    run = gather(path, settings_from(None, None), request.param)
    truth = read_truth(path)
    ((start, known),) = truth.references
    everywhere = truth.tip.copy()
    everywhere[:, 2] += known - np.interp(start, truth.t, truth.tip[:, 2])
    tip = np.stack([np.interp(run.t_emit, truth.t, everywhere[:, i]) for i in range(3)], axis=1)
    return request.param, run, tip, everywhere


def test_every_place_but_the_outermost_is_where_the_true_tip_was_lowest(dig) -> None:  # type: ignore[no-untyped-def]
    _, run, _, tip = dig
    (line,) = profiles(run)
    along = (np.abs(tip[:, 1]) < 0.6) & (tip[:, 0] > 0.0)
    for place, lowest in list(zip(line.reach, line.lowest, strict=True))[1:-1]:
        true = tip[along & (np.abs(np.hypot(tip[:, 0], tip[:, 1]) - place) <= 0.05), 2].min()
        assert lowest == pytest.approx(true, abs=0.01), place


def test_next_to_nothing_is_cut_in_the_air(dig) -> None:  # type: ignore[no-untyped-def]
    _, run, tip, _ = dig
    (line,) = profiles(run)
    ground = np.interp(np.hypot(tip[:, 0], tip[:, 1]), line.reach, line.lowest)
    in_the_air = (tip[:, 2] - ground > 0.5) & np.isfinite(run.elevation)
    assert in_the_air.sum() > 20
    # The end of a stroke that curls out over what an earlier one left deeper looks like a cut.
    assert (cutting(run) & in_the_air).sum() < 0.02 * in_the_air.sum()


def test_a_slope_of_one_to_two_is_found_as_one_of_one_to_two(dig) -> None:  # type: ignore[no-untyped-def]
    name, run, *_ = dig
    if name != "slope-hobby":
        pytest.skip("the other dig")
    (line,) = profiles(run)
    slope, _ = np.polyfit(line.reach[1:-1], line.lowest[1:-1], 1)
    assert slope == pytest.approx(-0.5, abs=0.02)
