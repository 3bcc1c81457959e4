"""The short form of the latency harness: only what does not depend on the computer's speed."""

from __future__ import annotations

from pathlib import Path

import pytest
from latency import measure


@pytest.mark.slow
def test_from_encoders_to_a_subscriber_nothing_is_lost_or_out_of_order(
    need_mosquitto: None, tmp_path: Path
) -> None:
    found = measure(tmp_path, 4.0, lambda stage, share: None)
    assert found["messages"] > 0
    assert found["messages_lost"] == 0
    assert found["in_order"]
    # How old a figure was and what a full line refused say how busy the machine is; the harness prints them.
    assert found["events_dropped"] == 0
    # A machine that stands still: what the figure trembles by is no more than the sigma it claims.
    assert found["static_noise_m"] is not None
    assert 0.0 < found["static_noise_m"] <= found["sigma_m"]
