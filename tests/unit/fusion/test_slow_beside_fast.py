"""One sensor of a reading in half a second to two beside fast ones, through the running pipeline.

The arm is the one that scipy's rotations move; its true height is the reference.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from tipdatum.bus.messages import Health, Tip
from tipdatum.config import Settings
from tipdatum.core.messages_out import Outgoing
from tipdatum.core.pipeline import Pipeline
from tipdatum.walltime import WallTime

SETTLED_S = 9.0
SECONDS = 20.0
SLOW_GRADING = {"seconds": SECONDS, "rate_hz": 50, "noise": 1.0, "pace": 0.08, "rocking": 0.2}
"""A motion that a sensor of a reading in two seconds still shows."""
TICKS = Settings(period_s=0.1)


def told(d: Any, sensor: str, period_s: float) -> tuple[np.ndarray, list[Outgoing]]:
    """(N, 3) off, sigma and known of every figure after the start, and all messages."""
    out: list[Outgoing] = []
    rows = []
    pipeline = Pipeline(d.machine, TICKS, WallTime(datetime(2026, 3, 2, tzinfo=UTC)), out.append)
    next_t = 0.0
    for reading in d.readings:
        if reading.sensor == sensor:
            if reading.t < next_t:
                continue
            next_t = reading.t + period_s - 0.001
        before = len(out)
        pipeline.feed(reading)
        report = pipeline.work.site.last
        if (
            report is None
            or report.t < SETTLED_S
            or not any(isinstance(o.message, Tip) for o in out[before:])
        ):
            continue
        known = report.height_m is not None
        off = report.height_m - float(d.height_at(np.array([report.t]))[0]) if known else np.nan
        rows.append((off, report.sigma_m if known else np.nan, known))
    return np.array(rows), out


@pytest.mark.parametrize("sensor", ["boom", "bucket"])
def test_a_slow_sensor_gives_figures_whose_sigma_says_what_slowness_costs(
    sensor: str, dig: Callable[..., Any]
) -> None:
    d = dig(**SLOW_GRADING)
    sigmas = []
    for period_s in (0.02, 0.5, 1.0, 2.0):
        found, out = told(d, sensor, period_s)
        off, sigma, known = found.T
        assert known.mean() > 0.99, f"{period_s} s: figures go on"
        assert (np.abs(off) < 2.0 * sigma).mean() > 0.9, f"{period_s} s: sigma is true"
        sigmas.append(float(np.sqrt(np.mean(sigma**2))))
        last = {o.part: o.message for o in out if isinstance(o.message, Health)}
        assert last[sensor].state == "ok"
        assert last[sensor].rate_hz == pytest.approx(1.0 / period_s, rel=0.1)
    assert min(sigmas[2:]) > 1.2 * sigmas[0]


def test_a_slower_one_is_refused_in_words(dig: Callable[..., Any]) -> None:
    d = dig(**SLOW_GRADING)
    found, out = told(d, "bucket", 3.0)
    assert not found[-20:, 2].any()
    health = [o.message for o in out if isinstance(o.message, Health) and o.part == "bucket"][-1]
    assert health.state == "fault"
    assert "speaks only every 3.0 s" in health.text
    tip = [o.message for o in out if isinstance(o.message, Tip)][-1]
    assert any("bucket sensor speaks only every 3.0 s" in reason for reason in tip.reasons)
