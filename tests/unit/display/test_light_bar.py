"""Which lamps of the example light bar are lit: our own pattern, told from the texts alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from module_at import module_at
from tipdatum import display
from tipdatum.bus.small import text
from tipdatum.grade.units import LengthUnit

FILE = Path(display.__file__).parents[1] / "docs" / "examples" / "light_bar" / "lights.py"
lights: Any = module_at(FILE)


def bar(deviation: str, state: str = "good", count: int = 11, now_ms: int = 0) -> str:
    """Lamps from the lowest up: # bright, + dim, . dark."""
    lit = lights.lamps(deviation, state, count, now_ms)
    return "".join("#" if b > 0.9 else "+" if b > 0 else "." for b in lit)


@given(st.floats(-5.0, 5.0), st.sampled_from(get_args(LengthUnit)))
def test_a_deviation_is_read_back_from_the_text_of_every_unit(metres: float, unit: str) -> None:
    from unittest.mock import Mock

    said = text(Mock(deviation_m=metres), "deviation", unit)  # type: ignore[arg-type]
    # As coarse as the text: centimetre-sized hundredths of a foot, eighths of an inch, millimetres.
    assert lights.metres(said) == pytest.approx(metres, abs=0.0031)


def test_on_grade_is_a_broad_block_in_the_middle() -> None:
    assert bar("on grade 0.000 m") == "....###...."
    assert bar("cut 0.008 m") == "....###...."
    assert bar("fill 8 mm", count=7) == "..###.."


def test_the_column_stands_where_the_tip_is_and_shrinks_towards_the_grade() -> None:
    heights = [bar(f"cut {cm / 100:.3f} m").rindex("#") for cm in (2, 5, 12, 25, 40, 300)]
    assert heights == sorted(heights)
    assert heights[0] == 6
    assert heights[-1] == 10
    assert bar("fill 0.400 m") == "#+++++....."


def test_over_dug_goes_off_and_on_while_its_place_stays_marked() -> None:
    seen = {bar("fill 0.100 m", now_ms=ms) for ms in range(0, 3000, 50)}
    assert len(seen) == 2
    assert ".....+....." in seen
    assert len({bar("cut 0.100 m", now_ms=ms) for ms in range(0, 3000, 50)}) == 1


def test_doubt_is_a_comb_unlike_anything_that_is_sure() -> None:
    for state in ("settling", "good, check the reference", "degraded, boom slow"):
        for deviation in ("cut 0.400 m", "fill 0.400 m", "on grade 0 mm"):
            lit = bar(deviation, state)
            assert "#" not in lit
            assert "++" not in lit
            assert "+" in lit
    assert bar("cut 0.400 m", "moving") == bar("cut 0.400 m")


@pytest.mark.parametrize(
    "deviation", ["---", "", "cut", "cut x m", "cut 1 yd", "no figures", "null", "cut 1' x\""]
)
def test_without_a_figure_all_is_dark(deviation: str) -> None:
    for count in (7, 9, 11, 13, 15):
        assert bar(deviation, count=count) == "." * count
