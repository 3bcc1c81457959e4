"""From reports to messages: what is made without validation is what validation would have made."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from decimal import Decimal
from typing import get_args

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum.bus.messages import Arm, Datum, Message, Quality, Tip
from tipdatum.core.messages_out import PINS, arm_message, rounded, tip_message
from tipdatum.grade.edge import Edge
from tipdatum.grade.report import Against, TargetAhead, TipReport
from tipdatum.grade.surfaces import Alignment, Ditch, Grade, Level, Profile, ProfilePoint
from tipdatum.kinematics.chain import Chain, TiltAxis
from tipdatum.walltime import WallTime

WALL = WallTime(datetime(2026, 5, 4, 8, 0, 0, tzinfo=UTC))
METRES = st.floats(-1000.0, 1000.0)
MAYBE = st.none() | METRES
STEPS = Profile(
    points=[ProfilePoint(station_m=s, elevation_m=z) for s, z in ((0, 0), (3, 1), (3, 2), (9, 2))]
)
TILTING = Chain(
    np.array([0.3, 0.0, 1.6]), np.array([4.2, 2.2, 0.9]), ("boom", "stick", "bucket"), 0.8,
    swing_pivot=(0.2, 0.0, 0.0), tilt_axis=TiltAxis(0.1, 0.1, 2.0),
)  # fmt: skip
DITCH = Ditch(elevation_m=1.0, grade=-0.01, bottom_m=0.8, batter_left=0.5, batter_right=1.0, side_m=2.0)
AHEAD = st.builds(
    TargetAhead,
    st.sampled_from([Level(elevation_m=2.0), Grade(elevation_m=1.0, grade=0.02, cross=-0.01), STEPS, DITCH]),
    raised_m=METRES,
    line=st.builds(
        Alignment,
        zero_m=METRES,
        azimuth_rad=st.none() | st.floats(-3.0, 3.0),
        across=st.booleans(),
        aside_m=METRES,
    ),
    slew=st.floats(-3.0, 3.0),
    reach_m=st.floats(0.0, 20.0),
    lateral_m=st.floats(-2.0, 2.0),
)
AGAINST = st.builds(
    Against,
    target_m=METRES,
    station_m=MAYBE,
    offset_m=MAYBE,
    deviation_m=METRES,
    left_m=MAYBE,
    right_m=MAYBE,
    heel_m=MAYBE,
    perpendicular_m=MAYBE,
    governing=st.sampled_from(["tip", "left", "right", "heel"]),
    governing_m=METRES,
    governing_sigma_m=METRES,
    face=st.sampled_from([None, "bottom", "left", "right"]),
    band=st.none() | st.sampled_from(["on grade", "above", "below", "cannot judge"]),
    governing_band=st.none() | st.sampled_from(["on grade", "above", "below", "cannot judge"]),
    floor_deg=MAYBE,
    ahead=AHEAD,
)
FIGURES = (
    "height_m", "elevation_m", "left_m", "right_m", "reach_m", "lateral_m", "sigma_m", "sigma_prediction_m",
    "deviation_m", "offset_m", "left_sigma_m", "right_sigma_m",
)  # fmt: skip
POINT = st.tuples(METRES, METRES, METRES)
EDGES = st.none() | st.builds(
    lambda angles, surface: Edge(TILTING, angles, TILTING.locate(angles), None, surface),
    st.tuples(*[st.floats(-3.0, 3.0)] * 7),
    st.sampled_from([None, Level(elevation_m=2.0), DITCH]),
)
REPORTS = st.builds(
    TipReport,
    t=st.floats(0.0, 1e6),
    quality=st.sampled_from(get_args(Quality)),
    reasons=st.lists(st.text(), max_size=3).map(tuple),
    datum=st.sampled_from(get_args(Datum)),
    pins=st.none() | st.sampled_from(list(PINS)).flatmap(lambda count: st.tuples(*[POINT] * count)),
    slew_rad=st.floats(-10.0, 10.0),
    against=st.none() | AGAINST,
    edge=EDGES,
    **dict.fromkeys(FIGURES, MAYBE),
)


def is_as_if_validated(message: Message) -> None:
    kind = type(message)
    assert list(vars(message)) == list(kind.model_fields), "every field, in the order of the contract"
    validated = kind.model_validate(message.model_dump())
    assert message == validated
    assert message.model_dump_json() == validated.model_dump_json()
    assert message.model_fields_set == set(kind.model_fields)


@given(REPORTS)
def test_a_tip_is_what_validation_would_have_made(report: TipReport) -> None:
    tip = tip_message(report, WALL)
    assert isinstance(tip, Tip)
    is_as_if_validated(tip)


SAME_NAME = ("elevation_m", "left_m", "right_m", "reach_m", "lateral_m", "deviation_m")
OF_THE_TARGET = {
    "target_m": "target_m", "station_m": "station_m", "offset_m": "offset_m",
    "perpendicular_m": "perpendicular_m", "left_deviation_m": "left_m", "right_deviation_m": "right_m",
    "heel_deviation_m": "heel_m", "governing_deviation_m": "governing_m", "governing": "governing",
    "judgement": "band",
}  # fmt: skip
"""Field of the message → figure that it carries."""


@given(REPORTS.filter(lambda report: report.against is not None))
def test_every_field_of_a_tip_carries_the_figure_of_its_name(report: TipReport) -> None:
    tip, against = tip_message(report, WALL), report.against
    pairs = [(getattr(tip, name), getattr(report, name)) for name in SAME_NAME]
    pairs += [(getattr(tip, name), getattr(against, figure)) for name, figure in OF_THE_TARGET.items()]
    for told, meant in pairs:
        assert told == (pytest.approx(meant, abs=6e-5) if isinstance(meant, float) else meant)


@given(REPORTS)
def test_an_arm_is_what_validation_would_have_made(report: TipReport) -> None:
    arm = arm_message(report, WALL)
    assert isinstance(arm, Arm)
    is_as_if_validated(arm)
    for point in (
        *(arm.points or ()),
        *(arm.target_ahead or ()),
        *(arm.target_across or ()),
        *(arm.corners or ()),
    ):
        is_as_if_validated(point)


@given(st.floats(-1e12, 1e12), st.integers(0, 6))
def test_a_rounded_figure_is_the_decimal_next_to_it(value: float, digits: int) -> None:
    found = rounded(value, digits)
    assert found is not None
    exact, step = Decimal(value), Decimal(1).scaleb(-digits)
    shown = Decimal(repr(found))
    assert shown == shown.quantize(step)
    # Half a step, and what a float of this size cannot tell apart.
    assert abs(shown - exact) <= step / 2 + Decimal(math.ulp(value))


@given(st.floats(), st.integers(0, 6))
def test_what_no_number_can_be_made_of_stays_what_it_is(value: float, digits: int) -> None:
    found = rounded(value, digits)
    assert found is not None
    assert math.isfinite(found) == math.isfinite(value)
    assert rounded(None, digits) is None
