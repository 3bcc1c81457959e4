"""How unsure a swing and a tilt become by their gyros' noise and by silence, against sums done by hand.

White noise of density S integrates to the variance S T within T, and a weighted sum of independent ones has
the sum of their squared weights (JCGM 100:2008, 5.1.2).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tipdatum.fusion.arm import SensedArm
from tipdatum.fusion.chain.filter import ChainFilter
from tipdatum.fusion.chain.integration import EpochBlock
from tipdatum.fusion.chain.noise import SILENT_RADPS, UNTOLD_SIDE, Persistence
from tipdatum.fusion.chain.tuning import ChainOptions
from tipdatum.machine.description import parse_machine

Array = NDArray[np.float64]
BODIES = ("upper", "boom", "second_boom", "stick", "bucket")
DENSITY = 2e-3**2
"""Of every gyro's noise, (rad/s)²/Hz."""
SPAN_S = 0.05
LONG_AFTER_S = 1e6


def arm(bodies: Sequence[str] = BODIES) -> ChainFilter:
    """An arm that swings at the boom's foot and tilts at the bucket, at rest, with these sensors.

    The upper is beside the plane by the swing, the bucket by the tilt; boom, second boom and stick are in it.
    """
    words: dict[str, Any] = {
        "name": "every joint",
        "boom": {"foot_m": [0.8, 0.0, 0.7], "length_m": 2.3},
        "second_boom": {"length_m": 1.6},
        "boom_swing": {"pivot_m": [0.6, 0.0, 0.5]},
        "stick": {"length_m": 1.7},
        "bucket": [
            {
                "name": "b",
                "tip_m": 0.9,
                "width_m": 1.5,
                "tilt_axis_m": [0.17, 0.15],
                "tilt_axis_deg": 128.5,
            }
        ],
        "sensor": {b: {"body": b, "noise": {"gyro_radps_rthz": math.sqrt(DENSITY)}} for b in bodies},
    }
    sensed, n = SensedArm(parse_machine(words, "test")), len(bodies)
    f = ChainFilter(sensed, sensed.in_order, [True] * n, ChainOptions())
    f.start(np.tile([0.0, 0.0, 9.80665], (n, 1)), np.zeros((n, 3)), np.zeros(n))
    return f


def block(f: ChainFilter, rate: Array | None = None, silent: Sequence[int] = ()) -> EpochBlock:
    """One of a machine at rest whose gyros say `rate` (N, 3) rad/s."""
    n = f.setup.n
    rate, active = np.zeros((n, 3)) if rate is None else rate, np.ones(n, dtype=bool)
    active[list(silent)] = False
    nothing, up = np.zeros((n, 1)), np.full((n, 1), 9.80665j)
    return EpochBlock(
        force=up, force_y=nothing.copy(), moment=0.5 * SPAN_S * up, moment_y=nothing.copy(),
        rate=(rate[:, 0] + 1j * rate[:, 2])[:, None], rate_y=rate[:, 1:2].copy(),
        force_slope=np.zeros((n, 3)), rate_slope=np.zeros((n, 3)),
        shake=np.zeros(n), step=np.full(n, 0.01), missed=np.zeros((n, 2)), turned=np.zeros((n, 3)),
        active=active, alpha=np.zeros((len(f.setup.sides), 1)),
    )  # fmt: skip


def added(f: ChainFilter, one: EpochBlock) -> Array:
    """(M,) rad², by how much a block makes swing and tilt less sure."""
    P = np.zeros_like(f.P)
    motion = f._models.rates.motion(f.x, one, 0.0)
    f._models.noise.add(P, one, motion, Persistence(f.setup.n), LONG_AFTER_S)
    return P.diagonal()[f.at.side].copy()


def test_a_swing_and_a_tilt_take_the_noise_of_their_gyro_and_of_the_mean_of_those_in_the_plane() -> None:
    """Its own gyro counts with weight 1, each of the three in the plane with ⅓: S T (1 + 3/9). The rate model
    itself scatters by that, fed with white noise: of the mean rate over T it has the density over T."""
    f, rng = arm(), np.random.default_rng(7)
    expected = DENSITY * SPAN_S * (1.0 + 3 * (1 / 3) ** 2)
    noise = rng.normal(0.0, math.sqrt(DENSITY / SPAN_S), (6000, 5, 3))
    turned = [f._models.rates.motion(f.x, block(f, rate), 0.0).alpha_end for rate in noise]
    assert np.var(turned, axis=0) == pytest.approx(np.full(2, expected), rel=0.06)
    assert added(f, block(f)) == pytest.approx(np.full(2, expected))


def test_a_side_part_whose_sensor_is_silent_may_turn_as_fast_as_an_arm_can() -> None:
    """A rate of which nothing is known but its sigma turns by that sigma times the time; the other's gyro
    goes on telling."""
    f = arm()
    for part, sensor in ((0, BODIES.index("upper")), (1, BODIES.index("bucket"))):
        more = added(f, block(f, silent=[sensor])) - added(f, block(f))
        unseen = np.zeros(2)
        unseen[part] = (SILENT_RADPS * SPAN_S) ** 2
        assert more == pytest.approx(unseen)


def test_a_silent_sensor_in_the_plane_leaves_swing_and_tilt_to_their_own_gyros() -> None:
    """And a swing of which no sensor tells walks as it did: there is nobody to fall silent."""
    f = arm()
    in_plane = BODIES.index("stick")
    assert added(f, block(f, silent=[in_plane])) == pytest.approx(added(f, block(f)))
    f = arm(BODIES[1:])
    assert added(f, block(f, silent=[0]))[0] == pytest.approx(UNTOLD_SIDE**2 * SPAN_S)
