"""A ditch as a target: which face governs, along and across the boom, with a slew sensor and without."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tipdatum.grade.surfaces import Ditch

DITCH = Ditch(elevation_m=10.0, grade=-0.02, bottom_m=0.8, batter_left=0.5, batter_right=1.0)


def faces(ditch: Ditch) -> list[tuple[str, np.ndarray, np.ndarray]]:
    """Name, a point of it and the unit normal of each face, by cross products of two lines that lie in it.

    Axes: along the line, to its left, up.
    """
    along = np.array([1.0, 0.0, ditch.grade])
    half = ditch.bottom_m / 2.0
    found = []
    for name, edge, slope in (
        ("bottom", half, [0.0, 1.0, 0.0]),
        ("left", half, [0.0, 1.0, ditch.batter_left]),
        ("right", -half, [0.0, 1.0, -ditch.batter_right]),
    ):
        normal = np.cross(along, slope)
        found.append((name, np.array([0.0, edge, ditch.elevation_m]), normal / np.linalg.norm(normal)))
    return found


@given(st.floats(-20.0, 20.0), st.floats(-4.0, 4.0), st.floats(-2.0, 3.0))
def test_the_nearest_face_is_the_one_with_the_shortest_perpendicular(s: float, o: float, up: float) -> None:
    there = np.array([s, o, 10.0 - 0.02 * s + up])
    away = {name: float((there - point) @ normal) for name, point, normal in faces(DITCH)}
    assert DITCH.perpendicular(s, o, there[2]) == pytest.approx(min(away.values()), abs=1e-9)
    assert away[DITCH.face(s, o, there[2])] == pytest.approx(min(away.values()), abs=1e-9)


@given(st.floats(-20.0, 20.0), st.floats(-4.0, 4.0))
def test_straight_down_is_the_highest_of_the_planes(s: float, o: float) -> None:
    heights = []
    for _, point, normal in faces(DITCH):
        x, y, z = point - np.array([s, o, 0.0])
        heights.append(float(normal @ [x, y, z]) / float(normal[2]))
    assert DITCH.elevation(s, o) == pytest.approx(max(heights), abs=1e-9)


@pytest.mark.parametrize(
    ("offset", "cross"), [(0.0, 0.0), (0.39, 0.0), (0.41, 0.5), (-0.41, -1.0), (-3.0, -1.0)]
)
def test_its_slopes_are_those_of_the_face_at_the_offset(offset: float, cross: float) -> None:
    assert DITCH.slopes(3.0, offset) == (-0.02, cross)
    rise = (DITCH.elevation(3.0, offset + 1e-4) or 0.0) - (DITCH.elevation(3.0, offset) or 0.0)
    assert rise == pytest.approx(cross * 1e-4, abs=1e-9)


def test_beyond_the_top_of_its_sides_it_says_nothing() -> None:
    ditch = DITCH.model_copy(update={"side_m": 1.5})
    # 0.4 m of half the bottom, then 1.5 m up at 1V:2H on the left and at 1V:1H on the right.
    assert ditch.elevation(0.0, 0.4 + 3.0) == pytest.approx(11.5)
    assert ditch.elevation(0.0, 0.4 + 3.001) is None
    assert ditch.elevation(0.0, -0.4 - 1.5) == pytest.approx(11.5)
    assert ditch.elevation(0.0, -0.4 - 1.501) is None


def place(rig: Any) -> np.ndarray:
    """The tip in axes that do not turn, x along the boom at slew 0."""
    return np.array(rig.estimator.stand.world(rig.machine))


def test_a_ditch_along_the_boom_is_as_deep_as_was_said(rig: Any) -> None:
    rig.send("datum/set", elevation_m=50.0)
    outcome = rig.send("target/ditch", bottom_m=0.5, batter="1V:1.5H", grade="falling 1:100", depth_m=1.2)
    assert outcome.ok, outcome.text
    assert outcome.result["batter_left_deg"] == pytest.approx(math.degrees(math.atan(1 / 1.5)))
    report = rig.tick()
    assert report.deviation_m == pytest.approx(1.2, abs=1e-6)
    assert (report.against.governing, report.against.face) == ("left", "left")


def test_the_corner_over_the_batter_governs_before_the_tip(rig: Any) -> None:
    rig.send("datum/set", elevation_m=50.0)
    rig.send("target/ditch", bottom_m=0.2, batter="45 deg", elevation_m=49.0)
    report = rig.tick()
    half = rig.machine.bucket[0].width_m / 2.0
    # The corner stands over the side, as far above the bottom's edge as it stands beyond it.
    assert report.against.left_m == pytest.approx(1.0 - (half - 0.1), abs=0.01)
    assert report.against.governing_m < report.against.deviation_m


def test_across_the_boom_the_reach_crosses_the_ditch(rig: Any) -> None:
    rig.send("datum/set", elevation_m=50.0)
    rig.send("target/ditch", bottom_m=0.4, batter="1V:2H", depth_m=1.0, runs="across", through="here")
    middle = place(rig)
    rig.stand(joints=(0.8, -1.2, -0.4))
    beyond = place(rig)
    out = abs(beyond[0] - middle[0])
    report = rig.tick()
    # Half a metre of height for every metre beyond the bottom's edge; sides end where the ground was.
    if out < 0.2 + 2.0:
        assert report.against.target_m == pytest.approx(49.0 + max(0.0, out - 0.2) / 2.0, abs=1e-6)
    else:
        assert report.against is None


def test_a_ditch_across_stays_where_it_was_laid_out_when_the_upper_slews(make_rig: Any) -> None:
    rig = make_rig(slew_sensor=True)
    rig.send("datum/set", elevation_m=50.0)
    answer = rig.send(
        "target/ditch", bottom_m=0.4, batter="1V:2H", grade="rising 2%", elevation_m=49.0, runs="across",
        through="here", side_m=5.0,
    )  # fmt: skip
    assert "rising 2.00 % to the left" in answer.text
    start = place(rig)
    rig.stand(slew=0.3)
    x, y, _ = place(rig)
    nearer = start[0] - x
    assert nearer > 0.0
    wanted = 49.0 + 0.02 * (y - start[1]) + max(0.0, nearer - 0.2) / 2.0
    report = rig.tick()
    assert report.against.target_m == pytest.approx(wanted, abs=1e-6)
    assert report.against.face == ("left" if nearer > 0.2 else "bottom")


def test_the_section_and_the_cut_across_break_where_the_ditch_does(make_rig: Any) -> None:
    rig = make_rig(slew_sensor=True)
    rig.send("datum/set", elevation_m=50.0)
    rig.send("target/ditch", bottom_m=0.6, batter="1V:1H", elevation_m=49.0, side_m=1.0)
    ahead = rig.tick().against.ahead
    across = ahead.across()
    assert {round(z, 3) for _, z in ahead.points()} == {49.0}
    middle = place(rig)[1]
    for lateral, wanted in ((-1.3, 50.0), (-0.3, 49.0), (0.3, 49.0), (1.3, 50.0)):
        assert any(abs(y - middle - lateral) < 1e-5 and abs(z - wanted) < 1e-5 for y, z in across), lateral


@pytest.mark.parametrize(
    ("body", "told"),
    [
        ({"batter": "45 deg"}, 'either "elevation_m" or "depth_m"'),
        ({"depth_m": 1.0}, 'either "batter" for both sides'),
        ({"depth_m": 1.0, "batter": "45 deg", "batter_left": "45 deg"}, 'either "batter" for both sides'),
        ({"depth_m": 1.0, "batter": "0%"}, "a batter that is not level"),
        ({"depth_m": 1.0, "batter": "1:1.5"}, "write which side is vertical"),
        ({"depth_m": -1.0, "batter": "45 deg"}, "positive down"),
    ],
)
def test_what_may_be_meant_in_two_ways_is_refused(rig: Any, body: dict[str, Any], told: str) -> None:
    rig.send("datum/set", elevation_m=50.0)
    answer = rig.send("target/ditch", bottom_m=0.5, **body)
    assert not answer.ok
    assert told in answer.text


def test_after_a_move_a_ditch_across_needs_its_station_again(rig: Any) -> None:
    rig.send("datum/set", elevation_m=50.0)
    rig.send("target/ditch", bottom_m=0.4, batter="45 deg", depth_m=1.0, runs="across", through="here")
    rig.send("mark/keep", name="TP1", in_line=True)
    rig.switch("travel", True)
    rig.stand(joints=(0.3, -1.1, -0.5))
    assert "Station unknown" in rig.send("mark/return", name="TP1", in_line=True).text
    assert rig.tick().deviation_m is None
    rig.send("station/set", station_m=12.0)
    report = rig.tick()
    assert report.against.station_m == pytest.approx(12.0)
    assert report.against.offset_m == pytest.approx(0.0, abs=1e-9)
