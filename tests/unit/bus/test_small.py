"""Plain topics: what a display without JSON gets."""

from __future__ import annotations

from typing import Any

import pytest

from tipdatum.bus.messages import Tip
from tipdatum.bus.small import STATE_CHARACTERS, SmallDisplayOptions, SmallDisplays, text, value


def tip(t: float = 0.0, **fields: Any) -> Tip:
    known = {
        "t": t, "time": "2026-03-02T07:41:12.340Z", "elevation_m": 101.25, "left_m": None, "right_m": None,
        "reach_m": 6.0, "lateral_m": None, "sigma_m": 0.0124, "quality": "good", "reasons": [],
        "datum": "set", "deviation_m": 0.0474,
    }  # fmt: skip
    return Tip.model_validate(known | fields)


def test_a_value_is_a_bare_number_or_word_and_empty_where_it_is_not_known() -> None:
    assert value(tip(), "elevation_m") == "101.2500"
    assert float(value(tip(), "sigma_m")) == 0.0124
    assert value(tip(), "quality") == "good"
    assert value(tip(elevation_m=None), "elevation_m") == ""


def test_online_is_1_with_every_round_and_0_at_the_leave_for_whoever_asked_for_it() -> None:
    small = SmallDisplays(SmallDisplayOptions(values=("online",), texts=()))
    assert small.lines(tip(elevation_m=None)) == [("value", "online", b"1")]
    assert small.farewell() == [("value", "online", b"0")]
    assert SmallDisplays(SmallDisplayOptions(values=("quality",))).farewell() == []


# The international foot is 0.3048 m exactly, so 0.3048 m is 1 ft and 101.4984 m is 333 ft.
@pytest.mark.parametrize(
    ("metres", "unit", "shown"),
    [(0.3048, "ft", "cut 1.00 ft"), (-0.3048, "ft-in-8", "fill 1' 0\""), (0.047, "mm", "cut 47 mm"),
     (-0.1, "m", "fill 0.100 m"), (0.0002, "mm", "on grade 0 mm"), (None, "m", "---")],
)  # fmt: skip
def test_a_deviation_says_cut_above_the_target_and_fill_below(
    metres: float | None, unit: Any, shown: str
) -> None:
    assert text(tip(deviation_m=metres), "deviation", unit) == shown


def test_corners_say_the_same_of_themselves() -> None:
    shown = tip(left_deviation_m=0.12, right_deviation_m=-0.03)
    assert (text(shown, "left", "m"), text(shown, "right", "m")) == ("cut 0.120 m", "fill 0.030 m")
    assert text(tip(), "left", "m") == "---"
    assert value(shown, "right_deviation_m") == "-0.0300"


def test_an_elevation_is_shown_in_the_operators_unit() -> None:
    assert text(tip(elevation_m=101.4984), "elevation", "ft") == "333.00 ft"
    assert text(tip(elevation_m=None), "elevation", "m") == "---"


@pytest.mark.parametrize(
    ("fields", "shown"),
    [
        ({}, "good"),
        ({"datum": "none"}, "no reference"),
        ({"datum": "doubtful"}, "check the reference"),
        ({"quality": "stale", "reasons": ["boom silent"]}, "stale, boom silent"),
        ({"quality": "moving", "datum": "doubtful"}, "moving, check the reference"),
    ],
)
def test_the_state_says_what_is_the_matter(fields: dict[str, Any], shown: str) -> None:
    assert text(tip(**fields), "state", "m") == shown


def test_a_long_state_fits_two_lines_of_twenty() -> None:
    long = text(
        tip(quality="stale", reasons=["a very long reason"] + ["another"] * 9 + ["x" * 40]), "state", "m"
    )
    assert len(long) <= STATE_CHARACTERS


def test_figures_are_repeated_at_a_readable_rate_and_changes_do_not_wait() -> None:
    small = SmallDisplays(SmallDisplayOptions(values=("elevation_m",), texts=(), rate_hz=5.0))
    times = [k * 0.02 for k in range(100)]
    assert sum(bool(small.lines(tip(t))) for t in times) == 10
    assert small.lines(tip(2.0))
    assert not small.lines(tip(2.02))
    assert small.lines(tip(2.04, quality="stale", elevation_m=None))
    assert not small.lines(tip(2.06, quality="stale", elevation_m=None))
    assert small.lines(tip(1.0, quality="stale", elevation_m=None))  # a recording begins anew


def test_the_operator_chooses_which_topics_there_are() -> None:
    options = SmallDisplayOptions(values=("reach_m",), texts=("state",))
    assert SmallDisplays(options).lines(tip()) == [
        ("value", "reach_m", b"6.0000"),
        ("text", "state", b"good"),
    ]
