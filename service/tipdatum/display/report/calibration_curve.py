"""Is the stated sigma true? The share of true elevations within k sigma, for k from 0.5 to 3, as a curve.

An honest sigma lies on the curve of the normal distribution, erf(k/√2): 68.3 % within one, 95.4 % within two.
Above it sigma is stated too wide, below it too narrow. Errors of one session are few draws (a bias, a mount),
so one session may lie off; many should not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from tipdatum.display.report.run import Floats, Run
from tipdatum.display.report.words import Words
from tipdatum.svg import LINES, QUIET

STEPS = np.arange(0.5, 3.01, 0.25)
"""k, standard deviations."""


def shares(error: Floats, sigma: Floats, k: Floats = STEPS) -> Floats:
    """(K,) share of errors within k sigma, 0 to 1; NaN where no error is known.

    Args:
        error: (M,) m, NaN where it is not known. sigma: (M,) m, as it was stated.
    """
    known = np.isfinite(error) & np.isfinite(sigma)
    if not known.any():
        return np.full(len(k), np.nan)
    size, one = np.abs(error[known]), sigma[known]
    return np.array([float(np.mean(size <= times * one)) for times in k])


def honest(k: Floats = STEPS) -> Floats:
    """(K,) the same of a normal error and its true sigma: erf(k/√2)."""
    return np.array([math.erf(times / math.sqrt(2.0)) for times in k])


def curve(runs: Sequence[Run], words: Words) -> str | None:
    """The drawing; None where no run has truth."""
    known = [(i, run, run.error) for i, run in enumerate(runs) if run.error is not None]
    if not known:
        return None
    chart = words.chart(
        words("report.truth.curve.title"), (0.5, 3.0), (0.0, 100.0),
        words("report.truth.curve.k"), words("report.truth.curve.share"), height=220,
    )  # fmt: skip
    chart.line(STEPS, 100.0 * honest(), QUIET, "1 4", name=words("report.truth.curve.honest"))
    for i, run, error in known:
        colour, dashes = LINES[i % len(LINES)]
        chart.line(STEPS, 100.0 * shares(error, run.sigma), colour, dashes, name=run.name)
    return chart.svg()
