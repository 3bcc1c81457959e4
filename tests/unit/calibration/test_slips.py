"""A word for a slip, where plain arithmetic finds one."""

from __future__ import annotations

import pytest

from tipdatum.calibration.slips import meant


@pytest.mark.parametrize(
    ("value", "expected", "unit", "words"),
    [
        (1625.6, 1.6256, "m", "in millimetres"),
        (162.56, 1.6256, "m", "in centimetres"),
        (5.333, 1.6256, "m", "in feet"),
        (-1.20, 1.20, "m", "the sign"),
        (1.0829, 1.0289, "m", "digits exchanged"),
        (2.6256, 1.6256, "m", "misread by 1 m"),
        (1.7256, 1.6256, "m", "misread by 0.1 m"),
        (46.6, 25.0, "deg", "percent"),
        (65.0, 25.0, "deg", "plumb"),
        (-25.0, 25.0, "deg", "the sign"),
        (52.0, 25.0, "deg", "digits exchanged"),
    ],
    ids=str,
)
def test_a_slip_is_recognised(value: float, expected: float, unit: str, words: str) -> None:
    assert words in meant(value, expected, 0.002 if unit == "m" else 0.05, unit)


def test_a_misfit_without_a_reason_gets_none() -> None:
    assert meant(1.6633, 1.6256, 0.002, "m") == ""
