"""The shipped digs against the truth of the physics engine that made them (see replay_data/README.md).

The limits are not a result of this project: they are what simpler methods reach on sessions of this kind,
measured outside it with the same sensors and the same kinematics (root mean square of the elevation error,
geometric mean over six sessions): a complementary filter with a time constant of 1 s 195 mm moving and
72 mm slow, raw accelerometer tilt 494 mm and 162 mm. A dig is one session and harder or easier than the mean.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tipdatum.sessions.scorer import score
from tipdatum.sessions.tracks import read_messages, read_truth

DIGS = Path(__file__).parents[2] / "replay_data"


@pytest.mark.parametrize(
    ("name", "moving_m", "slow_m"),
    [
        ("trench.ndjson.gz", 0.195, 0.072),
        ("slope.ndjson.gz", 0.195, 0.072),
        ("rocker.ndjson.gz", 0.195, 0.072),
        # Fast reversals, shocks and a rough description: held to the raw accelerometer's figures.
        ("crossfall.ndjson.gz", 0.494, 0.162),
    ],
)
def test_a_dig_is_at_least_as_good_as_the_method_it_has_to_beat(
    replayed: Callable[[Path], Path], name: str, moving_m: float, slow_m: float
) -> None:
    result = score(read_truth(DIGS / name), read_messages(replayed(DIGS / name)))
    assert result.moving.rms_m is not None
    assert result.moving.rms_m < moving_m
    assert result.slow.rms_m is not None
    assert result.slow.rms_m < slow_m
    # An honest sigma: the truth lies within two of them at least nine times in ten.
    assert result.moving.within_2_sigma is not None
    assert result.moving.within_2_sigma > 0.9
    assert result.slow.within_2_sigma is not None
    assert result.slow.within_2_sigma > 0.9
