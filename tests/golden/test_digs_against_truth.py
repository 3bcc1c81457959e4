"""The shipped digs against the truth of the dynamics that made them (see replay_data/README.md).

The limits are not a result of this project. They are what `vqf` 2.1.2 (Laidig and Seel, 2023), a published
attitude filter, reaches with its defaults on sessions of this kind, measured outside with the same sensors
and the same kinematics: root mean square of the elevation error 44 mm moving and 32 mm slow (geometric mean
over six sessions). A filter that knows the arm has to beat one that knows each sensor alone.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tipdatum.sessions.scorer import Score, score
from tipdatum.sessions.tracks import read_messages, read_truth

DIGS = sorted((Path(__file__).parents[2] / "replay_data").glob("*.ndjson.gz"))
MOVING_M, SLOW_M = 0.044, 0.032

WITHIN_TWO_SIGMA = 0.85
"""Normal errors lie within two sigma 95 times in 100. Errors of one dig share their biases and mounts, so
that five digs are few independent trials, and their share scatters widely about that."""


@pytest.fixture(scope="module")
def scores(replayed: Callable[[Path], Path]) -> dict[str, Score]:
    """Score of each dig by its name."""
    return {dig.name: score(read_truth(dig), read_messages(replayed(dig))) for dig in DIGS}


@pytest.mark.parametrize("name", [dig.name for dig in DIGS])
def test_a_dig_is_followed_better_than_by_a_filter_that_knows_no_arm(
    scores: dict[str, Score], name: str
) -> None:
    result = scores[name]
    assert result.moving.rms_m is not None
    assert result.moving.rms_m < MOVING_M
    assert result.slow.rms_m is not None
    assert result.slow.rms_m < SLOW_M


def test_sigma_is_honest_over_all_digs(scores: dict[str, Score]) -> None:
    inside = total = 0.0
    for result in scores.values():
        for errors in (result.moving, result.slow):
            assert errors.within_2_sigma is not None
            inside += errors.within_2_sigma * errors.messages
            total += errors.messages
    assert inside / total > WITHIN_TWO_SIGMA


def test_figures_are_there_whenever_the_sensors_are(scores: dict[str, Score]) -> None:
    for name, result in scores.items():
        assert result.without_figure is not None
        assert result.without_figure < 0.03, name  # the first moments after datum/set, until it is taken
