"""Blocks are as long as the arm's motion lets them be."""

from __future__ import annotations

import pytest

from tipdatum.fusion.chain.prediction import BlockEnd
from tipdatum.fusion.chain.samples import SampleBuffer
from tipdatum.fusion.chain.schedule import UPSET_S, BlockLength
from tipdatum.fusion.chain.tuning import ChainOptions

PLAIN = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.0, 0.0, 0.0]]
OPTIONS = ChainOptions(quick_epochs=3, epochs=5, quick_radps=0.2, calm_epochs=10, calm_radps=0.06)
EDGE_S = 100.0


def block(*rates: float, upset_at: float = 0.0, settled: bool = True, bias: float = 0.0) -> int:
    """How many epochs are taken where a body turns by `rates`, one an epoch, rad/s, from the edge on."""
    samples = SampleBuffer(0.3)
    pace = BlockLength(OPTIONS)
    pace.upset(upset_at)
    samples.add(EDGE_S, (0.0, 0.0, 9.81), (0.0, rates[0] + bias, 0.0))
    gyro = [*PLAIN[:3], [0.0, -bias, 0.0]]
    start = BlockEnd(EDGE_S, [0.0, 0.0], [0.0, 0.0, 0.0], [list(samples.turned)], [gyro], [0.0])
    wanted = pace.begin(start, [samples], settled)
    for k in range(1, 101):
        at = EDGE_S + 0.01 * k
        samples.add(at, (0.0, 0.0, 9.81), (0.0, rates[min(len(rates) - 1, (k - 1) // 5)] + bias, 0.0))
        if k % 5 == 0 and k // 5 == wanted:
            found = pace.go_on(wanted, [samples])
            if found <= wanted:
                return found
            wanted = found
    raise AssertionError("no block was taken")


@pytest.mark.parametrize(("rate", "epochs"), [(0.0, 10), (0.05, 10), (-0.1, 5), (0.3, 3), (-1.0, 3)])
def test_the_faster_a_body_turns_the_shorter_is_the_block(rate: float, epochs: int) -> None:
    assert block(rate) == epochs


def test_a_motion_begins_with_a_block_of_its_own() -> None:
    assert block(*[0.0] * 7, 0.5) == 5
    assert block(*[0.1] * 3, 0.5) == 3


def test_a_gyro_that_is_off_is_no_motion() -> None:
    assert block(0.0, bias=0.35) == 10


def test_single_epochs_until_a_start_or_a_loss_is_some_seconds_ago() -> None:
    assert block(0.0, upset_at=EDGE_S - UPSET_S + 0.1) == 1
    assert block(0.0, upset_at=EDGE_S - UPSET_S - 0.1) == 10
    assert block(0.0, settled=False) == 1


def test_equal_lengths_in_motion_and_at_rest_can_be_asked_for() -> None:
    options = ChainOptions(quick_epochs=3, epochs=3, calm_epochs=3)
    samples, start = SampleBuffer(0.3), BlockEnd(EDGE_S, [0.0, 0.0], [0.0] * 3, [[0.0] * 3], [PLAIN], [0.0])
    pace = BlockLength(options)
    assert pace.begin(start, [samples], True) == 3
    assert pace.go_on(3, [samples]) == 3
